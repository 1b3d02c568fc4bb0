"""When the aircraft flew and when it stood, from the track alone.

Speed decides, because heights drift and are often missing: flying is a stretch of speed that no hand carries, standing
is a stretch of none. Height only keeps a hover, or a slow fight against the wind, from being taken for a landing.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.mechanics.geodesy import LocalPlane
from overlay.mechanics.slopes import half_window, longest_bridge, slope
from overlay.tracks.track import Track

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

STEP_S = 0.5
_WALK_MPS = 3.0  # an aircraft carried to its launch, and the wander of a receiver at rest, stay below
_CORE_S = 5.0  # shortest stretch of speed that counts as flying …
_CORE_M = 50.0  # … and the least it must cover
_REST_S = 20.0  # shortest stretch of no speed between two flights
_CLEAR_M = 15.0  # over the take-off height: nothing that is higher stands


@dataclass(frozen=True)
class Movement:
    """The track at 2 Hz, holes in the positions bridged by straight lines: for telling legs apart, not for showing.

    East and north are metres about `plane`, speed is over the ground; height is NaN where the log has none.
    """

    plane: LocalPlane
    time_s: Floats
    east_m: Floats
    north_m: Floats
    speed_mps: Floats
    height_m: Floats


@dataclass(frozen=True)
class Airborne:
    """Spans (start_s, end_s) in the air; whether the first begins, and the last ends, outside the log."""

    spans: tuple[tuple[float, float], ...]
    begins_in_air: bool = False
    ends_in_air: bool = False


def movement(track: Track, plane: LocalPlane | None = None) -> Movement | None:
    """Movement about `plane` (default: about the median position); None for fewer than three good fixes."""
    times, latitude, longitude = track.position()
    if len(times) < 3 or times[-1] - times[0] < 2 * STEP_S:
        return None
    plane = plane or LocalPlane(float(np.median(latitude)), float(np.median(longitude)))
    east, north = plane.to_plane(latitude, longitude)
    grid = np.arange(times[0], times[-1], STEP_S)
    velocity = slope(times, np.column_stack([east, north]), grid, half_window(times, 2.0))
    speed = np.hypot(velocity[:, 0], velocity[:, 1])
    logged = track.at("ground_speed_mps", grid, max_gap_s=longest_bridge(track.series("ground_speed_mps")[0]))
    speed = np.where(np.isfinite(logged), logged, speed)
    height = "height_over_home_m" if track.has("height_over_home_m") else "height_m"
    return Movement(
        plane,
        grid,
        np.interp(grid, times, east),
        np.interp(grid, times, north),
        _filled(grid, speed),
        track.at(height, grid, max_gap_s=np.inf),
    )


def airborne(move: Movement) -> Airborne:
    """The spans in the air. None of them: the aircraft never left the ground, or was only carried about."""
    speed = move.speed_mps
    quick = speed[speed > _WALK_MPS]
    if len(quick) * STEP_S < _CORE_S:
        return Airborne(())
    cruise = float(np.median(quick))
    fast, still = max(_WALK_MPS, 0.4 * cruise), max(1.5, 0.2 * cruise)
    cores = [run for run in runs(speed > fast) if _is_flying(move, *run)]
    if not cores:
        return Airborne(())
    joined = _join_over_slow_flight(move, cores, still)
    spans = [_widened(speed, first, last, still) for first, last in joined]
    begins, ends = spans[0][0] == 0, spans[-1][1] == len(speed)
    times = np.append(move.time_s, move.time_s[-1])
    return Airborne(tuple((float(times[a]), float(times[b])) for a, b in spans), begins, ends)


def runs(mask: Bools) -> list[tuple[int, int]]:
    """Index spans [first, last) over which `mask` is true."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _is_flying(move: Movement, first: int, last: int) -> bool:
    east, north = move.east_m[first:last], move.north_m[first:last]
    return (last - first) * STEP_S >= _CORE_S and max(float(np.ptp(east)), float(np.ptp(north))) >= _CORE_M


def _join_over_slow_flight(move: Movement, cores: list[tuple[int, int]], still: float) -> list[tuple[int, int]]:
    """Make one flight of cores between which the aircraft was slow without coming to rest on the ground."""
    standing = move.height_m[: max(cores[0][0], 1)]
    ground = float(np.nanmedian(standing)) if np.isfinite(standing).any() else float("nan")
    joined = [cores[0]]
    for start, end in cores[1:]:
        if _rested(move, joined[-1][1], start, still, ground):
            joined.append((start, end))
        else:
            joined[-1] = (joined[-1][0], end)
    return joined


def _rested(move: Movement, first: int, last: int, still: float, ground: float) -> bool:
    for a, b in runs(move.speed_mps[first:last] < still):
        rest = slice(first + a, first + b)
        wandered = max(np.ptp(move.east_m[rest]), np.ptp(move.north_m[rest]))
        high = np.median(move.height_m[rest]) > ground + _CLEAR_M  # False where either is unknown
        if (b - a) * STEP_S >= _REST_S and wandered < 20.0 and not high:
            return True
    return False


def _widened(speed: Floats, first: int, last: int, still: float) -> tuple[int, int]:
    """Reach back to the last standstill before the core and on to the first one after it."""
    before = np.flatnonzero(speed[:first] < still)
    after = np.flatnonzero(speed[last:] < still)
    return (int(before[-1]) + 1 if len(before) else 0), (last + int(after[0]) if len(after) else len(speed))


def _filled(grid: Floats, values: Floats) -> Floats:
    known = np.isfinite(values)
    return np.interp(grid, grid[known], values[known]) if known.any() else np.zeros(len(grid))
