"""Flights with known clocks, at the level of motion signals: what a camera would turn by, what a receiver would log.

Shares nothing with the package. The flight path bends by g·tan φ / V with the bank of a moment ago (lift takes time to
build); the nose follows the air's direction like a weathercock, more or less helped by rudder; gusts from the side turn
the nose first and push the path later. Turn rate of a coordinated turn: any flight mechanics textbook. Body rates are
differences of composed rotations, so no Euler-rate formula is shared with what is tested.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.integrate import cumulative_trapezoid
from scipy.signal import lfilter
from scipy.spatial.transform import Rotation, Slerp

Floats = NDArray[np.float64]

G = 9.80665
STEP = 0.02
EPOCH = 1_777_800_000.0  # POSIX zero of every flight
EARTH_M = 6_371_000.0


@dataclass(frozen=True)
class Flown:
    """Truth every `STEP` seconds from `EPOCH`: attitude (N,), east/north/up velocity (N, 3), rate of turn of the path."""

    attitude: Rotation
    velocity: Floats
    airspeed: Floats
    airborne: NDArray[np.bool_]

    @property
    def time(self) -> Floats:
        """Seconds since the flight's zero."""
        return np.arange(len(self.airspeed)) * STEP

    @property
    def duration(self) -> float:
        """Seconds in all."""
        return len(self.airspeed) * STEP

    def rates(self) -> Floats:
        """(N − 1, 3) body rates between samples."""
        return np.asarray((self.attitude[:-1].inv() * self.attitude[1:]).as_rotvec() / STEP)


@dataclass(frozen=True)
class Seen:
    """What the picture gives: mid-interval times, rates in camera axes (N, 3), the intervals, stillness; whether it panned.

    `row` (N,): the row whose moment each picture shows, in shares of the height.
    """

    time: Floats
    rates: Floats
    interval: Floats
    stillness: Floats
    aside: NDArray[np.bool_]
    chapters: tuple[tuple[str, float], ...]
    jumps: Floats
    row: Floats


@dataclass(frozen=True)
class Logged:
    """What the log gives: times and columns named as a track names them; `lag` is the receiver's delay in them."""

    time: Floats
    columns: dict[str, Floats]
    lag: float = 0.0


def wander(rng: np.random.Generator, count: int, std: float, tau: float, smooth: float = 0.0) -> Floats:
    """First-order Gauss–Markov noise, optionally low-passed once more."""
    keep = math.exp(-STEP / tau)
    drive = rng.standard_normal(count) * std * math.sqrt(1 - keep**2)
    drive[:1] = rng.standard_normal() * std
    noise = np.asarray(lfilter([1.0], [1.0, -keep], drive))
    return delayed(noise, smooth) if smooth else noise


def delayed(values: Floats, tau: float) -> Floats:
    """First-order lag."""
    keep = math.exp(-STEP / tau)
    state = [keep * values[0]] if len(values) else None
    return np.asarray(lfilter([1 - keep], [1.0, -keep], values, zi=state)[0]) if len(values) else values


def second_order(command: Floats, omega: float, damping: float) -> Floats:
    """Response of ω²/(s² + 2ζω·s + ω²) from rest at the first value, by the bilinear transform."""
    k = 2 / STEP
    b = omega**2 * np.array([1.0, 2.0, 1.0])
    a = np.array([k * k + 2 * damping * omega * k + omega**2, 2 * (omega**2 - k * k),
                  k * k - 2 * damping * omega * k + omega**2])  # fmt: skip
    return np.asarray(lfilter(b / a[0], a / a[0], command - command[0]) + command[0]) if len(command) else command


def bank_command(rng: np.random.Generator, count: int, style: str) -> Floats:
    """Bank that the pilot asks for (rad): out and back with corrections, turns and a loiter; or a style that tells little."""
    if style in ("straight", "circle"):
        return np.full(count, math.radians(28.0 if style == "circle" else 0.0))
    idle = {"errand": 8.0, "busy": 2.0, "loiter": 4.0}[style]
    loiter_at, loiter_s = rng.uniform(0.4, 0.6) * count, rng.uniform(40, 90)
    if style == "loiter":
        loiter_at, loiter_s = 0.1 * count, 0.75 * count * STEP
    pieces: list[Floats] = []
    total, looping = 0, False
    while total < count:
        if not looping and total > loiter_at:
            looping = True
            bank, held = rng.uniform(20, 35), loiter_s
        elif rng.random() < 0.25:
            bank, held = rng.uniform(20, 50), rng.uniform(3, 12)
        else:
            bank, held = rng.uniform(4, 18), rng.uniform(1, 3)
        pieces.append(np.full(round(held / STEP), math.radians(bank) * rng.choice([-1, 1])))
        pieces.append(np.zeros(round((rng.exponential(idle) + 0.5) / STEP)))
        total += len(pieces[-1]) + len(pieces[-2])
    return np.concatenate(pieces)[:count]


def fly(seed: int, minutes: float = 12.0, style: str = "errand", *, wind: float | None = None, gust: float = 1.0,
        handling: float = 30.0, landed: float = 20.0, rest: float = 0.0, lift_late: float | None = None) -> Flown:  # fmt: skip
    """One flight: handled, set down for `rest`, flown, standing after landing. `minutes` is the time in the air.

    `lift_late`: time constant (s) by which the path follows the bank, by default 0.02 to 0.06: the delay is 9 ms less.
    """
    rng = np.random.default_rng(seed)
    before, air, after = round(handling / STEP), round(minutes * 60 / STEP), round(landed / STEP)
    speed = rng.uniform(14, 24) + wander(rng, air, 1.0, 10.0, 0.5)
    ends = np.minimum(1.0, np.minimum(np.arange(air), np.arange(air)[::-1]) * STEP / 2)
    bank = second_order(bank_command(rng, air, style), rng.uniform(3.0, 5.0), 0.8)
    bank = ends * (bank + gust * wander(rng, air, math.radians(2.5), 1.2, 0.15))
    climb = wander(rng, air, 1.0, 5.0, 0.5)
    # Lift stands on the wings: what bends the path to the side also lifts or lets down (Newton's second law).
    late = rng.uniform(0.02, 0.06) if lift_late is None else lift_late
    turn = (G + np.gradient(climb, STEP)) * np.tan(delayed(bank, late) if late > 0 else bank) / speed
    path = rng.uniform(-np.pi, np.pi) + cumulative_trapezoid(turn, dx=STEP, initial=0)
    aside = gust * wander(rng, air, 0.7, 2.0, 0.1)  # the air's own way sideways, m/s
    facing = path + np.arctan(aside / speed) * ends
    vane = second_order(facing, rng.uniform(6.0, 10.0), rng.uniform(0.25, 0.5))
    helped = rng.uniform(0.3, 1.0)
    heading = helped * (path + second_order(facing - path, 7.0, 0.5)) + (1 - helped) * vane
    angles = np.zeros((5, before + air + after))  # path heading, climb angle, bank, nose aside, attack
    flying = np.zeros(angles.shape[1], bool)
    flying[before : before + air] = True
    angles[0], angles[0, before + air :], angles[4] = path[0], path[-1], math.radians(3.0)
    angles[:3, flying] = path, np.arcsin(climb / speed), bank
    angles[3, flying] = (heading - path) * ends
    angles[4, flying] += gust * wander(rng, air, math.radians(1.5), 1.5, 0.2)
    angles[:3, :before] += _handled(rng, before, rest)
    strength, towards = rng.uniform(0, 8) if wind is None else wind, rng.uniform(-np.pi, np.pi)
    velocity = np.zeros((angles.shape[1], 3))
    pushed = delayed(aside, 4.0)
    along = np.sqrt(np.maximum(speed**2 - climb**2, 1.0))
    velocity[flying, 0] = along * np.sin(path) - pushed * np.cos(path) + strength * math.sin(towards)
    velocity[flying, 1] = along * np.cos(path) + pushed * np.sin(path) + strength * math.cos(towards)
    velocity[flying, 2] = climb
    airspeed = np.zeros(angles.shape[1])
    airspeed[flying] = speed
    attitude = Rotation.from_euler("ZYX", angles[:3].T) * Rotation.from_euler("ZY", angles[3:].T)
    return Flown(attitude, velocity, airspeed, flying)


def _handled(rng: np.random.Generator, count: int, rest: float) -> Floats:
    """Being carried and turned over in the hand (3, N), in bursts, at rest for `rest` seconds at the end."""
    turned = np.vstack([wander(rng, count, math.radians(8), 1.5, 0.3) for _ in range(3)])
    held = np.repeat(rng.random(count // 250 + 1) < 0.5, 250)[:count] * 1.0
    held = np.convolve(held, np.ones(50) / 50, mode="same")[:count] if count else held
    return turned * held * np.clip(np.arange(count)[::-1] * STEP - rest, 0, 1)


def panning(rng: np.random.Generator, count: int, share: float) -> Floats:
    """Pan angle (rad): looks aside by up to 60° and back; `share` of the time on the move or away from the nose."""
    target, at = np.zeros(count), 0.0
    while share > 0 and at < count * STEP:
        stay = rng.uniform(2, 6)
        at += rng.exponential(stay * (1 - share) / share)
        begin, end = round(at / STEP), round((at + stay) / STEP)
        target[begin:end] = math.radians(rng.uniform(15, 60)) * rng.choice([-1, 1])
        at += stay
    return second_order(target, 4.0, 1.0) if count else target


def see(
    flown: Flown,
    seed: int,
    *,
    start: float = 7.3,
    end: float | None = None,
    drift: float = 0.0,
    fps: float = 15.0,
    variable: bool = False,
    mount: tuple[float, float, float] = (0.0, 0.0, 0.0),
    scale: float = 1.0,
    pan: float = 0.0,
    noise: float = 0.004,
    blind: tuple[tuple[float, float], ...] = (),
    jumps: tuple[tuple[float, float], ...] = (),
    readout: float = 0.0,
) -> Seen:
    """Camera rates, recorded from `start` to `end` of the flight; `mount`: roll, pitch, yaw in degrees.

    `scale`: true focal length over the guessed one. `blind` spans and the chapters' `jumps` (recording time at which a
    chapter begins, seconds lost before it) are on the recording's clock. `readout`: seconds that a rolling shutter takes
    over a picture stamped at its middle row; what is followed lies in rows about two thirds down.
    """
    rng = np.random.default_rng(seed + 77)
    angle = panning(rng, len(flown.airspeed), pan)
    turned = Rotation.from_euler("z", angle[:, None]) * Rotation.from_euler("ZYX", mount[::-1], degrees=True)
    until = flown.duration - STEP if end is None else end
    frames = np.arange(int((until - start) / (1 + drift) * fps)) / fps
    if variable:
        frames = np.sort(frames + rng.uniform(-0.4, 0.4, len(frames)) / fps)
    moment = start + (1 + drift) * frames + sum((size * (frames >= at) for at, size in jumps), np.zeros(len(frames)))
    inside = (moment >= 0) & (moment < flown.duration - STEP)
    frames, moment = frames[inside], moment[inside]
    row = (
        0.5 if readout == 0 else 0.68 + np.interp(moment, flown.time, wander(rng, len(flown.airspeed), 0.06, 5.0, 0.5))
    )
    row = row * np.ones(len(moment))
    camera = Slerp(flown.time, flown.attitude * turned)(np.maximum(moment + (row - 0.5) * readout, 0.0))
    interval = np.diff(frames)
    rates = (camera[:-1].inv() * camera[1:]).as_rotvec() / interval[:, None]
    shake = np.interp(moment[1:], flown.time, flown.airborne.astype(float))
    rates = rates + rng.standard_normal(rates.shape) * (noise + 0.012 * shake[:, None])
    rates[:, 1:] *= scale
    middle = (frames[1:] + frames[:-1]) / 2
    # Of a picture 320 wide with a lens of 95 degrees; the ground that is flown over moves in it too.
    moved = 147 * np.linalg.norm(rates, axis=1) * interval + 0.5 * shake
    wrong = rng.random(len(rates)) < 0.01
    rates[wrong] += 0.3 * rng.standard_normal((int(wrong.sum()), 3))
    lost = rng.random(len(rates)) < 0.02
    for lost_from, lost_to in (*blind, *((at - 1 / fps, at) for at, _ in jumps)):
        lost |= (middle >= lost_from) & (middle <= lost_to)
    rates[lost] = np.nan
    stillness = np.where(lost, np.nan, np.clip(1.25 - 2 * moved, 0, 1))
    aside = np.abs(np.interp(moment[1:], flown.time, angle)) > 0.01
    starts = [0.0, *(at for at, _ in jumps)]
    chapters = tuple((f"part{k + 1}.mp4", at) for k, at in enumerate(starts))
    return Seen(
        middle, rates, interval, stillness, aside, chapters, np.array([0.0, *(size for _, size in jumps)]), row[1:]
    )


def log(
    flown: Flown,
    seed: int,
    *,
    rate: float = 5.0,
    holds: str = "places",
    lag: float | None = None,
    jitter_m: float = 0.03,
    heights_late: float = 0.0,
    span: tuple[float, float] | None = None,
    gaps: tuple[tuple[float, float], ...] = (),
) -> Logged:
    """Log rows on the reference clock. `holds`: "places", "velocity", "airspeed" (and velocity) or "attitude".

    A velocity that the receiver measured is late by `lag` (0.1 – 0.25 s by default); places and attitude are not. Heights
    may come through a barometer's filter of time constant `heights_late`.
    """
    rng = np.random.default_rng(seed + 991)
    first, last = span or (0.0, flown.duration - STEP)
    time = np.arange(first + rng.uniform(0, 1 / rate), last, 1 / rate)
    for begin, end in gaps:
        time = time[(time < begin) | (time > end)]
    late = float(rng.uniform(0.1, 0.25)) if lag is None else lag
    place = cumulative_trapezoid(flown.velocity, dx=STEP, axis=0, initial=0)
    slow = [np.interp(time, flown.time, wander(rng, len(flown.airspeed), 1.0, 60.0, 5.0)) for _ in range(3)]
    east, north, up = (
        np.interp(time, flown.time, place[:, k]) + slow[k] + jitter_m * rng.standard_normal(len(time)) for k in range(3)
    )
    if heights_late > 0:
        up += np.interp(time, flown.time, delayed(place[:, 2], heights_late) - place[:, 2])
    columns = {
        "latitude_deg": np.round(47.0 + np.degrees(north / EARTH_M), 7),
        "longitude_deg": np.round(8.0 + np.degrees(east / EARTH_M / math.cos(math.radians(47.0))), 7),
        "height_m": np.round(400.0 + up, 1),
    }
    if holds != "places":
        past = np.clip(time - late, 0, None)
        drifting = [np.interp(past, flown.time, wander(rng, len(flown.airspeed), 0.05, 5.0)) for _ in range(3)]
        v = [np.interp(past, flown.time, flown.velocity[:, k]) + 0.05 * rng.standard_normal(len(time)) + drifting[k]
             for k in range(3)]  # fmt: skip
        columns |= {
            "ground_speed_mps": np.round(np.hypot(v[0], v[1]), 2),
            "course_deg": np.round(np.degrees(np.arctan2(v[0], v[1])) % 360, 2),
            "vertical_speed_mps": np.round(v[2], 2),
        }
    if holds == "airspeed":
        true = np.interp(time, flown.time, flown.airspeed)
        columns["airspeed_mps"] = np.round(true + 0.3 * rng.standard_normal(len(time)), 1)
    if holds == "attitude":
        heading, pitch, bank = Slerp(flown.time, flown.attitude)(time).as_euler("ZYX", degrees=True).T
        for name, angle in (("bank_deg", bank), ("pitch_deg", pitch), ("heading_deg", heading)):
            columns[name] = np.round(angle + 0.15 * rng.standard_normal(len(time)), 1)
        columns["heading_deg"] %= 360
    return Logged(EPOCH + time, columns, late if holds in ("velocity", "airspeed") else 0.0)
