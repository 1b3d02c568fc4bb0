"""Read a log of any known format, told by what is in the file and never by its name."""

from __future__ import annotations

import os
from collections.abc import Mapping
from types import ModuleType

from overlay.errors import TrackError, UsageError
from overlay.tracks import csv_table, dataflash, gpx, igc, kml, mavlink, nmea, ulog
from overlay.tracks.dates import zone_of
from overlay.tracks.flights import flights_of
from overlay.tracks.samples import Options
from overlay.tracks.source import Source, is_text
from overlay.tracks.track import Log

READERS: tuple[ModuleType, ...] = (gpx, kml, ulog, dataflash, mavlink, igc, nmea, csv_table)


def read_log(
    path: str | os.PathLike[str],
    *,
    columns: Mapping[str, str] | None = None,
    time_zone: str | None = None,
    interval_s: float | None = None,
) -> Log:
    """The flights of a log.

    `columns` maps a column of ours to the log's header, with a unit in brackets where the header has none:
    ``{"ground_speed_mps": "Spd (km/h)"}``. `time_zone` is that of local times (an IANA name or an offset such as
    ``+02:00``); without it they name no UTC. `interval_s` spaces the rows of a log that carries no times at all.

    Raises `TrackError` when the file is no log or holds no flight, `UsageError` for arguments that cannot be.
    """
    if interval_s is not None and not 0 < interval_s < 3600:
        raise UsageError(f"interval_s = {interval_s}: give the seconds between two rows, more than 0")
    if time_zone is not None:
        zone_of(time_zone)
    source = Source.open(path)
    reader = _reader_of(source, columns)
    if reader is None:
        raise source.error(what_it_is(source.head), "give a GPX, KML, NMEA, IGC, CSV, MAVLink or ULog log")
    if source.size > reader.LIMIT_BYTES:
        found = f"a {reader.NAME} log of {source.size / 1e6:.0f} MB, far more than a flight's"
        raise source.error(found, f"cut it to {reader.LIMIT_BYTES / 1e6:.0f} MB")
    contents = reader.read(source, Options(columns or {}, time_zone, interval_s))
    flights = flights_of(contents, source)
    return Log(str(path), contents.format, flights, source.damage())


def sniff(path: str | os.PathLike[str], *, columns: Mapping[str, str] | None = None) -> str | None:
    """The name of a log's format, or None when the file is none (or cannot be opened): it may be a recording.

    A table whose headers are known only to the user's `columns` counts when these are given.
    """
    try:
        source = Source.open(path)
    except TrackError:
        return None
    reader = _reader_of(source, columns)
    return str(reader.NAME) if reader else None


def _reader_of(source: Source, columns: Mapping[str, str] | None) -> ModuleType | None:
    known = next((reader for reader in READERS if reader.matches(source)), None)
    return known or (csv_table if columns and is_text(source.head) else None)


_SIGNATURES = (
    (4, b"ftyp", "a video recording (MP4 or QuickTime)"),
    (0, b"\x1aE\xdf\xa3", "a video recording (Matroska)"),
    (8, b"AVI ", "a video recording (AVI)"),
    (0, b"\x47\x40", "a video recording (MPEG transport stream)"),
    (0, b"\x89PNG", "a picture"),
    (0, b"\xff\xd8\xff", "a picture"),
    (0, b"%PDF", "a PDF document"),
    (0, b"PK\x03\x04", "a zip archive without a track in it"),
    (0, b"\x1f\x8b", "a compressed file"),
    (0, b"<", "XML or HTML, but neither GPX nor KML"),
)


def what_it_is(head: bytes) -> str:
    """What a file that is no log looks like, in plain words."""
    for at, signature, name in _SIGNATURES:
        if head[at : at + len(signature)] == signature:
            return f"looks like {name}"
    return "text in no format known here" if is_text(head) else "bytes in no format known here"
