"""What the data say of a changed link: 3 dB more, another height, another ground aerial, turned.

Expected range at which the margin is 0 (the picture falls to grade 3, the control link to its least) half of the
time, flying straight out and level at one height over smooth ground. It moves only what physics moves: the fitted
constant and its doubt stay.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from overlay.radio.fit import MarginFit
from overlay.radio.link import MIRRORS, TERMS, Link
from overlay.radio.mirror import smooth_mirror
from overlay.radio.propagation import free_space_dB, smooth_earth_dB

Floats = NDArray[np.float64]

_RANGES_M = np.geomspace(200.0, 80_000.0, 240)


@dataclass(frozen=True)
class Change:
    """A change for the next flight.

    `gain_dB` may be power, a better receiver or a better aerial; `turned`: a fixed ground aerial points down the course.
    """

    name: str
    gain_dB: float = 0.0
    height_m: float | None = None
    ground_height_m: float | None = None
    turned: bool = False


@dataclass(frozen=True)
class Expectation:
    """Range at `level` with its 95 % interval, which ends at the farthest range looked at unless `bounded`."""

    change: Change
    range_m: float
    interval95_m: tuple[float, float]
    bounded: bool
    level: str
    assumption: str

    def as_json(self) -> dict[str, object]:
        """The expectation as results are published."""
        return {
            "change": self.change.name,
            "level": self.level,
            "range_m": round(self.range_m),
            "interval95_m": [round(bound) for bound in self.interval95_m],
            "bounded": self.bounded,
            "assumption": self.assumption,
        }

    def __str__(self) -> str:
        """One sentence for a person."""
        low, high = (f"{bound / 1000:.1f}" for bound in self.interval95_m)
        high += "" if self.bounded else " or more"
        middle = f"{self.range_m / 1000:.1f} km ({low} to {high})"
        return f"{self.change.name}: {self.level} at {middle}; {self.assumption}."


def expected_range(fit: MarginFit, height_m: float, change: Change, bearing_deg: float | None = None) -> Expectation:
    """Range at the fit's level when flown at `height_m` over home (or the change's own height) along a bearing.

    Without a bearing, and for a change that turns it, a fixed ground aerial points along the course.
    """
    height = change.height_m if change.height_m is not None else height_m
    ground = change.ground_height_m if change.ground_height_m is not None else fit.link.ground_height_m
    margins = _margins(fit, height, replace(fit.link, ground_height_m=ground)) + change.gain_dB
    aside = None if change.turned or bearing_deg is None else _aside_deg(fit.link, bearing_deg)
    if aside is not None:
        strength = fit.samples[:, 1 + TERMS.index("ground aerial off axis"), None]
        margins = margins + strength * fit.link.ground.pattern_dB(np.array([aside]))
    reached = np.array([_last_positive(margin) for margin in margins])
    middle = fit.interval(reached, 0.0)[0]
    low, high = fit.interval(reached)
    pointed = "pointed along the course" if aside is None else f"{aside:.0f}° off the course"
    told = f"straight out and level at {height:.0f} m over smooth ground, ground aerial {ground:g} m up"
    told += f" and {pointed}" if fit.link.ground.directional else ""
    return Expectation(change, middle, (low, high), bool(high < 0.98 * _RANGES_M[-1]), fit.evidence.level, told)


def what_if(fit: MarginFit, height_m: float, bearing_deg: float | None = None) -> tuple[Expectation, ...]:
    """As it was, and the changes that people ask for, on the course `bearing_deg`."""
    ground = fit.link.ground_height_m
    changes = [
        Change("As it was"),
        Change("3 dB more", gain_dB=3.0),
        Change("50 m higher", height_m=height_m + 50.0),
        Change("Ground aerial twice as high", ground_height_m=2 * ground),
    ]
    aside = None if bearing_deg is None else _aside_deg(fit.link, bearing_deg)
    if aside is not None and aside >= 1.0:
        changes.append(Change(f"Ground aerial turned to {bearing_deg:.0f}°", turned=True))
    return tuple(expected_range(fit, height_m, change, bearing_deg) for change in changes)


def _aside_deg(link: Link, bearing_deg: float) -> float | None:
    """How far a fixed directional ground aerial points off a course; None for any other."""
    if link.ground_bearing_deg is None or not link.ground.directional:
        return None
    return abs((bearing_deg - link.ground_bearing_deg + 180.0) % 360.0 - 180.0)


def _margins(fit: MarginFit, height_m: float, link: Link) -> Floats:
    """Margin by sample and range, level flight straight away from a pointed ground aerial: (S, R)."""
    strength = {name: fit.samples[:, 1 + i, None] for i, name in enumerate(TERMS)}
    slant = np.hypot(_RANGES_M, height_m - link.ground_height_m)
    loss = free_space_dB(1000.0, link.frequency_MHz) - free_space_dB(slant, link.frequency_MHz)
    ground = smooth_mirror(_RANGES_M, np.full_like(_RANGES_M, height_m), link.ground_height_m)
    mirrors = np.array([ground.gain_dB(link.frequency_MHz, deeper=scale) for scale in MIRRORS])
    edge = -smooth_earth_dB(_RANGES_M, height_m, link.ground_height_m, link.frequency_MHz)
    total = fit.samples[:, :1] + strength["range"] * loss + strength["ground reflection"] * mirrors[fit.mirror]
    return np.asarray(total + strength["horizon or hill"] * edge - strength["tail toward the station"])


def _last_positive(margin: Floats) -> float:
    """The range at which the margin falls below 0 for good, having been above it for most of the way."""
    above = np.flatnonzero(margin >= 0.0)
    if len(above) == 0:
        return float(_RANGES_M[0])
    last = int(above[-1])
    if last == len(margin) - 1:
        return float(_RANGES_M[-1])
    share = margin[last] / (margin[last] - margin[last + 1])
    return float(_RANGES_M[last] * (_RANGES_M[last + 1] / _RANGES_M[last]) ** share)
