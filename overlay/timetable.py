"""A table on one time axis: the shape that tracks and readings share.

Rows are moments, columns are quantities in SI or trade units named in the column (``ground_speed_mps``,
``charge_used_mAh``). NaN is "no data", never zero and never the last value. Sensors of different rates share the axis:
a column is NaN on the rows that only another sensor stamped, and `series` gives its own samples back.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class TimeTable:
    """`time_s` (N,) rising, and named float64 columns (N,) beside it; both read-only."""

    time_s: Floats
    columns: Mapping[str, Floats] = field(default_factory=dict)

    def __post_init__(self) -> None:
        time = _frozen(self.time_s)
        if time.ndim != 1 or not np.all(np.isfinite(time)) or np.any(np.diff(time) < 0):
            raise ValueError("time_s must be one row of finite, non-decreasing seconds")
        columns = {name: _frozen(values) for name, values in self.columns.items()}
        for name, values in columns.items():
            if values.shape != time.shape:
                raise ValueError(f"column {name!r} has shape {values.shape}, the time axis {time.shape}")
        object.__setattr__(self, "time_s", time)
        object.__setattr__(self, "columns", MappingProxyType(columns))

    def __len__(self) -> int:
        return len(self.time_s)

    def __contains__(self, name: object) -> bool:
        return name in self.columns

    def __getitem__(self, name: str) -> Floats:
        """The column `name`, or all NaN where the table has none: absent and unknown read the same."""
        values = self.columns.get(name)
        return values if values is not None else np.full(len(self.time_s), np.nan)

    def has(self, name: str) -> bool:
        """Whether the column exists and holds at least one number."""
        return name in self.columns and bool(np.isfinite(self.columns[name]).any())

    def series(self, name: str) -> tuple[Floats, Floats]:
        """The column's own samples: (times, values) where it is finite."""
        values = self[name]
        known = np.isfinite(values)
        return self.time_s[known], values[known]

    def at(self, name: str, time_s: float | Floats, *, max_gap_s: float = 2.0, period: float | None = None) -> Floats:
        """Interpolate a column linearly; NaN outside it and inside gaps longer than `max_gap_s`.

        `period` (360.0 for degrees of course) interpolates across the wrap the short way round.
        """
        wanted = np.atleast_1d(np.asarray(time_s, dtype=np.float64))
        times, values = self.series(name)
        if len(times) == 0:
            return np.full(wanted.shape, np.nan)
        if period is not None:
            values = np.unwrap(values, period=period)
        result = np.interp(wanted, times, values, left=np.nan, right=np.nan)
        after = np.clip(np.searchsorted(times, wanted, side="left"), 0, len(times) - 1)
        before = np.clip(np.searchsorted(times, wanted, side="right") - 1, 0, len(times) - 1)
        result[times[after] - times[before] > max_gap_s] = np.nan
        return result % period if period is not None else result

    def between(self, start_s: float, end_s: float) -> TimeTable:
        """The rows with start_s ≤ time_s ≤ end_s."""
        inside = (self.time_s >= start_s) & (self.time_s <= end_s)
        return TimeTable(self.time_s[inside], {name: values[inside] for name, values in self.columns.items()})


def _frozen(values: Floats) -> Floats:
    array = np.array(values, dtype=np.float64)
    array.flags.writeable = False
    return array
