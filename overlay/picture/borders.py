"""The black edges left and right of the picture: line blanking, as far as the recorder keeps it.

A line of 720 samples (ITU-R BT.601) begins and ends in blanking, so most recordings of composite video carry some black
columns on either side. Nothing of the scene is there, so what moves in them is the link's: noise on black, free of
texture and of the camera's own noise, and the place where the picture begins, row by row.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]

_COLUMNS = 4
_REACH = 24
_TOGETHER = 4
_CONTRAST = 25.0


class Borders(NamedTuple):
    """`level`: mean of the darker side's outermost columns. `noise`: their standard deviation across lines, as seen.

    `jitter_px`: robust scatter of the place where the picture begins, pixels; NaN where the edges cannot be seen.
    """

    level: float
    noise: float
    jitter_px: float


def borders(field: Bytes, noise: float) -> Borders:
    """Look at both sides of a field (H, W). `noise`, in levels, is what the scatter of edges is forgiven for."""
    sides = [np.ascontiguousarray(field[:, :_REACH]), np.ascontiguousarray(field[:, : -_REACH - 1 : -1])]
    levels = [cv2.mean(side[:, :_COLUMNS])[0] for side in sides]
    dark = sides[int(np.argmin(levels))][:, :_COLUMNS].astype(np.int16)
    bend = np.abs(dark[:-2] + dark[2:] - 2 * dark[1:-1])
    jitters = [_jitter(side, noise) for side in sides]
    known = [jitter for jitter in jitters if not math.isnan(jitter)]
    return Borders(min(levels), float(bend.mean()) * math.sqrt(math.pi / 12.0), min(known) if known else math.nan)


def _jitter(side: Bytes, noise: float) -> float:
    """Scatter of the edge between black, at column 0, and picture."""
    rows = len(side) // _TOGETHER
    mean = cv2.resize(side[: rows * _TOGETHER], (_REACH, rows), interpolation=cv2.INTER_AREA).astype(np.float32)
    inside = mean[:, 18:].mean(axis=1)
    rise = inside - np.median(mean[:, :3])
    seen = rise > _CONTRAST
    if np.count_nonzero(seen) < rows // 4:
        return math.nan
    place = ((inside[:, None] - mean[:, :18])[seen] / rise[seen, None]).sum(axis=1)
    scatter = 1.4826 * float(np.median(np.abs(place - np.median(place))))
    excused = noise * math.sqrt(18.0 / _TOGETHER) / float(np.median(rise[seen]))
    return math.sqrt(max(scatter**2 - excused**2, 0.0))
