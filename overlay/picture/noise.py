"""Noise in one frame, told apart from texture.

The operator is Immerkær's (1996, "Fast noise variance estimation"): the difference of two Laplacians,
[1 −2 1; −2 4 −2; 1 −2 1], which answers 0 to planes and ramps and 6σ rms to white noise of σ. Averaged over the whole
picture it would read texture as noise; here it is averaged tile by tile and a low quantile of the tiles is the answer,
as noise is everywhere and texture is not. Tiles near black and white are left out: clipping hides noise there.
"""

from __future__ import annotations

import math
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

MEAN_TO_RMS = math.sqrt(math.pi / 2.0)
"""Rms over mean absolute value, for a normal distribution."""
TILES = (6, 8)
_UNCLIPPED = (24.0, 228.0)
_QUANTILE = 0.25


def spatial_noise(above: Bytes, row: Bytes, below: Bytes) -> float:
    """Standard deviation of noise in 8-bit levels, from rows (N, W) and their neighbours in the same field."""
    second = cv2.add(above, below, dtype=cv2.CV_16S) - cv2.add(row, row, dtype=cv2.CV_16S)
    answer = second[:, :-2] + second[:, 2:] - 2 * second[:, 1:-1]
    return quiet_level(np.abs(answer).astype(np.int16), row) * MEAN_TO_RMS / 6.0


def temporal_noise(row: Bytes, before: Bytes) -> float:
    """The same from what changed since the previous frame: motion makes it too large, never too small."""
    return quiet_level(cv2.absdiff(row, before), row) * MEAN_TO_RMS / math.sqrt(2.0)


def quiet_level(magnitudes: NDArray[Any], row: Bytes) -> float:
    """Mean of `magnitudes` in a quiet, unclipped tile of the picture that `row` samples; NaN where all is clipped."""
    levels = tile_means(row)
    usable = (levels > _UNCLIPPED[0]) & (levels < _UNCLIPPED[1])
    if not usable.any():
        return math.nan
    return float(np.quantile(tile_means(magnitudes)[usable], _QUANTILE))


def tile_means(rows: NDArray[Any]) -> Floats:
    """Means over `TILES` of an image (N, W), whole tiles only, flattened row by row."""
    down, across = TILES
    height, width = rows.shape[0] // down, rows.shape[1] // across
    whole = np.ascontiguousarray(rows[: height * down, : width * across]).reshape(-1, width)
    sums = cv2.reduce(whole, 1, cv2.REDUCE_SUM, dtype=cv2.CV_32F).reshape(down, height, across).sum(axis=1)
    means: Floats = (sums / (height * width)).astype(float).ravel()
    return means
