"""What it costs this aircraft to fly: power against airspeed and climb, from the flight's own log.

About its cruising airspeed V₀ the power drawn is taken as

    P = P₀ + P₁·(V³ − V₀³)/(3·V₀³) + D·de/dt,    e = h + V²/2g

P₁/P₀ is the elasticity of power with airspeed. Little airspeed range in a flight tells little of it, so it starts from
1.5 ± 1 (between the flat of best endurance and the 3 of a racer) and moves as far as the data say. D is what a metre of
energy height costs, P₀/V₀ what a metre forward does: their ratio, the lift over the drag, starts from 8 ± 4 and tells of
D where the flight never climbed. Means over 20 s blocks, so that throttle, propeller and wing answer within the block.

An airspeed that is ground velocity less wind is too high one way and too low the other where the wind is wrong. Over
there and back that cancels. For the way home alone it does not, so there it may have a level of its own, as far from
the common line as the wind's σ lets an airspeed be mistaken.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from overlay.errors import NoAnswerError
from overlay.mechanics.turning import STANDARD_GRAVITY_MPS2
from overlay.readings import Readings

Floats = NDArray[np.float64]

_BLOCK_S = 20.0
_ELASTICITY, _ELASTICITY_SIGMA = 1.5, 1.0
_GLIDE_RATIO, _GLIDE_RATIO_SIGMA = 8.0, 4.0  # of small aeroplanes of foam or balsa: common practice, no source
_LEAST_BLOCKS = 6
_CRUISE = ("out", "loiter", "home")
_STRAIGHT_DEG = 25.0
_GLIDING = 0.4
_LEVEL_MPS = 0.2  # 4 m of height, or of speed turned into height, in a block: sensors wander as much
_OHM, _OHM_SIGMA = 0.03, 0.03  # of a pack and its leads, 1σ: common practice, no source
_LEAST_NOISE_V = 0.03  # volts are logged to a tenth
_NO_STRAIGHT_LINE = 0.1  # 1σ of the slope: no pack discharges along a straight line, drawn on beyond the flight
_LEAST_SCATTER = 0.04  # of the power: no block is a better witness than that, climbs least of all


@dataclass(frozen=True)
class PowerFit:
    """Electric power in level flight at `airspeed_mps`, and how it changes.

    `elasticity` is d ln P / d ln V; `climb_J_per_m` is paid for a metre up and returned for a metre down. `covariance`
    (3, 3) is that of power, its slope P₁ and D, in W, W and J/m.
    """

    airspeed_mps: float
    power_W: float
    elasticity: float
    climb_J_per_m: float
    covariance: Floats
    blocks: int

    @property
    def sigma_W(self) -> float:
        """1σ of the power."""
        return math.sqrt(self.covariance[0, 0])

    def moved(self) -> list[tuple[PowerFit, PowerFit]]:
        """The fit moved by 1σ, one way and the other, along each axis of its covariance."""
        sizes, axes = np.linalg.eigh(self.covariance)
        steps = [axis * math.sqrt(size) for size, axis in zip(sizes, axes.T, strict=True) if size > 0.0]
        return [(self._by(step), self._by(-step)) for step in steps]

    def _by(self, step: Floats) -> PowerFit:
        power, slope, climb = (float(part) for part in step)
        moved = max(self.power_W + power, 0.1 * self.power_W)
        elasticity = (self.power_W * self.elasticity + slope) / moved
        return replace(self, power_W=moved, elasticity=elasticity, climb_J_per_m=max(self.climb_J_per_m + climb, 0.0))

    def at(self, airspeed_mps: float) -> float:
        """Level power at another airspeed near the fitted one."""
        cube = (airspeed_mps / self.airspeed_mps) ** 3
        return self.power_W * max(1.0 + self.elasticity * (cube - 1.0) / 3.0, 0.1)


@dataclass(frozen=True)
class Blocks:
    """Means over blocks of cruising flight; `cubed` is the mean of V³, `climb` of de/dt, `home` 1 on the way home.

    NaN where unknown.
    """

    time_s: Floats
    airspeed: Floats
    cubed: Floats
    climb: Floats
    current: Floats
    voltage: Floats
    charge: Floats
    home: Floats


def cruise_blocks(readings: Readings, airspeed: Floats) -> Blocks:
    """Blocks of the legs out, loitering and home, straight ones where there are enough; `airspeed` is (N,).

    NoAnswerError where the log holds no charge or no volts.
    """
    needed = (("charge_used_mAh", "charge or current"), ("voltage_V", "volts"))
    lacking = [name for column, name in needed if not readings.has(column)]
    if lacking:
        raise NoAnswerError(f"no cost of flying: the log holds no {' and no '.join(lacking)}")
    rows = [_block(readings, airspeed, span, home) for span, home in _spans(readings)]
    table = np.array([row for row in rows if row is not None]).reshape(-1, 9)
    table = table[np.isfinite(table[:, 4])]
    straight = table[:, 8] < _STRAIGHT_DEG
    if straight.sum() >= _LEAST_BLOCKS:
        table = table[straight]
    return Blocks(*table[:, :8].T)


def fit_power(blocks: Blocks, wind_sigma_mps: float = 0.0) -> PowerFit:
    """Fit the power law; NoAnswerError where the log has too little cruise with current, voltage and airspeed.

    With `wind_sigma_mps`, 1σ of the wind that the airspeed was worked out with, it is that of the way home alone.
    """
    power = blocks.current * blocks.voltage
    known = np.isfinite(power) & np.isfinite(blocks.airspeed) & (blocks.airspeed > 3.0)
    if known.sum() < _LEAST_BLOCKS:
        raise NoAnswerError(
            f"no cost of flying: it takes {_LEAST_BLOCKS} stretches of {_BLOCK_S:.0f} s of cruise with airspeed, volts and "
            f"charge, and this flight has {int(known.sum())}"
        )
    known &= power > _GLIDING * np.median(power[known])  # with the motor all but off, sinking pays nothing back
    power, cubed, climb = power[known], blocks.cubed[known], np.nan_to_num(blocks.climb[known])
    climb = np.where(np.abs(climb) < _LEVEL_MPS, 0.0, climb)  # a slope fitted to noise comes out flat, and sure of it
    cruise = float(np.median(blocks.airspeed[known]))
    usual = float(np.median(power))
    apart = 2.0 * wind_sigma_mps / cruise * _ELASTICITY * usual  # 1σ of the way home's level against the way out's
    design = np.column_stack([np.ones(len(power)), (cubed / cruise**3 - 1.0) / 3.0, climb, blocks.home[known]])
    glide_W = usual / cruise
    sigmas = np.array([np.inf, _ELASTICITY_SIGMA * usual, _GLIDE_RATIO_SIGMA * glide_W, max(apart, 1e-6 * usual)])
    aims = np.array([0.0, _ELASTICITY * usual, _GLIDE_RATIO * glide_W, 0.0])
    found, covariance = _robust(design, power, np.diag(sigmas**-2), aims * sigmas**-2)
    homeward = np.array([[1.0, 0.0, 0.0, 1.0], [0.0, 1.0, 0.0, 0.0], [0.0, 0.0, 1.0, 0.0]])
    level, slope, rise = (float(part) for part in homeward @ found)
    spread = homeward @ covariance @ homeward.T
    return PowerFit(cruise, level, slope / level, max(rise, 0.0), spread, len(power))


def discharge(blocks: Blocks) -> tuple[tuple[float, float], tuple[float, float]]:
    """Volts at the usual current against charge drawn, (V, V per mAh), falling or level; and that moved by 1σ of the slope.

    The current's own part is taken out: a leg flown harder would otherwise look like a pack that is emptier.
    """
    known = np.isfinite(blocks.voltage) & np.isfinite(blocks.current)
    volts, charge, current = blocks.voltage[known], blocks.charge[known], blocks.current[known]
    if len(volts) < 4 or np.ptp(charge) < 1.0:
        resting = float(np.median(blocks.voltage[np.isfinite(blocks.voltage)])), 0.0
        return resting, resting
    middle = float(charge.mean())
    design = np.column_stack([np.ones(len(volts)), charge - middle, current - np.median(current)])
    precision = np.diag([0.0, 0.0, _OHM_SIGMA**-2])
    noise = max(float(np.std(volts - design[:, :2] @ np.linalg.lstsq(design[:, :2], volts)[0])), _LEAST_NOISE_V)
    information = design.T @ design / noise**2 + precision
    aim = design.T @ volts / noise**2 + precision @ np.array([0.0, 0.0, -_OHM])
    level, slope, _ = (float(part) for part in np.linalg.solve(information, aim))
    slope = min(slope, 0.0)
    sigma = float(np.hypot(np.sqrt(np.linalg.inv(information)[1, 1]), _NO_STRAIGHT_LINE * slope))
    steeper = slope - sigma
    return (level - slope * middle, slope), (level - steeper * middle, steeper)


def _robust(design: Floats, values: Floats, prior: Floats, aim: Floats) -> tuple[Floats, Floats]:
    """Least squares under a Cauchy loss and a Gaussian prior; covariance for residuals that follow one another."""
    found = np.asarray(np.linalg.lstsq(design, values, rcond=None)[0], np.float64)
    sigma = max(float(np.std(values - design @ found)), 1e-3)
    for _ in range(30):
        residual = values - design @ found
        sigma = max(1.4826 * float(np.median(np.abs(residual))), _LEAST_SCATTER * abs(float(np.median(values))), 1e-6)
        weight = 1.0 / (1.0 + (residual / (2.385 * sigma)) ** 2)
        information = (design * weight[:, None]).T @ design / sigma**2 + prior
        wanted = (design * weight[:, None]).T @ values / sigma**2 + aim
        found = np.asarray(np.linalg.solve(information, wanted), np.float64)
    residual = (values - design @ found) * np.sqrt(weight)
    spread = max(float(np.sum(residual**2)) / max(len(values) - 4, 1), sigma**2)
    linked = float(np.mean(residual[1:] * residual[:-1])) / max(float(np.mean(residual**2)), 1e-12)
    linked = min(max(linked, 0.0), 0.9)
    repeats = (1.0 + linked) / (1.0 - linked)
    information = (design * weight[:, None]).T @ design / (spread * repeats) + prior
    return found, np.asarray(np.linalg.inv(information), np.float64)


def _spans(readings: Readings) -> list[tuple[slice, float]]:
    spans = []
    for leg in readings.legs:
        if leg.name in _CRUISE:
            starts = np.arange(leg.start_s, leg.end_s - _BLOCK_S + 1e-6, _BLOCK_S)
            edges = np.searchsorted(readings.time_s, np.column_stack([starts, starts + _BLOCK_S]))
            spans += [(slice(int(a), int(b)), float(leg.name == "home")) for a, b in edges if b - a >= 3]
    return spans


def _block(readings: Readings, airspeed: Floats, span: slice, home: float) -> tuple[float, ...] | None:
    """(time, V, V³, de/dt, current, voltage, charge, home, bank) of a block; None unless its charge is known."""
    time, charge = readings.time_s[span], readings["charge_used_mAh"][span]
    speed, height, bank = airspeed[span], readings["height_m"][span], readings["bank_deg"][span]
    seconds = float(time[-1] - time[0])
    if np.isfinite(charge).mean() < 0.9 or not np.isfinite(charge[[0, -1]]).all() or seconds <= 0.0:
        return None
    energy_height = height + np.nan_to_num(speed**2) / (2 * STANDARD_GRAVITY_MPS2)
    return (
        float(time.mean()),
        _mean(speed),
        _mean(speed**3),
        float(energy_height[-1] - energy_height[0]) / seconds,
        float(charge[-1] - charge[0]) * 3.6 / seconds,
        _mean(readings["voltage_V"][span]),
        float(charge.mean()),
        home,
        _mean(np.abs(bank)),
    )


def _mean(values: Floats) -> float:
    """Mean of a block; NaN unless most of it is known."""
    known = np.isfinite(values)
    return float(values[known].mean()) if known.mean() >= 0.8 else float("nan")
