"""Fit the margin of a link to what was seen of it: one constant, and how far each idealised term holds here.

margin(t) = c + Σ sₖ·termₖ(t) + fading. The constant takes in all that no flight file tells exactly: power, gains,
cables, noise. The strengths sₖ start from 1 (0 for what need not be there) with the doubt that an idealised aerial or a
flat mirror deserves, and move as far as the data say. The likelihood is that of interval-censored normal data, with a
small share of windows that no model explains, so that a stranger's transmission does not bend the fit. The posterior
is sampled about its mode (Laplace), the samples weighted to be exact in shape (importance sampling). Where the nulls of
the ground's reflection lie is not in the strengths: several depths of the mirror are fitted, and each lends samples as
it deserves.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.errors import NoAnswerError
from overlay.radio.evidence import WINDOW_S, Evidence
from overlay.radio.link import MIRRORS, TERMS, Link, Terms
from overlay.radio.posterior import posterior_of

Floats = NDArray[np.float64]

_SAMPLES = 1500
_MIRROR_SIGMA = 0.12  # of the logarithm of the mirror's depth
_GROUND_VARIES = 0.03  # 1σ of the mirror's depth from place to place
_REFLECTION = TERMS.index("ground reflection")


@dataclass(frozen=True)
class MarginFit:
    """`samples` (S, 1 + len(TERMS)) of the constant and the strengths, `fading_dB` (S,), and their `weights` (S,).

    `mirror` (S,) is the index in `MIRRORS` that a sample takes the ground's reflection from.
    """

    samples: Floats
    fading_dB: Floats
    mirror: NDArray[np.intp]
    weights: Floats
    evidence: Evidence
    link: Link

    def effects_dB(self, terms: Terms, rows: NDArray[np.intp]) -> Floats:
        """Each term's effect averaged over some rows, by sample: (S, len(TERMS)).

        The ground's mirror is a little different for each sample, as ground is from place to place: whether a null was
        met is not known to the metre.
        """
        effects = self.samples[:, 1:] * terms.matrix()[rows].mean(axis=0)
        rng = np.random.default_rng(1)
        scales = np.array(MIRRORS)[self.mirror] * np.exp(_GROUND_VARIES * rng.normal(size=len(self.mirror)))
        effects[:, _REFLECTION] = self.samples[:, 1 + _REFLECTION] * terms.reflection_dB(rows, scales, self.link)
        return np.asarray(effects)

    def margins_dB(self, terms: Terms, rows: NDArray[np.intp]) -> Floats:
        """Margin without fading at some rows, by sample: (S, len(rows))."""
        table = terms.matrix()[rows]
        table[:, _REFLECTION] = 0.0
        mirrored = terms.mirrors[rows].T[self.mirror]
        flat = self.samples[:, :1] + self.samples[:, 1:] @ table.T
        return np.asarray(flat + self.samples[:, 1 + _REFLECTION, None] * mirrored)

    def mean(self, values: Floats) -> float:
        """Posterior mean of something known by sample, (S,)."""
        return float(self.weights @ values)

    def interval(self, values: Floats, share: float = 0.95) -> tuple[float, float]:
        """Central posterior interval of something known by sample, (S,)."""
        order = np.argsort(values)
        heights = np.cumsum(self.weights[order]) - self.weights[order] / 2
        low, high = np.interp([(1 - share) / 2, (1 + share) / 2], heights, values[order])
        return float(low), float(high)

    def constant_dB(self) -> tuple[float, tuple[float, float]]:
        """The fitted constant, margin at 1 km with nothing lost, and its 95 % interval."""
        return self.mean(self.samples[:, 0]), self.interval(self.samples[:, 0])

    def strength(self, term: str) -> tuple[float, tuple[float, float]]:
        """How strongly a term acts here (1: as idealised), and its 95 % interval."""
        values = self.samples[:, 1 + TERMS.index(term)]
        return self.mean(values), self.interval(values)


def fit_margin(terms: Terms, evidence: Evidence, link: Link) -> MarginFit:
    """Fit a link; NoAnswerError where fewer than 30 s of flight were seen."""
    table = terms.matrix()[evidence.row]
    known = np.asarray(np.isfinite(table).all(axis=1))
    if known.sum() < 15:
        seconds = int(known.sum() * WINDOW_S)
        raise NoAnswerError(f"only {seconds} s of flight with {evidence.source} and a place: 30 s are needed")
    evidence, table = evidence.kept(known), table[known]
    problem = posterior_of(table, evidence, link)
    problems = [problem.with_column(_REFLECTION, column) for column in terms.mirrors[evidence.row].T]
    modes, begin = [], None
    for each in problems:
        modes.append(each.mode(begin))
        begin = modes[-1][0]
    costs = np.array([cost for _, cost in modes]) + 0.5 * (np.log(MIRRORS) / _MIRROR_SIGMA) ** 2
    shares = np.exp(costs.min() - costs)
    shares = np.where(shares < 0.01 * shares.sum(), 0.0, shares) / shares.sum()
    drawn = [
        (number, problems[number].sampled(modes[number][0], math.ceil(_SAMPLES * share)), share)
        for number, share in enumerate(shares)
        if share > 0.0
    ]
    samples = np.vstack([found for _, (found, _), _ in drawn])
    weights = np.concatenate([share * part for _, (_, part), share in drawn])
    mirror = np.concatenate([np.full(len(part), number, np.intp) for number, (_, part), _ in drawn])
    return MarginFit(samples[:, :-1], np.exp(samples[:, -1]), mirror, weights / weights.sum(), evidence, link)
