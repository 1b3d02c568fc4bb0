"""Read a folder of real logs with overlay and with an independent reader, row by row, and print where they differ.

    python benchmarks/real_logs.py FOLDER [--all]

Independent readers, where they are installed: gpxpy (GPX), pynmea2 (NMEA 0183), aerofiles (IGC), pymavlink (DataFlash,
MAVLink), pyulog (ULog); KML by the standard library's tree. A row of theirs is matched when overlay has a position at the
same time within the tolerance; the distance column is the largest between matched positions. Only files that differ are
listed unless --all is given.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import math
import sys
import time
import warnings
import xml.etree.ElementTree as ET
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from overlay.errors import TrackError
from overlay.tracks import Fix, Log, read_log

Place = tuple[float, float, float]  # seconds (POSIX, or of any clock), latitude, longitude


@dataclass(frozen=True)
class Outcome:
    """One file compared."""

    path: Path
    format: str
    seconds: float
    flights: int
    ours: int
    theirs: int
    matched: int
    worst_m: float
    said: tuple[str, ...]

    @property
    def agrees(self) -> bool:
        return self.matched == self.theirs and self.worst_m < 0.02


def gpx(path: Path) -> Iterator[Place]:
    import gpxpy

    document = gpxpy.parse(path.read_bytes().decode("utf-8-sig", "replace"))
    tracks = [segment.points for track in document.tracks for segment in track.segments]
    for points in [*tracks, *(route.points for route in document.routes)]:
        for p in points:
            if p.time is not None and p.type_of_gpx_fix != "none":
                stamp = p.time if p.time.tzinfo else p.time.replace(tzinfo=UTC)
                yield stamp.timestamp(), p.latitude, p.longitude


def nmea(path: Path) -> Iterator[Place]:
    """GGA fixes at their times of day, the first sentence of each."""
    import pynmea2

    last, days = 0.0, 0.0
    data = path.read_bytes()
    text = data.decode("utf-16") if data[:2] in (b"\xff\xfe", b"\xfe\xff") else data.decode("latin-1")
    seen = set()
    for line in text.replace("\r", "\n").split("\n"):
        start = line.find("$")
        if start < 0 or "*" not in line or line[start + 3 : start + 6] != "GGA":
            continue
        with contextlib.suppress(Exception):
            s = pynmea2.parse(line[start:], check=True)
            if s.gps_qual not in (0, 6) and s.lat and s.timestamp:
                t = s.timestamp
                clock = t.hour * 3600 + t.minute * 60 + t.second + t.microsecond / 1e6
                days += 86400.0 if clock < last - 43200 else 0.0
                last = clock
                if (clock, days) not in seen:
                    seen.add((clock, days))
                    yield clock + days, s.latitude, s.longitude


def igc(path: Path) -> Iterator[Place]:
    from aerofiles.igc import Reader

    with path.open(encoding="latin-1") as file:
        records = Reader(skip_duplicates=False).read(file)
    fixes = records["fix_records"][1]
    valid = [fix for fix in fixes if fix["validity"] == "A"] or fixes
    last, days = -1.0, 0.0
    for fix in valid:
        t = fix["time"]
        clock = t.hour * 3600.0 + t.minute * 60 + t.second
        days += 86400.0 if clock < last - 43200 else 0.0
        last = clock
        yield clock + days, _finer(fix, "lat", "LAD"), _finer(fix, "lon", "LOD")


def _finer(fix: dict[str, float], name: str, digits: str) -> float:
    """Degrees with the further decimal of minutes that aerofiles leaves beside them."""
    return fix[name] + math.copysign(fix.get(digits, 0) / 1e4 / 60, fix[name])


def kml(path: Path) -> Iterator[Place]:
    def local(element: ET.Element) -> str:
        return element.tag.rpartition("}")[2]

    for track in (e for e in ET.fromstring(path.read_bytes()).iter() if local(e) == "Track"):
        times = [e.text or "" for e in track.iter() if local(e) == "when"]
        places = [(e.text or "").split() for e in track.iter() if local(e) == "coord"]
        for when, place in zip(times, places, strict=False):
            yield datetime.fromisoformat(when.strip()).timestamp(), float(place[1]), float(place[0])


def dataflash(path: Path) -> Iterator[Place]:
    from pymavlink import DFReader

    binary = path.read_bytes()[:2] == b"\xa3\x95"
    log = (DFReader.DFReader_binary if binary else DFReader.DFReader_text)(str(path))
    while (m := log.recv_match(type=["GPS"])) is not None:
        if m.Status >= 3 and getattr(m, "I", 0) == 0:
            yield m._timestamp, m.Lat, m.Lng


def tlog(path: Path) -> Iterator[Place]:
    from pymavlink import mavutil

    log = mavutil.mavlink_connection(str(path))
    while (m := log.recv_match(type=["GLOBAL_POSITION_INT"])) is not None:
        yield m._timestamp, m.lat / 1e7, m.lon / 1e7


def ulog(path: Path) -> Iterator[Place]:
    from pyulog import ULog

    for topic in ULog(str(path), ["vehicle_gps_position"]).data_list[:1]:
        for utc, lat, lon in zip(topic.data["time_utc_usec"], topic.data["lat"], topic.data["lon"], strict=True):
            yield utc / 1e6, lat * 1e-7, lon * 1e-7


READERS: dict[str, tuple[Callable[[Path], Iterator[Place]], float]] = {
    "GPX": (gpx, 1e-3), "NMEA": (nmea, 2e-3), "IGC": (igc, 1e-3), "KML": (kml, 1e-3), "DataFlash": (dataflash, 0.05),
    "MAVLink": (tlog, 0.7), "ULog": (ulog, 0.05),
}  # fmt: skip


def compare(path: Path) -> Outcome | str:
    """The outcome of a file, or overlay's one line of refusal."""
    start = time.perf_counter()
    try:
        log = read_log(path)
    except TrackError as error:
        return f"{error.found}; {error.remedy}"
    seconds = time.perf_counter() - start
    ours = _places(log)
    reader, tolerance = next((r for name, r in READERS.items() if log.format.startswith(name)), (None, 0.0))
    theirs = _independent(reader, path)
    said = tuple(line.what for line in log.damage)
    if theirs is None:
        return Outcome(path, log.format, seconds, len(log.flights), len(ours), -1, 0, math.nan, said)
    matched, worst = _matched(ours, theirs, tolerance)
    return Outcome(path, log.format, seconds, len(log.flights), len(ours), len(theirs), matched, worst, said)


def _places(log: Log) -> np.ndarray:
    """All positions that overlay kept, the stale and jumping ones too: only not valid ones are gone."""
    parts = []
    for flight in log.flights:
        known = (flight.fix & Fix.NOT_VALID == 0) & np.isfinite(flight["latitude_deg"])
        parts.append(np.column_stack([flight.time_s, flight["latitude_deg"], flight["longitude_deg"]])[known])
    return np.concatenate(parts)


def _independent(reader: Callable[[Path], Iterator[Place]] | None, path: Path) -> np.ndarray | None:
    if reader is None:
        return None
    with (
        contextlib.redirect_stdout(io.StringIO()),
        contextlib.redirect_stderr(io.StringIO()),
        warnings.catch_warnings(),
    ):
        warnings.simplefilter("ignore")
        try:
            rows = list(reader(path))
        except Exception:  # what an independent reader cannot read is no comparison
            return None
    table = np.array(rows, dtype=np.float64).reshape(-1, 3)
    return table[(np.abs(table[:, 1:]).sum(axis=1) > 1e-5) & np.isfinite(table).all(axis=1)]


def _matched(ours: np.ndarray, theirs: np.ndarray, tolerance: float) -> tuple[int, float]:
    """(their rows that have one of ours at their time, largest distance between such)."""
    if not len(theirs) or not len(ours):
        return 0, math.nan
    mine = ours[np.argsort(ours[:, 0], kind="stable")]
    if mine[:, 0].max() < 1e8:  # no UTC is named: times count from the first row
        mine[:, 0] += theirs[0, 0] - mine[0, 0]
    elif theirs[:, 0].max() < 1e8:  # theirs are times of day
        mine[:, 0] -= 86400.0 * round((mine[0, 0] - theirs[0, 0]) / 86400.0)
    hits, worst = 0, 0.0
    for t, latitude, longitude in theirs:
        rows = slice(*np.searchsorted(mine[:, 0], (t - tolerance, t + tolerance)))
        if rows.start < rows.stop:
            north = np.radians(mine[rows, 1] - latitude) * 6371e3
            east = np.radians(mine[rows, 2] - longitude) * 6371e3 * math.cos(math.radians(latitude))
            hits += 1
            worst = max(worst, float(np.hypot(north, east).min()))
    return hits, worst


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--all", action="store_true", help="list every file, not only those that differ")
    wanted = parser.parse_args()
    outcomes: list[Outcome] = []
    refused = 0
    for path in sorted(p for p in wanted.folder.rglob("*") if p.is_file() and not p.is_symlink()):
        outcome = compare(path)
        if isinstance(outcome, str):
            refused += 1
            if wanted.all:
                print(f"refused  {path.name[:44]:44} {outcome}")
            continue
        outcomes.append(outcome)
        if wanted.all or not outcome.agrees:
            print(_line(outcome))
    _summary(outcomes, refused)


def _line(o: Outcome) -> str:
    against = "no independent reader" if o.theirs < 0 else f"{o.matched}/{o.theirs} rows, worst {o.worst_m:.3f} m"
    said = "; ".join(o.said)[:150]
    return f"{o.format[:9]:9} {o.path.name[:40]:40} {o.flights:3} flights {o.ours:7} positions  {against}  {said}"


def _summary(outcomes: list[Outcome], refused: int) -> None:
    print(
        f"\n{'format':22} {'files':>6} {'compared':>9} {'agree':>6} {'rows':>9} {'matched':>9} {'worst m':>9} {'s in all':>9}"
    )
    for name in sorted({o.format for o in outcomes}):
        own = [o for o in outcomes if o.format == name]
        compared = [o for o in own if o.theirs >= 0]
        rows, matched = sum(o.theirs for o in compared), sum(o.matched for o in compared)
        worst = max((o.worst_m for o in compared if math.isfinite(o.worst_m)), default=math.nan)
        agree = sum(o.agrees for o in compared)
        print(
            f"{name[:22]:22} {len(own):6} {len(compared):9} {agree:6} {rows:9} {matched:9} {worst:9.3f} "
            f"{sum(o.seconds for o in own):9.1f}"
        )
    print(f"{refused} files refused, each with one line (no logs, or logs without a track)")


if __name__ == "__main__":
    sys.exit(main())
