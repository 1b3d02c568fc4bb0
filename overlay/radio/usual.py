"""Whether one flight's link was worse than usual, by how many dB, and whether that is more than chance.

Flights differ from each other by more than each is known to: what stood on the car, the air, the ground under the path.
So chance is judged by the scatter among the other flights, not by the interval within one: an unchanged flight would lie
within t·s·√(1 + 1/n) of the mean of n others with 95 %, Student's t with n − 1 degrees of freedom and s their standard
deviation (the prediction interval for one more draw; NIST/SEMATECH e-Handbook of Statistical Methods, §4.1). It holds
whatever part of s is the flights' own uncertainty, as long as this flight is known as well as the others; where it is
not, the excess is added. A flight chosen because it looked different is the most different of all: then each flight has
had its chance, and the level is divided by their number (as in Grubbs' test of an outlier; Technometrics 11, 1969).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

LEAST_OTHERS = 3
_LEAST_SIGMA_DB = 0.1  # nothing seen of a link is known better
_MOST_SIGMA_DB = 3.0  # a figure known to no better than twice this only widens what counts as usual
_OWN_FREEDOM = 15.0  # degrees of freedom granted to the interval within one flight

Verdict = Literal["worse", "better", "as usual", "not told"]


@dataclass(frozen=True)
class Figure:
    """One flight's link in dB, the better the higher, known to `sigma_dB`; a lower bound where `at_least`.

    NaN where the flight does not tell, and then `why` says so.
    """

    dB: float
    sigma_dB: float
    at_least: bool = False
    why: str = ""

    @classmethod
    def of(cls, dB: float, sigma_dB: float) -> Figure:
        """A value and its 1σ; no figure where that is too much to tell."""
        if sigma_dB > _MOST_SIGMA_DB:
            return cls.none(f"it is known no better than ±{1.96 * sigma_dB:.0f} dB")
        return cls(dB, sigma_dB)

    @classmethod
    def none(cls, why: str) -> Figure:
        """No figure."""
        return cls(math.nan, math.nan, why=why)

    @property
    def known(self) -> bool:
        """Whether it is a value, not a bound."""
        return math.isfinite(self.dB) and not self.at_least


@dataclass(frozen=True)
class Judgement:
    """One flight against the others: `difference_dB` from their mean (a lower bound where `at_least`).

    `measured95_dB` is how well that difference itself is known; `usual_dB`: within so much of the mean an unchanged
    flight would lie with 95 %; `chance` how often one would differ by more, either way; `others` how many have figures.
    `looks`: of how many flights this may be the oddest, where it was singled out for its looks, else 1. `why` says what
    kept a verdict of "not told" from being one.
    """

    verdict: Verdict
    others: int
    difference_dB: float = math.nan
    measured95_dB: tuple[float, float] = (math.nan, math.nan)
    usual_dB: float = math.nan
    chance: float = math.nan
    at_least: bool = False
    looks: int = 1
    why: str = ""

    @property
    def range_factor(self) -> float:
        """By what the range at which the link is as good as usual has changed, in free space (ITU-R P.525)."""
        return float(10.0 ** (self.difference_dB / 20.0))


def judged(figures: Sequence[Figure], this: int, *, singled_out: bool = False) -> Judgement:
    """Judge flight `this` by the figures of all; `singled_out` among them for its looks, not by a rule set before."""
    from scipy.stats import t

    ours = figures[this]
    others = [figure for number, figure in enumerate(figures) if number != this]
    known = [figure for figure in others if figure.known]
    count = len(known)
    if not math.isfinite(ours.dB):
        return Judgement("not told", count, why=ours.why)
    if count < LEAST_OTHERS:
        return _too_few(ours, others)
    values = np.array([figure.dB for figure in known])
    own = np.array([figure.sigma_dB for figure in known])
    variance = max(float(values.var(ddof=1)), float(np.mean(own**2)), _LEAST_SIGMA_DB**2)
    difference = ours.dB - float(values.mean())
    sigma = 0.0 if ours.at_least else ours.sigma_dB
    excess = max(0.0, sigma**2 - float(np.mean(own**2)))
    spread = math.sqrt(variance * (1.0 + 1.0 / count) + excess)
    looks = 1 + count if singled_out else 1
    usual = float(t.ppf(1.0 - 0.025 / looks, count - 1)) * spread
    if ours.at_least:
        verdict, why = _bounded(difference, usual, others)
        return Judgement(verdict, count, difference, usual_dB=usual, at_least=True, looks=looks, why=why)
    chance = min(1.0, 2.0 * looks * float(t.sf(abs(difference) / spread, count - 1)))
    low, high = _measured(difference, variance / count, sigma**2, count)
    verdict, why = _verdict(difference, usual, others)
    return Judgement(verdict, count, difference, (low, high), usual, chance, looks=looks, why=why)


def _measured(difference: float, of_mean: float, own: float, count: int) -> tuple[float, float]:
    """95 % interval of a difference, its degrees of freedom by Welch and Satterthwaite."""
    from scipy.stats import t

    variance = of_mean + own
    freedom = variance**2 / (of_mean**2 / (count - 1) + own**2 / _OWN_FREEDOM)
    half = float(t.ppf(0.975, freedom)) * math.sqrt(variance)
    return difference - half, difference + half


def _verdict(difference: float, usual: float, others: Sequence[Figure]) -> tuple[Verdict, str]:
    if abs(difference) <= usual:
        return "as usual", ""
    if difference < 0.0:
        return "worse", ""
    return _better(others)


def _better(others: Sequence[Figure]) -> tuple[Verdict, str]:
    if any(figure.at_least for figure in others):  # those may be as good: nobody flew them to where they fall
        return "not told", "it is better than those that tell, but some were never flown to where they fall"
    return "better", ""


def _bounded(difference: float, usual: float, others: Sequence[Figure]) -> tuple[Verdict, str]:
    if difference > usual:
        return _better(others)
    if difference >= -usual:
        return "as usual", ""
    return "not told", "it was not flown far enough to tell"


def _too_few(ours: Figure, others: Sequence[Figure]) -> Judgement:
    """No verdict, with what can be said without one."""
    known = [figure.dB for figure in others if figure.known]
    some = [figure.dB for figure in others if math.isfinite(figure.dB)]
    able = f"only {_flights(len(known))}" if known else "no other flight"
    why = f"{able} can be compared, and {LEAST_OTHERS} are needed to know how much unchanged flights differ"
    difference = ours.dB - sum(known) / len(known) if known and ours.known else math.nan
    if ours.known and some and ours.dB < min(some):
        why += f"; it lies at least {min(some) - ours.dB:.1f} dB below {_each(len(some))}, and being the last of "
        why += f"{len(some) + 1} is one chance in {len(some) + 1}"
    elif math.isfinite(difference):
        side = "below" if difference < 0.0 else "above"
        why += f"; it lies {abs(difference):.1f} dB {side} {'it' if len(known) == 1 else 'their mean'}"
    return Judgement("not told", len(known), difference, why=why)


def _flights(count: int) -> str:
    return "one other flight" if count == 1 else f"{count} other flights"


def _each(count: int) -> str:
    return "the one other flight" if count == 1 else f"each of {count} other flights"
