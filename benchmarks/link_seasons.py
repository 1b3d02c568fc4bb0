"""Seasons of flights by one aircraft, with the truth of how each day's links differed.

Shares nothing with the estimators: a path integrated from courses, a carrier by free space, the wave reflected by the
ground as a sum of phasors, a shadow of the tail, losses in turns, correlated fading at two rates, bursts from outside,
and receivers that turn carrier into grade, ratio, quality and dBm by curves of their own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from scipy.signal import lfilter
from scipy.special import ndtr

from overlay.readings import Leg, Readings

STEP_S = 0.5


@dataclass(frozen=True)
class Season:
    """What the flights of one aircraft have in common, and how they scatter.

    `day_dB` is the 1σ of a day's luck, alike for all of one flight. `reach_m`: where an average day's margin is 0.
    """

    flights: int = 7
    day_dB: float = 1.2
    reach_m: float = 4000.0
    far_m: tuple[float, float] = (5000.0, 7000.0)
    height_m: tuple[float, float] = (90.0, 170.0)
    fading_dB: float = 1.8
    shadow_dB: float = 3.0
    mirror: float = 0.35
    bursts: float = 0.3  # a flight, on average
    control_spare_dB: float = 6.0
    MHz: float = 2400.0


@dataclass(frozen=True)
class Flown:
    """One flight as the package sees it, and the dB that its links truly had over the season's average."""

    readings: Readings
    truth_dB: float
    bearing_deg: float = field(default=0.0)


def season(seed: int, loss_dB: float = 0.0, plan: Season | None = None) -> list[Flown]:
    """The flights of a season; the last one lost `loss_dB` that was nobody's luck."""
    plan = plan or Season()
    rng = np.random.default_rng([seed, 4711])
    luck = plan.day_dB * rng.standard_normal(plan.flights)
    luck[-1] -= loss_dB
    return [one(rng, plan, float(luck[number]), 86400.0 * number) for number in range(plan.flights)]


def one(rng: np.random.Generator, plan: Season, more_dB: float, start_s: float = 0.0) -> Flown:
    """One flight whose links have `more_dB` over the average."""
    far, cruise = rng.uniform(*plan.far_m), rng.uniform(*plan.height_m)
    base = rng.uniform(0.0, 360.0)
    east, north, course, bank, turned = path(rng, far, base)
    count = len(east)
    distance = np.maximum(np.hypot(east, north), 1.0)
    height = np.minimum(cruise + 12.0 * wander(rng, count, 60.0), 3.0 * STEP_S * np.arange(count) + 1.0)
    height = np.clip(np.minimum(height, 2.0 * STEP_S * np.arange(count)[::-1] + 1.0), 1.0, None)
    slant = np.hypot(distance, height - 2.0)
    wave = 299.792458 / plan.MHz
    mirrored = np.hypot(distance, height + 2.0)
    phasor = 1.0 - plan.mirror * np.exp(-2j * math.pi * (mirrored - slant) / wave)
    bearing = np.degrees(np.arctan2(east, north)) % 360.0
    away = np.cos(np.radians(course - bearing))  # 1: the tail faces the station
    fade = plan.fading_dB * (0.8 * wander(rng, count, 6.0) + 0.6 * wander(rng, count, 0.6))
    common = more_dB - 20.0 * np.log10(slant / plan.reach_m) + 20.0 * np.log10(np.abs(phasor))
    common += -plan.shadow_dB * np.clip(away, 0.0, 1.0) ** 8 + 40.0 * np.log10(np.cos(np.radians(bank)))
    picture = common + fade
    for _ in range(rng.poisson(plan.bursts)):
        begin = rng.integers(count)
        picture[begin : begin + int(rng.uniform(3.0, 12.0) / STEP_S)] -= 20.0
    control = common + plan.control_spare_dB + plan.fading_dB * wander(rng, count, 4.0)
    time = start_s + STEP_S * np.arange(count)
    columns = {
        "range_m": distance,
        "bearing_deg": bearing,
        "height_m": height,
        "bank_deg": bank + rng.standard_normal(count),
        "pitch_deg": np.zeros(count),
        "course_deg": course,
        "heading_deg": course,
        **picture_seen(rng, picture),
        **control_seen(rng, control),
    }
    legs = (Leg("out", time[0], time[turned]), Leg("home", time[turned], time[-1] + STEP_S))
    return Flown(Readings(time, columns, legs=legs), more_dB, base)


def path(rng, far_m: float, base_deg: float):
    """East, north, course and bank from home to `far_m` and back, weaving, and the row of the turn."""
    speed = rng.uniform(15.0, 22.0)
    there = int(far_m / speed / STEP_S)
    weave = 18.0 * wander(rng, 2 * there, 9.0)
    mean = np.where(np.arange(2 * there) < there, base_deg, base_deg + 180.0 + rng.normal() * 4.0)
    course = np.convolve(np.pad(mean, 6, mode="edge"), np.ones(13) / 13.0, "valid") + weave
    angle = np.radians(course)
    east, north = (np.cumsum(speed * STEP_S * f(angle)) for f in (np.sin, np.cos))
    rate = np.gradient(np.unwrap(angle), STEP_S)
    return east, north, course % 360.0, np.degrees(np.arctan(speed * rate / 9.81)), there


def picture_seen(rng, margin_dB):
    """Grade (1 … 5) and the carrier-to-noise ratio where it lies between 5 and 10 dB, else told as that bound."""
    carrier = 10.0 + margin_dB + 0.5 * rng.standard_normal(len(margin_dB))
    grade = np.interp(carrier, [4.0, 7.0, 10.0, 14.5, 21.0], [1.0, 2.0, 3.0, 4.0, 4.8])
    return {"picture_grade": grade, "carrier_to_noise_dB": np.clip(carrier, 5.0, 10.0)}


def control_seen(rng, margin_dB):
    """Strength in whole dBm, and the share of packets that arrived."""
    strength = -100.0 + margin_dB
    share = ndtr((margin_dB - 2.0) / 2.2)
    return {
        "control_rssi_dBm": np.round(strength + 0.7 * rng.standard_normal(len(margin_dB))),
        "control_link_pct": np.round(100.0 * rng.binomial(50, share) / 50.0),
    }


def wander(rng, count: int, tau_s: float):
    """A stationary first-order process of unit variance."""
    keep = math.exp(-STEP_S / tau_s)
    noise = rng.standard_normal(count) * math.sqrt(1.0 - keep**2)
    noise[0] /= math.sqrt(1.0 - keep**2)
    return lfilter([1.0], [1.0, -keep], noise)
