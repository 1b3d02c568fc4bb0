"""What every reader returns.

Columns (all float64, NaN where unknown), the unit in the name:

===========================  =======================================================================
latitude_deg, longitude_deg  WGS 84
height_m                     as the log gives it: over mean sea level unless `height_over_home_m`
height_over_home_m           where the log counts from its start
pressure_height_m            over 1013.25 hPa, where the log keeps it beside the satellites' height
ground_speed_mps, course_deg over the ground, 0 = true north, clockwise, [0, 360)
vertical_speed_mps           up is positive
airspeed_mps                 as logged (indicated or true: logs seldom say)
heading_deg                  of the nose, [0, 360)
bank_deg, pitch_deg          right wing down and nose up are positive
roll_rate_dps, pitch_rate_dps, yaw_rate_dps    body axes: forward, right, down
acceleration_{x,y,z}_mps2    body axes, as sensed (at rest: z = −9.81)
voltage_V, current_A, charge_used_mAh, pack_remaining_pct, throttle_pct
control_link_pct             0 none … 100 perfect
control_rssi_dBm, control_snr_dB, control_power_mW    the better of two receivers
telemetry_link_pct, telemetry_rssi_dBm, telemetry_snr_dB    the way back, as the ground hears it
wind_speed_mps, wind_from_deg    as the autopilot estimated it
satellites, hdop, accuracy_m, mode   (mode: small integers; `Track.modes` names them)
aerial_bearing_deg           where a tracking ground aerial pointed
===========================  =======================================================================
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntFlag

import numpy as np
from numpy.typing import NDArray

from overlay.errors import Damage
from overlay.timetable import TimeTable


class Fix(IntFlag):
    """What is odd about a row's position; 0 is a good fix of its own."""

    GOOD = 0
    STALE = 1  # repeats the last position while the log went on
    JUMP = 2  # farther from its neighbours than any model flies
    NOT_VALID = 4  # the receiver itself said so, or no position on this row


@dataclass(frozen=True)
class Track(TimeTable):
    """One flight of one log. `time_s` is POSIX seconds where `keeps_utc`, else seconds from the first row.

    `fix` (N,) holds `Fix` bits. Rows whose position is not GOOD keep their other columns; `position` drops them.
    `gaps` are (start_s, end_s) spans without good fixes, far longer than the log's own interval.
    """

    keeps_utc: bool = True
    fix: NDArray[np.uint8] = field(default_factory=lambda: np.zeros(0, np.uint8))
    gaps: tuple[tuple[float, float], ...] = ()
    modes: Mapping[int, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        super().__post_init__()
        fix = self.fix if len(self.fix) else np.zeros(len(self.time_s), np.uint8)
        if fix.shape != self.time_s.shape:
            raise ValueError(f"fix has shape {fix.shape}, the time axis {self.time_s.shape}")
        object.__setattr__(self, "fix", fix)

    def position(self) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """(time_s, latitude_deg, longitude_deg) of the good fixes."""
        good = (self.fix == Fix.GOOD) & np.isfinite(self["latitude_deg"]) & np.isfinite(self["longitude_deg"])
        return self.time_s[good], self["latitude_deg"][good], self["longitude_deg"][good]


@dataclass(frozen=True)
class Log:
    """A log file as read: its format in plain words, its flights in order, and what was damaged or dropped."""

    path: str
    format: str
    flights: tuple[Track, ...]
    damage: tuple[Damage, ...] = ()
