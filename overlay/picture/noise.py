"""Noise in a frame, told apart from texture.

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
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Bends = NDArray[np.int16]
Floats = NDArray[np.float64]

MEAN_TO_RMS = math.sqrt(math.pi / 2.0)
"""Rms over mean absolute value, for a normal distribution."""
TILES = (6, 8)
_SUMMED = 16
"""Lines whose bends 16 bits can sum: those of `fine_noise` are at most 8 · 255."""
_DARK, _BRIGHT = 24.0, 228.0
_QUANTILE = 0.25
_APART = 1.0 / 45.0
"""Of a line's width, 1.2 µs: noise of colour demodulated to 1.3 MHz is unlike itself so far on."""


def bend(above: Bytes, row: Bytes, below: Bytes) -> Bends:
    """Second difference across lines, above − 2·row + below, of equal arrays (B, N, W)."""
    answer = above.astype(np.int16)
    answer += below
    answer -= row
    answer -= row
    return answer


def usable_tiles(levels: Floats) -> NDArray[np.bool_]:
    """Which tiles (B, tiles) clipping leaves alone, by their mean level."""
    return (levels > _DARK) & (levels < _BRIGHT)


def line_noise(bends: Bends, usable: NDArray[np.bool_]) -> Floats:
    """Standard deviation (B,) of noise in 8-bit levels from `bend`; NaN where no tile is usable."""
    return quiet_level(tile_means(np.abs(bends)), usable) * (MEAN_TO_RMS / math.sqrt(6.0))


def fine_noise(bends: Bends, usable: NDArray[np.bool_]) -> Floats:
    """The same by Immerkær's operator: noise that is fine along the line, too."""
    answer = np.empty_like(bends)
    slope, bent = (
        np.diff(bends.reshape(-1)),
        answer.reshape(-1),
    )  # one long row is quicker; what runs over its ends is cut
    np.abs(np.subtract(slope[1:], slope[:-1], out=bent[:-2]), out=bent[:-2])
    return quiet_level(tile_means(answer[..., :-2]), usable) * (MEAN_TO_RMS / 6.0)


def change_noise(change: Floats, usable: NDArray[np.bool_]) -> Floats:
    """The same from the tiles' mean absolute change since the last frame: motion makes it too large, never too small."""
    return quiet_level(change, usable) * (MEAN_TO_RMS / math.sqrt(2.0))


def colour_noise(colour: Bytes, usable: NDArray[np.bool_]) -> Floats:
    """Standard deviation (B,) of noise in U and V together, from their sampled lines (B, 2·COLOUR_LINES, W).

    By second differences along the lines and far apart: a recorder with few bits keeps the coarse part of this noise, and
    the band of colour is so narrow that most of it is coarse. NaN where no tile of luminance is usable: a picture clipped to
    white or black has hardly any colour for noise to show in.
    """
    width = colour.shape[-1]
    apart = max(1, round(width * _APART))
    left, middle, right = (colour[..., k : width - 2 * apart + k] for k in (0, apart, 2 * apart))
    both = tile_means(np.abs(bend(left, middle, right)), 2 * TILES[0])
    power = [quiet_level(half, usable) ** 2 for half in np.split(both, 2, axis=1)]
    return np.asarray(np.sqrt(power[0] + power[1])) * (MEAN_TO_RMS / math.sqrt(6.0))


def quiet_level(means: Floats, usable: NDArray[np.bool_] | None = None) -> Floats:
    """A low quantile (B,) over the usable ones of tiles (B, tiles); NaN where none is."""
    return ranked(means, np.ones(means.shape, dtype=bool) if usable is None else usable, _QUANTILE)


def ranked(values: NDArray[Any], known: NDArray[np.bool_], quantile: float) -> Floats:
    """The value (B,) at a quantile of the known ones of each row of `values` (B, N), the lower neighbour; else NaN."""
    count = np.count_nonzero(known, axis=1)
    rising = np.sort(np.where(known, values, np.inf), axis=1)
    rank = (quantile * np.maximum(count - 1, 0)).astype(np.intp)
    return np.where(count > 0, rising[np.arange(len(values)), rank], np.nan)


def tile_means(rows: Bytes | Bends, down: int = TILES[0]) -> Floats:
    """Means over tiles of images (B, N, W), `down` one below the other, whole ones only: (B, tiles), row by row.

    Lines are summed first, as many as 16 bits hold: that is quicker.
    """
    across = TILES[1]
    height, width = rows.shape[1] // down, rows.shape[2] // across
    few = next(k for k in range(_SUMMED, 0, -1) if height % k == 0)
    groups = rows[:, : height * down, : width * across].reshape(len(rows), -1, few, width * across)
    lines = np.add.reduce(groups, axis=2, dtype=np.uint16 if rows.dtype == np.uint8 else np.int16).reshape(-1, width)
    sums = cv2.reduce(lines, 1, cv2.REDUCE_SUM, dtype=cv2.CV_32F).reshape(-1, down, height // few, across).sum(axis=2)
    means: Floats = sums.reshape(len(rows), -1) / float(height * width)
    return means.astype(np.float64)
