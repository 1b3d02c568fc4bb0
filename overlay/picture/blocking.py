"""Steps along the block grid of a coded picture, where no natural edge has a reason to be."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay.picture.sampling import BLOCK

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

_STEP = 10.0


def block_edges(about: Bytes) -> Floats:
    """Share of block borders that are steps, less the share half a block away: about 0 for a natural picture (B,).

    `about` (B, 2, 4, n, W): the two rows before and after each border, on the grid and half a block off it. A border
    counts where, over one block's length, the mean step across it exceeds the slope beside it by ten levels.
    """
    frames, _, _, borders, width = about.shape
    across = width // BLOCK
    rows = np.ascontiguousarray(about[..., : across * BLOCK]).reshape(-1, BLOCK)
    sums = cv2.reduce(rows, 1, cv2.REDUCE_SUM, dtype=cv2.CV_32F).reshape(frames, 2, 4, borders * across)
    step = np.abs(3.0 * (sums[:, :, 2] - sums[:, :, 1]) - (sums[:, :, 3] - sums[:, :, 0])) / (2.0 * BLOCK)
    share = np.mean(step > _STEP, axis=2)
    return np.asarray(share[:, 0] - share[:, 1])
