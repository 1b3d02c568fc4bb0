"""Turning flight: course and turn rate from velocity, and the bank that a coordinated turn needs.

In a coordinated turn the lift's sideways part supplies the sideways acceleration: tan φ = a⊥/g = ω·V/g, with V the
airspeed and ω the rate at which the *air* velocity turns. A steady wind adds nothing to the acceleration but bends the
track, so the ground course's own rate gives a wrong bank in wind.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from overlay.mechanics.geodesy import compass
from overlay.mechanics.slopes import slope

Floats = NDArray[np.float64]

STANDARD_GRAVITY_MPS2 = 9.80665  # ISO 80000-3


def course_deg(east_mps: Floats, north_mps: Floats) -> Floats:
    """Direction of a velocity, clockwise from north, [0, 360)."""
    return compass(np.degrees(np.arctan2(east_mps, north_mps)))


def velocity_from_course(speed_mps: Floats, direction_deg: Floats) -> tuple[Floats, Floats]:
    """East and north parts of a speed along a direction (clockwise from north)."""
    angle = np.radians(direction_deg)
    return speed_mps * np.sin(angle), speed_mps * np.cos(angle)


def turn_rate_dps(time_s: Floats, direction_deg: Floats, at: Floats, half_window_s: float = 1.0) -> Floats:
    """Rate of change of a course or heading, right is positive, by the slope over ± `half_window_s`."""
    known = np.isfinite(direction_deg)
    times, angles = time_s[known], np.unwrap(direction_deg[known], period=360.0)
    return slope(times, angles, at, half_window_s)


def bank_from_velocity(
    time_s: Floats, air_east_mps: Floats, air_north_mps: Floats, at: Floats, half_window_s: float = 1.0
) -> Floats:
    """Bank in degrees at `at` from the air velocity: the acceleration across it, against gravity.

    The acceleration is the slope of velocity over ± `half_window_s`; NaN below 2 m/s, where direction means nothing.
    """
    known = np.isfinite(air_east_mps) & np.isfinite(air_north_mps)
    times = time_s[known]
    velocity = np.column_stack([air_east_mps[known], air_north_mps[known]])
    if len(times) < 2:
        return np.full(len(at), np.nan)
    acceleration = slope(times, velocity, at, half_window_s)
    east, north = (np.interp(at, times, part) for part in velocity.T)
    speed = np.hypot(east, north)
    rightward = (acceleration[:, 0] * north - acceleration[:, 1] * east) / np.where(speed > 0, speed, np.nan)
    return np.where(speed >= 2.0, np.degrees(np.arctan(rightward / STANDARD_GRAVITY_MPS2)), np.nan)
