"""Impulses: pixels that stand out from the line above and the line below, as FM clicks do.

The measure is the temporal-outlier idea of FFmpeg's signalstats (TOUT) taken within a field: a pixel brighter than both
its vertical neighbours, or darker than both, by more than a threshold. A click is short along its line, so consecutive
pixels count once. Clicks fall anywhere; detail and glitter do not. They are therefore counted where the picture is
plain.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay.picture.noise import tile_means

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

THRESHOLD = 60
"""Levels. Below it strong noise would count, far above it a recorder's compression has eaten most clicks."""
_PLAIN_TILES = 16


def streaks_per_row(above: Bytes, row: Bytes, below: Bytes, texture: Floats) -> Floats:
    """Streaks in a whole row on average (B,), from lines (B, N, W), in the tiles of least `texture` (B, tiles)."""
    over, at, under = (part.reshape(-1, part.shape[-1]) for part in (above, row, below))
    brighter = cv2.subtract(at, cv2.max(over, under))
    darker = cv2.subtract(cv2.min(over, under), at)
    outside = cv2.threshold(cv2.max(brighter, darker), THRESHOLD, 255, cv2.THRESH_BINARY)[1]
    starts: NDArray[Any] = np.zeros_like(outside)
    cv2.subtract(outside[:, 1:], outside[:, :-1], starts[:, 1:])
    plain = np.argpartition(texture, _PLAIN_TILES, axis=1)[:, :_PLAIN_TILES]
    counts = np.take_along_axis(tile_means(starts.reshape(row.shape)), plain, axis=1)
    return np.asarray(counts.mean(axis=1) * (row.shape[-1] / 255.0))
