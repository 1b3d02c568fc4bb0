"""What the topics of a ULog mean, on one clock: UTC by the receiver's time."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from overlay.tracks.angles import course
from overlay.tracks.modes import mode_names
from overlay.tracks.samples import Floats, Samples
from overlay.tracks.source import Source
from overlay.tracks.streams import Stream, joined, slowed
from overlay.tracks.units import DEG_PER_RAD
from overlay.tracks.vehicle_clock import VehicleClock, fit

POSITIONS = ("vehicle_gps_position", "sensor_gps", "vehicle_global_position")
WANTED = frozenset((
    *POSITIONS, "vehicle_attitude", "sensor_combined", "battery_status", "airspeed_validated", "airspeed",
    "wind", "wind_estimate", "vehicle_status", "input_rc",
))  # fmt: skip

Topic = Mapping[str, Floats]


def runs_of(topics: Mapping[str, Topic], source: Source) -> list[Samples]:
    """The one power-up of a ULog as a run; none without positions and attitude."""
    gps = next((topics[name] for name in POSITIONS[:2] if name in topics), None)
    clock = _clock(gps)
    if clock is None:
        source.note("no satellite time in the log: no UTC is named")
    streams = [_stream(topic, columns, clock) for topic, columns in _columns(topics) if columns]
    if not streams:
        return []
    time, columns = joined(streams)
    not_valid = columns.pop("invalid", np.full(len(time), np.nan)) == 1
    modes = mode_names(columns.get("mode", time[:0]), "")
    return [Samples(time, columns, keeps_utc=clock is not None, not_valid=not_valid, modes=modes)]


def _clock(gps: Topic | None) -> VehicleClock | None:
    if gps is None or "time_utc_usec" not in gps:
        return None
    utc = np.where((gps["time_utc_usec"] > 0) & (_fix(gps) >= 3), gps["time_utc_usec"] / 1e6, np.nan)
    return fit(gps["timestamp"] / 1e6, utc)


def _fix(gps: Topic) -> Floats:
    return gps.get("fix_type", np.full(len(gps["timestamp"]), 3.0))


def _stream(topic: Topic, columns: dict[str, Floats], clock: VehicleClock | None) -> Stream:
    time = topic["timestamp"] / 1e6
    return slowed(Stream(clock.to_utc(time) if clock else time, columns))


def _columns(topics: Mapping[str, Topic]) -> list[tuple[Topic, dict[str, Floats]]]:
    """(topic, its columns); where two topics carry one column, the earlier here is taken."""
    position = next((name for name in POSITIONS if name in topics), None)
    readers = {
        "vehicle_attitude": _attitude,
        "sensor_combined": _inertial,
        "battery_status": _battery,
        "airspeed_validated": lambda t: _picked(t, airspeed_mps=("calibrated_airspeed_m_s", "true_airspeed_m_s")),
        "airspeed": lambda t: _picked(t, airspeed_mps=("indicated_airspeed_m_s", "true_airspeed_m_s")),
        "wind": _wind,
        "wind_estimate": _wind,
        "vehicle_status": lambda t: _picked(t, mode=("nav_state",)),
        "input_rc": _receiver,
    }
    result = [(topics[position], _position(topics[position]))] if position else []
    return result + [(topics[name], reader(topics[name])) for name, reader in readers.items() if name in topics]


def _picked(topic: Topic, **wanted: tuple[str, ...]) -> dict[str, Floats]:
    """Columns from the first of the fields that a topic has for each (names differ between firmware versions)."""
    found = {column: next((topic[f] for f in fields if f in topic), None) for column, fields in wanted.items()}
    return {column: values for column, values in found.items() if values is not None}


def _position(t: Topic) -> dict[str, Floats]:
    whole = bool(np.any(np.abs(t["lat"]) > 360)) if "lat" in t else False
    columns = _picked(
        t,
        latitude_deg=("latitude_deg", "lat"),
        longitude_deg=("longitude_deg", "lon"),
        height_m=("altitude_msl_m", "alt"),
        ground_speed_mps=("vel_m_s",),
        satellites=("satellites_used",),
        hdop=("hdop",),
        accuracy_m=("eph",),
    )
    if whole and "latitude_deg" not in t:  # integers of 10⁻⁷ degree and of a millimetre
        scale = {"latitude_deg": 1e-7, "longitude_deg": 1e-7, "height_m": 1e-3}
        columns = {name: values * scale.get(name, 1.0) for name, values in columns.items()}
    if "vel_n_m_s" in t and "vel_e_m_s" in t:
        columns["course_deg"] = course(np.degrees(np.arctan2(t["vel_e_m_s"], t["vel_n_m_s"])))
    if "vel_d_m_s" in t:
        columns["vertical_speed_mps"] = -t["vel_d_m_s"]
    return columns | {"invalid": (_fix(t) < 2).astype(np.float64)}


def _attitude(t: Topic) -> dict[str, Floats]:
    """Bank, pitch and heading of the quaternion (w, x, y, z) from body to earth axes (north, east, down)."""
    if not {f"q[{i}]" for i in range(4)} <= t.keys():
        return {}
    w, x, y, z = (t[f"q[{i}]"] for i in range(4))
    bank = np.arctan2(2 * (w * x + y * z), 1 - 2 * (x * x + y * y))
    pitch = np.arcsin(np.clip(2 * (w * y - z * x), -1.0, 1.0))
    heading = np.arctan2(2 * (w * z + x * y), 1 - 2 * (y * y + z * z))
    columns = {"bank_deg": np.degrees(bank), "pitch_deg": np.degrees(pitch), "heading_deg": course(np.degrees(heading))}
    rates = {"roll_rate_dps": ("rollspeed",), "pitch_rate_dps": ("pitchspeed",), "yaw_rate_dps": ("yawspeed",)}
    return columns | {name: values * DEG_PER_RAD for name, values in _picked(t, **rates).items()}


def _inertial(t: Topic) -> dict[str, Floats]:
    axes = {"roll_rate_dps": "gyro_rad[0]", "pitch_rate_dps": "gyro_rad[1]", "yaw_rate_dps": "gyro_rad[2]"}
    columns = {name: t[field] * DEG_PER_RAD for name, field in axes.items() if field in t}
    sensed = {f"acceleration_{axis}_mps2": f"accelerometer_m_s2[{i}]" for i, axis in enumerate("xyz")}
    return columns | {name: t[field] for name, field in sensed.items() if field in t}


def _battery(t: Topic) -> dict[str, Floats]:
    columns = _picked(t, voltage_V=("voltage_v",), current_A=("current_a",), charge_used_mAh=("discharged_mah",))
    if "remaining" in t:
        columns["pack_remaining_pct"] = np.where(t["remaining"] >= 0, t["remaining"] * 100.0, np.nan)
    return {name: np.where(values >= 0, values, np.nan) for name, values in columns.items()}


def _wind(t: Topic) -> dict[str, Floats]:
    if not {"windspeed_north", "windspeed_east"} <= t.keys():
        return {}
    north, east = t["windspeed_north"], t["windspeed_east"]
    return {"wind_speed_mps": np.hypot(north, east), "wind_from_deg": course(np.degrees(np.arctan2(-east, -north)))}


def _receiver(t: Topic) -> dict[str, Floats]:
    """Control link: quality in percent where the receiver gives it, else its strength of 0 … 100; −1 is not known."""
    columns = _picked(t, control_link_pct=("link_quality", "rssi"), control_rssi_dBm=("rssi_dbm",))
    if "control_link_pct" in columns:
        value = columns["control_link_pct"]
        columns["control_link_pct"] = np.where((value >= 0) & (value <= 100), value, np.nan)
    return columns
