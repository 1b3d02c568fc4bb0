"""`overlay export`: the flight in the open formats that other programs read."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from overlay.cli.console import Stages, add_json, remark, say, say_json
from overlay.cli.inputs import add_flight, add_pin, add_terrain, flight_file, source_files
from overlay.clock import AffineClock
from overlay.errors import NoAnswerError, UsageError

if TYPE_CHECKING:
    from overlay.exports.privacy import Disclosure
    from overlay.exports.subtitles import Cue
    from overlay.exports.timeline import Marker, Strip
    from overlay.flight import Flight

_TABLES, _MAPS, _SUBTITLES = (".csv", ".parquet"), (".geojson", ".kml", ".gpx"), (".vtt", ".srt")
_TIMELINES = (".otio",)


def add(commands: Any) -> None:
    """Add the command's options."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "export",
        help="readings, path, break-ups and captions in open formats",
        description="Write the flight in the format that OUT's suffix names: .csv or .parquet for the merged readings, "
        ".geojson, .kml or .gpx for the path, .vtt or .srt for captions of a recording, .otio for the recordings on an "
        "editing timeline with markers. Private by default: tables "
        "hold no coordinates, and paths leave out 300 m and more round home. The hole in a path still shows about "
        "where home is: choose it large enough.",
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
    known = (*_TABLES, *_MAPS, *_SUBTITLES, *_TIMELINES)
    if suffix not in known:
        raise UsageError(f"{arguments.output}: no format is known by this suffix; use one of {', '.join(known)}")
    if arguments.breakups and suffix != ".csv":
        raise UsageError(f"--breakups is written as .csv, not {suffix}")
    if arguments.recording and suffix not in _SUBTITLES:
        raise UsageError(f"--recording is for captions ({', '.join(_SUBTITLES)}), not {suffix}")


def _write(flight: Flight, target: Path, arguments: argparse.Namespace) -> None:
    from overlay.output import writing

    suffix = target.suffix.lower()
    with writing(target, overwrite=arguments.overwrite, inputs=source_files(flight.file)) as temporary:
        if suffix == ".parquet":
            _write_parquet(flight, temporary, arguments.without_home)
            return
        if suffix in _TIMELINES:
            _write_timeline(flight, temporary, target, arguments.without_home)
            return
        with temporary.open("w", encoding="utf-8", newline="") as text:
            if arguments.breakups:
                _write_breakups(flight, text, arguments.without_home)
            elif suffix == ".csv":
                _write_csv(flight, text, arguments.without_home)
            elif suffix in _MAPS:
                _write_path(flight, text, suffix, arguments.without_home)
            else:
                _write_captions(flight, text, suffix, arguments)


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
        flight.notes.append(
            f"positions within {circle_m:g} m of home, and some beyond, are left out; --without-home 0 keeps them"
        )
    return outside_circle(flight.readings, circle_m)


def _write_breakups(flight: Flight, text: Any, circle_m: float | None) -> None:
    from overlay.exports.breakup_list import write_breakups
    from overlay.exports.privacy import outside_circle

    diagnosis = flight.diagnosis
    clock = _clock(flight, "ground") if flight.file.track is not None else None
    keeps_utc = flight.file.track is not None and flight.track.keeps_utc
    told = outside_circle(flight.readings, circle_m) if circle_m is not None and flight.file.track is not None else None
    write_breakups(diagnosis, text, clock=clock, keeps_utc=keeps_utc, told=told)


def _write_captions(flight: Flight, text: Any, suffix: str, arguments: argparse.Namespace) -> None:
    from overlay.exports.subtitles import write_srt, write_vtt

    name = arguments.recording or ("ground" if flight.file.ground is not None else "camera")
    cues = list(_cues(flight, name, arguments.without_home))
    (write_vtt if suffix == ".vtt" else write_srt)(cues, text)


def _cues(flight: Flight, name: str, circle_m: float | None) -> Iterator[Cue]:
    """The flight's captions on a recording's clock, no later than its end; without a clock, the break-ups it shows."""
    from overlay.exports.privacy import retold
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
    for caption in captions(retold(flight.readings, circle_m), UNITS["metric"]):
        start, end = (float(clock.to_recording(t)) for t in (caption.start_s, caption.end_s))
        if start < end_s:
            yield Cue(start, min(end, end_s), caption.sentence)


def _write_timeline(flight: Flight, path: Path, target: Path, circle_m: float | None) -> None:
    from overlay.exports.timeline import write_timeline

    strips, markers = _strips(flight, target.parent), list(_markers(flight, circle_m))
    write_timeline(strips, markers, path, title=target.stem)


def _strips(flight: Flight, folder: Path) -> list[Strip]:
    """Each recording whose place beside the others is known; one alone needs none."""
    from overlay.exports.timeline import Reel, Strip

    strips = []
    names = [name for name in ("camera", "ground") if getattr(flight.file, name) is not None]
    if not names:
        raise UsageError("an editing timeline needs a recording: give one with --camera or --ground")
    for name in names:
        recording = flight.recording(name)
        clock = _clock(flight, name) if flight.file.track is not None or len(names) > 1 else AffineClock(0.0)
        if clock is None:
            continue
        middle = float(recording.duration_s) / 2
        lost, steady = dict(clock.steps), replace(clock, steps=())
        reels = [
            Reel(_address(chapter.path, folder), chapter.frames, lost.get(float(chapter.start_s), 0.0))
            for chapter in recording.chapters
        ]
        sound = all(chapter.audio is not None for chapter in recording.chapters)
        starts_s = steady.to_reference(middle) - middle
        title = "On board" if name == "camera" else "Live picture"
        strips.append(Strip(title, reels, recording.frame_rate, starts_s, clock.drift, sound))
    if not strips:
        raise NoAnswerError("no editing timeline: no recording's clock is known; set it with --pin TIME=UTC")
    return strips


def _address(path: str, folder: Path) -> str:
    """A file's address beside the timeline: it moves with the folder, and names nobody's directories above it."""
    from os.path import relpath
    from urllib.parse import quote

    return quote(Path(relpath(Path(path).absolute(), folder.absolute())).as_posix())


def _markers(flight: Flight, circle_m: float | None) -> Iterator[Marker]:
    """The captions of the flight; without a log, the break-ups that the live picture shows."""
    from overlay.exports.privacy import retold
    from overlay.exports.timeline import Marker
    from overlay.instruments.captions import captions
    from overlay.instruments.quantities import UNITS

    if flight.file.track is None:
        if flight.file.ground is not None:
            clock = (_clock(flight, "ground") if flight.file.camera is not None else None) or AffineClock(0.0)
            for event in flight.graded.events:
                span = clock.to_reference(event.onset_s), clock.to_reference(event.end_s)
                yield Marker(*span, "Break-up", f"Picture breaks up: {event.kind}", "RED")
        return
    told = retold(flight.readings, circle_m)
    ends = {broken.onset_s: broken.end_s for broken in told.breakups}
    for caption in captions(told, UNITS["metric"]):
        broken = caption.kind == "break-up"
        name = "Break-up" if broken else caption.sentence.partition(":")[0]
        yield Marker(
            caption.start_s, ends[caption.start_s] if broken else caption.start_s, name, caption.sentence,
            "RED" if broken else "GREEN" if caption.kind == "leg" else "YELLOW",
        )  # fmt: skip


def _clock(flight: Flight, name: str) -> AffineClock | None:
    try:
        return flight.clock(name)
    except NoAnswerError as error:
        flight.notes.append(str(error))
        return None
