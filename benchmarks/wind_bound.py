"""How well any estimator could know the wind of a flight of `wind_energy.py`, from its true arc, speed, gusts and noise.

Every moment's airspeed is |v − w − g|, v the ground velocity and g the gust; to first order it tells the wind along the
aircraft's heading and no other way. With gusts and noise that are Gaussian and of known size this is a linear
problem, whose posterior covariance is the Bayesian Cramér–Rao bound (van Trees, Detection, Estimation and Modulation
Theory I, §2.4) and is reached by the best estimator there is. What is sought is the mean of the wind met, gusts and all.

Favourable to the bound: sizes and time constants of gusts and noise are known, and so is how the wind shears; without an
airspeed sensor the pilot's two airspeeds and the moment of their change as well. No estimator is told these.
"""

from __future__ import annotations

import numpy as np

MOMENTS = 2000  # no more of a flight, at least a second apart
GUST_S = 10.0  # of the generator, as the sizes below
POSITION_WANDERS_M, POSITION_S, POSITION_WHITE_M = 0.4, 4.0, 0.15
AIRSPEED_NOISE_MPS, SCALE_SIGMA = 0.4, 0.04
HELD_MPS, HELD_S = 0.8, 15.0  # how the pilot's airspeed wanders
LOGGED_HZ = 5.0
ANY = 1e3  # 1σ of what nothing is known of


def bound(table, flying, gust_mps, airspeed_logged, made_hz=10.0):
    """Covariance (2, 2) of the mean wind met (east, north), m²/s², of a flight made by `wind_energy.make`."""
    step_s = np.ceil(np.sum(flying) / made_hz / MOMENTS)
    every = round(made_hz * step_s)
    place, airspeed, local = table[flying, :2][::every], table[flying, 3][::every][:-1], table[flying, 5:7][::every]
    ground = np.diff(place, axis=0) / step_s
    count = len(ground)
    heading = ground - local[:-1]
    heading /= np.linalg.norm(heading, axis=1, keepdims=True)
    time = np.arange(count) * step_s
    along = heading @ heading.T
    gusts = gust_mps**2 * related(time, GUST_S)
    positions = POSITION_WANDERS_M**2 * related(np.arange(count + 1) * step_s, POSITION_S)
    positions += POSITION_WHITE_M**2 / (LOGGED_HZ * step_s) * np.eye(count + 1)
    moves = np.diff(np.eye(count + 1), axis=0) / step_s
    noise = along * (moves @ positions @ moves.T)
    if airspeed_logged:
        noise += AIRSPEED_NOISE_MPS**2 / (LOGGED_HZ * step_s) * np.eye(count)
        noise += SCALE_SIGMA**2 * np.outer(airspeed, airspeed)
    else:
        homeward = airspeed_levels(table, flying, every)
        levels = np.column_stack([~homeward, homeward]).astype(float)
        noise += HELD_MPS**2 * related(time, HELD_S) + ANY**2 * levels @ levels.T
    told = along * (ANY**2 + gusts) + noise
    mean_gust = gusts.mean(axis=0)
    linked = heading * (ANY**2 + mean_gust)[:, None]
    prior = (ANY**2 + gusts.mean()) * np.eye(2)
    return prior - linked.T @ np.linalg.solve(told, linked)


def share_within(covariances, mps):
    """How often errors of these covariances would be shorter than `mps`."""
    drawn = np.random.default_rng(0).normal(size=(4000, 2))
    return np.mean([np.hypot(*(drawn @ np.linalg.cholesky(each).T).T) < mps for each in covariances])


def airspeed_levels(table, flying, every):
    """Where the pilot flies home, at another airspeed than before: from the turn's end on, (N,)."""
    away = np.hypot(*table[flying, :2].T)[::every][:-1]
    return np.arange(len(away)) >= np.argmax(away)


def related(time, span_s):
    """Correlation of an Ornstein–Uhlenbeck process."""
    return np.exp(-np.abs(np.subtract.outer(time, time)) / span_s)
