"""Steps along the block grid of a coded picture, where no natural edge has a reason to be."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay.picture.sampling import BLOCK, counted

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

_STEP = 10.0


def block_edges(about: Bytes, lines: Bytes) -> Floats:
    """Share of block borders that are steps, less the share half a block away: about 0 for a natural picture (B,).

    `about` (4, B, 2, n, W): the two rows before and after each horizontal border, on the grid and half a block off it.
    `lines` (3, B, N, W): groups of three lines, across whose columns the vertical borders run. A border counts where,
    over one block's length or one group, the mean step across it exceeds the slope beside it by ten levels.
    """
    return (_horizontal(about) + _vertical(lines)) / 2.0


def _horizontal(about: Bytes) -> Floats:
    _, frames, _, _, width = about.shape
    before, at, after, beyond = (rows.reshape(-1, width) for rows in about)
    step = after.astype(np.int16)
    step -= at
    step *= 3
    step -= beyond
    step += before
    blocks = np.ascontiguousarray(step[:, : width // BLOCK * BLOCK]).reshape(-1, BLOCK)
    total = np.abs(cv2.reduce(blocks, 1, cv2.REDUCE_SUM, dtype=cv2.CV_32F))
    steep = counted(total.reshape(2 * frames, -1) > 2.0 * _STEP * BLOCK).reshape(frames, 2) / (
        len(total) / (2 * frames)
    )
    return np.asarray(steep[:, 0] - steep[:, 1])


def _vertical(lines: Bytes) -> Floats:
    total = lines[0, :, ::2].astype(np.int16)
    total += lines[1, :, ::2]
    total += lines[2, :, ::2]
    last = total.shape[2] - BLOCK
    shares = []
    for offset in (0, BLOCK // 2):
        near = [total[..., BLOCK + offset + k : last + offset + k : BLOCK] for k in (-2, -1, 0, 1)]
        shares.append(_steep([part.reshape(len(total), -1) for part in near], 3))
    return shares[0] - shares[1]


def _steep(near: list[NDArray[Any]], count: int) -> Floats:
    """Share, over the last axis, of steps amid four values in a row that stand out from the slope; sums of `count`."""
    before, at, after, beyond = near
    step = np.abs(3 * (after - at) - (beyond - before))
    return np.asarray(np.mean(step > 2.0 * _STEP * count, axis=-1))
