"""The radio's own log: a CSV that holds everything the aircraft sent down, as often as it got through.

As real ones do, it repeats what has not been renewed, loses rows when the link is weak, and rounds. Times are UTC.
"""

from __future__ import annotations

import csv
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from overlay_samples.flight import Flight
from overlay_samples.logs import Fixes, receive

Floats = NDArray[np.float64]

HEADER = (
    "Date", "Time (UTC)", "Latitude (deg)", "Longitude (deg)", "Altitude (m)", "Ground speed (km/h)", "Course (deg)",
    "Satellites", "Roll (rad)", "Pitch (rad)", "Yaw (rad)", "Airspeed (km/h)", "Throttle (%)", "Battery (V)",
    "Current (A)", "Charge used (mAh)", "Link quality (%)", "RSSI (dBm)",
)  # fmt: skip
_BATTERY_RATE_Hz = 4.0
TELEMETRY_DELAY_S = 0.03  # attitude and speed lie so much behind the time of their row
_LINK_LOST_PCT = 25.0


def write_csv(path: Path, flight: Flight, fixes: Fixes | None = None, *, rate_Hz: float | None = None) -> Path:
    """Write the log at `rate_Hz` with positions from `fixes`; None takes what the scenario says."""
    rate = flight.scenario.log_rate_Hz if rate_Hz is None else rate_Hz
    fixes = receive(flight) if fixes is None else fixes
    stamps = _row_times(flight, rate)
    columns = _columns(flight, fixes, stamps)
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow([name for name in HEADER if name in ("Date", "Time (UTC)") or name in columns])
        for row, stamp in enumerate(stamps):
            hundredths = round(stamp * 100)
            moment = datetime.fromtimestamp(hundredths // 100, UTC)
            time = f"{moment:%H:%M:%S}.{hundredths % 100:02d}0"
            writer.writerow([f"{moment:%Y-%m-%d}", time, *(values[row] for values in columns.values())])
    return path


def _row_times(flight: Flight, rate: float) -> Floats:
    """Nearly even times with a radio's unrest, and without the spells that were not written."""
    s = flight.scenario
    rng = np.random.default_rng([s.seed, 20])
    count = int(flight.duration_s * rate)
    stamps = flight.start_s + 0.05 + (np.arange(count) + rng.uniform(-0.08, 0.08, count)) / rate
    stamps = np.round(stamps, 2)
    flown = flight.span("flying")
    for _ in range(s.log_gaps):
        start = rng.uniform(flown[0] + 10, max(flown[1] - 10, flown[0] + 11))
        stamps = stamps[(stamps < start) | (stamps > start + rng.uniform(1.2, 3.5))]
    return np.unique(stamps)


def _held_while_lost(flight: Flight, stamps: Floats) -> NDArray[np.intp]:
    """For each row the last row whose message came through: its own, as a rule."""
    quality = flight.at(flight.control[1], stamps)
    came = np.where(quality > _LINK_LOST_PCT, np.arange(len(stamps)), 0)
    return np.maximum.accumulate(came)


def _columns(flight: Flight, fixes: Fixes, stamps: Floats) -> dict[str, list[str]]:
    """Text of each column, row by row, in the header's order."""
    rng = np.random.default_rng([flight.scenario.seed, 21])
    held = _held_while_lost(flight, stamps)
    shown = stamps[held]
    fix = np.clip(np.searchsorted(fixes.time_s, shown - TELEMETRY_DELAY_S, side="right") - 1, 0, len(fixes) - 1)
    seen = shown - TELEMETRY_DELAY_S
    power = np.floor(seen * _BATTERY_RATE_Hz) / _BATTERY_RATE_Hz
    strength, quality = flight.control
    yaw = (flight.at(flight.heading_rad, seen) + np.pi) % (2 * np.pi) - np.pi  # wraps to negative, as autopilots do
    noise = 0.006 * rng.standard_normal((3, len(stamps)))[:, held]
    air = np.maximum(flight.at(flight.airspeed_mps, seen) + 0.25 * rng.standard_normal(len(stamps))[held], 0) * 3.6
    numbers: dict[str, tuple[Floats, int]] = {
        "Latitude (deg)": (fixes.latitude_deg[fix], 7),
        "Longitude (deg)": (fixes.longitude_deg[fix], 7),
        "Altitude (m)": (fixes.height_m[fix], 0),
        "Ground speed (km/h)": (fixes.ground_speed_mps[fix] * 3.6, 1),
        "Course (deg)": (fixes.course_deg[fix], 1),
        "Satellites": (fixes.satellites[fix].astype(np.float64), 0),
        "Roll (rad)": (flight.at(flight.bank_rad, seen) + noise[0], 3),
        "Pitch (rad)": (flight.at(flight.pitch_rad, seen) + noise[1], 3),
        "Yaw (rad)": (yaw + noise[2], 3),
        "Airspeed (km/h)": (air, 1),
        "Throttle (%)": (flight.at(flight.throttle, seen) * 100, 0),
        "Battery (V)": (flight.at(flight.voltage_V, power), 2),
        "Current (A)": (flight.at(flight.current_A, power), 1),
        "Charge used (mAh)": (flight.at(flight.charge_used_mAh, power), 0),
        "Link quality (%)": (flight.at(quality, shown), 0),
        "RSSI (dBm)": (flight.at(strength, shown), 0),
    }
    if not flight.scenario.log_airspeed:
        del numbers["Airspeed (km/h)"]
    return {name: [f"{value:.{digits}f}" for value in values] for name, (values, digits) in numbers.items()}
