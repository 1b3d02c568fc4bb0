"""Which samples of a comparison to believe: not those where the camera was panned, handled or shown something else."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

Floats = NDArray[np.float64]

SMOOTH_S = 0.6  # one noisy sample is no reason for distrust, half a second of them is
OUT_OF_THE_ORDINARY = 4.5  # times the usual residual
FLANK_S = 0.8
ROUNDS = 4
ASIDE_RAD = np.radians(12.0)  # a camera looking this far aside mixes roll with pitch
FORGET_S = 12.0  # what is left of a pan's sum after the camera is back dies away


def noise(residual: Floats) -> Floats:
    """(C,) usual size of residuals (N, C), by the median."""
    return np.maximum(1.4826 * np.median(np.abs(residual), axis=0), 1e-6)


def trust(residual: Floats, known: NDArray[np.bool_], index: NDArray[np.intp], step_s: float) -> Floats:
    """(N, C) weights, 1 for ordinary samples and toward 0 for those out of the ordinary or seen while looking aside.

    residual (N, C) wanted − seen with yaw or turn last, `index` (N,) the place of each sample on a grid of `step_s`.
    """
    grid, count = np.zeros((index[-1] + 1, residual.shape[1])), np.zeros(index[-1] + 1)
    grid[index[known]], count[index[known]] = residual[known], 1.0
    box = np.ones(2 * round(SMOOTH_S / 2 / step_s) + 1)
    smooth = np.column_stack([np.convolve(column, box, mode="same") for column in grid.T])
    smooth = smooth / np.maximum(np.convolve(count, box, mode="same"), 1.0)[:, None]
    smooth = np.where(count[:, None] > 0, smooth, 0.0)
    believed = count[:, None] * np.ones_like(smooth)
    for _ in range(ROUNDS):
        unit = smooth / _noise_of_believed(smooth, believed)
        panning = np.where(np.abs(unit[:, -1]) > OUT_OF_THE_ORDINARY, -smooth[:, -1], 0.0)
        steady = np.abs(looking_aside(panning, step_s)) < ASIDE_RAD
        # The flanks of a pan are its steepest part, and steep is what weighs in a fit of time.
        flank = np.ones(2 * round(FLANK_S / step_s) + 1)
        steady &= np.convolve(panning != 0, flank, mode="same") < 0.5
        believed = (count * steady)[:, None] / (1 + (unit / OUT_OF_THE_ORDINARY) ** 4)
    return np.asarray(believed[index])


def _noise_of_believed(residual: Floats, believed: Floats) -> Floats:
    """(C,) usual size of the samples believed so far: with a pan every few seconds the plain median is no measure."""
    return np.array([noise(column[trusted > 0.5, None])[0] if (trusted > 0.5).sum() > 20 else noise(column[:, None])[0]
                     for column, trusted in zip(residual.T, believed.T, strict=True)])  # fmt: skip


def looking_aside(panning_radps: Floats, step_s: float) -> Floats:
    """(G,) how far the camera has been panned (rad): the sum of its own yaw, forgotten over `FORGET_S`."""
    keep = float(np.exp(-step_s / FORGET_S))
    return np.asarray(lfilter([step_s], [1.0, -keep], panning_radps))
