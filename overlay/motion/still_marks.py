"""Marks that keep their place while the picture moves: figures burned in, a logo, part of the airframe."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

Grey = NDArray[np.uint8]

EVERY = 4  # moving pictures between looks: a look costs as much as following the points
SETTLED = 8  # looks before anything is called a mark
_FORGET = 0.06  # of what was learnt, at each look; at first all looks count alike


@dataclass
class StillMarks:
    """Running mean of the picture's gradient, as a vector: what moves averages out, what stays keeps its edges."""

    seen: int = 0
    _mean: NDArray[np.float32] | None = None
    _size: NDArray[np.float32] | None = None
    _free: Grey | None = field(default=None)

    def look(self, picture: Grey) -> None:
        """Learn from one picture of a moving scene."""
        self.seen += 1
        if self.seen % EVERY:
            return
        gradient = np.dstack(cv2.spatialGradient(picture)).astype(np.float32)
        size = np.abs(gradient).sum(axis=2)
        if self._mean is None or self._size is None:
            self._mean, self._size = gradient, size
            return
        share = max(_FORGET, EVERY / self.seen)
        self._mean += share * (gradient - self._mean)
        self._size += share * (size - self._size)
        self._free = None

    def free(self) -> Grey | None:
        """Mask, 0 on marks and 255 elsewhere; None while nothing is known."""
        if self._mean is None or self._size is None or self.seen < SETTLED * EVERY:
            return None
        if self._free is None:
            steady = np.abs(self._mean).sum(axis=2)
            edges = ((steady > 0.6 * self._size) & (steady > 60)).astype(np.uint8)
            marks = (cv2.boxFilter(255 * edges, -1, (5, 5)) > 90).astype(np.uint8)  # writing is dense, chance is specks
            self._free = np.where(cv2.dilate(marks, np.ones((9, 9), np.uint8)) > 0, 0, 255).astype(np.uint8)
            if (self._free == 0).mean() > 0.5:  # the scene itself stands still
                self._free = np.full_like(self._free, 255)
        return self._free
