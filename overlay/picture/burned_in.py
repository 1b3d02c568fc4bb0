"""Figures burned into the live picture: edges that stay where they are while everything else moves."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]

_EDGE = 48
_ENOUGH = 24
_SHARE = 0.6
_MOST = 800


class BurnedIn:
    """Learns static edges from single frames (H, W) given now and then, and says how many of them a frame shows."""

    def __init__(self) -> None:
        self._counts: NDArray[np.float32] | None = None
        self._seen = 0
        self._where: tuple[NDArray[np.intp], NDArray[np.intp]] | None = None

    @property
    def mask(self) -> NDArray[np.bool_] | None:
        """(H, W−2) where static edges are; None until enough has been seen."""
        if self._counts is None or self._seen < _ENOUGH:
            return None
        return np.asarray(np.abs(self._counts) > _SHARE * self._seen)

    def learn(self, luma: Bytes) -> None:
        """Take one frame in; edges keep their sign, so that a flickering one does not count."""
        edges = _edges(luma)
        if self._counts is None or self._counts.shape != edges.shape:
            self._counts, self._seen = np.zeros(edges.shape, np.float32), 0
        self._counts += edges
        self._seen += 1
        if self._seen >= _ENOUGH and self._seen % _ENOUGH == 0:
            self._choose()

    def _choose(self) -> None:
        mask = self.mask
        assert mask is not None
        share = np.mean(mask)
        if not 2e-4 < share < 0.05:
            self._where = None
            return
        rows, columns = np.nonzero(mask)
        pick = np.linspace(0, len(rows) - 1, min(len(rows), _MOST)).astype(int)
        self._where = rows[pick], columns[pick]

    def shown(self, luma: Bytes) -> float:
        """Share 0 … 1 of the known static edges that this frame shows; NaN while none are known."""
        if self._where is None or self._counts is None:
            return np.nan
        rows, columns = self._where
        slope = luma[rows, columns + 2].astype(np.int16) - luma[rows, columns]
        sign = np.sign(self._counts[rows, columns])
        return float(np.mean(slope * sign > _EDGE / 2))


def _edges(luma: Bytes) -> NDArray[np.float32]:
    rising = cv2.subtract(luma[:, 2:], luma[:, :-2])
    falling = cv2.subtract(luma[:, :-2], luma[:, 2:])
    return np.subtract(rising > _EDGE, falling > _EDGE, dtype=np.float32)
