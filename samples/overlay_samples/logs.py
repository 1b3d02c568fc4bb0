"""What a satellite receiver and a radio would have written down, in the open formats of the trade.

Only positions and speeds that a receiver would report leave this module: delayed, noisy, at the receiver's rate.
Writers return the path that they wrote.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import reduce
from operator import xor
from pathlib import Path
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from overlay_samples.earth import place_from_home
from overlay_samples.flight import Flight
from overlay_samples.pilot import unrest

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Fixes:
    """A satellite receiver's answers: (N,) each, `time_s` POSIX on whole epochs, angles in degrees."""

    time_s: Floats
    latitude_deg: Floats
    longitude_deg: Floats
    height_m: Floats  # over mean sea level
    ground_speed_mps: Floats
    course_deg: Floats
    climb_mps: Floats
    satellites: NDArray[np.int64]
    hdop: Floats

    def __len__(self) -> int:
        return len(self.time_s)

    def kept(self, rows: NDArray[np.bool_] | slice) -> Fixes:
        """The receiver's answers at some rows only."""
        return Fixes(*(getattr(self, name)[rows] for name in self.__dataclass_fields__))


def receive(
    flight: Flight,
    rate_Hz: float | None = None,
    *,
    lag_s: float | None = None,
    velocity_lag_s: float | None = None,
    noise_m: float | None = None,
    seed: int = 0,
) -> Fixes:
    """Fixes of a flight; None takes the scenario's value. Lags delay what is reported against its time stamp."""
    s = flight.scenario
    rate, noise = _given(rate_Hz, s.fix_rate_Hz), _given(noise_m, s.fix_noise_m)
    first, last = math.ceil(flight.time_s[0] * rate), math.floor(flight.time_s[-1] * rate)
    stamp = np.arange(first, last + 1) / rate
    rng = np.random.default_rng([s.seed, 10, seed])
    moment = stamp - _given(lag_s, s.fix_lag_s)
    slow = [unrest(rng, len(stamp), 1 / rate, 45.0) for _ in range(3)]
    quick = [rng.standard_normal(len(stamp)) for _ in range(3)]
    wander = [a + 0.02 * b for a, b in zip(slow, quick, strict=True)]
    east = flight.at(flight.east_m, moment) + 0.7 * noise * wander[0]
    north = flight.at(flight.north_m, moment) + 0.7 * noise * wander[1]
    up = flight.at(flight.up_m, moment) + 1.6 * noise * wander[2]
    latitude, longitude = place_from_home(s.latitude_deg, s.longitude_deg, east, north)
    speeds = _speeds(flight, stamp - _given(velocity_lag_s, s.velocity_lag_s), 0.06 * noise, rng)
    satellites = np.clip(np.round(15 + 1.8 * unrest(rng, len(stamp), 1 / rate, 30.0)), 8, 22).astype(np.int64)
    return Fixes(stamp, latitude, longitude, s.home_height_m + up, *speeds, satellites, 11.5 / satellites)


def _given(value: float | None, otherwise: float) -> float:
    return otherwise if value is None else value


def _speeds(
    flight: Flight, moment: Floats, noise_mps: float, rng: np.random.Generator
) -> tuple[Floats, Floats, Floats]:
    east, north, up = (
        flight.at(flight.velocity_mps[:, i], moment) + noise_mps * rng.standard_normal(len(moment)) for i in range(3)
    )
    return np.hypot(east, north), np.degrees(np.arctan2(east, north)) % 360, up


def _utc(posix_s: float, decimals: int) -> str:
    ticks = round(posix_s * 10**decimals)
    whole, part = divmod(ticks, 10**decimals)
    text = datetime.fromtimestamp(whole, UTC).strftime("%Y-%m-%dT%H:%M:%S")
    return f"{text}.{part:0{decimals}d}Z" if decimals else f"{text}Z"


def write_gpx(path: Path, fixes: Fixes, *, name: str = "flight") -> Path:
    """GPX 1.1 with positions, heights and times only: the plainest track there is."""
    head = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<gpx version="1.1" creator="a position logger" xmlns="http://www.topografix.com/GPX/1/1">\n'
        f"  <metadata><time>{_utc(fixes.time_s[0], 0)}</time></metadata>\n"
        f"  <trk>\n    <name>{escape(name)}</name>\n    <trkseg>\n"
    )
    points = (
        f'      <trkpt lat="{lat:.7f}" lon="{lon:.7f}"><ele>{height:.1f}</ele><time>{_utc(time, 3)}</time></trkpt>\n'
        for time, lat, lon, height in zip(
            fixes.time_s, fixes.latitude_deg, fixes.longitude_deg, fixes.height_m, strict=True
        )
    )
    path.write_text(head + "".join(points) + "    </trkseg>\n  </trk>\n</gpx>\n", encoding="utf-8")
    return path


def write_kml(path: Path, fixes: Fixes, *, name: str = "flight") -> Path:
    """KML 2.2 with one gx:Track, as its schema orders it: all times, then all coordinates."""
    times = "".join(f"        <when>{_utc(time, 3)}</when>\n" for time in fixes.time_s)
    places = "".join(
        f"        <gx:coord>{lon:.7f} {lat:.7f} {height:.1f}</gx:coord>\n"
        for lat, lon, height in zip(fixes.latitude_deg, fixes.longitude_deg, fixes.height_m, strict=True)
    )
    path.write_text(
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<kml xmlns="http://www.opengis.net/kml/2.2" xmlns:gx="http://www.google.com/kml/ext/2.2">\n'
        f"  <Document>\n    <name>{escape(name)}</name>\n    <Placemark>\n      <gx:Track>\n"
        f"        <altitudeMode>absolute</altitudeMode>\n{times}{places}"
        "      </gx:Track>\n    </Placemark>\n  </Document>\n</kml>\n",
        encoding="utf-8",
    )
    return path


def nmea_checksum(body: str) -> str:
    """Exclusive-or of the characters between $ and *, two hexadecimal digits."""
    return f"{reduce(xor, body.encode('ascii'), 0):02X}"


def write_nmea(path: Path, fixes: Fixes, *, talker: str = "GN") -> Path:
    """NMEA 0183 sentences GGA, RMC and VTG, one of each an epoch."""
    with path.open("w", encoding="ascii", newline="") as file:
        for row in range(len(fixes)):
            for body in _sentences(fixes, row, talker):
                file.write(f"${body}*{nmea_checksum(body)}\r\n")
    return path


def _sentences(fixes: Fixes, row: int, talker: str) -> Iterator[str]:
    ticks = round(float(fixes.time_s[row]) * 100)
    moment = datetime.fromtimestamp(ticks // 100, UTC)
    clock = f"{moment:%H%M%S}.{ticks % 100:02d}"
    place = f"{_minutes(fixes.latitude_deg[row], 2, 'NS')},{_minutes(fixes.longitude_deg[row], 3, 'EW')}"
    knots, course = fixes.ground_speed_mps[row] / (1852 / 3600), fixes.course_deg[row]
    height, count, hdop = fixes.height_m[row], fixes.satellites[row], fixes.hdop[row]
    yield f"{talker}GGA,{clock},{place},1,{count:02d},{hdop:.2f},{height:.1f},M,52.0,M,,"
    yield f"{talker}RMC,{clock},A,{place},{knots:.2f},{course:.1f},{moment:%d%m%y},,,A"
    yield f"{talker}VTG,{course:.1f},T,,M,{knots:.2f},N,{knots * 1.852:.2f},K,A"


def _minutes(angle_deg: float, digits: int, signs: str, decimals: int = 5) -> str:
    """Degrees and decimal minutes, run together, then the hemisphere: 4718.76200,N."""
    scale = 60 * 10**decimals
    ticks = round(abs(float(angle_deg)) * scale)
    degrees, part = divmod(ticks, scale)
    return f"{degrees:0{digits}d}{part / 10**decimals:0{decimals + 3}.{decimals}f},{signs[int(angle_deg < 0)]}"


def write_igc(path: Path, fixes: Fixes) -> Path:
    """A flight recorder's IGC file: the opening records, then one B record a fix on whole seconds."""
    whole = fixes.kept(np.abs(fixes.time_s - np.round(fixes.time_s)) < 1e-6)
    first = datetime.fromtimestamp(round(whole.time_s[0]), UTC)
    lines = ["AXXX001", f"HFDTEDATE:{first:%d%m%y},01", "HFDTMGPSDATUM:WGS84", "HFALGALTGPS:GEO"]
    lines += [_b_record(whole, row) for row in range(len(whole))]
    path.write_text("\r\n".join(lines) + "\r\n", encoding="ascii", newline="")
    return path


def _b_record(fixes: Fixes, row: int) -> str:
    moment = datetime.fromtimestamp(round(float(fixes.time_s[row])), UTC)
    north = _minutes(fixes.latitude_deg[row], 2, "NS", 3).replace(".", "").replace(",", "")
    east = _minutes(fixes.longitude_deg[row], 3, "EW", 3).replace(".", "").replace(",", "")
    height = round(float(fixes.height_m[row]))
    return f"B{moment:%H%M%S}{north}{east}A{height:05d}{height:05d}"
