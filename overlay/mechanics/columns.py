"""The table under construction: columns on the grid, and in plain words how each derived one came about."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from overlay.mechanics.geodesy import compass
from overlay.mechanics.slopes import longest_bridge
from overlay.tracks.track import Fix, Track

Floats = NDArray[np.float64]

_ANGLES = ("course_deg", "heading_deg", "bearing_deg", "wind_from_deg", "aerial_bearing_deg")
_FROM_RECEIVER = ("ground_speed_mps", "course_deg", "vertical_speed_mps")  # renewed with the position, or not at all
_OVER_TOP = ("bank_deg",)  # ±180 where an aircraft rolls over


@dataclass
class Columns:
    """Readings of `track` at the moments `grid`, gathered one by one."""

    track: Track
    grid: Floats
    values: dict[str, Floats] = field(default_factory=dict)
    derived: dict[str, str] = field(default_factory=dict)

    def put(self, name: str, values: Floats, how: str | None = None) -> None:
        """Add a column that holds at least one number; `how` for a derived one."""
        if not np.isfinite(values).any():
            return
        self.values[name] = values
        if how is not None:
            self.derived[name] = how

    def get(self, name: str) -> Floats:
        """A column put before, or all NaN."""
        return self.values.get(name, np.full(len(self.grid), np.nan))

    def has(self, name: str) -> bool:
        """Whether the column was put."""
        return name in self.values

    def samples(self, name: str) -> tuple[Floats, Floats]:
        """The log's own samples of a column, less what a stale row repeats of the receiver's figures."""
        values = self.track[name]
        fresh = np.isfinite(values)
        if name in _FROM_RECEIVER:
            repeated = np.concatenate([[False], values[1:] == values[:-1]])
            fresh &= ~(repeated & ((self.track.fix & Fix.STALE) != 0))
        return self.track.time_s[fresh], values[fresh]

    def logged(self, name: str) -> Floats:
        """A logged column on the grid, holes kept."""
        times, values = self.samples(name)
        if name in _ANGLES:
            return compass(self.between(times, np.unwrap(values, period=360.0)))
        if name in _OVER_TOP:
            turned = self.between(times, np.unwrap(values, period=360.0))
            return np.mod(turned + 180.0, 360.0) - 180.0
        return self.between(times, values)

    def between(self, times: Floats, values: Floats) -> Floats:
        """Interpolate samples linearly onto the grid; NaN outside them and inside their holes."""
        if len(times) == 0:
            return np.full(len(self.grid), np.nan)
        result = np.interp(self.grid, times, values, left=np.nan, right=np.nan)
        result[self.in_hole(times)] = np.nan
        return result

    def in_hole(self, times: Floats) -> NDArray[np.bool_]:
        """Moments of the grid between samples too far apart to be bridged."""
        after = np.clip(np.searchsorted(times, self.grid, side="left"), 0, len(times) - 1)
        before = np.clip(np.searchsorted(times, self.grid, side="right") - 1, 0, len(times) - 1)
        return np.asarray(times[after] - times[before] > longest_bridge(times))
