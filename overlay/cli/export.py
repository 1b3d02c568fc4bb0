"""`overlay export`: the flight in the open formats that other programs read."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from overlay.cli.console import Stages, add_json, remark, say, say_json
from overlay.cli.inputs import add_flight, add_pin, add_terrain, flight_file, source_files
from overlay.errors import NoAnswerError, UsageError

if TYPE_CHECKING:
    from overlay.clock import AffineClock
    from overlay.exports.privacy import Disclosure
    from overlay.exports.subtitles import Cue
    from overlay.flight import Flight

_TABLES, _MAPS, _SUBTITLES = (".csv", ".parquet"), (".geojson", ".kml", ".gpx"), (".vtt", ".srt")


def add(commands: Any) -> None:
    """Add the command's options."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "export",
        help="readings, path, break-ups and captions in open formats",
        description="Write the flight in the format that OUT's suffix names: .csv or .parquet for the merged readings, "
        ".geojson, .kml or .gpx for the path, .vtt or .srt for captions of a recording. Private by default: tables "
        "hold no coordinates, and paths leave out a circle of 300 m round home. The hole in a path still shows about "
        "where home is: choose the circle large enough.",
    )
    add_flight(parser)
    add_pin(parser)
    add_terrain(parser)
    parser.add_argument("-o", "--output", metavar="OUT", required=True, help="what to write; its suffix is the format")
    parser.add_argument(
        "--without-home",
        metavar="METRES",
        type=float,
        help="leave out every position within METRES of home, and all that is counted from home; 0 leaves nothing out",
    )
    parser.add_argument(
        "--breakups", action="store_true", help="with .csv: the live picture's break-ups instead of the readings"
    )
    parser.add_argument(
        "--recording",
        choices=("camera", "ground"),
        help="with .vtt and .srt: the recording that the captions are for (default: ground where there is one)",
    )
    parser.add_argument("--overwrite", action="store_true", help="replace an existing file")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Write one file."""
    from overlay.flight import Flight

    target = Path(arguments.output)
    _require_sense(arguments, target.suffix.lower())
    file = flight_file(arguments)
    with Stages() as stages:
        flight = Flight(file, pin=arguments.pin, progress=stages)
        _write(flight, target, arguments)
    for line in (*map(str, flight.damage), *flight.notes):
        remark(line)
    if arguments.json:
        say_json({"schema": "overlay/export", "version": 1, "output": str(target)})
    else:
        say(f"written: {target}")
    return 0


def _require_sense(arguments: argparse.Namespace, suffix: str) -> None:
    known = (*_TABLES, *_MAPS, *_SUBTITLES)
    if suffix not in known:
        raise UsageError(f"{arguments.output}: no format is known by this suffix; use one of {', '.join(known)}")
    if arguments.breakups and suffix != ".csv":
        raise UsageError(f"--breakups is written as .csv, not {suffix}")
    if arguments.recording and suffix not in _SUBTITLES:
        raise UsageError(f"--recording is for captions ({', '.join(_SUBTITLES)}), not {suffix}")
    if arguments.without_home is not None and (suffix in _SUBTITLES or arguments.breakups):
        raise UsageError("--without-home is for positions, and this export holds none")


def _write(flight: Flight, target: Path, arguments: argparse.Namespace) -> None:
    from overlay.output import writing

    suffix = target.suffix.lower()
    with writing(target, overwrite=arguments.overwrite, inputs=source_files(flight.file)) as temporary:
        if suffix == ".parquet":
            _write_parquet(flight, temporary, arguments.without_home)
            return
        with temporary.open("w", encoding="utf-8", newline="") as text:
            if arguments.breakups:
                _write_breakups(flight, text)
            elif suffix == ".csv":
                _write_csv(flight, text, arguments.without_home)
            elif suffix in _MAPS:
                _write_path(flight, text, suffix, arguments.without_home)
            else:
                _write_captions(flight, text, suffix, arguments.recording)


def _write_parquet(flight: Flight, path: Path, circle_m: float | None) -> None:
    from overlay.exports.table import write_parquet

    write_parquet(_told(flight, circle_m), path)


def _write_csv(flight: Flight, text: Any, circle_m: float | None) -> None:
    from overlay.exports.table import write_csv

    write_csv(_told(flight, circle_m), text)


def _told(flight: Flight, circle_m: float | None) -> Any:
    """The readings without coordinates, or as a circle leaves them."""
    from overlay.exports.privacy import outside_circle, without_places

    if circle_m is None:
        flight.notes.append("no coordinates are in this table; --without-home METRES, or 0, puts them in")
        return without_places(flight.readings)
    return outside_circle(flight.readings, circle_m).table


def _write_path(flight: Flight, text: Any, suffix: str, circle_m: float | None) -> None:
    from overlay.exports.geojson import write_geojson
    from overlay.exports.gpx import write_gpx
    from overlay.exports.kml import write_kml

    told = _path(flight, circle_m)
    if suffix == ".geojson":
        write_geojson(told, text)
        return
    home = flight.readings.home
    height, title = home.height_m if home is not None else float("nan"), flight.file.title or "Flight"
    (write_kml if suffix == ".kml" else write_gpx)(told, text, title=title, home_height_m=height)


def _path(flight: Flight, circle_m: float | None) -> Disclosure:
    from overlay.exports.privacy import DEFAULT_CIRCLE_M, outside_circle

    if circle_m is None:
        circle_m = DEFAULT_CIRCLE_M
        flight.notes.append(f"positions within {circle_m:g} m of home are left out; --without-home 0 keeps them")
    return outside_circle(flight.readings, circle_m)


def _write_breakups(flight: Flight, text: Any) -> None:
    from overlay.exports.breakup_list import write_breakups

    diagnosis = flight.diagnosis
    clock = _clock(flight, "ground") if flight.file.track is not None else None
    keeps_utc = flight.file.track is not None and flight.track.keeps_utc
    write_breakups(diagnosis, text, clock=clock, keeps_utc=keeps_utc)


def _write_captions(flight: Flight, text: Any, suffix: str, recording: str | None) -> None:
    from overlay.exports.subtitles import write_srt, write_vtt

    name = recording or ("ground" if flight.file.ground is not None else "camera")
    cues = list(_cues(flight, name))
    (write_vtt if suffix == ".vtt" else write_srt)(cues, text)


def _cues(flight: Flight, name: str) -> Iterator[Cue]:
    """The flight's captions on a recording's clock, no later than its end; without a clock, the break-ups it shows."""
    from overlay.exports.subtitles import Cue
    from overlay.instruments.captions import captions
    from overlay.instruments.quantities import UNITS

    end_s = float(flight.recording(name).duration_s)
    clock = _clock(flight, name) if flight.file.track is not None else None
    if clock is None and name == "camera":
        raise NoAnswerError("no captions for the onboard recording: its clock is not known; set it with --pin TIME=UTC")
    if clock is None:
        for event in flight.graded.events:
            yield Cue(event.onset_s, min(event.end_s, end_s), f"Picture breaks up: {event.kind}")
        return
    for caption in captions(flight.readings, UNITS["metric"]):
        start, end = (float(clock.to_recording(t)) for t in (caption.start_s, caption.end_s))
        if start < end_s:
            yield Cue(start, min(end, end_s), caption.sentence)


def _clock(flight: Flight, name: str) -> AffineClock | None:
    try:
        return flight.clock(name)
    except NoAnswerError as error:
        flight.notes.append(str(error))
        return None
