"""Motion through the air from motion over the ground.

The nose follows the air, not the ground: in a steady circle the course rate swings once a turn with the wind, and the
picture does not. So the wind is taken out first, where the ground velocities show it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

G_MPS2 = 9.80665
MIN_ARC_DEG = 180.0
LEAST_LOAD = 0.3  # of gravity: pushed over harder than that, the path says nothing of the bank


@dataclass(frozen=True)
class SteadyWind:
    """Where the air moves to (m/s east and north), one standard error of either, and how it was found."""

    east_mps: float
    north_mps: float
    sigma_mps: float
    found: str


CALM = SteadyWind(0.0, 0.0, float("inf"), "no wind taken out: the courses flown do not cover half a circle")


def wind_from_velocities(east_mps: Floats, north_mps: Floats, airspeed_mps: Floats | None = None) -> SteadyWind:
    """Centre of the circle that ground velocities (N,) lie on when the airspeed keeps about constant.

    Minimises the robust scatter of |v − w| about its own mean, or about `airspeed_mps` (N,) times a constant where that
    is known. `CALM` when the directions flown cover less than `MIN_ARC_DEG`: then centre and radius trade against
    each other.
    """
    known = np.isfinite(east_mps) & np.isfinite(north_mps)
    if airspeed_mps is not None:
        known &= np.isfinite(airspeed_mps) & (airspeed_mps > 1.0)
    velocity = np.column_stack((east_mps, north_mps))[known]
    if len(velocity) < 20 or _arc_deg(velocity) < MIN_ARC_DEG:
        return CALM
    shape = np.ones(len(velocity)) if airspeed_mps is None else airspeed_mps[known] / np.median(airspeed_mps[known])
    wind, radius = np.zeros(2), float(np.median(np.hypot(*velocity.T)))
    # Courses flown for long must not outvote the rest: the circle is fitted to directions, not to time.
    share = _direction_weights(velocity)
    covariance = np.full((3, 3), np.inf)
    for _ in range(30):
        air = velocity - wind
        speed = np.maximum(np.hypot(*air.T), 1e-6)
        residual = speed - radius * shape
        scale = 1.4826 * np.median(np.abs(residual)) + 1e-6
        weight = share / (1 + (residual / (2.385 * scale)) ** 2)
        jacobian = np.column_stack((-air / speed[:, None], -shape))
        normal = jacobian.T @ (weight[:, None] * jacobian) + 1e-9 * np.eye(3)
        step = -np.linalg.solve(normal, jacobian.T @ (weight * residual))
        wind, radius = wind + step[:2], radius + float(step[2])
        covariance = np.linalg.inv(normal) * scale**2
        if np.hypot(*step[:2]) < 1e-4:
            break
    # Airspeed wanders slowly: one independent sample in about ten seconds of a log, taken as one in twenty rows.
    sigma = float(np.sqrt(20 * max(covariance[0, 0], covariance[1, 1])))
    if not np.isfinite(sigma) or radius < 3.0 or np.hypot(*wind) > radius:
        return CALM
    return SteadyWind(float(wind[0]), float(wind[1]), sigma, "centre of the circle of ground velocities")


def inferred_bank(turn_rate_radps: Floats, airspeed_mps: Floats, upward_mps2: Floats | float = 0.0) -> Floats:
    """Bank (rad) of a coordinated turn: lift stands on the wings, so φ = atan(ω·V / (g + a)), a the upward acceleration.

    With a = 0 the relation of any flight mechanics textbook. Rolling tilts the lift at once and does not raise it: until
    whoever flies has pulled, the aircraft sinks and its path bends less than the bank says, which without a looks like a
    path a tenth of a second late.
    """
    upward = np.maximum(G_MPS2 + np.nan_to_num(upward_mps2), LEAST_LOAD * G_MPS2)
    return np.asarray(np.arctan(turn_rate_radps * airspeed_mps / upward))


def _bins(velocity: Floats, count: int = 24) -> NDArray[np.intp]:
    turn = (np.arctan2(velocity[:, 0], velocity[:, 1]) / (2 * np.pi)) % 1.0
    return np.minimum((turn * count).astype(np.intp), count - 1)


def _arc_deg(velocity: Floats) -> float:
    """Degrees of the compass that hold at least 0.3 % of the velocities."""
    shares = np.bincount(_bins(velocity), minlength=24) / len(velocity)
    return float(15.0 * np.count_nonzero(shares > 0.003))


def _direction_weights(velocity: Floats) -> Floats:
    bins = _bins(velocity)
    size = np.bincount(bins, minlength=24).astype(np.float64)
    weight = 1.0 / np.sqrt(size[bins])
    return np.asarray(weight * len(weight) / weight.sum())
