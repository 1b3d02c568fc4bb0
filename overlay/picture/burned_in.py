"""Figures burned into the live picture: edges that stay where they are while everything else moves.

The black borders of the picture are such edges, too.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

_EDGE = 48
"""Levels over two pixels that make an edge; half of it still counts as that edge when looked for."""
_ENOUGH = 16
_SHARE = 0.6
_LEAST_EDGES, _MOST_OF_PICTURE = 60, 0.05
_LOOKED_AT = 400
_ALIKE = 0.8
_REMEMBERED = 128


class BurnedIn:
    """Learns static edges from single fields (H, W), all of one size, and says how many of them a field shows.

    The first fields are remembered as bits, so that `earlier` can tell of them once the edges are known.
    """

    def __init__(self) -> None:
        self._counts: NDArray[np.int16] | None = None
        self._seen = 0
        self._last: NDArray[np.int8] | None = None
        self._rows, self._columns, self._rising = (np.zeros(0, np.intp) for _ in range(3))
        self._first: list[tuple[Bytes, Bytes]] = []
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
        """Share 0 … 1 of the known static edges that this field shows; NaN while none are known."""
        if len(self._rows):
            ahead = field[self._rows, self._columns + 2].astype(np.int16)
            slope = (ahead - field[self._rows, self._columns]) * self._rising
            return float(np.mean(slope > _EDGE // 2))
        if len(self._first) < _REMEMBERED:
            up, down = _slopes(field)
            self._first.append((np.packbits(up > _EDGE // 2, axis=1), np.packbits(down > _EDGE // 2, axis=1)))
        return np.nan

    def _choose(self) -> None:
        mask, known = self.mask, len(self._rows) > 0
        if not (np.count_nonzero(mask) >= _LEAST_EDGES and np.mean(mask) < _MOST_OF_PICTURE):
            return
        rows, columns = np.nonzero(mask)
        pick = np.linspace(0, len(rows) - 1, min(len(rows), _LOOKED_AT)).astype(np.intp)
        assert self._counts is not None
        self._rows, self._columns = rows[pick], columns[pick]
        self._rising = np.sign(self._counts[self._rows, self._columns]).astype(np.intp)
        if not known:
            self.earlier = np.array([self._recalled(*bits) for bits in self._first])
            self._first.clear()

    def _recalled(self, up: Bytes, down: Bytes) -> float:
        byte, bit = self._columns // 8, 7 - self._columns % 8
        chosen = np.where(self._rising > 0, up[self._rows, byte], down[self._rows, byte])
        return float(np.mean((chosen >> bit) & 1))


def _slopes(field: Bytes) -> tuple[Bytes, Bytes]:
    up: Bytes = cv2.subtract(field[:, 2:], field[:, :-2])  # type: ignore[assignment]  # 8 bits in, 8 bits out
    down: Bytes = cv2.subtract(field[:, :-2], field[:, 2:])  # type: ignore[assignment]
    return up, down


def _edges(field: Bytes) -> NDArray[np.int8]:
    up, down = _slopes(field)
    return (up > _EDGE).view(np.int8) - (down > _EDGE).view(np.int8)


def _alike(edges: NDArray[np.int8], last: NDArray[np.int8]) -> float:
    return np.count_nonzero((edges == last) & (edges != 0)) / max(1, int(np.count_nonzero(edges)))
