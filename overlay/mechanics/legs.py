"""The legs of a flight: on the ground, take-off, out, loiter, home, landing.

Out and home alternate where the range turns by more than noise or a detour would; loitering is a stretch of much path
in little space. All rests on the track alone, so it holds for logs of any rate that begin or end anywhere.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from overlay.mechanics.airborne import STEP_S, Airborne, Movement, runs
from overlay.readings import Leg

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

_LOITER_WINDOWS_S = (45.0, 90.0, 180.0)
_LOITER_RATIO = 4.0  # path over extent: a reversal has 2, one and a third circles have 4
_LOITER_LEAST_S = 45.0
_LOW_M = 30.0
_TAKE_OFF_LONGEST_S, _LANDING_LONGEST_S = 60.0, 90.0
_TAKE_OFF_BLIND_S, _LANDING_BLIND_S = 20.0, 30.0  # where the log has no height
_SHORTEST_LEG_S = 10.0


def legs_of(move: Movement, air: Airborne) -> tuple[Leg, ...]:
    """Legs in order of a movement about home whose spans in the air are known, without holes."""
    names = np.full(len(move.time_s), "on the ground", dtype=object)
    for number, (start, end) in enumerate(air.spans):
        starts_here = not (air.begins_in_air and number == 0)
        ends_here = not (air.ends_in_air and number == len(air.spans) - 1)
        first = int(np.searchsorted(move.time_s, start))
        last = int(np.searchsorted(move.time_s, end)) if ends_here else len(move.time_s)
        names[first:last] = _flight_names(move, first, last, starts_here, ends_here)
    return _as_legs(move.time_s, names)


def turning_points(range_m: Floats, least_m: float) -> list[int]:
    """Indices at which a range series turns by at least `least_m`, from its start to its end (zigzag).

    >>> turning_points(np.array([0.0, 50.0, 45.0, 100.0, 20.0, 30.0, 0.0]), 40.0)
    [0, 3, 6]
    """
    points = [0]
    low = high = 0
    rising: bool | None = None
    for i, r in enumerate(range_m):
        low, high = (i if r < range_m[low] else low), (i if r > range_m[high] else high)
        if rising is not False and range_m[high] - r >= least_m:  # has come back from its farthest
            if high > points[-1]:
                points.append(high)
            rising, low, high = False, i, i
        elif rising is not True and r - range_m[low] >= least_m:
            if low > points[-1]:
                points.append(low)
            rising, low, high = True, i, i
    last = len(range_m) - 1
    return points if points[-1] == last else [*points, last]


def _flight_names(move: Movement, first: int, last: int, starts_here: bool, ends_here: bool) -> NDArray[np.object_]:
    span = slice(first, last)
    east, north = move.east_m[span], move.north_m[span]
    range_m = np.hypot(east, north)
    names = np.full(last - first, "out", dtype=object)
    points = turning_points(range_m, least_m=max(50.0, 0.1 * float(range_m.max(initial=0.0))))
    for a, b in itertools.pairwise(points):
        names[a : b + 1] = "out" if range_m[b] >= range_m[a] else "home"
    names[_loitering(east, north)] = "loiter"
    _absorb_short(names)
    height = move.height_m[span]
    if starts_here:
        names[: _climb_out(height, first, move)] = "take-off"
    if ends_here:
        names[len(names) - _descent(height, last, move) :] = "landing"
    return names


def _loitering(east: Floats, north: Floats) -> Bools:
    """Where some window around the moment holds at least four times as much path as extent."""
    from scipy.ndimage import maximum_filter1d, minimum_filter1d

    path = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(east), np.diff(north)))])
    result = np.zeros(len(east), dtype=bool)
    for window_s in _LOITER_WINDOWS_S:
        size = int(window_s / STEP_S) + 1
        if len(east) < size:
            continue
        half = size // 2
        extent = np.maximum(*(maximum_filter1d(x, size) - minimum_filter1d(x, size) for x in (east, north)))
        flown = np.full(len(east), 0.0)
        flown[half : len(east) - half] = path[2 * half :] - path[: len(path) - 2 * half]
        centres = flown >= _LOITER_RATIO * np.maximum(extent, 1.0)
        result |= maximum_filter1d(centres, size)
    for a, b in runs(result):
        result[a:b] = False
        first, last = _trimmed(east[a:b], north[a:b])
        if (last - first) * STEP_S >= _LOITER_LEAST_S:
            result[a + first : a + last] = True
    return result


def _trimmed(east: Floats, north: Floats) -> tuple[int, int]:
    """Cut a stretch of loitering back to where it is near its own middle: the windows reach over its ends."""
    first, last = 0, len(east)
    for _ in range(3):
        span = slice(first, last)
        away = np.hypot(east - np.median(east[span]), north - np.median(north[span]))
        near = np.flatnonzero(away[span] <= 1.6 * np.median(away[span]) + 5.0)
        first, last = first + int(near[0]), first + int(near[-1]) + 1
    return first, last


def _absorb_short(names: NDArray[np.object_]) -> None:
    """Give spans too short to be a leg to the one before, or at the start to the one after."""
    edges = [0, *(np.flatnonzero(names[1:] != names[:-1]) + 1).tolist(), len(names)]
    for a, b in itertools.pairwise(edges):
        if (b - a) * STEP_S < _SHORTEST_LEG_S and len(edges) > 2:
            names[a:b] = names[a - 1] if a > 0 else names[min(b, len(names) - 1)]


def _low(height: Floats, ground: float) -> float:
    """The height that divides take-off and landing from flight: 30 m, or most of what a low flight reached."""
    return ground + min(_LOW_M, 0.8 * max(float(np.nanmax(height)) - ground, 0.0))


def _climb_out(height: Floats, first: int, move: Movement) -> int:
    if not np.isfinite(height).any():
        return min(int(_TAKE_OFF_BLIND_S / STEP_S), len(height))
    ground = _ground(move.height_m[max(first - 20, 0) : first + 1])
    above = np.flatnonzero(height > _low(height, ground))
    return min(int(above[0]) if len(above) else len(height), int(_TAKE_OFF_LONGEST_S / STEP_S))


def _descent(height: Floats, last: int, move: Movement) -> int:
    if not np.isfinite(height).any():
        return min(int(_LANDING_BLIND_S / STEP_S), len(height))
    ground = _ground(move.height_m[max(last - 1, 0) : last + 20])
    above = np.flatnonzero(height > _low(height, ground))
    return min(len(height) - 1 - int(above[-1]) if len(above) else len(height), int(_LANDING_LONGEST_S / STEP_S))


def _ground(height: Floats) -> float:
    return float(np.nanmedian(height)) if np.isfinite(height).any() else 0.0


def _as_legs(time_s: Floats, names: NDArray[np.object_]) -> tuple[Leg, ...]:
    edges = [0, *(np.flatnonzero(names[1:] != names[:-1]) + 1).tolist(), len(names)]
    ends = np.append(time_s, time_s[-1] + STEP_S)
    return tuple(Leg(str(names[a]), float(ends[a]), float(ends[b])) for a, b in itertools.pairwise(edges) if b > a)
