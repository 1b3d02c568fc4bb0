"""Bands of the picture that were lost on a coded link: their colour jumps while the rest goes on, and jumps back when whole."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay.picture.sampling import COLOUR_LINES

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

_JUMP, _GOES_ON = 12.0, 2.0
"""Levels, of U and V together, by which the mean of a line jumps, and by which half of the lines at most may move meanwhile."""
_LIVELIER, _CALM = 2.0, 1.0
"""How many times as much as lately the rest may change, and the levels always allowed: a cut changes all."""
_FORGETS = 0.8
"""What is left of "lately" from frame to frame: recorders repeat up to three pictures (24 a second in a file of 60), in which
nothing changes.
"""
_LINES = 2
"""Sampled lines, a thirtieth of the picture each, that jump together at the least."""
_LASTS_S = 4.0
"""Longest that a band stays told: key pictures, which heal it, come more often than that (common practice, no source)."""


class Bands:
    """Follows the sampled lines of colour from frame to frame."""

    def __init__(self) -> None:
        self._means: Floats | None = None
        self._lately = 0.0
        self._off = np.zeros((2, COLOUR_LINES))
        self._since_s = np.zeros(COLOUR_LINES)

    def shares(self, colour: Bytes, moved: Floats, times_s: Floats) -> Floats:
        """Share (B,) of the picture's lines whose colour has jumped and not jumped back, 0 … 1.

        `colour` (B, 2·COLOUR_LINES, W): lines of U before those of V. `moved` (B,): what half of the picture changed by at
        most since the frame before, levels.
        """
        rows = colour.reshape(-1, colour.shape[-1])
        means = cv2.reduce(rows, 1, cv2.REDUCE_SUM, dtype=cv2.CV_32S)[:, 0] / rows.shape[1]
        means = means.reshape(len(colour), 2, COLOUR_LINES)
        if self._means is not None and not self._off.any():
            steps = np.diff(means, axis=0, prepend=self._means[None])
            if np.abs(steps).sum(axis=1).max() <= _JUMP:  # nothing to follow, as nearly always
                self._means = means[-1]
                for each in moved:
                    self._lately = max(float(each), _FORGETS * self._lately)
                return np.zeros(len(means))
        return np.array([self._step(*each) for each in zip(means, moved, times_s, strict=True)])

    def _step(self, means: Floats, moved: float, time_s: float) -> float:
        last, lately = self._means, self._lately
        self._means, self._lately = means, max(moved, _FORGETS * lately)
        if last is None:
            return 0.0
        steps = means - last
        size = np.abs(steps).sum(axis=0)
        if np.median(size) > _GOES_ON or moved > max(_LIVELIER * lately, lately + _CALM):
            self._off[:] = 0.0  # another picture altogether
        else:
            self._jump(means, steps, size > _JUMP, time_s)
        self._off[:, time_s - self._since_s > _LASTS_S] = 0.0
        return float(np.mean(self._off.any(axis=0)))

    def _jump(self, means: Floats, steps: Floats, jumped: NDArray[np.bool_], time_s: float) -> None:
        back = jumped & ((steps * self._off).sum(axis=0) < 0.0)
        self._off[:, back] = 0.0
        edges = np.flatnonzero(np.diff(np.concatenate([[False], jumped & ~back, [False]]).astype(int)))
        for start, end in zip(edges[::2], edges[1::2], strict=True):
            if end - start >= _LINES and _stands_out(means, start, end):
                self._off[:, start:end] = steps[:, start:end]
                self._since_s[start:end] = time_s


def _stands_out(means: Floats, start: int, end: int) -> bool:
    """Whether lines differ from those above and below them: where a level horizon passes they take on a neighbour's colour."""
    beside = [(start, start - 1)] if start else []
    beside += [(end - 1, end)] if end < means.shape[1] else []
    return all(np.abs(means[:, inside] - means[:, outside]).sum() > _JUMP for inside, outside in beside)
