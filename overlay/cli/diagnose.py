"""`overlay diagnose`: grade of the live picture over time, its break-ups, and the control link's fades."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from overlay.cli.console import Stages, add_json, remark, say, say_json
from overlay.cli.inputs import add_flight, add_pin, add_terrain, flight_file, results
from overlay.cli.links import conditions_told, control_lines, explained, links_as_json, picture_reasons
from overlay.clock import format_duration
from overlay.errors import NoAnswerError, UsageError

if TYPE_CHECKING:
    from overlay.flight import Flight
    from overlay.flight_file import FlightFile
    from overlay.picture.breakups import Breakup

_GIVE_ONE = "give one with --ground or [ground] in flight.toml"
NOT_WATCHED = {
    "schema": "overlay/breakups",
    "version": 1,
    "recording": None,
    "frame_rate": None,
    "frames": 0,
    "series": None,
    "events": [],
}
"""What is published of break-ups where nobody recorded the live picture."""


def add(commands: Any) -> None:
    """Add the command's options."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "diagnose",
        help="picture grade over time, break-ups and control link fades with conditions and causes",
        description="Grade the live picture frame by frame (ITU-R BT.500 impairment scale, 5 imperceptible to 1 very "
        "annoying), and find when it broke up, how, and when it came back; find the control link's fades in the log. Where "
        "the radios are described, say why. Without a ground recording the log alone is told of.",
    )
    add_flight(parser)
    add_pin(parser)
    add_terrain(parser)
    parser.add_argument("--series", metavar="CSV", help="write one row per frame: grade, state, features")
    parser.add_argument("--chart", metavar="PNG", help="write a strip chart with thumbnails of each break-up")
    parser.add_argument("--overwrite", action="store_true", help="replace existing outputs")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Diagnose the ground recording; join it with the flight where the clocks are known."""
    from overlay.flight import Flight

    file = flight_file(arguments)
    if file.ground is None:
        return _from_the_log_alone(file, arguments)
    with Stages() as stages, results(arguments, [file], "series", "chart") as (series, chart):
        flight = Flight(file, pin=arguments.pin, progress=stages)
        diagnosis = flight.diagnosis
        if series is not None:
            write_series(flight, series)
        if chart is not None:
            write_chart(flight, chart)
    for line in (*map(str, flight.damage), *flight.notes):
        remark(line)
    if arguments.json:
        told = diagnosis.as_json(recording="ground", series=arguments.series)
        say_json({**told, "links": links_as_json(flight)})
        return 0
    if not diagnosis.events:
        say("the live picture never broke up")
    for event, why in zip(diagnosis.events, picture_reasons(flight), strict=True):
        say(_sentence(event))
        if why:
            say(f"    {why}")
    for line in control_lines(flight):
        say(line)
    return 0


def _from_the_log_alone(file: FlightFile, arguments: argparse.Namespace) -> int:
    """What the log tells of the control link, where nobody recorded the live picture."""
    from overlay.flight import Flight

    if file.track is None:
        raise UsageError(f"this flight has no ground recording and no log: {_GIVE_ONE}")
    for option in ("series", "chart"):
        if getattr(arguments, option):
            raise UsageError(f"--{option} shows the live picture, and this flight has no ground recording: {_GIVE_ONE}")
    flight = Flight(file, pin=arguments.pin)
    if not (flight.readings.has("control_link_pct") or flight.readings.has("control_rssi_dBm")):
        raise UsageError(f"this flight has no ground recording, and its log holds no control link: {_GIVE_ONE}")
    why = explained(flight, "control_explanation")
    if not flight.readings.has("control_link_pct") and isinstance(why, str):
        raise NoAnswerError(f"the log holds the control link's strength but no quality, and cannot explain it: {why}")
    for line in (*map(str, flight.damage), *flight.notes, "no ground recording: of the live picture nothing is known"):
        remark(line)
    if arguments.json:
        say_json({**NOT_WATCHED, "links": links_as_json(flight)})
        return 0
    for line in control_lines(flight):
        say(line)
    return 0


def write_series(flight: Flight, path: Path) -> None:
    """One row per frame of the ground recording."""
    from overlay.picture.breakups import write_series as write_rows

    with path.open("w", encoding="utf-8", newline="") as text:
        write_rows(flight.graded, text)


def write_chart(flight: Flight, path: Path) -> None:
    """The strip chart with thumbnails at onset, worst and recovery of each break-up."""
    from overlay.debrief.strip_chart import draw, thumbnail_frames

    draw(flight.diagnosis, flight.thumbnails(thumbnail_frames(flight.diagnosis)), path)


def _sentence(event: Breakup) -> str:
    begun, ended = format_duration(event.onset_s), format_duration(event.end_s)
    text = f"{begun} … {ended}  {event.kind}, worst grade {event.worst_grade:.1f}"
    where = conditions_told(event.at)
    return f"{text}  ({where})" if where else text
