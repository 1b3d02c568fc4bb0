"""`overlay diagnose`: grade of the live picture over time, and its break-ups."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from overlay.cli.console import Stages, add_json, remark, say, say_json
from overlay.cli.inputs import add_flight, add_pin, add_terrain, flight_file
from overlay.clock import format_duration
from overlay.errors import NoAnswerError

if TYPE_CHECKING:
    from overlay.flight import Flight
    from overlay.picture.breakups import Breakup
    from overlay.radio.explain import Explanation

_BANK_WORTH_SAYING_DEG = 5.0


def add(commands: Any) -> None:
    """Add the command's options."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "diagnose",
        help="picture grade over time, break-ups with onset and conditions",
        description="Grade the live picture frame by frame (ITU-R BT.500 impairment scale, 5 imperceptible to 1 very "
        "annoying), and find when it broke up, how, and when it came back.",
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
    with Stages() as stages:
        flight = Flight(file, pin=arguments.pin, progress=stages)
        diagnosis = flight.diagnosis
        if arguments.series:
            write_series(flight, Path(arguments.series), arguments.overwrite)
        if arguments.chart:
            write_chart(flight, Path(arguments.chart), arguments.overwrite)
    for line in (*map(str, flight.damage), *flight.notes):
        remark(line)
    if arguments.json:
        told = diagnosis.as_json(recording="ground", series=arguments.series)
        say_json({**told, "links": links_as_json(flight)})
        return 0
    if not diagnosis.events:
        say("the live picture never broke up")
    for event, why in zip(diagnosis.events, _reasons(flight), strict=True):
        say(_sentence(event))
        if why:
            say(f"    {why}")
    for line in _control_lines(flight):
        say(line)
    return 0


def links_as_json(flight: Flight) -> dict[str, Any]:
    """What is known of both links: events on the flight clock with their causes, and what would change the range."""
    return {"picture": _link_as_json(flight, "explanation"), "control": _link_as_json(flight, "control_explanation")}


def _link_as_json(flight: Flight, name: str) -> dict[str, Any]:
    found = _explained(flight, name)
    return {"not_explained": found} if isinstance(found, str) else found.as_json()


def _explained(flight: Flight, name: str) -> Explanation | str:
    """An explanation of the flight, or why there is none."""
    if flight.file.track is None:
        return "there is no track"
    if name == "explanation" and flight.file.ground is None:
        return "there is no recording of the live picture"
    try:
        found: Explanation = getattr(flight, name)
    except NoAnswerError as error:
        return str(error)
    return found


def _reasons(flight: Flight) -> list[str]:
    """The sentence on each break-up's cause, empty where it has none."""
    found = _explained(flight, "explanation")
    if isinstance(found, str):
        return [""] * len(flight.diagnosis.events)
    clock = flight.clock("ground")
    told = {event.onset_s: event.sentence for event in found.events}
    return [told.get(clock.to_reference(event.onset_s), "") for event in flight.diagnosis.events]


def _control_lines(flight: Flight) -> Iterator[str]:
    """The fades of the control link, in time since launch."""
    from overlay.radio.explain import control_fades
    from overlay.readings import conditions

    if flight.file.track is None or not flight.readings.has("control_link_pct"):
        return
    found = _explained(flight, "control_explanation")
    told = {} if isinstance(found, str) else {event.onset_s: event.sentence for event in found.events}
    launched = [event.time_s for event in flight.readings.events if event.kind == "launch"]
    zero = launched[0] if launched else float(flight.readings.time_s[0])
    since = "after launch" if launched else "into the log"
    fades = control_fades(flight.readings)
    if not fades:
        yield "the control link never faded"
    for start, end in fades:
        at = conditions(flight.readings, start)
        where = f"  ({', '.join(_conditions(at))})" if at else ""
        span = f"{format_duration(start - zero)} … {format_duration(end - zero)} {since}"
        yield f"{span}  control link faded{where}"
        if start in told:
            yield f"    {told[start]}"
    if fades and isinstance(found, str):
        yield f"    the causes of the control link's fades are not weighed: {found}"


def write_series(flight: Flight, target: Path, overwrite: bool) -> None:
    """One row per frame of the ground recording."""
    from overlay.output import writing
    from overlay.picture.breakups import write_series as write_rows

    with writing(target, overwrite=overwrite) as temporary, temporary.open("w", encoding="utf-8", newline="") as text:
        write_rows(flight.graded, text)


def write_chart(flight: Flight, target: Path, overwrite: bool) -> None:
    """The strip chart with thumbnails at onset, worst and recovery of each break-up."""
    from overlay.debrief.strip_chart import draw, thumbnail_frames
    from overlay.output import writing

    pictures = flight.thumbnails(thumbnail_frames(flight.diagnosis))
    with writing(target, overwrite=overwrite) as temporary:
        draw(flight.diagnosis, pictures, temporary)


def _sentence(event: Breakup) -> str:
    begun, ended = format_duration(event.onset_s), format_duration(event.end_s)
    text = f"{begun} … {ended}  {event.kind}, worst grade {event.worst_grade:.1f}"
    conditions = list(_conditions(event.at)) if event.at else []
    return f"{text}  ({', '.join(conditions)})" if conditions else text


def _conditions(at: Mapping[str, float | None]) -> Iterator[str]:
    if (far := at.get("range_m")) is not None:
        yield f"{far / 1000:.2f} km out"
    if (height := at.get("height_m")) is not None:
        yield f"{height:.0f} m high"
    if (bank := at.get("bank_deg")) is not None and abs(bank) >= _BANK_WORTH_SAYING_DEG:
        yield f"banked {abs(bank):.0f}° {'right' if bank > 0 else 'left'}"
    if (link := at.get("control_link_pct")) is not None:
        yield f"control link {link:.0f} %"
    if (seen := at.get("visibility_pct")) is not None:
        yield f"ground seen at {seen:.0f} % of the clearest"
