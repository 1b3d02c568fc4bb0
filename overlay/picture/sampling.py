"""Which rows of a frame are looked at: a sample of lines with their neighbours, gathered for several frames at once.

Measuring a handful of frames together costs little more than measuring one, as most of the cost of small arrays is in
the calls. Every measure of this package therefore takes a batch: arrays whose first axis counts frames.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Rows = NDArray[np.intp]

FIELD_ROWS = 400
"""Pictures with more rows than this are taken for two fields woven together, and only the first is measured."""
LINES = 42
COLOUR_LINES = 30
BLOCK = 16
EDGE_COLUMNS = 24


def field_of(frame: Bytes) -> Bytes:
    """The rows (H, W) of one field of a frame, without copying."""
    return frame[:: fields_in(frame)]


def fields_in(frame: Bytes) -> int:
    """2 where a frame holds two fields, line by line, else 1."""
    return 2 if len(frame) > FIELD_ROWS else 1


def triples(rows: int, count: int, apart: int = 1) -> Rows:
    """Numbers (3, count) of evenly spread rows, with those `apart` above and below each: above, row, below."""
    middle = np.linspace(apart, rows - 1 - apart, count).round().astype(np.intp)
    return np.stack([middle - apart, middle, middle + apart])


def borders_of_blocks(rows: int) -> Rows:
    """Numbers (4, 2, n) of the two rows before and after every other border of blocks, and the same half a block on."""
    first = np.arange(BLOCK, rows - BLOCK, 2 * BLOCK)
    four = first[None, :] + np.arange(-2, 2)[:, None]
    return np.stack([four, four + BLOCK // 2], axis=1)


def counted(flags: NDArray[np.bool_]) -> NDArray[np.float64]:
    """How many (B,) of each frame's flags (B, …) are set. Counting along axes would take four times as long."""
    return np.array([np.count_nonzero(each) for each in flags], dtype=np.float64)


@dataclass(frozen=True)
class Batch:
    """Samples of up to `size` frames.

    ``lines`` (3, size, LINES, W): above, row and below of each sampled line of a field. ``near`` (2, size, LINES / 2, W):
    what lies next to every other one in the whole frame. ``colour`` (size, 2·COLOUR_LINES, W): U's lines before V's.
    ``blocks`` (4, size, 2, n, W): rows about the borders of blocks. ``edges`` (size, 2, field rows, 24): both sides, the
    outermost column first. ``profile`` (size, field rows): row means.
    """

    lines: Bytes
    near: Bytes
    colour: Bytes
    blocks: Bytes
    edges: Bytes
    profile: NDArray[np.float32]

    @classmethod
    def like(cls, y: Bytes, u: Bytes, size: int) -> Batch:
        """Room for `size` frames shaped as these planes are."""
        rows, width = field_of(y).shape
        return cls(
            np.empty((3, size, LINES, width), np.uint8),
            np.empty((2, size, LINES // 2, width), np.uint8),
            np.empty((size, 2 * COLOUR_LINES, u.shape[1]), np.uint8),
            np.empty((4, size, 2, borders_of_blocks(len(y)).shape[2], width), np.uint8),
            np.empty((size, 2, rows, EDGE_COLUMNS), np.uint8),
            np.empty((size, rows), np.float32),
        )

    def first(self, count: int) -> Batch:
        """The first `count` frames of it."""
        return Batch(
            self.lines[:, :count],
            self.near[:, :count],
            self.colour[:count],
            self.blocks[:, :count],
            self.edges[:count],
            self.profile[:count],
        )


class Sampler:
    """Copies samples of frames of one shape into a `Batch`."""

    def __init__(self, y: Bytes, u: Bytes, size: int) -> None:
        self.batch = Batch.like(y, u, size)
        self.shape = y.shape, u.shape
        self._lines = triples(len(field_of(y)), LINES) * fields_in(y)
        self._near = self._lines[1, ::2] + np.array([[-1], [1]])
        self._colour = triples(len(u), COLOUR_LINES)[1]
        self._blocks = borders_of_blocks(len(y))

    def take(self, place: int, y: Bytes, u: Bytes, v: Bytes) -> None:
        """Sample one frame into `place`."""
        import cv2

        batch, field = self.batch, field_of(y)
        batch.lines[:, place] = y[self._lines]
        batch.near[:, place] = y[self._near]
        batch.colour[place, :COLOUR_LINES] = u[self._colour]
        batch.colour[place, COLOUR_LINES:] = v[self._colour]
        batch.blocks[:, place] = y[self._blocks]
        batch.edges[place, 0] = field[:, :EDGE_COLUMNS]
        batch.edges[place, 1] = field[:, : -EDGE_COLUMNS - 1 : -1]
        batch.profile[place] = cv2.reduce(field, 1, cv2.REDUCE_AVG, dtype=cv2.CV_32F)[:, 0]
