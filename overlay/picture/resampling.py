"""The frames' grades at the moments of another, slower table."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def worst_around(time_s: Floats, grade: Floats, moments_s: Floats) -> Floats:
    """Worst grade (M,) of the frames nearer to each moment than to its neighbours, NaN where there is none.

    `time_s`, `grade` (N,) of frames and `moments_s` (M,) rise and are on one clock. The first and last moment reach
    as far outwards as inwards.

    >>> worst_around(np.array([0.0, 0.4, 1.1, 5.0]), np.array([5.0, 2.0, 4.0, 1.0]), np.array([0.0, 1.0, 2.0])).tolist()
    [2.0, 4.0, nan]
    """
    result = np.full(len(moments_s), np.nan)
    if len(moments_s) < 2 or len(time_s) == 0:
        return result
    middles = (moments_s[1:] + moments_s[:-1]) / 2
    edges = np.concatenate([[2 * moments_s[0] - middles[0]], middles, [2 * moments_s[-1] - middles[-1]]])
    bounds = np.searchsorted(time_s, edges)
    seen = np.flatnonzero(bounds[1:] > bounds[:-1])
    if len(seen):
        padded = np.append(grade, np.inf)  # a bound may lie past the last frame
        spans = np.column_stack([bounds[seen], bounds[seen + 1]]).ravel()
        result[seen] = np.fmin.reduceat(padded, spans)[::2]
    return result
