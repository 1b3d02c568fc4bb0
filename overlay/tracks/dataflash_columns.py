"""What the messages of a DataFlash log mean, and one clock for them all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from overlay.tracks.angles import course
from overlay.tracks.modes import mode_names
from overlay.tracks.samples import Bools, Floats, Samples
from overlay.tracks.source import Source
from overlay.tracks.streams import Stream, joined, slowed
from overlay.tracks.units import DEG_PER_RAD
from overlay.tracks.vehicle_clock import VehicleClock, fit, utc_of_gps

if TYPE_CHECKING:
    from overlay.tracks.dataflash import Message

Messages = Mapping[str, "Message"]

# message -> {field: (column, factor)}; a column that two messages carry is taken from the earlier one
_COLUMNS: dict[str, dict[str, tuple[str, float]]] = {
    "GPS": {
        "Lat": ("latitude_deg", 1.0), "Lng": ("longitude_deg", 1.0), "Alt": ("height_m", 1.0),
        "Spd": ("ground_speed_mps", 1.0), "GCrs": ("course_deg", 1.0), "VZ": ("vertical_speed_mps", -1.0),
        "NSats": ("satellites", 1.0), "HDop": ("hdop", 1.0),
    },
    "GPA": {"HAcc": ("accuracy_m", 1.0)},
    "ATT": {"Roll": ("bank_deg", 1.0), "Pitch": ("pitch_deg", 1.0), "Yaw": ("heading_deg", 1.0)},
    "IMU": {
        "GyrX": ("roll_rate_dps", DEG_PER_RAD), "GyrY": ("pitch_rate_dps", DEG_PER_RAD),
        "GyrZ": ("yaw_rate_dps", DEG_PER_RAD), "AccX": ("acceleration_x_mps2", 1.0),
        "AccY": ("acceleration_y_mps2", 1.0), "AccZ": ("acceleration_z_mps2", 1.0),
    },
    "ARSP": {"Airspeed": ("airspeed_mps", 1.0)},
    "CTUN": {
        "Aspd": ("airspeed_mps", 1.0), "As": ("airspeed_mps", 1.0),
        "ThrOut": ("throttle_pct", 1.0), "ThO": ("throttle_pct", 1.0),
    },
    "BAT": {
        "Volt": ("voltage_V", 1.0), "Curr": ("current_A", 1.0), "CurrTot": ("charge_used_mAh", 1.0),
        "RemPct": ("pack_remaining_pct", 1.0),
    },
    "CURR": {"Volt": ("voltage_V", 1.0), "Curr": ("current_A", 1.0), "CurrTot": ("charge_used_mAh", 1.0)},
    "POS": {"RelHomeAlt": ("height_over_home_m", 1.0)},
    "BARO": {"Alt": ("height_over_home_m", 1.0)},
    "RSSI": {"RXRSSI": ("control_link_pct", 100.0)},
    "XKF2": {"VWN": ("wind_north_mps", 1.0), "VWE": ("wind_east_mps", 1.0)},
    "NKF2": {"VWN": ("wind_north_mps", 1.0), "VWE": ("wind_east_mps", 1.0)},
}  # fmt: skip
_INSTANCE = ("I", "Inst", "Instance", "C")
_FAST = ("IMU",)
MOST_POWER_UPS = 100
WANTED = frozenset((*_COLUMNS, "MODE", "MSG"))


def runs_of(messages: Messages, source: Source) -> list[Samples]:
    """One run for each power-up that a log holds."""
    boots = _boots(messages)
    count = max((int(numbers.max()) + 1 for numbers in boots.values() if len(numbers)), default=0)
    if count > MOST_POWER_UPS:
        raise source.error(f"a vehicle clock that starts again {count} times", "copy the log from the autopilot again")
    runs = []
    for boot in range(count):
        part = {name: _some(messages[name], numbers == boot) for name, numbers in boots.items()}
        run = _run({name: message for name, message in part.items() if len(message.place)}, source)
        if run is not None:
            runs.append(run)
    if count > 1:
        source.note(f"the vehicle's clock starts {count} times: a run from each")
    return runs


def vehicle_time(message: Message) -> Floats | None:
    """Seconds since power-up of each message, None where it carries none."""
    for name, factor in (("TimeUS", 1e-6), ("T", 1e-3), ("TimeMS", 1e-3)):
        if name in message.fields and not (name == "TimeMS" and "Week" in message.fields):
            return message.fields[name] * factor
    return None


def _some(message: Message, rows: Bools) -> Message:
    from overlay.tracks.dataflash import Message as Kind

    chosen = np.flatnonzero(rows)
    texts = {name: [values[i] for i in chosen] for name, values in message.texts.items()}
    return Kind(message.place[rows], {name: values[rows] for name, values in message.fields.items()}, texts)


def _boots(messages: Messages) -> dict[str, NDArray[np.int64]]:
    """Which power-up each message belongs to, -1 where its stamp fits none: the clock falls back for good at each."""
    times = {name: vehicle_time(message) for name, message in messages.items()}
    known = {name: time for name, time in times.items() if time is not None and len(time)}
    if not known:
        return {}
    place = np.concatenate([messages[name].place for name in known])
    stamp = np.concatenate(list(known.values()))
    order = np.argsort(place, kind="stable")
    smooth = _running_median(stamp[order])
    boot = np.cumsum(np.concatenate(([0], (np.diff(smooth) < -10.0).astype(np.int64))))
    fits = np.abs(stamp[order] - smooth) < 10.0
    result = np.empty(len(stamp), np.int64)
    result[order] = np.where(fits, boot, -1)
    ends = np.cumsum([len(time) for time in known.values()])
    return dict(zip(known, np.split(result, ends[:-1]), strict=True))


def _running_median(values: Floats, width: int = 11) -> Floats:
    """Median over `width` neighbours, the ends repeated; unmoved by a few wild stamps."""
    if len(values) < 3:
        return values
    filled = np.where(np.isfinite(values), values, np.nanmedian(values) if np.isfinite(values).any() else 0.0)
    padded = np.pad(filled, width // 2, mode="edge")
    return np.asarray(np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1), dtype=np.float64)


def _run(messages: Messages, source: Source) -> Samples | None:
    """One power-up on one clock; None when it holds neither a position nor attitude."""
    if not messages.keys() & {"GPS", "ATT", "IMU"}:
        return None
    clock = _clock(messages)
    streams, not_valid = [], Stream(np.zeros(0), {})
    for name, wanted in _COLUMNS.items():
        message = _first_instance(messages[name]) if name in messages else None
        time = vehicle_time(message) if message is not None else None
        if message is None or time is None:
            continue
        columns = {column: message.fields[f] * factor for f, (column, factor) in wanted.items() if f in message.fields}
        stream = Stream(clock.to_utc(time) if clock else time, columns)
        streams.append(slowed(stream) if name in _FAST else stream)
        if name == "GPS":
            not_valid = Stream(stream.time_s, {"invalid": _invalid(message)})
    modes = _modes(messages, clock, streams)
    time, columns = joined([*streams, not_valid])
    if not len(time):
        return None
    invalid = columns.pop("invalid", np.full(len(time), np.nan)) == 1
    if clock is None:
        source.note("no GPS time in the log: no UTC is named")
    elif clock.knots is not None or abs(clock.rate - 1) > 1e-3:
        source.note(f"the vehicle's clock runs at {clock.rate:.4f} of GPS time: all its stamps put on GPS time")
    return Samples(time, _settled(columns), keeps_utc=clock is not None, not_valid=invalid, modes=modes)


def _clock(messages: Messages) -> VehicleClock | None:
    if "GPS" not in messages:
        return None
    gps = _first_instance(messages["GPS"])
    vehicle = vehicle_time(gps)
    week = gps.fields.get("GWk", gps.fields.get("Week"))
    milliseconds = gps.fields.get("GMS", gps.fields.get("TimeMS"))
    if vehicle is None or week is None or milliseconds is None:
        return None
    utc = utc_of_gps(week, milliseconds)
    return fit(vehicle, np.where(_invalid(gps) == 1, np.nan, utc))


def _first_instance(message: Message) -> Message:
    for name in _INSTANCE:
        if name in message.fields and len(message.place):
            return _some(message, message.fields[name] == np.nanmin(message.fields[name]))
    return message


def _invalid(gps: Message) -> Floats:
    """1 where the receiver had no fix, else 0: status 3 and up is one; 2 where a log knows no 3 (early firmware)."""
    status = gps.fields.get("Status")
    if status is None:
        return np.zeros(len(gps.place))
    least = 3 if (status >= 3).any() else 2
    return np.where(status >= least, 0.0, 1.0)


def _settled(columns: dict[str, Floats]) -> dict[str, Floats]:
    """Wind as speed and direction, early firmware's hundredths, fractions as percent, headings in [0, 360)."""
    north, east = columns.pop("wind_north_mps", None), columns.pop("wind_east_mps", None)
    if north is not None and east is not None:
        columns["wind_speed_mps"] = np.hypot(north, east)
        columns["wind_from_deg"] = course(np.degrees(np.arctan2(-east, -north)))
    voltage = columns.get("voltage_V")
    if voltage is not None and np.isfinite(voltage).any() and np.nanmedian(voltage) > 100:
        columns["voltage_V"] = voltage / 100.0
        columns["current_A"] = columns.get("current_A", voltage * np.nan) / 100.0
    for name in ("course_deg", "heading_deg"):
        if name in columns:
            columns[name] = course(columns[name])
    throttle = columns.get("throttle_pct")
    if throttle is not None and np.isfinite(throttle).any() and np.nanmax(throttle) <= 1.0:
        columns["throttle_pct"] = throttle * 100.0  # copters log a fraction, aeroplanes percent (from memory)
    if "control_link_pct" in columns:
        columns["control_link_pct"] = np.clip(columns["control_link_pct"], 0.0, 100.0)
    return columns


def _modes(messages: Messages, clock: VehicleClock | None, streams: list[Stream]) -> dict[int, str]:
    """Flight modes as a stream of small integers, and their names."""
    message = messages.get("MODE")
    time = vehicle_time(message) if message is not None else None
    if message is None or time is None:
        return {}
    numbers = message.fields.get("ModeNum", message.fields.get("Mode", np.full(len(time), np.nan)))
    streams.append(Stream(clock.to_utc(time) if clock else time, {"mode": numbers}))
    texts = message.texts.get("Mode", [])
    named = {int(n): text.lower() for n, text in zip(numbers, texts, strict=False) if np.isfinite(n)}
    return named or _mode_names(numbers, messages.get("MSG"))


def _mode_names(numbers: Floats, banner: Message | None) -> dict[int, str]:
    texts: Sequence[str] = banner.texts.get("Message", []) if banner is not None else []
    kind = next((kind for kind in ("plane", "copter") if any(kind in text.lower() for text in texts)), "")
    return mode_names(numbers, kind)
