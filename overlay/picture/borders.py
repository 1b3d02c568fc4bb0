"""The black edges left and right of the picture: line blanking, as far as the recorder keeps it.

A line of 720 samples (ITU-R BT.601) begins and ends in blanking, so most recordings of composite video carry some black
columns on either side. Nothing of the scene is there, so what moves in them is the link's: noise on black, free of
texture and of the camera's own noise, and the place where the picture begins, row by row.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from overlay.picture.noise import ranked

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

_BLACK = 4
_INSIDE = 18
_TOGETHER = 6
_CONTRAST = 25.0


class Borders(NamedTuple):
    """One value per frame (B,), of the darker side. `level`: mean of its outermost columns, 8-bit levels.

    `noise`: their standard deviation across lines, as seen. `jitter_px`: robust scatter of the place where the picture
    begins, pixels; NaN where that cannot be seen.
    """

    level: Floats
    noise: Floats
    jitter_px: Floats


def borders(edges: Bytes) -> Borders:
    """Look at both sides (B, 2, field rows, columns) of frames, outermost column first."""
    black = edges[..., :_BLACK].astype(np.int16)
    levels = black.mean(axis=(2, 3))
    darker = levels.argmin(axis=1)
    index = np.arange(len(edges))
    chosen = black[index, darker]
    bends = chosen[:, :-2] + chosen[:, 2:] - 2 * chosen[:, 1:-1]
    noise = np.abs(bends).mean(axis=(1, 2)) * math.sqrt(math.pi / 12.0)
    return Borders(levels[index, darker], noise, _jitter(edges[index, darker]))


def _jitter(side: Bytes) -> Floats:
    """Scatter (B,) of the edge between black, at column 0, and picture, several rows at a time."""
    frames, rows, columns = side.shape
    groups = rows // _TOGETHER
    grouped = side[:, : groups * _TOGETHER].reshape(frames, groups, _TOGETHER, columns)
    mean = np.add.reduce(grouped, axis=2, dtype=np.uint16).astype(np.float32) / np.float32(_TOGETHER)
    inside = mean[..., _INSIDE:].mean(axis=2)
    rise = inside - np.median(mean[..., 0], axis=1)[:, None]
    seen = rise > _CONTRAST
    place = (inside[..., None] - mean[..., :_INSIDE]).sum(axis=2) / np.where(seen, rise, np.inf)
    off = np.abs(place - ranked(place, seen, 0.5)[:, None])
    told = np.count_nonzero(seen, axis=1) >= groups // 4
    return np.where(told, 1.4826 * ranked(off, seen, 0.5), np.nan)
