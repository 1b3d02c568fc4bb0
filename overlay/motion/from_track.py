"""Motion of the aircraft from a logged track.

With attitude in the log the body rates are those of the attitude. With positions alone they are inferred: the heading
through the air from the wind-corrected ground velocity, bank from the coordinated turn, and the three body rates from
both. A receiver's velocity lags by 0.1 – 0.25 s; nothing in a position-only log can show that, so an offset found from
one is the *effective* offset.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from overlay.motion.air_heading import SteadyWind, inferred_bank, wind_from_velocities
from overlay.motion.ground_velocity import (
    FLYING_MPS,
    STANDING_MPS,
    GroundVelocity,
    ground_velocity,
    steadied,
    vertical_acceleration,
)
from overlay.motion.series import MotionSeries
from overlay.tracks.track import Track

Floats = NDArray[np.float64]

ATTITUDE = ("bank_deg", "pitch_deg", "heading_deg")
GYROS = ("roll_rate_dps", "pitch_rate_dps", "yaw_rate_dps")


def motion_from_track(track: Track, *, wind: tuple[float, float] | SteadyWind | None = None) -> MotionSeries:
    """Body rates, bank and stillness of a track of 1–50 Hz; NaN in gaps and where unknown.

    `wind` is where the air moves to, (east, north) in m/s; estimated from the ground velocities when not given. Rates
    are means over the log's own intervals (`interval_s`), stamped at their middle. ValueError when the track holds
    neither attitude, body rates, ground velocity nor positions.
    """
    if _has_gyros(track) and _rate(track, GYROS[0]) >= 4.0:
        return _from_gyros(track)
    if all(track.has(name) for name in ATTITUDE) and _rate(track, ATTITUDE[0]) >= 0.5:
        return _from_attitude(track)
    return _from_velocity(track, wind)


def _has_gyros(track: Track) -> bool:
    """Rates that never change were not measured: senders leave at 0 what they do not know."""
    return all(track.has(name) and np.nanmax(track[name]) > np.nanmin(track[name]) for name in GYROS)


def _rate(track: Track, name: str) -> float:
    times, _ = track.series(name)
    return 1.0 / float(np.median(np.diff(times))) if len(times) > 2 and np.median(np.diff(times)) > 0 else 0.0


def _from_gyros(track: Track) -> MotionSeries:
    times, rates = _together(track, GYROS)
    return _complete(track, times, np.radians(rates), _spacing(times))


def _from_attitude(track: Track) -> MotionSeries:
    from scipy.spatial.transform import Rotation

    times, angles = _together(track, ATTITUDE)
    changed = np.append(True, np.any(np.diff(angles, axis=0) != 0, axis=1))
    times, angles = times[changed], angles[changed]
    if len(times) < 3:
        raise ValueError("the attitude in the track never changes")
    attitude = Rotation.from_euler("ZYX", angles[:, ::-1], degrees=True)
    interval = np.diff(times)
    turned = (attitude[:-1].inv() * attitude[1:]).as_rotvec()
    rates = turned / interval[:, None]
    rates[~_unbroken(interval)] = np.nan
    return _complete(track, (times[1:] + times[:-1]) / 2, rates, interval)


def _from_velocity(track: Track, wind: tuple[float, float] | SteadyWind | None) -> MotionSeries:
    velocity = ground_velocity(track)
    if len(velocity.time_s) < 4:
        raise ValueError("the track holds no attitude and fewer than four ground velocities")
    if wind is None:
        wind = _wind(track, velocity)
    flying = velocity.speed_mps > FLYING_MPS
    cruise = float(np.median(velocity.speed_mps[flying])) if flying.any() else FLYING_MPS
    velocity = steadied(velocity, cruise, flying)
    times, flying = velocity.time_s, velocity.speed_mps > FLYING_MPS
    blow = (wind.east_mps, wind.north_mps) if isinstance(wind, SteadyWind) else wind
    air_east, air_north = velocity.east_mps - blow[0], velocity.north_mps - blow[1]
    airspeed = _airspeed(track, times, np.hypot(air_east, air_north))
    interval = np.diff(times)
    turn = np.diff(np.unwrap(np.arctan2(air_east, air_north))) / interval
    turn[~_unbroken(interval) | ~(flying[1:] & flying[:-1])] = np.nan
    middle, speed = (times[1:] + times[:-1]) / 2, (airspeed[1:] + airspeed[:-1]) / 2
    climb = _climb_angle(track, middle, speed)
    upward = vertical_acceleration(velocity)
    bank, level = inferred_bank(turn, speed, upward), turn * np.cos(climb)
    roll = central_slope(bank, middle) - turn * np.sin(climb)
    rates = np.column_stack((roll, level * np.sin(bank), level * np.cos(bank)))
    series = _complete(track, middle, rates, interval, bank)
    return replace(series, upward_mps2=upward, smoothing_s=velocity.smoothing_s)


def _wind(track: Track, velocity: GroundVelocity) -> SteadyWind:
    east = np.where(velocity.speed_mps > FLYING_MPS, velocity.east_mps, np.nan)
    logged = track.at("airspeed_mps", velocity.time_s, max_gap_s=3.0) if track.has("airspeed_mps") else None
    return wind_from_velocities(east, velocity.north_mps, logged)


def _airspeed(track: Track, times: Floats, derived_mps: Floats) -> Floats:
    """As logged where it is plausible, else as the ground velocity less the wind has it."""
    logged = track.at("airspeed_mps", times, max_gap_s=3.0)
    return np.where(np.isfinite(logged) & (logged > FLYING_MPS), logged, derived_mps)


def _climb_angle(track: Track, times: Floats, airspeed_mps: Floats) -> Floats:
    """Angle of the flight path over the horizon, smoothed over about two seconds; 0 where the log does not tell."""
    climb = track.at("vertical_speed_mps", times, max_gap_s=5.0)
    run = max(1, round(2.0 * _rate(track, "vertical_speed_mps")))
    smooth = np.convolve(np.nan_to_num(climb), np.ones(run) / run, mode="same")
    return np.asarray(np.arcsin(np.clip(smooth / np.maximum(airspeed_mps, FLYING_MPS), -0.5, 0.5)))


def central_slope(values: Floats, times: Floats) -> Floats:
    """Central difference; NaN where a neighbour is unknown."""
    slope = np.full(len(values), np.nan)
    if len(values) > 2:
        slope[1:-1] = (values[2:] - values[:-2]) / (times[2:] - times[:-2])
    return slope


def _together(track: Track, names: tuple[str, ...]) -> tuple[Floats, Floats]:
    """Rows on which all the columns are known; times strictly rising."""
    values = np.column_stack([track[name] for name in names])
    known = np.all(np.isfinite(values), axis=1)
    times, values = track.time_s[known], values[known]
    fresh = np.append(True, np.diff(times) > 1e-4) if len(times) else np.zeros(0, bool)
    return times[fresh], values[fresh]


def _unbroken(interval: Floats) -> NDArray[np.bool_]:
    return interval <= max(2.5 * float(np.median(interval)), 0.25) if len(interval) else np.zeros(0, bool)


def _spacing(times: Floats) -> Floats:
    gaps = np.diff(times, append=2 * times[-1] - times[-2] if len(times) > 1 else times[-1:] + 1.0)
    return np.minimum(gaps, 2.5 * np.median(gaps))


def _complete(track: Track, times: Floats, rates: Floats, interval: Floats, bank: Floats | None = None) -> MotionSeries:
    return MotionSeries(
        time_s=times,
        rate_radps=rates,
        bank_rad=_logged_bank(track, times) if bank is None else bank,
        stillness=_stillness(track, times),
        confidence=np.where(np.all(np.isfinite(rates), axis=1), 1.0, 0.0),
        interval_s=interval,
        inferred=bank is not None,
    )


def _logged_bank(track: Track, times: Floats) -> Floats:
    """In (−π, π], past half a turn the short way round."""
    at, bank_deg = track.series("bank_deg")
    if not len(at):
        return np.full(len(times), np.nan)
    bank = np.interp(times, at, np.unwrap(np.radians(bank_deg)))
    known = np.isfinite(track.at("bank_deg", times, max_gap_s=2.0))
    return np.where(known, np.pi - (np.pi - bank) % (2 * np.pi), np.nan)


def _stillness(track: Track, times: Floats) -> Floats:
    """1 at rest, 0 at flying speed, from the ground speed; NaN without one."""
    velocity = ground_velocity(track)
    if len(velocity.time_s) < 2:
        return np.full(len(times), np.nan)
    speed = np.interp(times, velocity.time_s, velocity.speed_mps, left=np.nan, right=np.nan)
    return np.clip((FLYING_MPS - speed) / (FLYING_MPS - STANDING_MPS), 0.0, 1.0)
