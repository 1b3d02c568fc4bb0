"""The flight as one table on the flight clock, and what is known of it as a whole.

Columns of `Readings` (SI or trade units, NaN where unknown):

=============================================  ===================================================
latitude_deg, longitude_deg, east_m, north_m   place; east and north of home on the local plane
range_m, bearing_deg                           geodesic from home on WGS 84, and its azimuth at home
height_m, terrain_m                            over home: the aircraft, and the ground under it by terrain files
ground_speed_mps, course_deg                   over the ground
airspeed_mps, heading_deg                      logged, or derived (see `derived`)
vertical_speed_mps, bank_deg, pitch_deg        up, right wing down and nose up are positive
distance_m                                     flown over the ground since take-off
wind_speed_mps, wind_from_deg, tailwind_mps    where the data carry it; tailwind along the course
voltage_V, current_A, power_W, charge_used_mAh charge logged, or integrated from the current
energy_used_Wh                                 integrated from volts times amperes
charge_per_km_mAh                              over the last kilometre of ground
charge_home_mAh                                still needed to get home from here in this wind
charge_reserve_mAh, charge_spare_mAh           as `Pack` sets the reserve; spare = left − home − reserve
reach_m                                        farthest range from which what is left, less the reserve, flies home
control_link_pct, control_rssi_dBm, control_snr_dB
picture_grade                                  ITU-R BT.500 impairment grade of the live picture, 1 … 5
visibility_pct                                 contrast of the ground to the onboard camera, of its clearest in this flight
aerial_off_axis_deg                            between the ground aerial's axis and the aircraft
=============================================  ===================================================
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from overlay.errors import NoAnswerError
from overlay.timetable import TimeTable

EVENTS = ("launch", "turn-back", "farthest", "landing", "automatic return", "automatic return ends")
LEGS = ("on the ground", "take-off", "out", "loiter", "home", "landing")


@dataclass(frozen=True)
class Home:
    """Where the aircraft stood before take-off, or where the user says home is; `found` in plain words how.

    `height_m` is over mean sea level, as the track's `height_m`, NaN where unknown. Not `sure`: the log began in the
    air or shows no flight, and the place is the best guess there is.
    """

    latitude_deg: float
    longitude_deg: float
    height_m: float
    found: str
    sure: bool = True


@dataclass(frozen=True)
class Leg:
    """A span of the flight clock with one of `LEGS` as its name."""

    name: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Event:
    """A moment of the flight clock with one of `EVENTS` as its kind."""

    kind: str
    time_s: float


@dataclass(frozen=True)
class BrokenPicture:
    """A span in which the live picture was broken up, on the flight clock."""

    onset_s: float
    end_s: float
    kind: str
    worst_grade: float


@dataclass(frozen=True)
class Pack:
    """The flight battery. `usable_fraction` is what may be flown out of it; the rest is the reserve."""

    capacity_mAh: float
    cells: int | None = None
    usable_fraction: float = 0.8


@dataclass(frozen=True)
class Readings(TimeTable):
    """Everything the instruments, findings and exports read; `derived` says in plain words how a column came about.

    Not `charge_from_start`: the charge is integrated in a log that begins in the air, so what was drawn before is missing.
    """

    keeps_utc: bool = True
    home: Home | None = None
    legs: tuple[Leg, ...] = ()
    breakups: tuple[BrokenPicture, ...] = ()
    pack: Pack | None = None
    events: tuple[Event, ...] = ()
    derived: Mapping[str, str] = field(default_factory=dict)
    charge_from_start: bool = True

    @property
    def ends_in_flight(self) -> bool:
        """Whether the log stops before the aircraft came to rest."""
        return bool(self.legs) and self.legs[-1].name not in ("landing", "on the ground")

    def leg_at(self, time_s: float) -> str | None:
        """Name of the leg at a moment of the flight clock; None outside the flight."""
        return next((leg.name for leg in self.legs if leg.start_s <= time_s < leg.end_s), None)


def pack_of(readings: Readings) -> Pack:
    """The pack, where its capacity is told and can be true; NoAnswerError says why not."""
    pack, (_, drawn) = readings.pack, readings.series("charge_used_mAh")
    if pack is None:
        raise NoAnswerError("the pack's capacity is not given")
    if drawn.max(initial=0.0) > pack.capacity_mAh:
        raise NoAnswerError(
            f"the log counts {drawn.max():.0f} mAh out of a pack said to hold {pack.capacity_mAh:.0f} mAh; mend the pack's "
            "capacity in the flight file, or the sensor's scale"
        )
    return pack


def counted_pack(readings: Readings) -> Pack:
    """The pack, where what was left in it is known as well; NoAnswerError says why not."""
    pack = pack_of(readings)
    if not readings.has("charge_used_mAh"):
        raise NoAnswerError("the log holds neither the charge drawn nor the current")
    if not readings.charge_from_start:
        raise NoAnswerError("the log begins in the air and counts no charge, so what was drawn before is not known")
    return pack


_AT_ONSET = (
    "range_m", "bearing_deg", "height_m", "bank_deg", "pitch_deg", "course_deg", "heading_deg", "ground_speed_mps",
    "airspeed_mps", "control_link_pct", "control_rssi_dBm", "charge_used_mAh", "aerial_off_axis_deg",
    "visibility_pct",
)  # fmt: skip
_PERIODS = {"bearing_deg": 360.0, "course_deg": 360.0, "heading_deg": 360.0}


_SAME_RANGE_M = 125.0


def conditions(readings: Readings, time_s: float) -> dict[str, float | None] | None:
    """The readings at one moment of the flight clock; None outside the log.

    Two are made for the purpose: ``heading_off_home_deg``, how far the nose points to the right of home (−180 … 180),
    and ``other_leg_grade``, the worst grade of the live picture within 125 m of this range on the other leg.
    """
    if not readings.time_s[0] <= time_s <= readings.time_s[-1]:
        return None
    found = {name: float(readings.at(name, time_s, period=_PERIODS.get(name))[0]) for name in _AT_ONSET}
    found["heading_off_home_deg"] = (found["heading_deg"] - found["bearing_deg"]) % 360.0 - 180.0
    found["other_leg_grade"] = _other_leg_grade(readings, time_s, found["range_m"])
    known: dict[str, float | None] = {name: round(value, 3) for name, value in found.items() if math.isfinite(value)}
    return {"time_s": round(time_s, 3), **known}


def _other_leg_grade(readings: Readings, time_s: float, range_m: float) -> float:
    """Worst picture grade at about this range homebound where the moment is outbound, or the other way round; or NaN."""
    other = {"out": "home", "home": "out"}.get(readings.leg_at(time_s) or "")
    there = np.zeros(len(readings.time_s), dtype=bool)
    for leg in readings.legs:
        if leg.name == other:
            there |= (readings.time_s >= leg.start_s) & (readings.time_s < leg.end_s)
    with np.errstate(invalid="ignore"):
        there &= np.abs(readings["range_m"] - range_m) <= _SAME_RANGE_M
    grades = readings["picture_grade"][there]
    known = grades[np.isfinite(grades)]
    return float(known.min()) if len(known) else math.nan
