"""Edges along the block grid of a coded picture, where no natural edge has a reason to be."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]

_BLOCK = 16
_STEP = 10.0


def block_edges(luma: Bytes) -> float:
    """Share of block borders that are steps, less the same share just off the grid: about 0 for a natural picture.

    A border counts where, over one block's length, the mean step across it exceeds the slope beside it by ten levels.
    """
    share = (_steps(luma, 0) + _steps(luma.T, 0)) / 2.0
    control = (_steps(luma, 5) + _steps(luma.T, 5) + _steps(luma, 11) + _steps(luma.T, 11)) / 4.0
    return share - control


def _steps(luma: Bytes, offset: int) -> float:
    height = luma.shape[0] // _BLOCK * _BLOCK
    first = _BLOCK + offset
    last = luma.shape[1] - 2
    near = [luma[:height:2, first + k : last + k : _BLOCK].astype(np.int16) for k in (-2, -1, 0, 1)]
    step = 3 * (near[2] - near[1]) - (near[3] - near[0])
    mean = step.reshape(-1, _BLOCK // 2, step.shape[1]).sum(axis=1) / (_BLOCK // 2 * 2)
    return float(np.mean(np.abs(mean) > _STEP))
