"""Would it have come home? Charge to get home, spare and reach at every moment, and where the last safe turn lay.

Home is flown straight and level at the airspeed that this flight flew home (or cruised) at, in the wind found, at the
power its own log shows; the height above home is paid back on the way down. What is left less the reserve, over what a
metre homeward costs, is the reach.

The point of safe return of air navigation is the same sum with hours for ampere-hours: with endurance E and ground
speeds O out and H home, turn after T = E·H/(O + H), at D = E·O·H/(O + H).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from overlay.errors import NoAnswerError
from overlay.mechanics.power import PowerFit, cruise_blocks, discharge, fit_power
from overlay.mechanics.turning import velocity_from_course
from overlay.mechanics.wind import Wind
from overlay.readings import Leg, Pack, Readings, counted_pack

Floats = NDArray[np.float64]

_SLOWEST_HOME_MPS = 1.0  # into a wind as fast as the aircraft: never home, said by an enormous charge
_STEADY_LEG_S = 60.0
_LEAST_OF_LEVEL = 0.15  # gliding home, receiver, servos and transmitter draw on
_WIND_OF_A_LEG_MPS = 0.3  # 1σ of the mean wind of some minutes, at another height, against another's
_Z95 = 1.96


def safe_return_point(endurance_s: float, out_mps: float, home_mps: float) -> tuple[float, float]:
    """Time until the turn in seconds and distance out in metres, from safe endurance and ground speeds.

    >>> safe_return_point(3600.0, 10.0, 10.0)
    (1800.0, 18000.0)
    """
    time = endurance_s * home_mps / (out_mps + home_mps)
    return time, time * out_mps


def ground_speed_along(airspeed_mps: float, tailwind_mps: Floats | float, crosswind_mps: Floats | float) -> Floats:
    """Ground speed made good along a course held against the wind: √(V² − w×²) + w∥, no less than 1 m/s."""
    through = np.sqrt(np.maximum(airspeed_mps**2 - np.square(crosswind_mps), 0.0))
    return np.maximum(through + tailwind_mps, _SLOWEST_HOME_MPS)


@dataclass(frozen=True)
class Homeward:
    """How this flight goes home: airspeed, power, and the pack's volts against the charge drawn.

    `power` is that of the whole flight, `homeward` what is known best of the way home; `voltage` is (V at no charge
    drawn, V per mAh), `voltage_moved` the same falling faster by 1σ; `how` says in plain words what it rests on. `moved`
    are the same reckoning with wind, airspeed's scale, power and volts moved by 1σ, one way and the other along each
    axis of what is unsure of them: an airspeed that is ground velocity less wind moves with the wind, and so does what
    the power is taken for.
    """

    airspeed_mps: float
    power: PowerFit
    homeward: PowerFit
    voltage: tuple[float, float]
    voltage_moved: tuple[float, float]
    wind_east_mps: float
    wind_north_mps: float
    how: str
    moved: tuple[tuple[Homeward, Homeward], ...] = ()

    def ground_speed(self, course_deg: Floats | float) -> Floats:
        """Ground speed along a course in this wind."""
        course = np.radians(course_deg)
        tail = self.wind_east_mps * np.sin(course) + self.wind_north_mps * np.cos(course)
        cross = self.wind_east_mps * np.cos(course) - self.wind_north_mps * np.sin(course)
        return ground_speed_along(self.airspeed_mps, tail, cross)

    def charge_mAh(self, distance_m: Floats, course_deg: Floats, drawn_mAh: Floats, height_m: Floats) -> Floats:
        """Charge to fly `distance_m` along `course_deg` with `drawn_mAh` already out of the pack, from `height_m`."""
        level = self.homeward.at(self.airspeed_mps) * distance_m / self.ground_speed(course_deg)
        glide = self.homeward.climb_J_per_m * np.maximum(np.nan_to_num(height_m), 0.0)
        energy_J = np.maximum(level - glide, _LEAST_OF_LEVEL * level)
        start = np.maximum(self.voltage[0] + self.voltage[1] * drawn_mAh, 0.5 * self.voltage[0])
        guess = energy_J / start / 3.6
        sagged = np.maximum(start + self.voltage[1] * guess / 2, 0.5 * self.voltage[0])
        return energy_J / sagged / 3.6

    def charge_sigma_mAh(self, distance_m: Floats, course_deg: Floats, drawn_mAh: Floats, height_m: Floats) -> Floats:
        """1σ of the charge of `charge_mAh`, of power, wind and what a metre of height is worth."""
        return self.sigma(lambda home: home.charge_mAh(distance_m, course_deg, drawn_mAh, height_m))

    def in_still_air(self) -> Homeward:
        """The same aircraft in no wind, as unsure of its airspeed and of what that costs."""
        moved = tuple((up.in_still_air(), down.in_still_air()) for up, down in self.moved)
        return replace(self, wind_east_mps=0.0, wind_north_mps=0.0, moved=moved)

    def sigma(self, answer: Callable[[Homeward], Floats | float]) -> Floats:
        """1σ of an answer that this reckoning gives."""
        halves = [np.subtract(answer(up), answer(down)) / 2 for up, down in self.moved]
        return np.sqrt(sum((np.square(half) for half in halves), np.zeros(())))


@dataclass(frozen=True)
class TurnBack:
    """The turn for home against the last safe one, at `latest_range_m` (95 % in `interval95_m`) on the course flown.

    `early_m` is how much farther it could have gone, negative when it turned too late; `spare_mAh` what was spare at
    the turn.
    """

    time_s: float
    range_m: float
    latest_range_m: float
    interval95_m: tuple[float, float]
    spare_mAh: float

    @property
    def early_m(self) -> float:
        """Metres of range left to the last safe turn."""
        return self.latest_range_m - self.range_m

    def __str__(self) -> str:
        """One sentence for a person.

        >>> print(TurnBack(0.0, 15000.0, 17000.0, (16200.0, 17900.0), 400.0))
        Turned for home 15.0 km out with 400 mAh spare; the last safe turn lay 17.0 km out (16.2 to 17.9), 2.0 km on.
        """
        low, high = (v / 1000 for v in self.interval95_m)
        where = f"{abs(self.early_m) / 1000:.1f} km {'on' if self.early_m >= 0 else 'back'}"
        charge = f"{abs(self.spare_mAh):,.0f} mAh".replace(",", "\u202f")
        spare = f"{charge} {'spare' if self.spare_mAh >= 0 else 'too little'}"
        return (
            f"Turned for home {self.range_m / 1000:.1f} km out with {spare}; the last safe turn lay "
            f"{self.latest_range_m / 1000:.1f} km out ({low:.1f} to {high:.1f}), {where}."
        )


@dataclass(frozen=True)
class Radius:
    """How far out the pack's usable charge allows, there and back, with its 95 % interval."""

    range_m: float
    interval95_m: tuple[float, float]


def homeward(readings: Readings, wind: Wind | None) -> Homeward:
    """How this flight goes home; NoAnswerError says what the data lack."""
    air, unsure = _through_air(readings, wind)
    home = _reckon(readings, air)
    of_air = [(_reckon(readings, air.moved(by)), _reckon(readings, air.moved(-by))) for by in unsure if by.any()]
    if air.derived:  # its ground speed home is known better than its wind, but was that of the air met on the way
        of_air += [_blown(home, by) for by in _WIND_OF_A_LEG_MPS * np.eye(2)]
    moved = list(zip(home.power.moved(), home.homeward.moved(), strict=True))
    of_power = [(replace(home, power=a, homeward=b), replace(home, power=c, homeward=d)) for (a, c), (b, d) in moved]
    return replace(home, moved=(*of_air, *of_power, _emptier(home)))


def _emptier(home: Homeward) -> tuple[Homeward, Homeward]:
    """The same with the volts falling faster by 1σ, and slower."""
    (start, slope), (start_less, slope_less) = home.voltage, home.voltage_moved
    slower = 2.0 * start - start_less, 2.0 * slope - slope_less
    return replace(home, voltage=home.voltage_moved), replace(home, voltage=slower)


def _blown(home: Homeward, by: Floats) -> tuple[Homeward, Homeward]:
    """The same at the same airspeed in a wind moved by (east, north), one way and the other."""
    east, north = home.wind_east_mps, home.wind_north_mps
    up, down = (
        replace(home, wind_east_mps=east + way * float(by[0]), wind_north_mps=north + way * float(by[1]))
        for way in (1.0, -1.0)
    )
    return up, down


def _reckon(readings: Readings, air: _Air) -> Homeward:
    airspeed = air.airspeed(readings)
    blocks = cruise_blocks(readings, airspeed)
    power = fit_power(blocks)
    homeward = fit_power(blocks, air.wind_sigma_mps) if air.derived else power
    speed, source = _homeward_airspeed(readings, airspeed, power)
    voltage, voltage_moved = discharge(blocks)
    how = (
        f"straight home at {speed:.1f} m/s of airspeed, {source}, drawing {homeward.at(speed):.0f} W by this flight's "
        f"own power and airspeed, {air.note}"
    )
    return Homeward(speed, power, homeward, voltage, voltage_moved, air.wind_east_mps, air.wind_north_mps, how)


def add_reach(readings: Readings, home: Homeward) -> Readings:
    """The readings with charge home, and reserve, spare and reach where what was left in the pack is known."""
    bearing_home = readings["bearing_deg"] + 180.0
    drawn, distance, height = readings["charge_used_mAh"], readings["range_m"], readings["height_m"]
    need = home.charge_mAh(distance, bearing_home, drawn, height)
    columns, derived = dict(readings.columns), dict(readings.derived)
    _put(columns, derived, "charge_home_mAh", need, home.how)
    with suppress(NoAnswerError):
        pack = counted_pack(readings)
        reserve = pack.capacity_mAh * (1.0 - pack.usable_fraction)
        left = pack.capacity_mAh - drawn - reserve
        known = np.where(np.isfinite(drawn), reserve, np.nan)
        share = f"{100 * (1 - pack.usable_fraction):.0f} % of the pack"
        _put(columns, derived, "charge_reserve_mAh", known, share)
        _put(columns, derived, "charge_spare_mAh", left - need, "left in the pack, less the way home, less the reserve")
        _put(
            columns,
            derived,
            "reach_m",
            reach(home, left, bearing_home, drawn, height),
            f"where nothing is spare: {home.how}",
        )
    return replace(readings, columns=columns, derived=derived)


def reach(home: Homeward, left_mAh: Floats, bearing_home_deg: Floats, drawn_mAh: Floats, height_m: Floats) -> Floats:
    """Farthest range from which `left_mAh` flies home, by halving the interval; 0 when short."""
    low, high = np.zeros_like(left_mAh), np.full_like(left_mAh, 1000.0)
    for _ in range(12):
        short = home.charge_mAh(high, bearing_home_deg, drawn_mAh, height_m) < left_mAh
        high = np.where(short, 2.0 * high, high)
    for _ in range(40):
        middle = (low + high) / 2
        enough = home.charge_mAh(middle, bearing_home_deg, drawn_mAh, height_m) <= left_mAh
        low, high = np.where(enough, middle, low), np.where(enough, high, middle)
    return np.where(np.isfinite(left_mAh) & np.isfinite(bearing_home_deg), low, np.nan)


def turn_back(readings: Readings, home: Homeward) -> TurnBack:
    """The turn for home of the farthest excursion against the last safe one; needs the columns of `add_reach`."""
    counted_pack(readings)
    if not readings.has("charge_spare_mAh"):
        raise NoAnswerError("no last safe turn: the charge drawn and the range are never known together")
    if not any(leg.name == "home" for leg in readings.legs):
        raise NoAnswerError("no turn for home: the flight has no homeward leg")
    spare, distance = readings["charge_spare_mAh"], readings["range_m"]
    known = np.isfinite(spare) & np.isfinite(distance)
    turn = int(np.flatnonzero(known)[np.argmax(distance[known])])
    course = float(readings["bearing_deg"][turn])
    at = np.array(
        [[distance[turn]], [course + 180.0], [readings["charge_used_mAh"][turn]], [readings["height_m"][turn]]]
    )
    left = float(spare[turn] + readings["charge_home_mAh"][turn])

    def farthest(home: Homeward) -> float:
        spare_mAh = left - float(home.charge_mAh(*at)[0])
        return float(distance[turn]) + spare_mAh / _cost_per_metre(home, course, float(at[2, 0]))

    latest = farthest(home)
    spread = _Z95 * float(home.sigma(farthest))
    interval = max(latest - spread, 0.0), latest + spread
    return TurnBack(float(readings.time_s[turn]), float(distance[turn]), latest, interval, float(spare[turn]))


def radius_of_action(home: Homeward, pack: Pack, course_out_deg: float, *, still_air: bool = False) -> Radius:
    """How far out along a course the usable charge allows, there and back, in this wind or in still air."""
    model = home.in_still_air() if still_air else home
    usable = pack.capacity_mAh * pack.usable_fraction

    def farthest(home: Homeward) -> float:
        volts = home.voltage[0] + home.voltage[1] * usable / 2
        current_mA = home.power.at(home.airspeed_mps) / volts * 1000.0
        out, back = (float(home.ground_speed(course_out_deg + turn)) for turn in (0.0, 180.0))
        return safe_return_point(usable / current_mA * 3600.0, out, back)[1]

    distance = farthest(model)
    spread = _Z95 * float(model.sigma(farthest))
    return Radius(distance, (max(distance - spread, 0.0), distance + spread))


def _cost_per_metre(home: Homeward, course_deg: float, drawn_mAh: float) -> float:
    """Charge for a metre along a course and a metre back."""
    kilometre, drawn, level = np.array([1000.0]), np.array([drawn_mAh]), np.array([0.0])
    out, back = (home.charge_mAh(kilometre, np.array([course_deg + way]), drawn, level)[0] for way in (0.0, 180.0))
    return float(out + back) / 1000.0


@dataclass(frozen=True)
class _Air:
    """The air flown through: wind ± σ, and the airspeed's scale.

    `derived` where airspeed is ground velocity less wind.
    """

    wind_east_mps: float
    wind_north_mps: float
    wind_sigma_mps: float
    scale: float
    derived: bool
    note: str

    def moved(self, by: Floats) -> _Air:
        """The same with (wind east, wind north, scale) moved."""
        east, north, scale = (float(part) for part in by)
        return replace(
            self,
            wind_east_mps=self.wind_east_mps + east,
            wind_north_mps=self.wind_north_mps + north,
            scale=self.scale + scale,
        )

    def airspeed(self, readings: Readings) -> Floats:
        """True airspeed, (N,)."""
        if not self.derived:
            return readings["airspeed_mps"] / self.scale
        east, north = velocity_from_course(readings["ground_speed_mps"], readings["course_deg"])
        return np.hypot(east - self.wind_east_mps, north - self.wind_north_mps)


def _through_air(readings: Readings, wind: Wind | None) -> tuple[_Air, Floats]:
    """The air, and by how much it is unsure: rows of (wind east, wind north, scale), each 1σ along an axis of its own."""
    if wind is not None:
        derived = "airspeed_mps" in readings.derived
        scale, scale_sigma = (1.0, 0.0) if derived else (wind.airspeed_scale or 1.0, wind.airspeed_scale_sigma or 0.0)
        sizes, axes = np.linalg.eigh(wind.covariance)
        sigma = float(np.sqrt(sizes[-1]))
        air = _Air(wind.east_mps, wind.north_mps, sigma, scale, derived, f"in a wind of {wind}")
        unsure = np.zeros((3, 3))
        unsure[:2, :2], unsure[2, 2] = (axes * np.sqrt(np.maximum(sizes, 0.0))).T, scale_sigma
        return air, unsure
    if readings.has("wind_speed_mps") and readings.has("airspeed_mps"):
        blow = np.radians(readings["wind_from_deg"] + 180.0)
        east, north = (float(np.nanmedian(readings["wind_speed_mps"] * f(blow))) for f in (np.sin, np.cos))
        return _Air(east, north, 1.0, 1.0, False, "in the wind that the log gives"), np.eye(2, 3)
    raise NoAnswerError("no charge to get home: the wind is not known, so neither is the ground speed on the way")


def _homeward_airspeed(readings: Readings, airspeed: Floats, power: PowerFit) -> tuple[float, str]:
    legs = [leg for leg in readings.legs if leg.name == "home"]
    if sum(leg.end_s - leg.start_s for leg in legs) >= _STEADY_LEG_S:
        flown = airspeed[_during(readings, legs)]
        if np.isfinite(flown).any():
            return float(np.nanmedian(flown)), "as flown home"
    return power.airspeed_mps, "as cruised"


def _during(readings: Readings, legs: Sequence[Leg]) -> NDArray[np.bool_]:
    inside = np.zeros(len(readings), dtype=bool)
    for leg in legs:
        inside |= (readings.time_s >= leg.start_s) & (readings.time_s < leg.end_s)
    return inside


def _put(columns: dict[str, Floats], derived: dict[str, str], name: str, values: Floats, how: str) -> None:
    if np.isfinite(values).any():
        columns[name], derived[name] = values, how
