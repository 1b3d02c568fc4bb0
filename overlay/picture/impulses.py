"""Impulses: pixels that stand out from the line above and the line below, as FM clicks do.

The measure is the temporal-outlier idea of FFmpeg's signalstats (TOUT) taken within a field: a pixel brighter than both
its vertical neighbours, or darker than both, by more than the noise explains. A click is short along its line, so
consecutive pixels count once. Clicks fall anywhere; detail and glitter do not. They are therefore counted where the
picture is plain.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay.picture.noise import Lines, tile_means

Floats = NDArray[np.float64]

THRESHOLD = 50
_PLAIN_TILES = 16


def streaks_per_row(lines: Lines, texture: Floats) -> float:
    """Streaks in a whole row on average, counted in the plainest tiles; `texture` (tiles,) ranks them."""
    brighter = cv2.subtract(lines.row, cv2.max(lines.above, lines.below))
    darker = cv2.subtract(cv2.min(lines.above, lines.below), lines.row)
    outside = cv2.threshold(cv2.max(brighter, darker), THRESHOLD, 255, cv2.THRESH_BINARY)[1]
    starts: NDArray[Any] = cv2.subtract(outside[:, 1:], outside[:, :-1])
    plain = np.argpartition(texture, _PLAIN_TILES)[:_PLAIN_TILES]
    return float(np.mean(tile_means(starts)[plain])) / 255.0 * (lines.row.shape[1] - 1)
