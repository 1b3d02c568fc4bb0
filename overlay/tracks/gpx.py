"""GPX 1.0 and 1.1 (topografix.com schema documents): track points, and the common extensions by their local name."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import UTC, datetime

import numpy as np

from overlay.tracks import terms
from overlay.tracks.dates import posix_of_iso
from overlay.tracks.quantities import Flown, columns_of
from overlay.tracks.samples import Contents, Floats, Options, Rows, Samples, number
from overlay.tracks.source import Source
from overlay.tracks.terms import Field
from overlay.tracks.xml_stream import Walker, root_name

NAME = "GPX"
BORN = datetime(2002, 1, 1, tzinfo=UTC).timestamp()  # GPX 1.0 came out in 2002
NO_FIX = "none"


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
    """One pass over the file: points go straight into growing columns."""

    def __init__(self, source: Source, options: Options) -> None:
        self._interval_s = options.interval_s
        self._tracks: list[tuple[Rows, list[bool]]] = []
        self._known: dict[str, bool] = {}
        self._place = (math.nan, math.nan)
        self._mapping = options.columns
        self._source = source
        opened = {"trk": self._begin, "rte": self._begin, "trkpt": self._open_point, "rtept": self._open_point}
        closed = {"trkpt": self._close_point, "rtept": self._close_point}
        self.walker = Walker(opened, closed)

    def runs(self) -> list[Samples]:
        return [
            Samples(rows.times(), self._columns(rows), keeps_utc=self._interval_s is None, not_valid=np.array(invalid))
            for rows, invalid in self._tracks
            if len(rows)
        ]

    def _columns(self, rows: Rows) -> dict[str, Floats]:
        raw = rows.columns()
        place = {name: raw.pop(name) for name in ("latitude_deg", "longitude_deg")}
        flown = Flown(rows.times(), place["latitude_deg"], place["longitude_deg"])
        fields = [field for field in self._fields(raw).values() if field.header in raw and field.column not in place]
        return place | columns_of(fields, raw, flown, self._source, si=True)

    def _fields(self, names: Iterable[str]) -> dict[str, Field]:
        return terms.assign(names, {column: header for column, header in self._mapping.items() if header in names})

    def _begin(self, _: dict[str, str]) -> None:
        self._tracks.append((Rows(), []))

    def _open_point(self, attributes: dict[str, str]) -> None:
        self.walker.leaves.clear()
        self._place = (number(attributes.get("lat", "")), number(attributes.get("lon", "")))

    def _close_point(self, _: str) -> None:
        if not self._tracks:
            self._begin({})
        rows, invalid = self._tracks[-1]
        leaves = self.walker.leaves
        stamp = leaves.pop("time", None)
        if self._interval_s is not None:
            rows.add(len(rows) * self._interval_s)
        else:
            rows.add(posix_of_iso(stamp) if stamp else math.nan)
        rows.put("latitude_deg", self._place[0])
        rows.put("longitude_deg", self._place[1])
        invalid.append(leaves.pop("fix", "").strip() == NO_FIX)
        for name, text in leaves.items():
            known = self._known.get(name)
            if known is None:
                known = self._known[name] = name in self._mapping.values() or terms.is_term(name)
            if known:
                rows.put(name, number(text))
