"""Where the pilot means to fly, and how the sticks follow: pure pursuit with human unrest on top."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from overlay_samples.aircraft import GRAVITY, Aircraft, Controls
from overlay_samples.scenario import Scenario

Floats = NDArray[np.float64]
_SPACING_M = 4.0
_FLOAT_M = 36.0  # flown level over the grass and slid on it


@dataclass(frozen=True)
class Route:
    """A line over the ground in steps of about 4 m: east, north (M,), and the height and airspeed meant there."""

    east_m: Floats
    north_m: Floats
    height_m: Floats
    airspeed_mps: Floats
    final_index: int  # from here on the pilot lands
    touchdown_index: int


def _towards(bearing_deg: float) -> Floats:
    angle = math.radians(bearing_deg)
    return np.array([math.sin(angle), math.cos(angle)])


def _even(points: Floats) -> Floats:
    """A polyline of (x, y) resampled in even steps."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    steps = np.arange(0.0, along[-1], _SPACING_M)
    return np.column_stack([np.interp(steps, along, points[:, i]) for i in range(2)])


def _wandering(start: Floats, end: Floats, scenario: Scenario, rng: np.random.Generator, detours: int) -> Floats:
    """A line with weaves and detours to the side that vanish at both ends."""
    length = float(np.hypot(*(end - start)))
    ahead = (end - start) / length
    side = np.array([ahead[1], -ahead[0]])
    d = np.arange(0.0, length, _SPACING_M)
    fade = np.clip(np.minimum(d, length - d) / min(250.0, length / 3), 0, 1)
    wave = np.sin(2 * np.pi * d / scenario.weave_length_m + rng.uniform(0, 2 * np.pi))
    wave += 0.4 * np.sin(2 * np.pi * d / (0.43 * scenario.weave_length_m) + rng.uniform(0, 2 * np.pi))
    offset = scenario.weave_m * wave
    for _ in range(detours):
        centre, width = rng.uniform(0.3, 0.75) * length, rng.uniform(180, 260)
        offset = offset + rng.choice([-1, 1]) * scenario.detour_m * np.exp(-(((d - centre) / width) ** 2))
    return np.asarray(start + np.outer(d, ahead) + np.outer(fade * offset, side))


def plan(scenario: Scenario) -> Route:
    """Launch, outbound leg, loiter, homebound leg, approach into the wind, all from the scenario's habits."""
    s, rng = scenario, np.random.default_rng([scenario.seed, 2])
    begin = _towards(s.launch_heading_deg) * min(140.0, s.distance_out_m / 3)
    far = _towards(s.outbound_deg) * (s.distance_out_m - s.loiter_radius_m)
    out = np.vstack([np.zeros(2), _wandering(begin, far, s, rng, s.detours)])
    turn = rng.choice([-1.0, 1.0])
    aside = _towards(s.outbound_deg + 90 * turn)
    angles = np.arange(0.0, 2 * np.pi * s.loiter_turns, _SPACING_M / s.loiter_radius_m)
    ahead = _towards(s.outbound_deg)
    loiter = far + s.loiter_radius_m * (np.outer(1 - np.cos(angles), aside) + np.outer(np.sin(angles), ahead))
    approach = _approach(s)
    # The way home keeps to one side of the way out.
    home_start = loiter[-1] - ahead * 60.0
    home = _wandering(home_start, approach[0], s, rng, s.detours // 2)
    parts = [_even(out), loiter, _even(home), _even(approach)]
    return _with_heights(s, parts, rng)


def _approach(scenario: Scenario) -> Floats:
    """Downwind beside the field, base, final into the wind, and straight on past home so that the aim stays ahead."""
    s = scenario
    into_wind, side = _towards(s.wind_from_deg), _towards(s.wind_from_deg + 90)
    coming_from = _towards(s.outbound_deg)
    side = side * (1.0 if coming_from @ side >= 0 else -1.0)
    run = _final_length(s)
    final = -into_wind * run
    ends = [final, final * 0.5, np.zeros(2), into_wind * 250.0]
    if coming_from @ into_wind < -0.6:
        return np.array(ends)
    return np.array([side * 120.0 + final * 0.1, side * 120.0 + final * 0.7, final + side * 50.0, *ends])


def _final_length(scenario: Scenario) -> float:
    return min(210.0, 5.0 * scenario.cruise_height_m)


def _with_heights(scenario: Scenario, parts: list[Floats], rng: np.random.Generator) -> Route:
    s = scenario
    counts = [len(part) for part in parts]
    line = np.vstack(parts)
    final, touchdown = _last_leg(parts, s)
    pattern = min(30.0, 0.7 * s.cruise_height_m)
    marks = np.cumsum([0, *counts])
    at = [0, marks[1] * 0.3, marks[1], marks[2], marks[2] + 0.55 * counts[2], marks[3], final, touchdown, marks[4]]
    heights = [s.cruise_height_m, s.cruise_height_m, s.far_height_m, s.far_height_m, s.cruise_height_m]
    heights += [pattern * 1.25, pattern, 0.6, -3.0]
    index = np.arange(len(line))
    waves = np.sin(index / rng.uniform(60, 90) + rng.uniform(0, 6)) * 0.05 * s.cruise_height_m
    waves *= np.clip((marks[3] - index) / 60, 0, 1)
    speeds = np.full(len(line), s.airspeed_mps)
    speeds[marks[2] : marks[3]] = s.airspeed_home_mps
    speeds[marks[3] :] = 1.25 * s.approach_airspeed_mps
    speeds[final:] = s.approach_airspeed_mps
    return Route(line[:, 0], line[:, 1], np.interp(index, at, heights) + waves, speeds, final, touchdown)


def _last_leg(parts: list[Floats], scenario: Scenario) -> tuple[int, int]:
    """Indices of the start of the final leg and of the place meant for touching down."""
    before = sum(len(part) for part in parts[:-1])
    from_home = np.hypot(*parts[-1].T)
    touchdown = int(np.argmin(from_home))
    aim = touchdown - int(_FLOAT_M / _SPACING_M)
    return before + max(0, aim - int(_final_length(scenario) / _SPACING_M)), before + aim


class Pilot:
    """Follows a route: looks a little ahead along it, banks towards that point, minds height and airspeed."""

    def __init__(self, scenario: Scenario, step_s: float, steps: int) -> None:
        self.scenario, self.route = scenario, plan(scenario)
        route = self.route
        self._east: list[float] = route.east_m.tolist()
        self._north: list[float] = route.north_m.tolist()
        self._height: list[float] = route.height_m.tolist()
        self._speed: list[float] = route.airspeed_mps.tolist()
        rng = np.random.default_rng([scenario.seed, 3])
        self._bank_unrest = unrest(rng, steps, step_s, 0.9) * math.radians(scenario.bank_wander_deg)
        self._speed_unrest = unrest(rng, steps, step_s, 12.0) * scenario.airspeed_wander_mps
        self._index, self._trim_N = 0, 0.0

    @property
    def landing(self) -> bool:
        """Whether the final leg has begun."""
        return self._index >= self.route.final_index

    def controls(self, step: int, step_s: float, craft: Aircraft) -> Controls:
        """What the pilot asks for now."""
        since = step * step_s
        self._look_ahead(craft)
        bank = self._pursue(craft) + float(self._bank_unrest[step])
        limit = math.radians(self.scenario.bank_limit_deg)
        limit = min(limit, math.radians(7.0 + 3.0 * craft.height)) if craft.height < 12 or since < 2 else limit
        climb = self._climb(craft)
        throttle = 1.0 if since < 2.0 else self._throttle(craft, float(self._speed_unrest[step]), step_s, climb)
        if self.landing and craft.height < 1.8:
            climb, throttle, limit = -0.45, 0.0, math.radians(6.0)
        return Controls(max(-limit, min(limit, bank)), climb, throttle)

    def _look_ahead(self, craft: Aircraft) -> None:
        reach = max(40.0, 3.1 * math.hypot(craft.v_north, craft.v_east))
        while self._index < len(self._east) - 1:
            away = math.hypot(self._east[self._index] - craft.east, self._north[self._index] - craft.north)
            if away >= reach:
                break
            self._index += 1

    def _pursue(self, craft: Aircraft) -> float:
        """Bank for the circle that leads through the point ahead: a = 2·v²·sin η / L."""
        de, dn = self._east[self._index] - craft.east, self._north[self._index] - craft.north
        speed2 = craft.v_north**2 + craft.v_east**2
        course = math.atan2(craft.v_east, craft.v_north)
        off = (math.atan2(de, dn) - course + math.pi) % (2 * math.pi) - math.pi
        off = max(-1.5, min(1.5, off))
        return math.atan(2 * speed2 * math.sin(off) / max(math.hypot(de, dn), 20.0) / GRAVITY)

    def _climb(self, craft: Aircraft) -> float:
        # Meant for the place over which the aircraft is, which lies behind the point it looks at.
        ahead = math.hypot(self._east[self._index] - craft.east, self._north[self._index] - craft.north)
        here = max(0, min(self._index - int(ahead / _SPACING_M), len(self._height) - 6))
        wanted, soon = self._height[here], self._height[here + 5]
        slope = (soon - wanted) / (5 * _SPACING_M)
        climb = 0.4 * (wanted - craft.height) + slope * math.hypot(craft.v_north, craft.v_east)
        spare = 1.0 * (craft.airspeed - 1.25 * craft.stall_mps)  # never climb into a stall
        return max(-4.0, min(self.scenario.climb_mps, climb, max(spare, -2.0)))

    def _throttle(self, craft: Aircraft, unrest_mps: float, step_s: float, climb: float) -> float:
        mass = craft.airframe.mass_kg
        wanted = self._speed[self._index] + unrest_mps
        error = max(-3.0, min(3.0, wanted - craft.airspeed))
        lift = mass * GRAVITY / max(math.cos(craft.bank), 0.5)
        thrust = craft.drag_N(craft.airspeed, lift) + mass * (GRAVITY * climb / craft.airspeed + 0.55 * error)
        self._trim_N = max(-3.0, min(3.0, self._trim_N + 0.06 * mass * error * step_s))
        full = craft.airframe.thrust_most_N * max(0.1, 1 - craft.airspeed / 50.0) * craft.pack.strength
        return max(0.0, min(1.0, (thrust + self._trim_N) / full))


def unrest(rng: np.random.Generator, count: int, step_s: float, time_constant_s: float) -> Floats:
    """A Gauss–Markov series of unit variance."""
    keep = math.exp(-step_s / time_constant_s)
    noise = rng.standard_normal(count) * math.sqrt(1 - keep * keep)
    noise[:1] = rng.standard_normal(1)
    return np.asarray(lfilter([1.0], [1.0, -keep], noise))
