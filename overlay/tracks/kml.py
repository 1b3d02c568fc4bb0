"""KML 2.2/2.3 and KMZ (OGC 07-147r2, 12-007r2): gx:Track, timed placemarks, bare lines.

The angles of a gx:Track are heading, tilt and roll of what flies along it, in degrees. The reference says of either that
it turns clockwise about an axis, not from which end that is looked at; writers differ. Tilt is taken as positive nose up,
roll as positive right wing down, unless the aircraft would lean out of its turns: then both are turned.
"""

from __future__ import annotations

import io
import re
import struct
import zipfile
import zlib
from array import array
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import BinaryIO

import numpy as np

from overlay.tracks import terms
from overlay.tracks.dates import posix_of_iso
from overlay.tracks.flown import Flown
from overlay.tracks.quantities import columns_of, leaning_inwards
from overlay.tracks.samples import Contents, Floats, Options, Samples, number
from overlay.tracks.source import Source
from overlay.tracks.xml_stream import Walker, root_name

NAME = "KML"
LIMIT_BYTES = 200_000_000  # read in well under 20 s
BORN = 0.0  # tracks of any age are put into this format, so its own age proves nothing
ENTRY_LIMIT, SIZE_LIMIT, RATIO_LIMIT = 64, 1 << 26, 100
_ZIP = b"PK\x03\x04"
_ZIP_TAIL = 22 + 65535  # the end record and the longest comment behind it
_NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_TUPLE = re.compile(rf"({_NUMBER})\s*,\s*({_NUMBER})(?:\s*,\s*({_NUMBER}))?")


def matches(source: Source) -> bool:
    """Whether the root element is kml, or the file a zip archive with a .kml in it."""
    if source.head.startswith(_ZIP):
        return b".kml" in source.head.lower() or _kml_entry(source) is not None
    return root_name(source.head) == "kml"


def read(source: Source, options: Options) -> Contents:
    """Tracks where there are any, else timed placemarks, else lines at the interval that the user gives."""
    document = _Document()
    with _opened(source) as file:
        document.walker.walk(file, source)
    runs = document.track_runs(source, options)
    if not runs and document.points:
        runs = [_of_points(source, document.points, document.heights())]
    if not runs and document.lines:
        runs = _of_lines(source, _distinct(source, document.lines), options, document.heights())
    if not runs:
        raise source.error("KML without a track", "export the track itself, not single places")
    return Contents(NAME, runs, BORN)


@dataclass
class _TrackParts:
    """What a gx:Track lists side by side."""

    when: array[float] = field(default_factory=lambda: array("d"))  # POSIX seconds
    place: array[float] = field(default_factory=lambda: array("d"))  # longitude, latitude, altitude of each, in a row
    angles: array[float] = field(default_factory=lambda: array("d"))  # heading, tilt, roll of each, in a row
    heights: str = ""  # what they are counted from: its altitudeMode
    arrays: dict[str, array[float]] = field(default_factory=dict)

    def places(self) -> Floats:
        """(N, 3): longitude, latitude, altitude."""
        return np.array(self.place).reshape(-1, 3)


Places = list[tuple[float, float, float]]


@dataclass(frozen=True)
class _Line:
    places: Places
    begin: str
    end: str


class _Document:
    """One pass over the elements; text is kept only where a track, a time or coordinates are."""

    def __init__(self) -> None:
        self.tracks: list[_TrackParts] = []
        self.points: list[tuple[str, tuple[float, float, float]]] = []
        self.lines: list[_Line] = []
        self._track: _TrackParts | None = None
        self._array = array("d")
        self._times: dict[str, str] = {}
        self._geometry = ""
        self._shown: dict[str, str] = {}  # name of an array -> what its schema says to show for it
        self._array_name = ""
        self._modes: set[str] = set()  # altitudeModes of points and lines
        self._places: list[tuple[str, Places]] = []
        opened = {
            "Track": lambda _: self._begin_track(),
            "SimpleArrayField": lambda attributes: setattr(self, "_array_name", attributes.get("name", "")),
            "SimpleArrayData": self._begin_array,
            "Placemark": lambda _: self._begin_placemark(),
            "Point": lambda _: self._begin_geometry("Point"),
            "LineString": lambda _: self._begin_geometry("LineString"),
            "Polygon": lambda _: self._begin_geometry(""),
        }
        closed = {
            "Track": lambda _: self._end_track(),
            "when": self._when,
            "coord": self._coord,
            "angles": self._angles,
            "value": lambda text: self._array.append(number(text)),
            "begin": lambda text: self._times.__setitem__("begin", text),
            "end": lambda text: self._times.__setitem__("end", text),
            "coordinates": self._coordinates,
            "altitudeMode": self._altitude_mode,
            "displayName": lambda text: self._shown.__setitem__(self._array_name, text.strip()),
            "Placemark": lambda _: self._end_placemark(),
        }
        self.walker = Walker(opened, closed)

    def track_runs(self, source: Source, options: Options) -> list[Samples]:
        """Each track as a run; one that the end of the file cut off counts as well."""
        self._end_track()
        source.limit_tracks(len(self.tracks))
        for parts in self.tracks:
            parts.arrays = {self._header(name, options): values for name, values in parts.arrays.items()}
        return [_of_track(source, parts, options) for parts in _distinct_tracks(source, self.tracks)]

    def heights(self) -> str:
        """What the heights of points and lines are counted from, empty where they do not agree."""
        return next(iter(self._modes)) if len(self._modes) == 1 else ""

    def _header(self, name: str, options: Options) -> str:
        """An array's name, or what its schema shows instead where that says more: it holds the unit as a rule."""
        shown = self._shown.get(name, "")
        return shown if terms.is_term(shown) and name not in options.columns.values() else name

    def _begin_track(self) -> None:
        self._track = _TrackParts()

    def _end_track(self) -> None:
        if self._track and self._track.place:
            self.tracks.append(self._track)
        self._track = None

    def _begin_array(self, attributes: dict[str, str]) -> None:
        self._array = array("d")
        if self._track:
            self._track.arrays[attributes.get("name", "")] = self._array

    def _begin_placemark(self) -> None:
        self._times, self._places, self._geometry = {}, [], ""

    def _begin_geometry(self, kind: str) -> None:
        self._geometry = kind

    def _when(self, text: str) -> None:
        if self._track:
            self._track.when.append(posix_of_iso(text))
        else:
            self._times["when"] = text

    def _coord(self, text: str) -> None:
        if self._track:
            self._track.place.extend(_three(text))

    def _angles(self, text: str) -> None:
        if self._track:
            self._track.angles.extend(_three(text))

    def _altitude_mode(self, text: str) -> None:
        if self._track:
            self._track.heights = text.strip()
        else:
            self._modes.add(text.strip())

    def _coordinates(self, text: str) -> None:
        places = [(number(m[1]), number(m[2]), number(m[3] or "")) for m in _TUPLE.finditer(text)]
        if places and self._geometry:
            self._places.append((self._geometry, places))

    def _end_placemark(self) -> None:
        stamp = self._times.get("when") or self._times.get("begin", "")
        for kind, places in self._places:
            if kind == "Point" and stamp:
                self.points.append((stamp, places[0]))
            elif kind == "LineString" and len(places) == 2 and {"begin", "end"} <= self._times.keys():
                self.points += [(self._times["begin"], places[0]), (self._times["end"], places[1])]
            elif kind == "LineString" and len(places) > 1:
                self.lines.append(_Line(places, self._times.get("begin", ""), self._times.get("end", "")))
        self._begin_placemark()


def _three(text: str) -> tuple[float, float, float]:
    parts = [number(part) for part in text.split()[:3]]
    parts += [np.nan] * (3 - len(parts))
    return parts[0], parts[1], parts[2]


def _of_track(source: Source, parts: _TrackParts, options: Options) -> Samples:
    """A track as a run; lists of unequal length are read as far as both go."""
    place = parts.places()
    count = min(len(parts.when), len(place)) if parts.when else len(place)
    if parts.when and len(parts.when) != len(place):
        source.note(f"a track of {len(parts.when)} times and {len(place)} places: read as far as both go")
    if not parts.when and options.interval_s is None:
        raise _untimed(source)
    place = place[:count]
    if options.interval_s is not None:
        time = np.arange(count, dtype=np.float64) * options.interval_s
    else:
        time = np.array(parts.when[:count])
    columns = _columns(source, place, parts.heights)
    if len(parts.angles) == len(parts.place):
        angles = np.array(parts.angles).reshape(-1, 3)[:count]
        bank = _signed(angles[:, 2])
        inwards = leaning_inwards(bank, Flown(time, place[:, 1], place[:, 0]), source)
        sign = 1.0 if inwards is bank else -1.0
        columns |= {
            "heading_deg": angles[:, 0] % 360.0,
            "pitch_deg": sign * _signed(angles[:, 1]),
            "bank_deg": inwards,
        }
    columns |= _array_columns(source, parts, columns, time, options)
    return Samples(time, columns, keeps_utc=options.interval_s is None)


def _array_columns(
    source: Source, parts: _TrackParts, columns: dict[str, Floats], time: Floats, options: Options
) -> dict[str, Floats]:
    full = {name: np.array(values) for name, values in parts.arrays.items() if 3 * len(values) == len(parts.place)}
    mapping = {column: header for column, header in options.columns.items() if header in full}
    fields = [f for f in terms.assign(full, mapping).values() if f.column not in columns and f.column in terms.QUANTITY]
    raw = {f.header: full[f.header][: len(time)] for f in fields}
    flown = Flown(time, columns["latitude_deg"], columns["longitude_deg"])
    return columns_of(fields, raw, flown, source, si=False)


def _columns(source: Source, place: Floats, mode: str) -> dict[str, Floats]:
    """Columns of (N, 3) longitudes, latitudes and heights, these by what their altitudeMode counts them from."""
    heights = "height_m"
    if mode == "relativeToGround":
        source.note("heights over the ground under the aircraft (relativeToGround): taken as over home")
        heights = "height_over_home_m"
    return {"longitude_deg": place[:, 0], "latitude_deg": place[:, 1], heights: _heights(place[:, 2])}


def _of_points(source: Source, points: Sequence[tuple[str, tuple[float, float, float]]], mode: str) -> Samples:
    place = np.array([place for _, place in points])
    return Samples(np.array([posix_of_iso(text) for text, _ in points]), _columns(source, place, mode))


def _of_lines(source: Source, lines: Sequence[_Line], options: Options, mode: str) -> list[Samples]:
    """Lines carry no times of their own: read at a fixed interval, in UTC where their span agrees with it."""
    if options.interval_s is None:
        raise _untimed(source)
    source.limit_tracks(len(lines))
    runs = []
    for line in lines:
        place = np.array(line.places)
        time = np.arange(len(place), dtype=np.float64) * options.interval_s
        begin, end = posix_of_iso(line.begin), posix_of_iso(line.end)
        agrees = abs((end - begin) - time[-1]) < 0.02 * time[-1] + options.interval_s
        shift = begin if agrees else 0.0
        runs.append(Samples(time + shift, _columns(source, place, mode), keeps_utc=bool(agrees)))
    return runs


def _untimed(source: Source) -> Exception:
    return source.error(
        "KML whose line carries no times",
        "give the seconds between its points as interval_s, if they were evenly spaced",
    )


def _distinct_tracks(source: Source, tracks: Sequence[_TrackParts]) -> list[_TrackParts]:
    """Tracks without those that repeat another's times and places (with heights of another kind)."""
    kept: dict[tuple[object, ...], _TrackParts] = {}
    for track in tracks:
        key = (len(track.place), *track.when[:1], *track.when[-1:], *track.place[:2], *track.place[-3:-1])
        if key in kept:
            source.note("the same flight again, with other heights: the first was kept")
        kept.setdefault(key, track)
    return list(kept.values())


def _distinct(source: Source, lines: Sequence[_Line]) -> list[_Line]:
    kept: dict[tuple[object, ...], _Line] = {}
    for line in lines:
        key = (len(line.places), line.places[0][:2], line.places[-1][:2], line.places[len(line.places) // 2][:2])
        if key in kept:
            source.note("the same flight again, with other heights: the first was kept")
        kept.setdefault(key, line)
    return list(kept.values())


def _heights(values: Floats) -> Floats:
    """Altitudes; all zero means that the line was clamped to the ground and they are none."""
    return values if np.nan_to_num(values).any() else np.full(len(values), np.nan)


def _signed(angles: Floats) -> Floats:
    return (angles + 180.0) % 360.0 - 180.0


def _opened(source: Source) -> BinaryIO:
    """The KML text: the file itself, or the first document of a KMZ, unpacked no further than is sane."""
    if not source.head.startswith(_ZIP):
        return source.path.open("rb")
    entry = _kml_entry(source)
    if entry is None:
        raise source.error("a zip archive that cannot be read or holds no .kml", "export the track again as KML")
    if entry.file_size > SIZE_LIMIT or entry.file_size > RATIO_LIMIT * max(entry.compress_size, 1):
        raise source.error("a KMZ that unpacks to an absurd size", "export the track again as KML")
    try:
        with zipfile.ZipFile(source.path) as archive, archive.open(entry) as packed:
            data = packed.read(min(SIZE_LIMIT, entry.file_size) + 1)
    except (zipfile.BadZipFile, zlib.error, EOFError, OSError, RuntimeError, NotImplementedError, ValueError):
        raise source.error("a KMZ whose document is damaged or locked", "export the track again as KML") from None
    if len(data) > entry.file_size:
        raise source.error("a KMZ that unpacks to more than it says", "export the track again as KML")
    return io.BytesIO(data)


def _is_small(source: Source) -> bool:
    """Whether a zip archive's own end record tells of few entries, before any of them is looked at."""
    if source.size > SIZE_LIMIT:
        return False
    with source.path.open("rb") as file:
        file.seek(max(source.size - _ZIP_TAIL, 0))
        tail = file.read()
    at = tail.rfind(b"PK\x05\x06")
    if at < 0 or len(tail) < at + 22 or b"PK\x06\x07" in tail[max(at - 20, 0) : at]:
        return False
    entries, directory = struct.unpack_from("<HI", tail, at + 10)
    return bool(entries <= ENTRY_LIMIT and directory <= ENTRY_LIMIT * 1024)


def _kml_entry(source: Source) -> zipfile.ZipInfo | None:
    """The document of a KMZ; None when the archive cannot be read, is absurd or reaches outside itself."""
    if not _is_small(source):
        return None
    try:
        with zipfile.ZipFile(source.path) as archive:
            entries = archive.infolist()
    except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError, RuntimeError):
        return None
    unsafe = any(".." in e.filename.split("/") or e.filename.startswith(("/", "\\")) for e in entries)
    if len(entries) > ENTRY_LIMIT or unsafe:
        return None
    documents = [e for e in entries if e.filename.lower().endswith(".kml")]
    return min(documents, key=lambda e: (e.filename.count("/"), e.filename.lower() != "doc.kml"), default=None)
