"""Before the launch and after the touch-down: the aircraft is carried about and thrown; it slides and comes to rest.

Poses here are kinematic: (N, 6) arrays of east, north, height over home's ground, bank, pitch, heading (m and rad).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import PchipInterpolator
from scipy.ndimage import gaussian_filter1d

from overlay_samples.aircraft import GRAVITY
from overlay_samples.pilot import unrest
from overlay_samples.scenario import Scenario

Floats = NDArray[np.float64]

BELLY_M = 0.12  # the nose camera's height when the aircraft lies on the grass
THROW_S = 0.42
_HAND_M = 1.75
_THROW_MPS = 12.5


def before_launch(scenario: Scenario, step_s: float) -> Floats:
    """Standing, picked up, looked over, carried to the launch point, held, and thrown at flying speed."""
    s, rng = scenario, np.random.default_rng([scenario.seed, 4])
    launch = math.radians(s.launch_heading_deg)
    stand = np.array([1.6, -0.9, BELLY_M, 0.0, 0.03, launch + rng.uniform(-2.0, 2.0)])
    hold = np.array([0.0, 0.0, _HAND_M, 0.0, math.radians(11.0), launch])
    keys = [stand, stand]
    times = [0.0, s.standing_s]
    looks = max(2, round(s.handling_s / 1.6))
    for i in range(looks):
        share = (i + 1) / (looks + 1)
        place = stand + share * (hold - stand)
        place[2] = rng.uniform(0.8, 1.5) + 0.3 * share
        place[3:] += rng.normal(0, 1, 3) * np.radians([14.0, 11.0, 38.0]) * (1 - 0.6 * share)
        keys.append(place)
        times.append(s.standing_s + s.handling_s * (share + rng.uniform(-0.2, 0.2) / (looks + 1)) * 0.86)
    keys += [hold, hold]
    times += [s.standing_s + s.handling_s * 0.9, s.standing_s + s.handling_s]
    t = np.arange(0.0, times[-1], step_s)
    pose = gaussian_filter1d(PchipInterpolator(times, np.array(keys))(t), 0.12 / step_s, axis=0, mode="nearest")
    pose += _tremor(rng, t, step_s) * np.clip((t - s.standing_s - 0.3) / 0.5, 0, 1)[:, None]
    return np.vstack([pose, _throw(pose[-1], step_s)])


def throw_velocity(pose: Floats) -> tuple[float, float, float]:
    """Velocity towards north, east and down at which the hand lets go."""
    pitch, heading = pose[4], pose[5]
    level = _THROW_MPS * math.cos(pitch)
    return level * math.cos(heading), level * math.sin(heading), -_THROW_MPS * math.sin(pitch)


def after_touchdown(
    scenario: Scenario, step_s: float, pose: Floats, velocity_ned: tuple[float, float, float]
) -> Floats:
    """The slide over grass, jolting, and standing until the recorders are switched off."""
    rng = np.random.default_rng([scenario.seed, 5])
    t = np.arange(0.0, scenario.after_landing_s, step_s) + step_s
    speed, braking = math.hypot(velocity_ned[0], velocity_ned[1]), 0.42 * GRAVITY
    course = math.atan2(velocity_ned[1], velocity_ned[0])
    stop = speed / braking
    run = np.minimum(t, stop)
    slid = speed * run - braking * run**2 / 2
    sliding = np.clip(1 - t / stop, 0, 1)
    jolts = np.column_stack([unrest(rng, len(t), step_s, 0.05) for _ in range(4)])
    jolts = gaussian_filter1d(jolts, 0.02 / step_s, axis=0) * sliding[:, None]
    out = np.empty((len(t), 6))
    out[:, 0] = pose[0] + slid * math.sin(course)
    out[:, 1] = pose[1] + slid * math.cos(course)
    settle = np.exp(-t / 0.18)
    out[:, 2] = BELLY_M + (pose[2] - BELLY_M) * np.exp(-t / 0.05) + 0.03 * np.abs(jolts[:, 0])
    bounce = np.exp(-t / 0.35) * np.sin(2 * np.pi * 3.1 * t)
    lean = math.radians(rng.uniform(-4, 4))
    out[:, 3] = pose[3] * settle + lean * (1 - settle) + math.radians(5.0) * bounce + 0.05 * jolts[:, 1]
    out[:, 4] = pose[4] * settle + 0.02 * (1 - settle) - math.radians(4.0) * bounce + 0.035 * jolts[:, 2]
    swing = math.radians(rng.uniform(-35, 35)) * (1 - sliding) ** 2
    out[:, 5] = pose[5] + swing + 0.04 * jolts[:, 3]
    return out


def _throw(hold: Floats, step_s: float) -> Floats:
    t = np.arange(step_s, THROW_S + step_s / 2, step_s)
    out = np.repeat(hold[None, :], len(t), axis=0)
    along = _THROW_MPS / THROW_S * t**2 / 2
    out[:, 0] += along * math.sin(hold[5]) * math.cos(hold[4])
    out[:, 1] += along * math.cos(hold[5]) * math.cos(hold[4])
    out[:, 2] += along * math.sin(hold[4])
    return out


def _tremor(rng: np.random.Generator, t: Floats, step_s: float) -> Floats:
    """A hand is never still: 1 to 3 Hz, half a degree, a centimetre."""
    raw = np.column_stack([unrest(rng, len(t), step_s, 0.25) for _ in range(6)])
    smooth = gaussian_filter1d(raw, 0.09 / step_s, axis=0)
    return np.asarray(smooth * np.array([0.008, 0.008, 0.008, *np.radians([0.6, 0.6, 0.7])]))
