"""Judge each position of a flight: impossible, repeated, jumping; and find the spans without any."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.tracks.track import Fix

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Flags = NDArray[np.uint8]

EARTH_RADIUS_M = 6371008.8  # mean radius; good to 0.5 %, ample for judging a fix
STANDING_MPS = 1.0
SLOWEST_LIMIT_MPS, FASTEST_LIMIT_MPS = 40.0, 400.0
LEAST_GAP_S = 2.0
EXCURSION_S = 60.0
MOST_RUNS = 5000  # a course broken more often is followed no farther


def distance_m(
    latitude_deg: Floats, longitude_deg: Floats, other_latitude_deg: Floats, other_longitude_deg: Floats
) -> Floats:
    """Great-circle distance on a sphere (haversine) between places in degrees, elementwise."""
    north = np.radians(other_latitude_deg - latitude_deg) / 2
    east = np.radians(other_longitude_deg - longitude_deg) / 2
    squeeze = np.cos(np.radians(latitude_deg)) * np.cos(np.radians(other_latitude_deg))
    chord = np.clip(np.sin(north) ** 2 + squeeze * np.sin(east) ** 2, 0.0, 1.0)
    return np.asarray(2 * EARTH_RADIUS_M * np.arcsin(np.sqrt(chord)), dtype=np.float64)


def judge(time_s: Floats, latitude_deg: Floats, longitude_deg: Floats, speed_mps: Floats, not_valid: Bools) -> Flags:
    """`Fix` bits (N,) of positions at rising times; speeds are NaN where not logged."""
    fix = np.zeros(len(time_s), np.uint8)
    fix[not_valid | ~np.isfinite(latitude_deg) | ~np.isfinite(longitude_deg)] |= np.uint8(Fix.NOT_VALID)
    usable = np.flatnonzero(fix == Fix.GOOD)
    if len(usable) > 1:
        place = latitude_deg[usable], longitude_deg[usable]
        stale = _stale(time_s[usable], *place, speed_mps[usable])
        fix[usable[stale]] |= np.uint8(Fix.STALE)
        fresh = usable[~stale]
        fix[fresh[_jumping(time_s[fresh], latitude_deg[fresh], longitude_deg[fresh])]] |= np.uint8(Fix.JUMP)
    return fix


def gaps_between(time_s: Floats) -> tuple[tuple[float, float], ...]:
    """(start_s, end_s) spans far longer than the usual interval of rising times."""
    steps = np.diff(time_s)
    moving = steps[steps > 0]
    if len(moving) == 0:
        return ()
    longest = max(LEAST_GAP_S, 5.0 * float(np.median(moving)))
    return tuple((float(time_s[i]), float(time_s[i + 1])) for i in np.flatnonzero(steps > longest))


def _stale(time_s: Floats, latitude_deg: Floats, longitude_deg: Floats, speed_mps: Floats) -> Bools:
    """Repeats of the last position while the aircraft moved: by its logged speed, or by where it turned up next."""
    same = np.concatenate(([False], (np.diff(latitude_deg) == 0) & (np.diff(longitude_deg) == 0)))
    if not same.any():
        return same
    first = np.flatnonzero(~same)  # a run of equal positions begins at each of these rows
    run = np.cumsum(~same) - 1
    following = np.append(first[1:], len(same) - 1)
    away = distance_m(latitude_deg[first], longitude_deg[first], latitude_deg[following], longitude_deg[following])
    lasted = time_s[following] - time_s[first]
    exit_speed = np.divide(away, lasted, out=np.zeros_like(away), where=lasted > 0)
    moving = np.nan_to_num(speed_mps) > STANDING_MPS
    last = run == len(first) - 1  # nothing follows the last run, so only the logged speed can tell
    return np.asarray(same & (moving | ((exit_speed[run] > STANDING_MPS) & ~last)), dtype=np.bool_)


def _jumping(time_s: Floats, latitude_deg: Floats, longitude_deg: Floats) -> Bools:
    """Fixes that cannot be reached from the longest consistent run of fixes at any speed this flight shows."""
    steps = np.diff(time_s)
    away = distance_m(latitude_deg[:-1], longitude_deg[:-1], latitude_deg[1:], longitude_deg[1:])
    if len(steps) == 0:
        return np.zeros(len(time_s), np.bool_)
    limit, interval = _speed_limit(steps, away)
    broken = away > _reach_m(steps, limit, interval)
    if not broken.any():
        return np.zeros(len(time_s), np.bool_)
    edges = np.concatenate(([0], np.flatnonzero(broken) + 1, [len(time_s)]))
    anchor = int(np.argmax(np.diff(edges)))
    onwards = _Course(time_s, latitude_deg, longitude_deg, limit, interval)
    back = _Course(-time_s[::-1], latitude_deg[::-1], longitude_deg[::-1], limit, interval)
    good = onwards.follow(edges, anchor)
    good |= back.follow(len(time_s) - edges[::-1], len(edges) - 2 - anchor)[::-1]
    return ~good


@dataclass(frozen=True)
class _Course:
    """Fixes in rising time, and how fast one may lie from another."""

    time_s: Floats
    latitude_deg: Floats
    longitude_deg: Floats
    limit_mps: float
    interval_s: float

    def follow(self, edges: NDArray[np.intp], anchor: int) -> Bools:
        """Fixes that the aircraft can have gone through from the run `anchor` on; runs lie between the edges.

        A run that cannot be reached is an excursion when it is brief and one after it can be reached; else the
        receiver made one step, and only the fixes until the aircraft could have been there are off.
        """
        good = np.zeros(len(self.time_s), np.bool_)
        good[edges[anchor] : edges[anchor + 1]] = True
        tip = int(edges[anchor + 1]) - 1
        for run in range(anchor + 1, min(len(edges) - 1, anchor + MOST_RUNS)):
            first, end = int(edges[run]), int(edges[run + 1])
            rows = self._reached(tip, np.arange(first, end))
            if len(rows) and (rows[0] == first or not self._returns(tip, edges[run + 1 : run + 9], first)):
                good[rows[0] : end] = True
                tip = end - 1
        return good

    def _returns(self, tip: int, later: NDArray[np.intp], first: int) -> bool:
        """Whether one of the runs that begin soon after the row `first` is reached from `tip`."""
        rows = later[later < len(self.time_s)]
        soon = rows[self.time_s[rows] - self.time_s[first] < EXCURSION_S]
        return len(self._reached(tip, soon)) > 0

    def _reached(self, tip: int, rows: NDArray[np.intp]) -> NDArray[np.intp]:
        home = np.full(len(rows), self.latitude_deg[tip]), np.full(len(rows), self.longitude_deg[tip])
        apart = distance_m(*home, self.latitude_deg[rows], self.longitude_deg[rows])
        return rows[apart <= _reach_m(self.time_s[rows] - self.time_s[tip], self.limit_mps, self.interval_s)]


def _speed_limit(steps: Floats, away: Floats) -> tuple[float, float]:
    """(m/s that this flight cannot exceed, its usual interval): three times the speed of its faster steps."""
    moving = steps > 0
    if not moving.any():
        return FASTEST_LIMIT_MPS, 1.0
    speeds = away[moving] / steps[moving]
    limit = float(np.clip(3.0 * np.quantile(speeds, 0.9), SLOWEST_LIMIT_MPS, FASTEST_LIMIT_MPS))
    return limit, float(np.median(steps[moving]))


def _reach_m(span_s: Floats | float, limit_mps: float, interval_s: float) -> Floats | float:
    """Farthest step within a span: stamps are off by up to half an interval, places by some metres."""
    return limit_mps * (span_s + 0.5 * min(interval_s, 1.0)) + 10.0
