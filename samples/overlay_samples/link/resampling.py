"""Rows cut out of a long signal at fractional positions."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from overlay_samples.link.filters import Samples


def stretches(samples: Samples, start: NDArray[np.float64], count: int) -> Samples:
    """(len(start), count) samples beginning at fractional positions, interpolated linearly; ends are held."""
    whole = np.floor(start).astype(np.intp)
    share = (start - whole).astype(np.float32)[:, None]
    whole = np.clip(whole, 0, len(samples) - count - 1)
    rows = np.lib.stride_tricks.sliding_window_view(samples, count + 1)[whole]
    out: Samples = rows[:, 1:] - rows[:, :-1]
    out *= share
    out += rows[:, :-1]
    return out


def cubic_stretches(samples: Samples, start: NDArray[np.float64], count: int) -> Samples:
    """As `stretches`, by Catmull–Rom interpolation, which keeps fine detail."""
    whole = np.floor(start).astype(np.intp)
    weights = cubic_weights(start - whole).astype(np.float32)[..., None]
    whole = np.clip(whole - 1, 0, len(samples) - count - 3)
    rows = np.lib.stride_tricks.sliding_window_view(samples, count + 3)[whole]
    out: Samples = rows[:, :count] * weights[0]
    for k in (1, 2, 3):
        out += rows[:, k : count + k] * weights[k]
    return out


def cubic_weights(x: NDArray[np.float64]) -> NDArray[np.float64]:
    """Catmull–Rom weights (4, …) of the samples at −1, 0, 1 and 2 for the value at x in 0 … 1."""
    return np.stack(
        [
            x * (-0.5 + x * (1.0 - 0.5 * x)),
            1.0 + x * x * (-2.5 + 1.5 * x),
            x * (0.5 + x * (2.0 - 1.5 * x)),
            x * x * (-0.5 + 0.5 * x),
        ]
    )


def follow(values: NDArray[np.float64], gain: float, before: float) -> NDArray[np.float64]:
    """First-order smoothing of a series, continued from the value before its first."""
    out, _ = lfilter([gain], [1.0, gain - 1.0], values, zi=np.array([(1.0 - gain) * before]))
    return np.asarray(out, dtype=np.float64)
