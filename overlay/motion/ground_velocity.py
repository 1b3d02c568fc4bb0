"""Velocity over the ground from a track, averaged just as much as its noise asks for.

Turn rate is the slope of a direction, so the noise of positions a tenth of a second apart comes out as radians a second,
and a bank inferred from that is nothing but noise. How noisy a log is shows in its own fastest wiggles.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.motion.air_heading import G_MPS2
from overlay.tracks.track import Fix, Track

Floats = NDArray[np.float64]

EARTH_RADIUS_M = 6_371_008.8
STANDING_MPS = 1.5
FLYING_MPS = 5.0  # slower than any fixed-wing model flies: standing, carried, or thrown
BANK_NOISE_RAD = 0.07  # of the bank inferred from one turn rate: about as much as gusts make of it anyway
# And of the roll inferred from two, well below what aircraft roll at (0.15 and more): no weighting of frequencies afterwards
# makes up for noise many times the signal once samples are doubted one by one.
ROLL_NOISE_RADPS = 0.1
VERTICAL_NOISE_MPS2 = 1.0  # a tenth of gravity: three degrees of a bank of thirty
LOAD_COARSEST_S = 1.2  # who pulls takes about a second
COARSEST_S = 0.7  # slower than this the turning itself would be averaged away
GRID_COARSEST_S = 1.0  # and slower than a log of one row a second none need be for its grid's sake
ONE_STEP, GRID_EXPLAINS = 1.5, 0.9
LEAST_GRID_DEG = 1e-9  # finer than any log writes places, coarser than what arithmetic leaves of equal ones


@dataclass(frozen=True)
class GroundVelocity:
    """East, north and up (N,) m/s at `time_s` (N,); each is the mean over `smoothing_s` (a boxcar of the same variance).

    Up is NaN where the log tells no heights.
    """

    time_s: Floats
    east_mps: Floats
    north_mps: Floats
    up_mps: Floats
    smoothing_s: float = 0.0
    from_positions: bool = False

    @property
    def speed_mps(self) -> Floats:
        """Over the ground."""
        return np.hypot(self.east_mps, self.north_mps)


def ground_velocity(track: Track) -> GroundVelocity:
    """As the receiver measured it, else from the good fixes; stale repeats dropped."""
    if track.has("ground_speed_mps") and track.has("course_deg"):
        return _measured(track)
    held = (track.fix & (Fix.JUMP | Fix.NOT_VALID) == 0) & np.isfinite(track["latitude_deg"] + track["longitude_deg"])
    times, places = track.time_s[held], np.column_stack((track["latitude_deg"], track["longitude_deg"]))[held]
    grid_deg = _grid_deg(places)
    kept = _moved(places, grid_deg)
    times, (latitude, longitude) = times[kept], np.radians(places[kept].T)
    if len(times) < 2:
        nowhere = np.zeros((3, len(times)))
        return GroundVelocity(times, *nowhere)
    interval = np.maximum(np.diff(times), 1e-3)
    north = np.diff(latitude) * EARTH_RADIUS_M / interval
    east = (np.diff(longitude) + np.pi) % (2 * np.pi) - np.pi
    east = east * np.cos(latitude[:-1]) * EARTH_RADIUS_M / interval
    up = np.diff(_heights(track, times)) / interval
    velocity = GroundVelocity(
        (times[1:] + times[:-1]) / 2, east, north, up, float(np.median(interval)), from_positions=True
    )
    grid_m = EARTH_RADIUS_M * float(np.mean(np.radians(grid_deg) * [1.0, np.cos(latitude[0])]))
    return _off_the_grid(velocity, interval, grid_m)


def _grid_deg(places: Floats) -> Floats:
    """(2,) step of the grid that places (N, 2) are written on: the least by which two differ; infinite where none do."""
    steps = [np.diff(np.unique(column)) for column in places.T]
    return np.array([step[step > LEAST_GRID_DEG].min(initial=np.inf) for step in steps])


def _moved(places: Floats, grid_deg: Floats) -> NDArray[np.bool_]:
    """(N,) rows of their own: those whose place (N, 2) repeats the last one are the receiver's silence, or the grid's.

    The grid explains a repeat that ends with one of its steps, if it explains nearly all of them. Such rows count:
    without them a place would lead by half a step, for it would be told just when the next one is reached.
    """
    changed = np.abs(np.diff(places, axis=0))
    moved = np.append(True, np.any(changed != 0, axis=1)) if len(places) else np.zeros(0, bool)
    ends = np.flatnonzero(moved[1:] & ~moved[:-1]) + 1
    by_grid = np.all(changed[ends - 1] < ONE_STEP * grid_deg, axis=1)
    if not len(ends) or by_grid.mean() < GRID_EXPLAINS:
        return moved
    run = np.searchsorted(ends, np.arange(len(places)), side="right")
    return np.asarray(moved | np.append(by_grid, False)[run])


def _off_the_grid(velocity: GroundVelocity, interval: Floats, grid_m: float) -> GroundVelocity:
    """Least-squares slopes long enough that the places' grid makes no more noise of bank than `BANK_NOISE_RAD`.

    To a moving aircraft half a step of the grid either way is noise, alike for as long as it takes to fly a step.
    """
    step = float(np.median(interval))
    speed = _cruising(velocity, interval)
    noise = grid_m / np.sqrt(12) / (step * speed) * np.sqrt(max(1.0, grid_m / (step * speed)))
    if not np.isfinite(noise) or step > GRID_COARSEST_S / 2:
        return velocity
    keep, weights = _as_few(noise, step, speed, GRID_COARSEST_S, from_positions=True)
    return velocity if keep == 1 else _averaged(velocity, weights, keep, step)


def _cruising(velocity: GroundVelocity, interval: Floats) -> float:
    """Median speed (m/s) over about a second where that is flying; NaN where nothing flies."""
    stride = max(1, round(1.0 / float(np.median(interval))))
    if len(interval) <= stride:
        return float("nan")
    rows = np.column_stack((velocity.east_mps, velocity.north_mps, np.ones(len(interval))))
    gone = np.cumsum(rows * interval[:, None], axis=0)
    east, north, lasted = (gone[stride:] - gone[:-stride]).T
    speed = np.hypot(east, north) / lasted
    return float(np.median(speed[speed > FLYING_MPS])) if (speed > FLYING_MPS).any() else float("nan")


def _measured(track: Track) -> GroundVelocity:
    speed, course = track["ground_speed_mps"], track["course_deg"]
    known = np.isfinite(speed) & np.isfinite(course) & (track.fix & (Fix.STALE | Fix.JUMP) == 0)
    times, speed, course = track.time_s[known], speed[known], course[known]
    fresh = np.append(True, np.diff(times) > 1e-4) if len(times) else np.zeros(0, bool)
    same = np.append(False, (np.diff(speed) == 0) & (np.diff(course) == 0)) if len(times) else fresh
    kept = fresh & ~(same & (speed > STANDING_MPS))
    times, speed, course = times[kept], speed[kept], np.radians(course[kept])
    return GroundVelocity(times, speed * np.sin(course), speed * np.cos(course), _climbing(track, times))


def _heights(track: Track, times: Floats) -> Floats:
    """(N,) height at each of the times; NaN where the log does not tell, in gaps too."""
    name = "height_m" if track.has("height_m") else "height_over_home_m"
    return track.at(name, times, max_gap_s=3.0)


def _climbing(track: Track, times: Floats) -> Floats:
    """(N,) vertical speed as logged, else the slope of the heights."""
    if track.has("vertical_speed_mps"):
        return track.at("vertical_speed_mps", times, max_gap_s=3.0)
    return np.gradient(_heights(track, times), times) if len(times) > 1 else np.full(len(times), np.nan)


def steadied(velocity: GroundVelocity, airspeed_mps: float, flying: NDArray[np.bool_]) -> GroundVelocity:
    """As few averaged samples as keep bank and roll inferred from them below `BANK_NOISE_RAD` and `ROLL_NOISE_RADPS`.

    Positions are averaged by their least-squares slope, measured velocities by their mean. Means never cross a gap.
    """
    step = float(np.median(np.diff(velocity.time_s))) if len(velocity.time_s) > 1 else 1.0
    if step > COARSEST_S / 2 or flying.sum() < 50:
        return velocity
    noise = _direction_noise(velocity, flying)
    keep, weights = _as_few(noise, step, airspeed_mps, COARSEST_S, velocity.from_positions, ROLL_NOISE_RADPS)
    return velocity if keep == 1 else _averaged(velocity, weights, keep, step)


def _as_few(
    noise_rad: float,
    step: float,
    airspeed_mps: float,
    coarsest_s: float,
    from_positions: bool,
    roll_noise_radps: float = np.inf,
) -> tuple[int, Floats]:
    """(rows to average, their weights) for a direction as noisy as that; as many as `coarsest_s` holds if none suffice."""
    for keep in range(1, int(coarsest_s / step + 1e-6) + 1):
        weights = _weights(keep, from_positions)
        turn_noise = noise_rad * np.sqrt(2 * _noise_gain(weights, from_positions)) / (keep * step)
        bank_noise = turn_noise * airspeed_mps / G_MPS2
        if bank_noise < min(BANK_NOISE_RAD, roll_noise_radps * keep * step / np.sqrt(2)):
            break
    return keep, weights


def vertical_acceleration(velocity: GroundVelocity) -> Floats:
    """(N − 1,) m/s² between the rows, averaged until its noise is below `VERTICAL_NOISE_MPS2`.

    All NaN where that would take longer than `LOAD_COARSEST_S`: what is left would not tell a pull from none.
    """
    interval = np.diff(velocity.time_s)
    up = np.diff(velocity.up_mps) / np.maximum(interval, 1e-3)
    known = np.isfinite(up)
    if known.sum() < 20:
        return np.full(len(up), np.nan)
    noise, step = _vertical_noise(up[known]), float(np.median(interval))
    for count in range(1, max(1, int(LOAD_COARSEST_S / step)) + 1, 2):
        if noise / count <= VERTICAL_NOISE_MPS2:  # the sum of differences is the difference of the ends
            break
    else:
        return np.full(len(up), np.nan)
    box = np.ones(count)
    cover = np.convolve(known, box, mode="same")
    mean = np.convolve(np.where(known, up, 0.0), box, mode="same") / np.maximum(cover, 1.0)
    return np.where(cover >= 0.7 * count, mean, np.nan)


def _vertical_noise(upward_mps2: Floats) -> float:
    """1σ (m/s²) of the white noise of climbs, as it comes out in their differences; infinite where they never change.

    Heights in whole metres stand still for the most part and then jump: the median alone would call them free of noise.
    """
    if not np.ptp(upward_mps2):
        return float("inf")
    # Variance of third differences of white noise over that of first ones: sums of squared binomials, 20 over 2.
    third = np.abs(np.diff(upward_mps2, n=2)) * np.sqrt(2 / 20)
    return float(max(1.4826 * np.median(third), np.quantile(third, 0.98) / 2.326))


def _direction_noise(velocity: GroundVelocity, flying: NDArray[np.bool_]) -> float:
    """1σ (rad) of the direction's white noise, from its third differences while flying straight.

    Steady turns cancel in third differences. For positions, whose errors come out with opposite signs in neighbouring
    velocities, it is the noise that one position alone would bring: differences of fourth order of the positions.
    """
    direction = np.unwrap(np.arctan2(velocity.east_mps, velocity.north_mps))
    third = np.diff(direction, n=3)[flying[3:] & flying[:-3]]
    # Sum of squared binomials: 1 + 9 + 9 + 1 for white noise in direction; 1 + 16 + 36 + 16 + 1 in position.
    spread = np.sqrt(70.0 if velocity.from_positions else 20.0)
    return float(1.4826 * np.median(np.abs(third - np.median(third))) / spread) if len(third) else 0.0


def _weights(keep: int, from_positions: bool) -> Floats:
    """Of neighbouring velocities: their mean, or what makes them the least-squares slope of the positions."""
    if keep == 1:
        return np.ones(1)
    count = round(1.5 * keep) if from_positions else keep
    j = np.arange(count)
    weights = (j + 1.0) * (count - j) if from_positions else np.ones(count)
    return np.asarray(weights / weights.sum())


def _noise_gain(weights: Floats, from_positions: bool) -> float:
    """Variance of the weighted mean in units of one sample's (a position's) own."""
    if from_positions:
        weights = np.diff(np.concatenate(([0.0], weights, [0.0])))
    return float((weights**2).sum())


def _averaged(velocity: GroundVelocity, weights: Floats, keep: int, step: float) -> GroundVelocity:
    count = len(weights)
    windows = [
        np.lib.stride_tricks.sliding_window_view(column, count)[::keep]
        for column in (velocity.time_s, velocity.east_mps, velocity.north_mps, velocity.up_mps)
    ]
    whole = windows[0][:, -1] - windows[0][:, 0] < (count - 0.4) * step
    times, east, north, up = (window[whole] @ weights for window in windows)
    spread = float((weights * (np.arange(count) - (count - 1) / 2) ** 2).sum()) * step**2 + velocity.smoothing_s**2 / 12
    return GroundVelocity(times, east, north, up, float(np.sqrt(12 * spread)), velocity.from_positions)
