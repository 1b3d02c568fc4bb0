"""How far from home the flight has been on its way out and on its way back, as spans of range over time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.instruments.dials import Dials

Floats = NDArray[np.float64]
OUT, HOME = 0, 1
_HOMEBOUND = ("home", "landing")


@dataclass(frozen=True)
class BrokenSpan:
    """Ranges low … high (m) on one way in which the picture was broken from `start_s` on."""

    way: int
    low_m: float
    high_m: float
    start_s: float


class Ways:
    """Outbound and homebound ranges of one flight; without known legs the farthest point divides them."""

    def __init__(self, dials: Dials) -> None:
        self._needle = dials.needle("range_m")
        values = self._needle.values
        self.known = bool(np.isfinite(values).any())
        self.farthest_m = float(np.nanmax(values)) if self.known else float("nan")
        self._times = self._needle.start_s + np.arange(len(values)) / self._needle.rate_Hz
        self._way = self._ways(dials)
        self._reached = [self._running(way) for way in (OUT, HOME)]
        self.broken = self._broken(dials)

    def way_at(self, time_s: float) -> int:
        """OUT or HOME at a moment."""
        return int(self._way[self._index(time_s)])

    def reached(self, way: int, time_s: float) -> tuple[float, float] | None:
        """(low, high) in metres of what has been flown on a way by a moment; None before its first metre."""
        low, high = self._reached[way][:, self._index(time_s)]
        return (float(low), float(high)) if np.isfinite(high) else None

    def whole(self, way: int) -> tuple[float, float] | None:
        """(low, high) in metres of the whole flight on a way."""
        return self.reached(way, float("inf"))

    def _index(self, time_s: float) -> int:
        if time_s == float("inf"):
            return len(self._way) - 1
        return int(np.clip((time_s - self._needle.start_s) * self._needle.rate_Hz, 0, len(self._way) - 1))

    def _ways(self, dials: Dials) -> NDArray[np.int8]:
        way = np.zeros(len(self._times), np.int8)
        if not self.known:
            return way
        legs = dials.readings.legs
        if not legs:
            way[int(np.nanargmax(self._needle.values)) :] = HOME
            return way
        for leg in legs:
            way[self._times >= leg.start_s] = HOME if leg.name in _HOMEBOUND else OUT
            if leg.name == "on the ground" and leg is legs[-1] and len(legs) > 1:
                way[self._times >= leg.start_s] = HOME
        return way

    def _running(self, way: int) -> Floats:
        """(2, N) least and greatest range on a way up to each sample, NaN before the first."""
        mine = np.where(self._way == way, self._needle.values, np.nan)
        return np.vstack((np.fmin.accumulate(mine), np.fmax.accumulate(mine)))

    def _broken(self, dials: Dials) -> tuple[BrokenSpan, ...]:
        spans = []
        for breakup in dials.readings.breakups:
            inside = (self._times >= breakup.onset_s - 0.05) & (self._times <= breakup.end_s + 0.05)
            for way in (OUT, HOME):
                ranges = self._needle.values[inside & (self._way == way)]
                ranges = ranges[np.isfinite(ranges)]
                if len(ranges):
                    spans.append(BrokenSpan(way, float(ranges.min()), float(ranges.max()), breakup.onset_s))
        return tuple(spans)
