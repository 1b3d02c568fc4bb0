"""Figures burned into the live picture: edges that stay where they are while everything else moves.

The black borders of the picture are such edges, too. Most edges lie between something black and the scene (a border, the
dark rim of a figure) and are as high as the scene is bright: when the camera's exposure falls, they fall with it. So the
step that counts is a share of the level at the edge, and an edge where all is black tells nothing.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

_EDGE, _STILL_EDGE = 48, 24
"""Levels over two pixels that make an edge, and that still count as that edge when looked for in a bright picture."""
_BLACK, _SHARE_OF_LEVEL = 16, 0.4
_STEP_AT = np.clip(_SHARE_OF_LEVEL * (np.arange(256) - _BLACK), 0, _STILL_EDGE).astype(np.uint8)
"""Step that counts as an edge by the level of its brighter side."""
_TELLING = 40
"""Level of the brighter side below which nothing tells whether there is an edge."""
_ENOUGH = 16
_SHARE = 0.6
_LEAST_EDGES, _MOST_OF_PICTURE = 60, 0.05
_LEAST_TELLING = 0.05
_LOOKED_AT = 400
_ALIKE = 0.8
_REMEMBERED = 500


class BurnedIn:
    """Learns static edges from single fields (H, W), all of one size, and says how many of them a field shows.

    The first fields are remembered as bits, so that `earlier` can tell of them once the edges are known.
    """

    def __init__(self) -> None:
        self._counts: NDArray[np.int16] | None = None
        self._seen = 0
        self._last: NDArray[np.int8] | None = None
        self._rows, self._rising = np.zeros(0, np.intp), np.zeros(0, np.int16)
        self._sides = np.zeros((2, 0), np.intp)
        """Columns ahead of the edges and behind them."""
        self._first: list[list[Bytes]] = []
        self.earlier: Floats = np.zeros(0)
        """Shares of the fields looked at before any edges were known; empty until they are."""

    @property
    def mask(self) -> NDArray[np.bool_]:
        """(H, W−2): where static edges are, as far as is known."""
        if self._counts is None or self._seen < _ENOUGH:
            return np.zeros((0, 0), dtype=bool)
        return np.asarray(np.abs(self._counts) > _SHARE * self._seen)

    def learn(self, field: Bytes) -> None:
        """Take one field in. Edges keep their sign, so a flickering one does not count; a standing scene teaches nothing."""
        edges = _edges(field)
        if self._counts is None:
            self._counts = np.zeros(edges.shape, np.int16)
        if self._last is not None and _alike(edges, self._last) > _ALIKE:
            return
        self._last = edges
        self._counts += edges
        self._seen += 1
        if self._seen % _ENOUGH == 0:
            self._choose()

    def look(self, field: Bytes) -> float:
        """Share 0 … 1 of the known static edges that this field shows; NaN while none are known or nearly all is black."""
        if len(self._rows):
            ahead, behind = field[self._rows, self._sides]
            slope = (ahead.astype(np.int16) - behind) * self._rising
            brighter = np.maximum(ahead, behind)
            return _share(slope > _STEP_AT[brighter], brighter > _TELLING)
        if len(self._first) < _REMEMBERED:
            up, down = _slopes(field)
            brighter = cv2.max(field[:, 2:], field[:, :-2])
            step = cv2.LUT(brighter, _STEP_AT)
            bits = (up > step, down > step, brighter > _TELLING)
            self._first.append([np.packbits(each, axis=1) for each in bits])
        return np.nan

    def _choose(self) -> None:
        mask, known = self.mask, len(self._rows) > 0
        if not (np.count_nonzero(mask) >= _LEAST_EDGES and np.mean(mask) < _MOST_OF_PICTURE):
            return
        rows, columns = np.nonzero(mask)
        pick = np.linspace(0, len(rows) - 1, min(len(rows), _LOOKED_AT)).astype(np.intp)
        assert self._counts is not None
        self._rows, self._sides = rows[pick], columns[pick] + np.array([[2], [0]])
        self._rising = np.sign(self._counts[self._rows, self._sides[1]])
        if not known:
            self.earlier = np.array([self._recalled(*bits) for bits in self._first])
            self._first.clear()

    def _recalled(self, up: Bytes, down: Bytes, telling: Bytes) -> float:
        columns = self._sides[1]
        byte, bit = columns // 8, 7 - columns % 8
        rising, falling, told = ((packed[self._rows, byte] >> bit & 1).astype(bool) for packed in (up, down, telling))
        return _share(np.where(self._rising > 0, rising, falling), told)


def _share(shown: NDArray[np.bool_], told: NDArray[np.bool_]) -> float:
    """Share of the edges that tell which are shown; NaN where too few tell."""
    count = np.count_nonzero(told)
    return float(np.count_nonzero(shown & told) / count) if count > _LEAST_TELLING * len(told) else np.nan


def _slopes(field: Bytes) -> tuple[Bytes, Bytes]:
    up: Bytes = cv2.subtract(field[:, 2:], field[:, :-2])  # type: ignore[assignment]  # 8 bits in, 8 bits out
    down: Bytes = cv2.subtract(field[:, :-2], field[:, 2:])  # type: ignore[assignment]
    return up, down


def _edges(field: Bytes) -> NDArray[np.int8]:
    up, down = _slopes(field)
    return (up > _EDGE).view(np.int8) - (down > _EDGE).view(np.int8)


def _alike(edges: NDArray[np.int8], last: NDArray[np.int8]) -> float:
    return np.count_nonzero((edges == last) & (edges != 0)) / max(1, int(np.count_nonzero(edges)))
