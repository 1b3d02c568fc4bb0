"""Noise in one frame, told apart from texture.

Two operators, both zero on planes and ramps:

- Immerkær's (1996, "Fast noise variance estimation"), the difference of two Laplacians [1 −2 1; −2 4 −2; 1 −2 1], which
  answers white noise of σ with 6σ rms. `fine_noise`.
- Its vertical half alone, [1 −2 1] across lines of one field, which answers with √6·σ. Noise of an analogue link is
  independent from line to line but, having passed a video filter, not from sample to sample, so this one reads it in
  full. `line_noise`.

Averaged over the whole picture both would read texture as noise; they are averaged tile by tile and a low quantile of
the tiles is the answer, as noise is everywhere and texture is not. Tiles near black and white are left out: clipping
hides noise there.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

MEAN_TO_RMS = math.sqrt(math.pi / 2.0)
"""Rms over mean absolute value, for a normal distribution."""
TILES = (6, 8)
_DARK, _BRIGHT = 24.0, 228.0
_QUANTILE = 0.25


class Lines(NamedTuple):
    """Rows (N, W) of a field and their neighbours in it, a sample of the picture."""

    above: Bytes
    row: Bytes
    below: Bytes

    @classmethod
    def of(cls, field: Bytes, count: int, apart: int = 1) -> Lines:
        """About `count` triples, evenly spread over the field (H, W), their rows `apart` rows from one another."""
        step = max(1, len(field) // count)
        return cls(*(field[k * apart : len(field) - (2 - k) * apart : step] for k in range(3)))

    def bend(self) -> NDArray[np.int16]:
        """Second difference across the lines: above − 2·row + below."""
        bend: Any = cv2.add(self.above, self.below, dtype=cv2.CV_16S)
        bend -= cv2.add(self.row, self.row, dtype=cv2.CV_16S)
        return bend  # type: ignore[no-any-return]  # cv2's stubs give up on 16 bits


def usable_tiles(levels: Floats) -> NDArray[np.bool_]:
    """Which tiles clipping leaves alone, by their mean level."""
    return (levels > _DARK) & (levels < _BRIGHT)


def line_noise(bend: NDArray[np.int16], usable: NDArray[np.bool_]) -> float:
    """Standard deviation of noise in 8-bit levels from `Lines.bend`; NaN where no tile is usable."""
    return _quiet(np.abs(bend), usable) * MEAN_TO_RMS / math.sqrt(6.0)


def fine_noise(bend: NDArray[np.int16], usable: NDArray[np.bool_]) -> float:
    """The same by Immerkær's operator: noise that is fine along the line, too."""
    answer = bend[:, :-2] + bend[:, 2:]
    answer -= bend[:, 1:-1]
    answer -= bend[:, 1:-1]
    return _quiet(np.abs(answer), usable) * MEAN_TO_RMS / 6.0


def change_noise(change: Bytes, usable: NDArray[np.bool_]) -> float:
    """The same from the absolute change since the last frame: motion makes it too large, never too small."""
    return _quiet(change, usable) * MEAN_TO_RMS / math.sqrt(2.0)


def colour_noise(u: Bytes, v: Bytes, count: int) -> float:
    """Standard deviation of noise in U and V together; lines two apart, as decoders average colour over neighbours."""
    everywhere = np.ones(TILES[0] * TILES[1], dtype=bool)
    return math.hypot(*(line_noise(Lines.of(plane, count, 2).bend(), everywhere) for plane in (u, v)))


def _quiet(magnitudes: NDArray[Any], usable: NDArray[np.bool_]) -> float:
    means = tile_means(magnitudes)[usable]
    if not len(means):
        return math.nan
    rank = int(_QUANTILE * (len(means) - 1))
    return float(np.partition(means, rank)[rank])


def tile_means(rows: NDArray[Any]) -> Floats:
    """Means over `TILES` of an image (N, W), whole tiles only, flattened row by row."""
    down, across = TILES
    height, width = rows.shape[0] // down, rows.shape[1] // across
    whole = np.ascontiguousarray(rows[: height * down, : width * across]).reshape(-1, width)
    sums = cv2.reduce(whole, 1, cv2.REDUCE_SUM, dtype=cv2.CV_32F).reshape(down, height, across).sum(axis=1)
    means: Floats = (sums / (height * width)).astype(float).ravel()
    return means
