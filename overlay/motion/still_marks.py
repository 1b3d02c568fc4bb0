"""Marks that keep their place while the picture moves: figures burned in, a logo, part of the airframe."""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from numpy.typing import NDArray

Grey = NDArray[np.uint8]

EVERY = 5  # pictures between looks: a look costs as much as following the points
SETTLED = 12  # looks before anything is called a mark
_FORGET = 0.06


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
        self._mean += _FORGET * (gradient - self._mean)
        self._size += _FORGET * (size - self._size)
        self._free = None

    def free(self) -> Grey | None:
        """Mask, 0 on marks and 255 elsewhere; None while nothing is known."""
        if self._mean is None or self._size is None or self.seen < SETTLED * EVERY:
            return None
        if self._free is None:
            steady = np.abs(self._mean).sum(axis=2)
            marks = ((steady > 0.6 * self._size) & (steady > 60)).astype(np.uint8)
            self._free = np.where(cv2.dilate(marks, np.ones((9, 9), np.uint8)) > 0, 0, 255).astype(np.uint8)
            if (self._free == 0).mean() > 0.5:  # the scene itself stands still
                self._free = np.full_like(self._free, 255)
        return self._free
