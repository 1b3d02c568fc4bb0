"""Judge each position of a flight: impossible, repeated, jumping; and find the spans without any."""

from __future__ import annotations

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
    edges = np.flatnonzero(broken) + 1
    runs = list(zip(np.append(0, edges).tolist(), np.append(edges, len(time_s)).tolist(), strict=True))
    return _off_course(time_s, latitude_deg, longitude_deg, runs, limit, interval)


def _off_course(
    time_s: Floats,
    latitude_deg: Floats,
    longitude_deg: Floats,
    runs: list[tuple[int, int]],
    limit: float,
    interval: float,
) -> Bools:
    """Fixes off the course that starts from the longest of the runs and goes outwards both ways.

    A run beside it that cannot be reached is an excursion when it is brief and one after it can; else the receiver made
    one step, and only the fixes until the aircraft could have been there are off.
    """

    def reached(tip: int, first: int, end: int) -> NDArray[np.intp]:
        rows = np.arange(first, end)
        home = np.full(len(rows), latitude_deg[tip]), np.full(len(rows), longitude_deg[tip])
        apart = distance_m(*home, latitude_deg[rows], longitude_deg[rows])
        return rows[apart <= _reach_m(np.abs(time_s[rows] - time_s[tip]), limit, interval)]

    anchor = max(range(len(runs)), key=lambda i: runs[i][1] - runs[i][0])
    good = np.zeros(len(time_s), np.bool_)
    good[slice(*runs[anchor])] = True
    for tip, outwards in ((runs[anchor][1] - 1, runs[anchor + 1 :]), (runs[anchor][0], runs[:anchor][::-1])):
        for i, (first, end) in enumerate(outwards):
            near, far = (first, end - 1) if first > tip else (end - 1, first)
            brief = [run[0] if run[0] > tip else run[1] - 1 for run in outwards[i + 1 : i + 9]]
            brief = [row for row in brief if abs(time_s[row] - time_s[near]) < EXCURSION_S]
            if not len(reached(tip, near, near + 1)) and any(len(reached(tip, row, row + 1)) for row in brief):
                continue
            rows = reached(tip, first, end)
            if len(rows):
                good[rows[0] if near == first else first : end if near == first else rows[-1] + 1] = True
                tip = far
    return ~good


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
