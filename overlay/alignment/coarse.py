"""Where a recording may belong: correlation over every possible overlap, and how likely chance would do as well."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.alignment.correlate import evidence, independent_share, masked_correlation, whitened
from overlay.alignment.result import Candidate
from overlay.alignment.sampling import Averager
from overlay.alignment.significance import Null, null

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

STEP_S = 0.25
WIDTH_S = 1.0
TREND_S = 20.0  # slower changes than this are taken off: a turn, not a bias, is what places a recording
APART_S = 3.0  # peaks closer than this are one peak
PIECE_S = 60.0


@dataclass(frozen=True)
class Search:
    """Evidence (L,) at each offset (L,) in seconds, its peaks in order, and the null they have to beat."""

    offset_s: Floats
    score: Floats
    candidates: tuple[Candidate, ...]
    null: Null
    least_overlap_s: float
    among: int = 1  # references that the best is taken of

    @property
    def probability(self) -> float:
        """That unrelated motion reaches the best score somewhere, in any of the references."""
        alone = self.null.probability(self.candidates[0].score) if self.candidates else 1.0
        return min(1.0, self.among * alone)

    @property
    def z(self) -> float:
        """The best score in standard deviations of what unrelated motion reaches."""
        return self.null.z(self.candidates[0].score) if self.candidates else 0.0

    @property
    def rival_ratio(self) -> float | None:
        """Second peak over the first, as correlations (the evidence goes with their square)."""
        if len(self.candidates) < 2:
            return None
        return float(np.sqrt(max(self.candidates[1].score, 0.0) / max(self.candidates[0].score, 1e-9)))


def search(
    reference: Averager,
    recording: Averager,
    least_overlap_s: float,
    drift: float = 0.0,
    *,
    chance: Null | None = None,
    keep: int = 5,
) -> Search:
    """Every overlap of at least `least_overlap_s`, the recording's clock stretched by (1 + `drift`) first.

    `chance`: the null of the same signals at another stretch, which stays good.
    """
    start_x, x, x_known = prepared(reference, 0.0)
    start_y, y, y_known = prepared(recording, drift)
    share = independent_share(x, x_known, y, y_known)
    least = least_overlap_s / STEP_S
    surface = masked_correlation(x, x_known, y, y_known)
    score = evidence(surface, share, least)
    offset = np.asarray(start_x - start_y + surface.lag * STEP_S, np.float64)
    if chance is None:
        chance = null(x, x_known, y, y_known, share, least, piece=round(PIECE_S / STEP_S))
    return Search(offset, score, tuple(peaks(offset, score, keep)), chance, least_overlap_s)


def prepared(source: Averager, drift: float) -> tuple[float, Floats, Mask]:
    """(start, channels (3, N), known (N,)): second-long means, clipped, slow trend off, whitened."""
    start, end = ((1 + drift) * t for t in source.span)
    times = np.arange(start, max(end, start + 2 * STEP_S), STEP_S)
    values = source.means(times / (1 + drift), WIDTH_S).T
    known = np.all(np.isfinite(values), axis=0)
    if not known.any():
        return start, np.zeros_like(values), known
    # Clipped before any filter: a pan of the camera must not be smeared over what lies beside it.
    limit = 3 * np.percentile(np.abs(values[:, known]), 90, axis=1)[:, None]
    values = np.clip(np.where(known, values, 0.0), -limit, limit)
    return start, whitened(np.where(known, values - _trend(values, known), 0.0), known), known


def _trend(values: Floats, known: Mask) -> Floats:
    box = np.ones(2 * round(TREND_S / STEP_S / 2) + 1)
    if values.shape[1] < len(box):
        return np.asarray(values[:, known].mean(axis=1, keepdims=True) * known)
    weight = np.maximum(np.convolve(known, box, mode="same"), 1.0)
    return np.array([np.convolve(row * known, box, mode="same") / weight for row in values])


def peaks(offset_s: Floats, score: Floats, keep: int) -> list[Candidate]:
    """Highest points at least `APART_S` from each other, refined by the parabola through the neighbours."""
    found: list[Candidate] = []
    left = score.copy()
    while len(found) < keep and left.max(initial=0.0) > 0:
        k = int(np.argmax(left))
        found.append(Candidate(float(offset_s[k] + STEP_S * _vertex(score, k)), float(score[k])))
        left[np.abs(offset_s - offset_s[k]) < APART_S] = 0.0
    return found


def _vertex(score: Floats, k: int) -> float:
    if not 0 < k < len(score) - 1:
        return 0.0
    before, here, after = score[k - 1 : k + 2]
    bend = before - 2 * here + after
    return float(np.clip(0.5 * (before - after) / bend, -0.5, 0.5)) if bend < 0 else 0.0
