"""What a recording or a log holds: spans, rates, gaps, fields, damage."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from overlay.clock import format_utc
from overlay.errors import InputError, RecordingError

if TYPE_CHECKING:
    from overlay.recordings import Recording
    from overlay.tracks import Log, Track

# ITU-T H.273 code points that cameras write; others are shown by number.
_MATRICES = {1: "BT.709", 2: "unspecified", 5: "BT.601", 6: "BT.601", 9: "BT.2020"}


def inspect_file(
    path: str | os.PathLike[str],
    *,
    columns: Mapping[str, str] | None = None,
    time_zone: str | None = None,
    interval_s: float | None = None,
) -> dict[str, Any]:
    """Describe one file, told to be a log or a recording by its content; InputError when it is neither."""
    from overlay.tracks import read_log, sniff

    if sniff(path, columns=columns) is not None:
        return describe_log(read_log(path, columns=columns, time_zone=time_zone, interval_s=interval_s))
    from overlay.recordings import open_recording

    try:
        return describe_recording(open_recording([path]))
    except RecordingError as error:
        if not Path(path).is_file():
            raise InputError(path, error.found, "give a recording or a log") from None
        raise


def describe_recording(recording: Recording) -> dict[str, Any]:
    """The inspection of a recording's only chapter, times in seconds, UTC as the recorder believed it."""
    chapter = recording.chapters[0]
    audio = chapter.audio
    return {
        "file": chapter.path,
        "kind": "recording",
        "format": chapter.format,
        "codec": chapter.codec,
        "damage": [str(damage) for damage in recording.damage],
        "frames": recording.frames,
        "duration_s": float(recording.duration_s),
        "frame_rate": str(recording.frame_rate),
        "variable_rate": chapter.variable_rate,
        "width": chapter.width,
        "height": chapter.height,
        "display_width": recording.width,
        "display_height": recording.height,
        "pixel_format": chapter.pixel_format,
        "matrix": _MATRICES.get(chapter.colour.matrix, str(chapter.colour.matrix)),
        "full_range": chapter.colour.full_range,
        "rotation_deg": chapter.rotation_deg,
        "interlaced": chapter.interlaced,
        "sample_aspect": str(chapter.sample_aspect),
        "audio": f"{audio.codec}, {audio.sample_rate_Hz} Hz, {audio.channels} channels" if audio else None,
        "start_utc": format_utc(chapter.created_utc) if chapter.created_utc is not None else None,
        "timecode": chapter.timecode,
    }


def describe_log(log: Log) -> dict[str, Any]:
    """The inspection of a log: one entry for each flight in it."""
    return {
        "file": log.path,
        "kind": "track",
        "format": log.format,
        "damage": [str(damage) for damage in log.damage],
        "flights": [_describe_flight(track) for track in log.flights],
    }


def _describe_flight(track: Track) -> dict[str, Any]:
    times, latitude, longitude = track.position()
    rows = track.time_s
    span = float(times[-1] - times[0]) if len(times) > 1 else 0.0
    speed = track["ground_speed_mps"]
    return {
        "fixes": len(times),
        "rows": len(rows),
        "keeps_utc": track.keeps_utc,
        "first_utc": format_utc(float(rows[0])) if track.keeps_utc and len(rows) else None,
        "last_utc": format_utc(float(rows[-1])) if track.keeps_utc and len(rows) else None,
        "duration_s": float(rows[-1] - rows[0]) if len(rows) else 0.0,
        "mean_rate_Hz": (len(times) - 1) / span if span > 0 else None,
        "gaps": [{"start_s": start, "end_s": end} for start, end in track.gaps],
        "columns": [name for name in track.columns if track.has(name)],
        "ranges": {name: _range(track[name]) for name in track.columns if track.has(name)},
        "bounds": _bounds(latitude, longitude),
        "max_ground_speed_mps": float(np.nanmax(speed)) if np.isfinite(speed).any() else None,
    }


def _range(values: Any) -> list[float]:
    """Least and greatest of a column: what shows a wrong unit at once."""
    return [float(np.nanmin(values)), float(np.nanmax(values))]


def _bounds(latitude: Any, longitude: Any) -> dict[str, float] | None:
    if len(latitude) == 0:
        return None
    return {
        "south": float(latitude.min()),
        "west": float(longitude.min()),
        "north": float(latitude.max()),
        "east": float(longitude.max()),
    }
