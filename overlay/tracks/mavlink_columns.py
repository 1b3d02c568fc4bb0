"""What MAVLink's common messages mean (published message definitions, mavlink.io), on one clock."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from overlay.tracks.angles import course
from overlay.tracks.modes import mode_names
from overlay.tracks.samples import Floats, Samples
from overlay.tracks.source import Source
from overlay.tracks.streams import Stream, joined
from overlay.tracks.units import DEG_PER_RAD
from overlay.tracks.vehicle_clock import fit

Fields = Mapping[str, Floats]
Messages = Mapping[tuple[int, str], Fields]

FULL_U16, FULL_U8 = 65535.0, 255.0  # "not known" in unsigned fields
_GROUND_TYPES = (5, 6)  # MAV_TYPE: antenna tracker, ground control station
_TRACKER = 5
MOST_POWER_UPS = 100
WANTED = frozenset((
    "HEARTBEAT", "SYS_STATUS", "GPS_RAW_INT", "ATTITUDE", "GLOBAL_POSITION_INT", "RC_CHANNELS", "RC_CHANNELS_RAW",
    "VFR_HUD", "BATTERY_STATUS", "WIND",
))  # fmt: skip


def vehicle_of(messages: Messages) -> int | None:
    """The system that flew: of those that are no ground station, the one with most positions and attitudes."""
    ground = {
        system for system, name in messages if name == "HEARTBEAT" and _type(messages[system, name]) in _GROUND_TYPES
    }
    counts: dict[int, int] = {}
    for (system, name), fields in messages.items():
        if name in ("GLOBAL_POSITION_INT", "GPS_RAW_INT", "ATTITUDE") and system not in ground:
            counts[system] = counts.get(system, 0) + len(fields["place"])
    return max(counts, key=lambda system: counts[system], default=None)


def _type(heartbeat: Fields) -> int:
    return int(np.median(heartbeat["type"]))


def runs_of(messages: Messages, vehicle: int, source: Source) -> list[Samples]:
    """One run for each power-up: where the vehicle's time since power-up falls back for good."""
    own = {name: fields for (system, name), fields in messages.items() if system == vehicle}
    edges = _power_ups(own)
    if len(edges) >= MOST_POWER_UPS:
        raise source.error(
            f"a vehicle clock that starts again {len(edges)} times", "copy the log from the recorder again"
        )
    if len(edges):
        source.note(f"the vehicle powered up {len(edges) + 1} times: a run from each")
    runs = []
    for first, last in zip([-np.inf, *edges], [*edges, np.inf], strict=True):
        part = {name: _between(fields, first, last) for name, fields in own.items()}
        tracker = [
            _between(f, first, last) for (s, n), f in messages.items() if n == "ATTITUDE" and _is_tracker(messages, s)
        ]
        runs.append(_run({name: f for name, f in part.items() if len(f["place"])}, tracker[:1], source))
    return [run for run in runs if len(run.time_s)]


def _is_tracker(messages: Messages, system: int) -> bool:
    return (system, "HEARTBEAT") in messages and _type(messages[system, "HEARTBEAT"]) == _TRACKER


def _between(fields: Fields, first: float, last: float) -> dict[str, Floats]:
    rows = (fields["place"] >= first) & (fields["place"] < last)
    return {name: values[rows] for name, values in fields.items()}


def _power_ups(own: Mapping[str, Fields]) -> list[float]:
    """Places in the file where the vehicle's clock begins again; a lone stamp out of line is none."""
    booted = [fields for fields in own.values() if "time_boot_ms" in fields]
    if not booted:
        return []
    place = np.concatenate([fields["place"] for fields in booted])
    boot = np.concatenate([fields["time_boot_ms"] for fields in booted])[np.argsort(place)] / 1000.0
    place = np.sort(place)
    edges = []
    for i in np.flatnonzero(np.diff(boot) < -10.0) + 1:
        before, after = np.median(boot[max(i - 5, 0) : i]), np.median(boot[i : i + 5])
        if after < before - 10.0:
            edges.append(float(place[i]))
    return edges


class _Times:
    """Recorder's time of messages, without the link's jitter where they carry time since power-up."""

    def __init__(self, own: Mapping[str, Fields], source: Source) -> None:
        booted = [fields for fields in own.values() if "time_boot_ms" in fields]
        boot = np.concatenate([f["time_boot_ms"] for f in booted]) / 1000.0 if booted else np.zeros(0)
        stamp = np.concatenate([f["stamp_s"] for f in booted]) if booted else np.zeros(0)
        order = np.argsort(stamp, kind="stable")
        self._clock = fit(boot[order], stamp[order])
        self.keeps_utc = True
        if self._clock is not None and abs(self._clock.rate - 1.0) > 0.02:
            source.note(f"recorded from a replay at {1 / self._clock.rate:.2f} times the speed: no UTC is named")
            self.keeps_utc = False
        if self._clock is not None and self._clock.knots is not None and self.keeps_utc:
            self._clock = None  # the recorder's clock wandered: its stamps are kept as they are

    def of(self, fields: Fields) -> Floats:
        """Seconds: POSIX while `keeps_utc`, else since the vehicle's power-up."""
        if self._clock is None:
            return fields["stamp_s"]
        if "time_boot_ms" not in fields:
            if self.keeps_utc:
                return fields["stamp_s"]
            return (fields["stamp_s"] - self._clock.offset_s) / self._clock.rate
        boot = fields["time_boot_ms"] / 1000.0
        return self._clock.to_utc(boot) if self.keeps_utc else boot


def _run(own: Mapping[str, Fields], tracker: list[dict[str, Floats]], source: Source) -> Samples:
    times = _Times(own, source)
    streams = [Stream(times.of(own[name]), columns) for name, columns in _columns(own).items()]
    streams += [Stream(times.of(f), {"aerial_bearing_deg": course(f["yaw"] * DEG_PER_RAD)}) for f in tracker]
    position, invalid = _position(own)
    if position:
        stream = Stream(times.of(own[position]), {"invalid": invalid})
        streams.append(stream)
    time, columns = joined(streams)
    not_valid = columns.pop("invalid", np.full(len(time), np.nan)) == 1
    modes = mode_names(columns.get("mode", time[:0]), _vehicle_kind(own))
    return Samples(time, columns, keeps_utc=times.keeps_utc, not_valid=not_valid, modes=modes)


def _vehicle_kind(own: Mapping[str, Fields]) -> str:
    """Whose table of modes holds: MAV_TYPE 1 and 19 … 25 fly on wings, 2 … 4, 13 … 15 on rotors; MAV_AUTOPILOT 3."""
    heartbeat = own.get("HEARTBEAT")
    if heartbeat is None or int(np.median(heartbeat["autopilot"])) != 3:
        return ""
    kind = _type(heartbeat)
    return "plane" if kind == 1 or 19 <= kind <= 25 else "copter" if kind in (2, 3, 4, 13, 14, 15) else ""


def _columns(own: Mapping[str, Fields]) -> dict[str, dict[str, Floats]]:
    """Columns by message; where two messages carry one column, the earlier here is taken."""
    result: dict[str, dict[str, Floats]] = {}
    position, _ = _position(own)
    if position:
        result[position] = _global(own[position]) if position == "GLOBAL_POSITION_INT" else _raw(own[position])
    if "GPS_RAW_INT" in own:
        gps = own["GPS_RAW_INT"]
        quality = {
            "satellites": _known(gps["satellites_visible"], FULL_U8),
            "hdop": _known(gps["eph"], FULL_U16) / 100.0,
        }
        result["GPS_RAW_INT"] = result.get("GPS_RAW_INT", {}) | quality
    for name, reader in _READERS.items():
        if name in own:
            result[name] = reader(own[name])
    return {name: {c: v for c, v in columns.items() if np.isfinite(v).any()} for name, columns in result.items()}


def _position(own: Mapping[str, Fields]) -> tuple[str, Floats]:
    """(message to take positions from, 1 where not valid): the fused one, unless the receiver's come more often."""
    fused, raw = own.get("GLOBAL_POSITION_INT"), own.get("GPS_RAW_INT")
    if fused is None and raw is None:
        return "", np.zeros(0)
    if fused is None or (raw is not None and len(raw["place"]) > 2 * len(fused["place"])):
        assert raw is not None
        return "GPS_RAW_INT", (raw["fix_type"] < 2).astype(np.float64)
    if raw is None:
        return "GLOBAL_POSITION_INT", np.zeros(len(fused["place"]))
    latest = np.clip(np.searchsorted(raw["place"], fused["place"], side="right") - 1, 0, None)
    return "GLOBAL_POSITION_INT", (raw["fix_type"][latest] < 2).astype(np.float64)


def _global(f: Fields) -> dict[str, Floats]:
    return {
        "latitude_deg": f["lat"] * 1e-7,
        "longitude_deg": f["lon"] * 1e-7,
        "height_m": f["alt"] / 1000.0,
        "height_over_home_m": f["relative_alt"] / 1000.0,
        "ground_speed_mps": np.hypot(f["vx"], f["vy"]) / 100.0,
        "course_deg": course(np.degrees(np.arctan2(f["vy"], f["vx"]))),
        "vertical_speed_mps": -f["vz"] / 100.0,
    }


def _raw(f: Fields) -> dict[str, Floats]:
    return {
        "latitude_deg": f["lat"] * 1e-7,
        "longitude_deg": f["lon"] * 1e-7,
        "height_m": f["alt"] / 1000.0,
        "ground_speed_mps": _known(f["vel"], FULL_U16) / 100.0,
        "course_deg": course(_known(f["cog"], FULL_U16) / 100.0),
    }


def _attitude(f: Fields) -> dict[str, Floats]:
    angles = {"bank_deg": f["roll"], "pitch_deg": f["pitch"]}
    rates = {"roll_rate_dps": f["rollspeed"], "pitch_rate_dps": f["pitchspeed"], "yaw_rate_dps": f["yawspeed"]}
    columns = {name: values * DEG_PER_RAD for name, values in (angles | rates).items()}
    return columns | {"heading_deg": course(f["yaw"] * DEG_PER_RAD)}


def _vfr(f: Fields) -> dict[str, Floats]:
    columns = {"ground_speed_mps": f["groundspeed"], "vertical_speed_mps": f["climb"], "throttle_pct": f["throttle"]}
    sensed = np.any(f["airspeed"] != 0) and not np.array_equal(f["airspeed"], f["groundspeed"])
    return columns | ({"airspeed_mps": f["airspeed"]} if sensed else {})


def _status(f: Fields) -> dict[str, Floats]:
    return {
        "voltage_V": _known(f["voltage_battery"], FULL_U16) / 1000.0,
        "current_A": _known(f["current_battery"], -1.0) / 100.0,
        "pack_remaining_pct": _known(f["battery_remaining"], -1.0),
    }


def _battery(f: Fields) -> dict[str, Floats]:
    own = f["id"] == np.min(f["id"])
    return {"charge_used_mAh": np.where(own, _known(f["current_consumed"], -1.0), np.nan)}


def _channels(f: Fields) -> dict[str, Floats]:
    strength = _known(f["rssi"], FULL_U8)
    return {"control_link_pct": strength / 2.54 if np.nan_to_num(strength).any() else np.full(len(strength), np.nan)}


def _wind(f: Fields) -> dict[str, Floats]:
    return {"wind_speed_mps": f["speed"], "wind_from_deg": course(f["direction"])}


def _heartbeat(f: Fields) -> dict[str, Floats]:
    return {"mode": f["custom_mode"]}


_READERS = {
    "ATTITUDE": _attitude,
    "VFR_HUD": _vfr,
    "SYS_STATUS": _status,
    "BATTERY_STATUS": _battery,
    "RC_CHANNELS": _channels,
    "RC_CHANNELS_RAW": _channels,
    "WIND": _wind,
    "HEARTBEAT": _heartbeat,
}


def _known(values: Floats, unknown: float) -> Floats:
    return np.where(values == unknown, np.nan, values)
