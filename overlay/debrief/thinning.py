"""Fewer rows for a figure, with every extreme kept: what was short and bad must not vanish between two pixels."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


def telling_rows(time_s: Floats, columns: tuple[Floats, ...], bins: int = 900) -> NDArray[np.intp]:
    """Row numbers, rising: of each column's least and greatest value in every bin of time, and of the gaps' rims.

    `time_s` (N,) rising, each column (N,) with NaN where unknown. No more than ``bins · (6 · columns + 1) + 2`` rows;
    all of them where N is no more than ``2 · bins``.
    """
    count = len(time_s)
    if count <= 2 * bins:
        return np.arange(count)
    edges = np.linspace(time_s[0], time_s[-1], bins + 1)
    starts = np.unique(np.searchsorted(time_s, edges[:-1]))
    kept = [np.array([0, count - 1]), starts]
    for values in columns:
        known = np.isfinite(values)
        kept += [_extremes(np.where(known, values, fill), starts, pick) for fill, pick in _ENDS]
        rims = np.flatnonzero(known[1:] != known[:-1])
        if len(rims) <= 2 * bins:  # a column that flickers shows its holes at the bins' starts
            kept += [rims, rims + 1]
    return np.unique(np.concatenate(kept)).astype(np.intp)


_ENDS = ((np.inf, np.minimum), (-np.inf, np.maximum))


def _extremes(values: Floats, starts: NDArray[np.intp], pick: np.ufunc) -> NDArray[np.intp]:
    """First row of each bin's extreme."""
    best = pick.reduceat(values, starts)
    lengths = np.diff(np.append(starts, len(values)))
    hits = np.flatnonzero(values == np.repeat(best, lengths))
    bins = np.searchsorted(starts, hits, side="right")
    return hits[np.unique(bins, return_index=True)[1]]
