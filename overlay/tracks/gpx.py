"""GPX 1.0 and 1.1 (topografix.com schema documents): track points, and the common extensions by their local name."""

from __future__ import annotations

import itertools
from array import array
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from overlay.tracks import terms
from overlay.tracks.dates import posix_of_iso
from overlay.tracks.flown import Flown
from overlay.tracks.quantities import columns_of
from overlay.tracks.samples import Contents, Floats, Options, Samples, number
from overlay.tracks.source import Source
from overlay.tracks.terms import DATE, PLACE, TIME
from overlay.tracks.xml_stream import Walker, root_name

NAME = "GPX"
LIMIT_BYTES = 300_000_000  # read in well under 20 s
BORN = 0.0  # tracks of any age are put into this format, so its own age proves nothing
NO_FIX = 1.0
BLOCK = 50_000


def matches(source: Source) -> bool:
    """Whether the root element is gpx."""
    return root_name(source.head) == "gpx"


def read(source: Source, options: Options) -> Contents:
    """Each trk (or rte) as a run of its own: recorders begin one at power-up."""
    document = _Document(source, options)
    with source.path.open("rb") as file:
        document.walker.walk(file, source)
    runs = document.runs()
    if not runs:
        raise source.error("GPX without a track point", "export the track itself, not waypoints alone")
    if not any(np.isfinite(run.time_s).any() for run in runs):
        raise source.error(
            "GPX whose points carry no time",
            "give the seconds between points as interval_s, if they were evenly spaced",
        )
    return Contents(NAME, runs, BORN)


class _Document:
    """One pass over the file: the texts of points are kept a block at a time, then turned into numbers at once."""

    def __init__(self, source: Source, options: Options) -> None:
        self._source, self._options = source, options
        self._points = _Points()
        self._tracks = [0]  # the first point of each
        self._latitude = _Cells(self._points, number)
        self._longitude = _Cells(self._points, number)
        self._cells = {"time": _Cells(self._points, posix_of_iso), "fix": _Cells(self._points, _fix)}
        self.walker = Walker(
            {"trk": self._begin, "rte": self._begin, "trkpt": self._open_point, "rtept": self._open_point},
            {"trkpt": self._close_point, "rtept": self._close_point},
            self._leaf,
        )

    def runs(self) -> list[Samples]:
        """A run of each track that has points."""
        count = self._points.count
        every = {"latitude_deg": self._latitude, "longitude_deg": self._longitude, **self._cells}
        columns = {name: cells.column(count) for name, cells in every.items() if cells.used}
        edges = np.unique([*self._tracks, count])
        self._source.limit_tracks(len(edges) - 1)
        parts = [slice(first, last) for first, last in itertools.pairwise(edges)]
        return [self._samples({name: values[part] for name, values in columns.items()}) for part in parts]

    def _begin(self, _: dict[str, str]) -> None:
        self._tracks.append(self._points.count)

    def _open_point(self, attributes: dict[str, str]) -> None:
        self._points.inside = True
        self._points.count += 1
        self._latitude.put(attributes.get("lat", ""))
        self._longitude.put(attributes.get("lon", ""))

    def _close_point(self, _: str) -> None:
        self._points.inside = False

    def _leaf(self, name: str) -> Callable[[str], None] | None:
        """Where the text of an element of points goes; None for what tracks do not keep."""
        if name not in self._cells and (name in self._options.columns.values() or terms.is_term(name)):
            self._cells[name] = _Cells(self._points, number)
        return self._cells[name].put if name in self._cells else None

    def _samples(self, raw: dict[str, Floats]) -> Samples:
        place = {name: raw.pop(name) for name in ("latitude_deg", "longitude_deg")}
        count = len(place["latitude_deg"])
        time = raw.pop("time", np.full(count, np.nan))
        if self._options.interval_s is not None:
            time = np.arange(count, dtype=np.float64) * self._options.interval_s
        no_fix = raw.pop("fix", np.zeros(count)) == NO_FIX
        own = {"height_m": "ele"} if "ele" in raw else {}  # the standard's, before an extension's
        mapping = {column: header for column, header in (own | dict(self._options.columns)).items() if header in raw}
        fields = [f for f in terms.assign(raw, mapping).values() if f.column not in (TIME, DATE, PLACE, *place)]
        columns = place | columns_of(fields, raw, Flown(time, *place.values()), self._source, si=True)
        return Samples(time, columns, keeps_utc=self._options.interval_s is None, not_valid=no_fix)


@dataclass
class _Points:
    """How many points have begun, and whether one is open: elements elsewhere in the file are not its own."""

    count: int = 0
    inside: bool = False


class _Cells:
    """Texts of one element by point, turned into numbers a block at a time: 16 bytes a cell."""

    def __init__(self, points: _Points, read: Callable[[str], float]) -> None:
        self._points, self._read = points, read
        self._texts: list[str] = []
        self._values, self._rows = array("d"), array("q")

    @property
    def used(self) -> bool:
        """Whether any point had this element."""
        return len(self._rows) > 0

    def put(self, text: str) -> None:
        """Keep the text of an element of the open point."""
        if self._points.inside:
            self._rows.append(self._points.count)
            self._texts.append(text)
            if len(self._texts) >= BLOCK:
                self._flush()

    def _flush(self) -> None:
        self._values.extend(map(self._read, self._texts))
        self._texts.clear()

    def column(self, count: int) -> Floats:
        """The numbers of `count` points, NaN where a point has none."""
        self._flush()
        result = np.full(count, np.nan)
        result[np.array(self._rows, dtype=np.int64) - 1] = np.array(self._values)
        return result


def _fix(text: str) -> float:
    """1 for a fix of type none (GPX's fixType), else 0."""
    return NO_FIX if text.strip() == "none" else 0.0
