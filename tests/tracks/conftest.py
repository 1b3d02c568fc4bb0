"""A flight with known truth, and writers of it in every format, none of them sharing code with the readers."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from overlay.tracks import Track, read_log

START = datetime(2026, 5, 3, 10, 15, 0, tzinfo=UTC)
HOME = 46.5, -12.25  # in the open sea: nobody's place
EARTH_M = 6378137.0


@dataclass
class Flown:
    """Truth at `time_s` (POSIX): a stand, an outbound leg, two turns of a loiter, the way home, a stand."""

    time_s: np.ndarray
    latitude_deg: np.ndarray
    longitude_deg: np.ndarray
    height_m: np.ndarray
    speed_mps: np.ndarray
    course_deg: np.ndarray
    bank_deg: np.ndarray

    def __len__(self) -> int:
        return len(self.time_s)

    def moments(self) -> list[datetime]:
        return [datetime.fromtimestamp(round(t, 3), UTC) for t in self.time_s]


def fly(rate_hz: float = 5.0, start: datetime = START, stand_s: float = 15.0) -> Flown:
    """Speeds and turn rates by the clock, integrated to positions on a plane by small steps."""
    step = 0.02
    clock = np.arange(0.0, 2 * stand_s + 210.0, step)
    flying = (clock >= stand_s) & (clock < clock[-1] - stand_s)
    speed = np.where(
        flying, np.clip((clock - stand_s) * 4.0, 0, 17.0) * np.clip((clock[-1] - stand_s - clock) / 4, 0, 1), 0
    )
    since = clock - stand_s
    turning = ((since > 60) & (since < 140)) | ((since > 170) & (since < 175))
    turn_dps = np.where(turning & flying, 9.0, 0.0)
    course = np.mod(62.0 + np.cumsum(turn_dps) * step, 360.0)
    north = np.cumsum(speed * np.cos(np.radians(course))) * step
    east = np.cumsum(speed * np.sin(np.radians(course))) * step
    height = 20.0 + 80.0 * np.clip(since / 30, 0, 1) * np.clip((180.0 - since) / 30, 0, 1)
    bank = np.degrees(np.arctan(np.radians(turn_dps) * speed / 9.80665))
    pick = np.round(np.arange(0, clock[-1], 1 / rate_hz) / step).astype(int)
    latitude = HOME[0] + np.degrees(north / EARTH_M)
    longitude = HOME[1] + np.degrees(east / (EARTH_M * math.cos(math.radians(HOME[0]))))
    return Flown(
        start.timestamp() + pick * step, *(a[pick] for a in (latitude, longitude, height, speed, course, bank))
    )


def iso(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%dT%H:%M:%S.") + f"{moment.microsecond // 1000:03d}Z"


def gpx(flown: Flown) -> bytes:
    points = "".join(
        f'<trkpt lat="{la:.7f}" lon="{lo:.7f}"><ele>{h:.2f}</ele><time>{iso(m)}</time>'
        f"<extensions><x:speed>{v:.2f}</x:speed><x:course>{c:.2f}</x:course></extensions></trkpt>\n"
        for m, la, lo, h, v, c in zip(
            flown.moments(), flown.latitude_deg, flown.longitude_deg, flown.height_m, flown.speed_mps, flown.course_deg,
            strict=True,
        )
    )  # fmt: skip
    head = '<?xml version="1.0" encoding="UTF-8"?><gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1"'
    return f'{head} xmlns:x="http://example.org/x"><trk><trkseg>\n{points}</trkseg></trk></gpx>\n'.encode()


def kml(flown: Flown) -> bytes:
    when = "".join(f"<when>{iso(m)}</when>" for m in flown.moments())
    place = "".join(
        f"<gx:coord>{lo:.7f} {la:.7f} {h:.2f}</gx:coord>"
        for la, lo, h in zip(flown.latitude_deg, flown.longitude_deg, flown.height_m, strict=True)
    )
    angles = "".join(
        f"<gx:angles>{c:.2f} 0 {b:.2f}</gx:angles>" for c, b in zip(flown.course_deg, flown.bank_deg, strict=True)
    )
    speeds = "".join(f"<gx:value>{v * 3.6:.2f}</gx:value>" for v in flown.speed_mps)
    array = f'<gx:SimpleArrayData name="Speed (km/h)">{speeds}</gx:SimpleArrayData>'
    array = f"<ExtendedData><SchemaData>{array}</SchemaData></ExtendedData>"
    head = '<kml xmlns="http://www.opengis.net/kml/2.2" xmlns:gx="http://www.google.com/kml/ext/2.2">'
    track = f"<gx:Track><altitudeMode>absolute</altitudeMode>{when}{place}{angles}{array}</gx:Track>"
    return f"{head}<Document><Placemark>{track}</Placemark></Document></kml>".encode()


def sentence(body: str) -> str:
    check = 0
    for letter in body.encode():
        check ^= letter
    return f"${body}*{check:02X}\r\n"


def degrees_minutes(value: float, width: int) -> str:
    whole = int(abs(value))
    return f"{whole:0{width}d}{(abs(value) - whole) * 60:010.7f}"


def nmea(flown: Flown) -> bytes:
    lines = []
    for m, la, lo, h, v, c in zip(
        flown.moments(),
        flown.latitude_deg,
        flown.longitude_deg,
        flown.height_m,
        flown.speed_mps,
        flown.course_deg,
        strict=True,
    ):
        clock = m.strftime("%H%M%S.") + f"{m.microsecond // 10000:02d}"
        place = f"{degrees_minutes(la, 2)},{'N' if la >= 0 else 'S'},{degrees_minutes(lo, 3)},{'E' if lo >= 0 else 'W'}"
        lines.append(sentence(f"GNGGA,{clock},{place},1,11,0.8,{h:.2f},M,47.0,M,,"))
        lines.append(sentence(f"GNRMC,{clock},A,{place},{v * 3600 / 1852:.3f},{c:.2f},{m:%d%m%y},,,A"))
        lines.append(sentence("GPGSV,1,1,00"))
    return "".join(lines).encode()


def igc(flown: Flown) -> bytes:
    lines = ["AXXX001 test", f"HFDTEDATE:{flown.moments()[0]:%d%m%y},01", "I023638FXA3940SIU", "HFALG GNSS"]
    for m, la, lo, h in zip(flown.moments(), flown.latitude_deg, flown.longitude_deg, flown.height_m, strict=True):
        place = ""
        for value, width, letters in ((la, 2, "NS"), (lo, 3, "EW")):
            minutes = round(abs(value) * 60000)
            place += f"{minutes // 60000:0{width}d}{minutes % 60000:05d}{letters[int(value < 0)]}"
        lines.append(f"B{m:%H%M%S}{place}A{round(h - 30):05d}{round(h):05d}00411")
    return "\r\n".join([*lines, "GABCDEF"]).encode()


def table(flown: Flown) -> bytes:
    rows = ["Date (UTC),Time,GPS,Alt(ft),Spd (kts),Heading (°),Roll(rad),RSSI(dBm),Bat(V),Used (Ah)"]
    for i, m in enumerate(flown.moments()):
        used = 2.0 * i / len(flown)
        rows.append(
            f"{m:%Y-%m-%d},{m:%H:%M:%S}.{m.microsecond // 1000:03d},{flown.latitude_deg[i]:.7f} {flown.longitude_deg[i]:.7f},"
            f"{flown.height_m[i] / 0.3048:.2f},{flown.speed_mps[i] * 3600 / 1852:.3f},{flown.course_deg[i]:.2f},"
            f"{math.radians(flown.bank_deg[i]):.5f},{-60 - 0.01 * i:.1f},{12.6 - used:.2f},{used:.4f}"
        )
    return "\n".join(rows).encode() + b"\n"


_FORMATS = (
    (128, "FMT", "BBnNZ", "Type,Length,Name,Format,Columns"),
    (130, "GPS", "QBIHBcLLefff", "TimeUS,Status,GMS,GWk,NSats,HDop,Lat,Lng,Alt,Spd,GCrs,VZ"),
    (131, "ATT", "QccC", "TimeUS,Roll,Pitch,Yaw"),
    (132, "BAT", "QBfff", "TimeUS,Inst,Volt,Curr,CurrTot"),
)
_SIZES = {
    "Q": "Q",
    "B": "B",
    "I": "I",
    "H": "H",
    "c": "h",
    "C": "H",
    "L": "i",
    "e": "i",
    "f": "f",
    "n": "4s",
    "N": "16s",
    "Z": "64s",
}
_SCALE = {"c": 100, "C": 100, "e": 100, "L": 1e7}
LEAPS = 18  # GPS − UTC since 2017-01-01 (IERS Bulletin C 52)
BOOT_S = 31.7  # the vehicle had been powered so long when the log began


def messages(flown: Flown, clock_rate: float = 1.0) -> list[tuple[str, tuple[float, ...]]]:
    """(name, fields) of a vehicle whose clock ticks `clock_rate` seconds a true second."""
    rows: list[tuple[str, tuple[float, ...]]] = []
    for i, t in enumerate(flown.time_s):
        vehicle = round((BOOT_S + (t - flown.time_s[0]) * clock_rate) * 1e6)
        gps = t - datetime(1980, 1, 6, tzinfo=UTC).timestamp() + LEAPS
        week, ms = int(gps // 604800), round(gps % 604800 * 1000)
        place = flown.latitude_deg[i], flown.longitude_deg[i], flown.height_m[i]
        rows.append(("GPS", (vehicle, 3, ms, week, 11, 0.8, *place, flown.speed_mps[i], flown.course_deg[i], 0.0)))
        rows.append(("ATT", (vehicle + 100, flown.bank_deg[i], 1.5, flown.course_deg[i])))
        if i % 5 == 0:
            rows.append(("BAT", (vehicle + 200, 0, 12.1, 6.5, 0.5 * i)))
    return rows


def dataflash_binary(flown: Flown, clock_rate: float = 1.0) -> bytes:
    layouts = {name: (kind, letters) for kind, name, letters, _ in _FORMATS}
    packers = {name: struct.Struct("<" + "".join(_SIZES[x] for x in letters)) for name, (_, letters) in layouts.items()}
    out = bytearray()
    for kind, name, letters, columns in _FORMATS:
        body = packers["FMT"].pack(kind, packers[name].size + 3, name.encode(), letters.encode(), columns.encode())
        out += b"\xa3\x95\x80" + body
    for name, values in messages(flown, clock_rate):
        kind, letters = layouts[name]
        scaled = [v if x == "f" else round(v * _SCALE.get(x, 1)) for x, v in zip(letters, values, strict=True)]
        out += b"\xa3\x95" + bytes([kind]) + packers[name].pack(*scaled)
    return bytes(out)


def dataflash_text(flown: Flown, clock_rate: float = 1.0) -> bytes:
    lines = [f"FMT, {kind}, 60, {name}, {letters}, {columns}" for kind, name, letters, columns in _FORMATS]
    lines += [
        f"{name}, {', '.join(f'{v:.7f}'.rstrip('0').rstrip('.') for v in values)}"
        for name, values in messages(flown, clock_rate)
    ]
    return "\n".join(lines).encode() + b"\n"


def tlog(flown: Flown) -> bytes:
    pytest.importorskip("pymavlink")
    from pymavlink.dialects.v20 import ardupilotmega as dialect

    sender = dialect.MAVLink(None, srcSystem=1, srcComponent=1)
    ground = dialect.MAVLink(None, srcSystem=255, srcComponent=0)
    out = bytearray()

    def put(t: float, message: object, by: object = sender) -> None:
        out.extend(struct.pack(">Q", round(t * 1e6)) + message.pack(by))  # type: ignore[attr-defined]

    for i, t in enumerate(flown.time_s):
        boot = round((BOOT_S + t - flown.time_s[0]) * 1000)
        late = 0.02 * (1 + math.sin(7.0 * i))  # the link delivers when it can
        place = round(flown.latitude_deg[i] * 1e7), round(flown.longitude_deg[i] * 1e7), round(flown.height_m[i] * 1000)
        course = math.radians(flown.course_deg[i])
        velocity = (
            round(flown.speed_mps[i] * 100 * math.cos(course)),
            round(flown.speed_mps[i] * 100 * math.sin(course)),
            0,
        )
        if i % 5 == 0:
            put(t + late, dialect.MAVLink_heartbeat_message(1, 3, 81, 10, 4, 3))
            put(t + late, dialect.MAVLink_heartbeat_message(6, 8, 0, 0, 0, 3), ground)
            put(t + late, dialect.MAVLink_gps_raw_int_message(0, 3, *place, 80, 120, 1700, 0, 11))
        put(t + late, dialect.MAVLink_global_position_int_message(boot, *place, place[2] - 20000, *velocity, 0))
        put(t + late, dialect.MAVLink_attitude_message(boot, math.radians(flown.bank_deg[i]), 0.02, course, 0, 0, 0))
    return bytes(out)


def ulog(flown: Flown) -> bytes:
    """The smallest file that the published description of the format allows."""

    def message(kind: bytes, body: bytes) -> bytes:
        return struct.pack("<Hc", len(body), kind) + body

    out = bytearray(b"ULog\x01\x12\x35\x01" + struct.pack("<Q", round(BOOT_S * 1e6)))
    out += message(b"B", bytes(40))
    gps = (
        "uint64_t timestamp;uint64_t time_utc_usec;int32_t lat;int32_t lon;int32_t alt;float vel_m_s;"
        "float vel_n_m_s;float vel_e_m_s;uint8_t fix_type;uint8_t satellites_used;"
    )
    out += message(b"F", b"vehicle_gps_position:" + gps.encode())
    out += message(b"F", b"vehicle_attitude:uint64_t timestamp;float[4] q;")
    out += message(b"A", struct.pack("<BH", 0, 0) + b"vehicle_gps_position")
    out += message(b"A", struct.pack("<BH", 0, 1) + b"vehicle_attitude")
    for i, t in enumerate(flown.time_s):
        vehicle = round((BOOT_S + t - flown.time_s[0]) * 1e6)
        course, half = math.radians(flown.course_deg[i]), math.radians(flown.bank_deg[i]) / 2
        place = round(flown.latitude_deg[i] * 1e7), round(flown.longitude_deg[i] * 1e7), round(flown.height_m[i] * 1000)
        v = flown.speed_mps[i]
        body = struct.pack(
            "<QQiiifffBB", vehicle, round(t * 1e6), *place, v, v * math.cos(course), v * math.sin(course), 3, 11
        )
        out += message(b"D", struct.pack("<H", 0) + body)
        yaw = course / 2
        q = (
            math.cos(yaw) * math.cos(half),
            math.cos(yaw) * math.sin(half),
            math.sin(yaw) * math.sin(half),
            math.sin(yaw) * math.cos(half),
        )
        out += message(b"D", struct.pack("<H", 1) + struct.pack("<Q4f", vehicle + 100, *q))
    return bytes(out)


@dataclass(frozen=True)
class Writer:
    """A format under test: how to write it, and how coarse it is."""

    name: str  # as `sniff` gives it
    write: Callable[[Flown], bytes]
    rate_hz: float = 5.0
    place_m: float = 0.02
    time_s: float = 0.001
    height_m: float = 0.01
    speed_mps: float = 0.01


WRITERS = {
    "gpx": Writer("GPX", gpx),
    "kml": Writer("KML", kml),
    "nmea": Writer("NMEA 0183", nmea),
    "igc": Writer("IGC", igc, rate_hz=1.0, place_m=1.4, height_m=0.5),
    "csv": Writer("CSV", table),
    "dataflash": Writer("DataFlash", dataflash_binary, time_s=0.002),
    "dataflash_text": Writer("DataFlash", dataflash_text, time_s=0.002),
    "tlog": Writer("MAVLink telemetry log", tlog, time_s=0.05),
    "ulog": Writer("ULog", ulog, time_s=0.002),
}


@pytest.fixture(params=list(WRITERS))
def writer(request: pytest.FixtureRequest) -> Writer:
    """Each format in turn."""
    return WRITERS[request.param]


@pytest.fixture(scope="session")
def writers() -> dict[str, Writer]:
    """All formats by a short name."""
    return WRITERS


@pytest.fixture(scope="session")
def aloft() -> Callable[..., Flown]:
    """The flight itself: `aloft(rate_hz, start)`."""
    return fly


@pytest.fixture
def saved(tmp_path: Path) -> Callable[[bytes], Path]:
    """Bytes as a file whose name says nothing."""

    def save(data: bytes, name: str = "log") -> Path:
        path = tmp_path / name
        path.write_bytes(data)
        return path

    return save


@pytest.fixture
def only(saved: Callable[[bytes], Path]) -> Callable[..., Track]:
    """The one flight of a log's bytes."""

    def read(data: bytes, **options: Any) -> Track:
        log = read_log(saved(data), **options)
        assert len(log.flights) == 1
        return log.flights[0]

    return read


@pytest.fixture(scope="session")
def nmea_sentence() -> Callable[[str], str]:
    """A sentence with its checksum."""
    return sentence
