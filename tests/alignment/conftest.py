"""Flights with known truth: a point mass in coordinated turns, seen by a camera and logged by a receiver.

Shares nothing with the package. Kinematics: body rates from Euler rates (Etkin, Dynamics of Atmospheric Flight, eq.
4.4,7; from memory), turn rate g·tan φ / V (the coordinated-turn relation of any flight mechanics textbook).
"""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import cumulative_trapezoid
from scipy.signal import lfilter

Floats = NDArray[np.float64]

G = 9.80665
STEP = 0.01
EPOCH = 1_777_800_000.0  # POSIX zero of every flight
EARTH_M = 6_371_000.0


@dataclass(frozen=True)
class Flight:
    """Truth every `STEP` seconds from `EPOCH`: Euler angles (N,), body rates (N, 3), east/north/up velocity (N, 3)."""

    bank: Floats
    pitch: Floats
    heading: Floats
    rates: Floats
    velocity: Floats
    airspeed: Floats
    airborne: NDArray[np.bool_]
    wind: tuple[float, float]

    @property
    def time(self) -> Floats:
        return np.arange(len(self.bank)) * STEP

    @property
    def duration(self) -> float:
        return len(self.bank) * STEP


@dataclass(frozen=True)
class Seen:
    """What the picture gives: mid-interval times, rates in camera axes (N, 3), the horizon's bank (N,)."""

    time: Floats
    rates: Floats
    bank: Floats
    stillness: Floats
    jumps: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True)
class Logged:
    """What the log gives: times and columns named as a Track names them; `lag` is the receiver's delay."""

    time: Floats
    columns: dict[str, Floats]
    lag: float = 0.0


@dataclass
class Case:
    """A flight with its camera and log, and the answer."""

    flight: Flight
    seen: Seen
    logged: Logged
    offset: float
    drift: float
    extras: dict[str, float] = field(default_factory=dict)

    def truth(self, t_recording: float) -> float:
        """Reference time at a recording time, the receiver's delay included: the effective clock."""
        jump = sum(size for at, size in self.seen.jumps if t_recording >= at)
        return self.offset + (1 + self.drift) * t_recording + jump + self.logged.lag


def wander(rng: np.random.Generator, count: int, std: float, tau: float, smooth: float = 0.0) -> Floats:
    """First-order Gauss–Markov noise, optionally low-passed once more."""
    keep = math.exp(-STEP / tau)
    drive = rng.standard_normal(count) * std * math.sqrt(1 - keep**2)
    drive[0] = rng.standard_normal() * std
    noise = lfilter([1.0], [1.0, -keep], drive)
    if smooth:
        k = math.exp(-STEP / smooth)
        noise = lfilter([1 - k], [1.0, -k], noise)
    return noise


def second_order(command: Floats, omega: float, damping: float = 0.8) -> Floats:
    """Response of ω²/(s² + 2ζω·s + ω²), by the bilinear transform."""
    k = 2 / STEP
    a = np.array(
        [k * k + 2 * damping * omega * k + omega**2, 2 * (omega**2 - k * k), k * k - 2 * damping * omega * k + omega**2]
    )
    b = omega**2 * np.array([1.0, 2.0, 1.0])
    return lfilter(b / a[0], a / a[0], command)


def bank_command(rng: np.random.Generator, seconds: float, style: str) -> Floats:
    """Bank the pilot asks for (rad): corrections on the way, turns, circling; or one of the uninformative styles."""
    count = round(seconds / STEP)
    if style == "straight":
        return np.zeros(count)
    if style == "circle":
        return np.full(count, math.radians(28.0))
    pieces, total = [], 0
    loiter_at = rng.uniform(0.4, 0.6) * seconds
    looping = False
    while total < count:
        if not looping and total * STEP > loiter_at:
            looping = True
            pieces.append(
                np.full(round(rng.uniform(40, 90) / STEP), math.radians(rng.uniform(20, 35)) * rng.choice([-1, 1]))
            )
        elif rng.random() < 0.25:
            pieces.append(
                np.full(round(rng.uniform(3, 12) / STEP), math.radians(rng.uniform(20, 50)) * rng.choice([-1, 1]))
            )
        else:
            pieces.append(
                np.full(round(rng.uniform(1, 3) / STEP), math.radians(rng.uniform(4, 18)) * rng.choice([-1, 1]))
            )
        pieces.append(np.zeros(round(rng.exponential(8.0 if style == "errand" else 2.0) / STEP) + 50))
        total += len(pieces[-1]) + len(pieces[-2])
    return np.concatenate(pieces)[:count]


def fly(
    seed: int,
    minutes: float = 10.0,
    style: str = "errand",
    *,
    wind: tuple[float, float] | None = None,
    gust: float = 1.0,
    handling: float = 30.0,
    landed: float = 20.0,
) -> Flight:
    """One flight: handled before launch, flown, standing after landing. `minutes` is the time in the air."""
    rng = np.random.default_rng(seed)
    seconds = minutes * 60
    before, after = round(handling / STEP), round(landed / STEP)
    command = bank_command(rng, seconds, style)
    air = len(command)
    count = before + air + after
    flying = np.zeros(count, bool)
    flying[before : before + air] = True
    speed = 17.0 + wander(rng, air, 1.0, 10.0, 0.5)
    bank = second_order(command, rng.uniform(3.0, 5.0)) + gust * wander(rng, air, math.radians(2.5), 1.2, 0.15)
    pitch = math.radians(2.0) + gust * wander(rng, air, math.radians(2.0), 2.0, 0.2)
    turn = G * np.tan(bank) / speed
    path = rng.uniform(-np.pi, np.pi) + cumulative_trapezoid(turn, dx=STEP, initial=0)
    heading = path + gust * wander(rng, air, math.radians(1.5), 0.8, 0.2)
    handled = lambda size: np.vstack([wander(rng, size, math.radians(8), 1.5, 0.3) for _ in range(3)])  # noqa: E731
    held = np.repeat(rng.random(max(1, before // 500) + 1) < 0.5, 500)[:before] * 1.0
    held = np.convolve(held, np.ones(100) / 100, mode="same") if before else held
    start = handled(before) * held
    euler = np.zeros((3, count))
    euler[:, flying] = bank, pitch, heading
    blend = min(100, air)
    ramp = np.linspace(0, 1, blend)
    rest = path[0]
    euler[:, :before] = start + np.array([[0.0], [0.0], [rest]])
    euler[:, before : before + blend] = ramp * euler[:, before : before + blend] + (1 - ramp) * np.array(
        [[0.0], [0.0], [rest]]
    )
    if after:
        euler[0, before + air :], euler[1, before + air :], euler[2, before + air :] = 0.0, 0.0, heading[-1]
        euler[:2, before + air - blend : before + air] *= ramp[::-1]
    blow = wind if wind is not None else tuple(rng.uniform(-5, 5, 2))
    velocity = np.zeros((count, 3))
    lateral = [gust * wander(rng, air, 0.5, 3.0, 0.3) for _ in range(2)]
    velocity[flying, 0] = speed * np.sin(path) + blow[0] + lateral[0]
    velocity[flying, 1] = speed * np.cos(path) + blow[1] + lateral[1]
    velocity[flying, 2] = wander(rng, air, 1.0, 5.0, 0.5)
    airspeed = np.zeros(count)
    airspeed[flying] = speed
    return Flight(*euler, body_rates(euler), velocity, airspeed, flying, (float(blow[0]), float(blow[1])))


def body_rates(euler: Floats) -> Floats:
    """(N, 3) roll, pitch, yaw rates about the body axes from bank, pitch, heading (3, N)."""
    bank, pitch, _ = euler
    bank_dot, pitch_dot, heading_dot = np.gradient(euler, STEP, axis=1)
    return np.column_stack(
        (
            bank_dot - heading_dot * np.sin(pitch),
            pitch_dot * np.cos(bank) + heading_dot * np.sin(bank) * np.cos(pitch),
            -pitch_dot * np.sin(bank) + heading_dot * np.cos(bank) * np.cos(pitch),
        )
    )


def turn_about(axis: int, angle: float) -> Floats:
    """Rotation matrix about one axis."""
    i, j = [(1, 2), (2, 0), (0, 1)][axis]
    matrix = np.eye(3)
    matrix[i, i] = matrix[j, j] = math.cos(angle)
    matrix[i, j], matrix[j, i] = -math.sin(angle), math.sin(angle)
    return matrix


def panning(rng: np.random.Generator, count: int, share: float) -> Floats:
    """Pan angle (rad): looks aside by up to 60° and back; `share` of the time on the move or away from the nose."""
    target = np.zeros(count)
    if share > 0:
        at = 0.0
        while at < count * STEP:
            stay = rng.uniform(2, 6)
            at += rng.exponential(stay * (1 - share) / share)
            target[round(at / STEP) : round((at + stay) / STEP)] = math.radians(rng.uniform(15, 60)) * rng.choice(
                [-1, 1]
            )
            at += stay
    return second_order(target, 4.0, 1.0)


def see(
    flight: Flight,
    seed: int,
    *,
    start: float = 7.3,
    end: float | None = None,
    drift: float = 0.0,
    fps: float = 30.0,
    mount: tuple[float, float, float] = (0.0, 0.0, 0.0),
    scale: float = 1.0,
    pan: float = 0.0,
    noise: float = 0.004,
    horizon: bool = True,
    blind: tuple[tuple[float, float], ...] = (),
    jumps: tuple[tuple[float, float], ...] = (),
) -> Seen:
    """Camera rates, recorded from `start` to `end` of the flight; `mount`: roll, pitch, yaw in degrees.

    `scale`: true focal length over the guessed one. `blind` spans and `jumps` are on the recording's clock.
    """
    rng = np.random.default_rng(seed + 77)
    fixed = (
        turn_about(2, math.radians(mount[2]))
        @ turn_about(1, math.radians(mount[1]))
        @ turn_about(0, math.radians(mount[0]))
    )
    angle = panning(rng, len(flight.bank), pan)
    rates = flight.rates @ fixed
    cos, sin = np.cos(angle), np.sin(angle)
    camera = np.column_stack(
        (
            cos * rates[:, 0] + sin * rates[:, 1],
            -sin * rates[:, 0] + cos * rates[:, 1],
            rates[:, 2] + np.gradient(angle, STEP),
        )
    )
    turned = cumulative_trapezoid(camera, dx=STEP, axis=0, initial=0)
    count = int(((end or flight.duration) - start) / (1 + drift) * fps)
    frames = np.arange(count) / fps
    moment = start + (1 + drift) * frames + sum(size * (frames >= at) for at, size in jumps)
    at = np.column_stack([np.interp(moment, np.arange(len(turned)) * STEP, turned[:, k]) for k in range(3)])
    seen = np.diff(at, axis=0) * fps
    seen += rng.standard_normal(seen.shape) * noise * [1.0, 1.0, 1.0]
    shake = np.interp(moment[1:], flight.time, flight.airborne.astype(float))
    seen += rng.standard_normal(seen.shape) * 0.02 * shake[:, None]
    seen[:, 1:] *= scale
    middle = (frames[1:] + frames[:-1]) / 2
    when = (moment[1:] + moment[:-1]) / 2
    lean, nose, aside = (np.interp(when, flight.time, values) for values in (flight.bank, flight.pitch, angle))
    bank = np.arctan(np.tan(lean) * np.cos(aside) + np.tan(nose) * np.sin(aside) / np.cos(lean))
    bank = bank + math.radians(mount[0]) + np.radians(1.5) * rng.standard_normal(len(bank))
    still = ((shake < 0.5) & (np.abs(seen).max(1) < 0.03)).astype(float)
    for lost_from, lost_to in (*blind, *((at - 1 / fps, at) for at, _ in jumps)):
        lost = (middle >= lost_from) & (middle <= lost_to)
        seen[lost], bank[lost], still[lost] = np.nan, np.nan, np.nan
    return Seen(middle, seen, bank if horizon else np.full(len(bank), np.nan), still, jumps)


def log(
    flight: Flight,
    seed: int,
    *,
    rate: float = 5.0,
    attitude: bool = False,
    airspeed: bool = False,
    lag: float = 0.18,
    noise: float = 0.05,
    span: tuple[float, float] | None = None,
    gaps: tuple[tuple[float, float], ...] = (),
) -> Logged:
    """Log rows on the reference clock; position-only rows carry the receiver's `lag`, attitude none."""
    rng = np.random.default_rng(seed + 991)
    first, last = span if span else (0.0, flight.duration - 0.02)
    time = np.arange(first + rng.uniform(0, 1 / rate), last, 1 / rate)
    for start, end in gaps:
        time = time[(time < start) | (time > end)]
    past = np.clip(time - lag, 0, None)
    place = cumulative_trapezoid(flight.velocity, dx=STEP, axis=0, initial=0)
    east, north, up = (np.interp(past, flight.time, place[:, k]) for k in range(3))
    coloured = [np.interp(past, flight.time, wander(rng, len(flight.bank), noise, 5.0)) for _ in range(3)]
    v = [
        np.interp(past, flight.time, flight.velocity[:, k]) + noise * rng.standard_normal(len(time)) + coloured[k]
        for k in range(3)
    ]
    far = [np.interp(past, flight.time, wander(rng, len(flight.bank), 1.0, 60.0)) for _ in range(3)]
    columns = {
        "latitude_deg": 47.0 + np.degrees((north + far[1]) / EARTH_M),
        "longitude_deg": 8.0 + np.degrees((east + far[0]) / EARTH_M / math.cos(math.radians(47.0))),
        "height_m": 400.0 + up + far[2],
        "ground_speed_mps": np.hypot(v[0], v[1]),
        "course_deg": np.degrees(np.arctan2(v[0], v[1])) % 360,
        "vertical_speed_mps": v[2],
    }
    if airspeed:
        columns["airspeed_mps"] = np.interp(time, flight.time, flight.airspeed) + 0.3 * rng.standard_normal(len(time))
    if attitude:
        angles = [np.interp(time, flight.time, a) for a in (flight.bank, flight.pitch, flight.heading)]
        angles = [np.round(np.degrees(a) + 0.2 * rng.standard_normal(len(time)), 1) for a in angles]
        columns |= {"bank_deg": angles[0], "pitch_deg": angles[1], "heading_deg": angles[2] % 360}
    return Logged(EPOCH + time, columns, 0.0 if attitude else lag)


def case(seed: int, minutes: float = 10.0, style: str = "errand", *, drift: float = 12e-6, **choices: object) -> Case:
    """A flight with both its files. `choices` go to `fly`, `see` or `log` by name (`camera_*` and `log_*` choose)."""

    def chosen(prefix: str) -> dict[str, Any]:
        return {key.removeprefix(prefix): value for key, value in choices.items() if key.startswith(prefix)}

    plain: dict[str, Any] = {key: value for key, value in choices.items() if not key.startswith(("camera_", "log_"))}
    flight = fly(seed, minutes, style, **plain)
    camera = {"start": 7.3} | chosen("camera_")
    return Case(
        flight,
        see(flight, seed, drift=drift, **camera),
        log(flight, seed, **chosen("log_")),
        EPOCH + camera["start"],
        drift,
    )


@pytest.fixture(scope="session")
def flights():
    """The generator, for tests that may not import a sibling."""
    return sys.modules[__name__]
