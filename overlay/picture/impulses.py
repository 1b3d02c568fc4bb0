"""Impulses: pixels that stand out from the lines above and below and from the frame before, as FM clicks do.

The measure is the temporal-outlier idea of FFmpeg's signalstats (TOUT): a pixel brighter than both its vertical
neighbours within a field, or darker than both, by more than a threshold. It must also differ from what was there a frame
ago, which burned-in figures and a picture at rest do not. A click is short along its line, so consecutive pixels count
once. A click turns the phase once round: through a video filter of 5 MHz that is more than the whole swing from black
to white, so strong noise is kept out by a threshold that rises with it without losing clicks.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay.picture.sampling import counted

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

THRESHOLDS = (60.0, 110.0)
"""Levels. Below the one a recorder's own noise would count, above the other clicks on mid-grey are cut off by black."""
_OVER_NOISE = 5.0


def streaks_per_row(above: Bytes, row: Bytes, below: Bytes, change: Bytes, noise: Floats) -> Floats:
    """Streaks in a whole row on average (B,), from lines (B, N, W), their change since the last frame, and noise (B,)."""
    threshold = np.clip(_OVER_NOISE * np.nan_to_num(noise), *THRESHOLDS).astype(np.uint8)
    over, at, under, moved = (part.reshape(-1, part.shape[-1]) for part in (above, row, below, change))
    brighter = cv2.subtract(at, cv2.max(over, under))
    darker = cv2.subtract(cv2.min(over, under), at)
    outlying: Any = cv2.min(cv2.max(brighter, darker), cv2.add(moved, moved))
    outside = outlying.reshape(row.shape) > threshold[:, None, None]
    return counted(outside[..., 1:] > outside[..., :-1]) / float(row.shape[1])
