"""The truth: one flight at 100 Hz, from which every picture and every log is made."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from overlay_samples import handling, propagation
from overlay_samples.air import Air
from overlay_samples.aircraft import GRAVITY, Aircraft
from overlay_samples.earth import place_from_home
from overlay_samples.pilot import Pilot
from overlay_samples.propagation import Budget
from overlay_samples.scenario import DEFAULT, Scenario

Floats = NDArray[np.float64]

STEP_S = 0.01
PHASES = ("standing", "handled", "thrown", "flying", "sliding", "landed")
_LONGEST_S = 3.0 * 3600
_ROW = (
    "throttle", "power_W", "current_A", "voltage_V", "charge_used_mAh", "airspeed_mps", "sideslip_rad", "attack_rad",
    "wind_north_mps", "wind_east_mps", "wind_down_mps",
)  # fmt: skip


@dataclass(frozen=True)
class Flight:
    """Everything true about a flight, (N,) at `STEP_S`; angles in rad, `time_s` POSIX, places in m from home.

    `east_m` and `north_m` are azimuthal equidistant about home: range and bearing from them are exact on WGS 84.
    `up_m` is the camera's height over home's ground. Bank right wing down, pitch nose up, heading compass sense and
    unwrapped. `velocity_mps` and `wind_mps` are (N, 3) towards east, north, up. `phase` indexes `PHASES`.
    """

    scenario: Scenario
    time_s: Floats
    phase: NDArray[np.uint8]
    east_m: Floats
    north_m: Floats
    up_m: Floats
    bank_rad: Floats
    pitch_rad: Floats
    heading_rad: Floats
    velocity_mps: Floats
    wind_mps: Floats
    airspeed_mps: Floats
    sideslip_rad: Floats
    attack_rad: Floats
    throttle: Floats
    power_W: Floats
    current_A: Floats
    voltage_V: Floats
    charge_used_mAh: Floats

    @property
    def start_s(self) -> float:
        """POSIX time of the first sample."""
        return float(self.time_s[0])

    @property
    def duration_s(self) -> float:
        """From the first sample to the last."""
        return float(self.time_s[-1] - self.time_s[0])

    @cached_property
    def geodetic(self) -> tuple[Floats, Floats, Floats]:
        """Latitude and longitude in degrees, height in m over mean sea level."""
        s = self.scenario
        latitude, longitude = place_from_home(s.latitude_deg, s.longitude_deg, self.east_m, self.north_m)
        return latitude, longitude, s.home_height_m + self.up_m

    @cached_property
    def body_to_earth(self) -> Floats:
        """Attitude as matrices (N, 3, 3) from forward–right–down to north–east–down."""
        return attitude_matrices(self.bank_rad, self.pitch_rad, self.heading_rad)

    @cached_property
    def rate_radps(self) -> Floats:
        """Body rates (N, 3): roll about forward, pitch about right, yaw about down, from the attitude itself."""
        bank, pitch, heading = (np.gradient(a, STEP_S) for a in (self.bank_rad, self.pitch_rad, self.heading_rad))
        cb, sb = np.cos(self.bank_rad), np.sin(self.bank_rad)
        cp, sp = np.cos(self.pitch_rad), np.sin(self.pitch_rad)
        return np.column_stack([bank - heading * sp, pitch * cb + heading * cp * sb, heading * cp * cb - pitch * sb])

    @cached_property
    def specific_force_mps2(self) -> Floats:
        """What accelerometers at the centre of mass feel, body axes (N, 3); at rest about (0, 0, −g)."""
        east, north, up = np.gradient(self.velocity_mps, STEP_S, axis=0).T
        felt = np.column_stack([north, east, -up - GRAVITY])
        return np.asarray(np.einsum("nij,ni->nj", self.body_to_earth, felt))

    @cached_property
    def picture_budget(self) -> Budget:
        """Terms of the live picture's link."""
        link = self.scenario.picture_link
        return self._budget(link.frequency_MHz, link.fading_dB, link.ground_beam_deg, 0)

    @cached_property
    def carrier_to_noise_dB(self) -> Floats:
        """C/N of the live picture at the ground station."""
        return propagation.picture_carrier_to_noise_dB(self.scenario, self.picture_budget)

    @cached_property
    def control(self) -> tuple[Floats, Floats]:
        """The control link's strength in dBm and quality in percent."""
        link = self.scenario.control_link
        return propagation.control_strength(self.scenario, self._budget(link.frequency_MHz, link.fading_dB, None, 1))

    def _budget(self, frequency_MHz: float, fading_dB: float, beam_deg: float | None, stream: int) -> Budget:
        places = np.column_stack([self.east_m, self.north_m, self.up_m])
        return propagation.budget(
            self.scenario,
            places,
            self.body_to_earth,
            frequency_MHz=frequency_MHz,
            fading_dB=fading_dB,
            step_s=STEP_S,
            beam_deg=beam_deg,
            stream=stream,
        )

    def at(self, values: Floats, time_s: float | Floats) -> Floats:
        """Any of the flight's arrays (N,) at POSIX times, linear between samples, held at the ends."""
        return np.asarray(np.interp(time_s, self.time_s, values))

    def span(self, *phases: str) -> tuple[float, float]:
        """POSIX times of the first and last sample in the named phases."""
        inside = np.flatnonzero(np.isin(self.phase, [PHASES.index(name) for name in phases]))
        return float(self.time_s[inside[0]]), float(self.time_s[inside[-1]])


def attitude_matrices(bank: Floats, pitch: Floats, heading: Floats) -> Floats:
    """Rotation matrices (N, 3, 3) from body to north–east–down by heading, pitch, bank in that order."""
    cb, sb, cp, sp, ch, sh = (f(x) for x in (bank, pitch, heading) for f in (np.cos, np.sin))
    rows = [
        [cp * ch, sb * sp * ch - cb * sh, cb * sp * ch + sb * sh],
        [cp * sh, sb * sp * sh + cb * ch, cb * sp * sh - sb * ch],
        [-sp, sb * cp, cb * cp],
    ]
    return np.moveaxis(np.array([[np.asarray(cell) for cell in row] for row in rows]), -1, 0)


def fly(scenario: Scenario = DEFAULT) -> Flight:
    """Fly a scenario; equal scenarios give equal flights to the last bit. RuntimeError when it never comes home."""
    before = handling.before_launch(scenario, STEP_S)
    craft = Aircraft(scenario.airframe, scenario.battery)
    idle = _rest(craft, len(before))
    air_pose, air_rows = _free_flight(scenario, craft, before[-1])
    velocity = (craft.v_north, craft.v_east, craft.v_down)
    after = handling.after_touchdown(scenario, STEP_S, air_pose[-1], velocity)
    rows = np.vstack([idle, air_rows, _rest(craft, len(after))])
    return _assemble(scenario, before, air_pose, after, rows)


def _rest(craft: Aircraft, count: int) -> Floats:
    """Rows of `_ROW` while the motor stands."""
    rows = np.zeros((count, len(_ROW)))
    craft.throttle = 0.0
    for row in rows:
        craft.pack.draw(craft.airframe.standby_W, STEP_S)
        row[1:5] = craft.airframe.standby_W, craft.pack.current_A, craft.pack.voltage_V, craft.pack.used_mAh
    return rows


def _free_flight(scenario: Scenario, craft: Aircraft, release: Floats) -> tuple[Floats, Floats]:
    """From the hand to the grass: poses (N, 6) and rows of `_ROW`."""
    craft.east, craft.north, craft.height, craft.bank, craft.pitch, craft.heading = release.tolist()
    craft.v_north, craft.v_east, craft.v_down = handling.throw_velocity(release)
    most = int(_most_flight_s(scenario) / STEP_S)
    air, pilot = Air(scenario, STEP_S, most), Pilot(scenario, STEP_S, most)
    poses: list[tuple[float, ...]] = []
    rows: list[tuple[float, ...]] = []
    for i in range(most):
        wind = air.step(i, craft.height, craft.airspeed, craft.heading)
        craft.step(STEP_S, wind, air.roll_gust_radps, pilot.controls(i, STEP_S, craft))
        poses.append((craft.east, craft.north, craft.height, craft.bank, craft.pitch, craft.heading))
        pack = craft.pack
        power = pack.voltage_V * pack.current_A
        loads = (craft.throttle, power, pack.current_A, pack.voltage_V, pack.used_mAh)
        rows.append((*loads, craft.airspeed, craft.sideslip, craft.attack, *wind))
        if craft.height <= handling.BELLY_M:
            return np.array(poses), np.array(rows)
    raise RuntimeError(
        f"the aircraft of scenario {scenario.name!r} never came home: give it less wind or more airspeed"
    )


def _most_flight_s(scenario: Scenario) -> float:
    slowest = max(2.0, min(scenario.airspeed_mps, scenario.airspeed_home_mps) - 2.0 * scenario.wind_mps)
    return min(_LONGEST_S, 180.0 + 4.0 * scenario.distance_out_m / slowest)


def _assemble(scenario: Scenario, before: Floats, air: Floats, after: Floats, rows: Floats) -> Flight:
    pose = np.vstack([before, air, after])
    start = datetime.fromisoformat(scenario.start_utc).timestamp()
    time = start + STEP_S * np.arange(len(pose), dtype=np.float64)
    velocity: Floats = np.asarray(np.gradient(pose[:, :3], STEP_S, axis=0), np.float64)
    wind = np.column_stack([rows[:, 9], rows[:, 8], -rows[:, 10]])
    return Flight(
        scenario,
        time,
        _phases(scenario, len(before), len(air), velocity),
        **dict(zip(("east_m", "north_m", "up_m", "bank_rad", "pitch_rad", "heading_rad"), _columns(pose), strict=True)),
        velocity_mps=velocity,
        wind_mps=wind,
        **dict(zip(_ROW[:8], _columns(rows[:, :8]), strict=True)),
    )


def _columns(table: Floats) -> tuple[Floats, ...]:
    return tuple(np.ascontiguousarray(table[:, i]) for i in range(table.shape[1]))


def _phases(scenario: Scenario, count: int, flown: int, velocity: Floats) -> NDArray[np.uint8]:
    phase = np.empty(len(velocity), np.uint8)
    phase[:count] = PHASES.index("handled")
    phase[: int(scenario.standing_s / STEP_S)] = PHASES.index("standing")
    phase[count - math.ceil(handling.THROW_S / STEP_S) : count] = PHASES.index("thrown")
    phase[count : count + flown] = PHASES.index("flying")
    moving = np.hypot(velocity[:, 0], velocity[:, 1]) > 0.02
    rest = slice(count + flown, None)
    phase[rest] = np.where(moving[rest], PHASES.index("sliding"), PHASES.index("landed"))
    return phase
