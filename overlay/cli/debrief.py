"""`overlay debrief`: the flight's findings as one page that can be handed on."""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from overlay.cli.console import Stages, add_json, remark, say, say_json
from overlay.cli.inputs import add_flight, add_pin, add_terrain, flight_file, source_files
from overlay.cli.links import links_as_json
from overlay.errors import NoAnswerError, UsageError

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from overlay.alignment import Alignment
    from overlay.clock import AffineClock
    from overlay.debrief.story import Story
    from overlay.flight import Flight
    from overlay.radio.explain import Explanation
    from overlay.readings import Readings

_EVIDENCE_COLOURS = 48
_JPEG_QUALITY = 72


def add(commands: Any) -> None:
    """Add the command's options."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "debrief",
        help="one page with the flight's findings: verdict, linked figures, break-ups, evidence",
        description="Write the flight's findings as one HTML page that needs no network: how far, when the live "
        "picture broke up and most likely why, what margin was left, what to change; then the figures and numbers that "
        "this rests on. The page holds no coordinates but what is burned into the live picture.",
    )
    add_flight(parser)
    add_pin(parser)
    add_terrain(parser)
    parser.add_argument("-o", "--output", metavar="OUT.html", required=True, help="the page to write")
    parser.add_argument("--overwrite", action="store_true", help="replace an existing page")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Write the page and say its verdict."""
    from overlay.debrief.page import page
    from overlay.debrief.verdict import verdict
    from overlay.flight import Flight
    from overlay.output import writing

    target = Path(arguments.output)
    if target.suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"{target}: a debrief is one HTML page; give a name that ends in .html")
    file = flight_file(arguments)
    free = writing(target, overwrite=arguments.overwrite, inputs=source_files(file))
    with Stages() as stages, free as temporary:  # a name that is taken is said before the work, not after
        flight = Flight(file, pin=arguments.pin, progress=stages)
        story = story_of(flight)
        temporary.write_text(page(story), encoding="utf-8", newline="")
    for line in (*map(str, flight.damage), *flight.notes):
        remark(line)
    answers = verdict(story)
    if arguments.json:
        told = [
            {"question": a.question, "answer": a.answer, "details": list(a.details), "known": a.known} for a in answers
        ]
        links = links_as_json(flight)
        say_json({"schema": "overlay/debrief", "version": 1, "output": str(target), "verdict": told, "links": links})
        return 0
    for answer in answers:
        say(f"{answer.question} {answer.answer}")
    say(f"page: {target}")
    return 0


def story_of(flight: Flight) -> Story:
    """Gather what the page tells; what a flight lacks is left out, and the page says so."""
    from overlay.debrief.story import Story
    from overlay.mechanics.findings import findings_of

    alignments = _alignments(flight)
    readings = _readings(flight)
    ground = flight.file.ground is not None
    diagnosis = flight.diagnosis if ground else None
    explanation, not_explained = _or_why(flight, lambda: flight.explanation) if ground else (None, "")
    control, no_control = _or_why(flight, lambda: flight.control_explanation)
    return Story(
        flight.file.title or "A flight without a title",
        readings,
        findings_of(readings),
        diagnosis,
        _ground_clock(flight) if ground else None,
        alignments,
        {pair.recording: evidence_png(pair) for pair in alignments},
        _thumbnails(flight) if ground else {},
        explanation,
        not_explained,
        _files(flight),
        tuple(_remarks(flight)),
        control=control,
        control_not_explained=no_control,
    )


def _alignments(flight: Flight) -> tuple[Alignment, ...]:
    file = flight.file
    pairs = (file.camera is not None or file.ground is not None) and file.track is not None
    if not (pairs or (file.camera is not None and file.ground is not None)):
        return ()
    first: dict[str, Alignment] = {}  # of each recording: the pair that closes the triangle is told of with the others
    for pair in flight.alignments:
        first.setdefault(pair.recording, pair)
    return tuple(first.values())


def _readings(flight: Flight) -> Readings:
    import numpy as np

    from overlay.readings import Readings

    return flight.readings if flight.file.track is not None else Readings(np.zeros(0), keeps_utc=False)


def _ground_clock(flight: Flight) -> AffineClock | None:
    if flight.file.track is None:
        return None
    try:
        return flight.clock("ground")
    except NoAnswerError:
        return None  # the flight's own notes say why


def _or_why(flight: Flight, explain: Callable[[], Explanation]) -> tuple[Explanation | None, str]:
    """Why a link broke, or why that cannot be told."""
    if flight.file.track is None:
        return None, "there is no track"
    try:
        return explain(), ""
    except NoAnswerError as error:
        return None, str(error)


def evidence_png(alignment: Alignment) -> bytes:
    """The picture of the evidence in few colours, small enough to carry in a page."""
    from io import BytesIO

    from PIL import Image

    from overlay.debrief.evidence import draw

    with tempfile.TemporaryDirectory() as folder:
        drawn = Path(folder) / "evidence.png"
        draw(alignment, drawn)
        with Image.open(drawn) as picture:
            few = picture.convert("RGB").quantize(_EVIDENCE_COLOURS, dither=Image.Dither.NONE)
    data = BytesIO()
    few.save(data, "PNG", optimize=True)
    return data.getvalue()


def _thumbnails(flight: Flight) -> Mapping[int, bytes]:
    from overlay.debrief.breakup_table import shown_frames

    pictures = flight.thumbnails(shown_frames(flight.diagnosis))
    return {frame: _jpeg(picture) for frame, picture in pictures.items()}


def _jpeg(picture: NDArray[np.uint8]) -> bytes:
    from io import BytesIO

    from PIL import Image

    data = BytesIO()
    Image.fromarray(picture).save(data, "JPEG", quality=_JPEG_QUALITY, optimize=True)
    return data.getvalue()


def _files(flight: Flight) -> tuple[tuple[str, str], ...]:
    """Names only: a folder's path is nobody's business."""
    file = flight.file
    named = [("onboard recording", name) for name in (file.camera.files if file.camera else ())]
    named += [("recording of the live picture", name) for name in (file.ground.files if file.ground else ())]
    named += [("log", file.track.file)] if file.track else []
    return tuple((what, Path(name).name) for what, name in named)


def _remarks(flight: Flight) -> list[str]:
    damage = [f"{Path(d.path).name}: {d.what}" + (f" ({d.where})" if d.where else "") for d in flight.damage]
    return [*damage, *flight.notes]
