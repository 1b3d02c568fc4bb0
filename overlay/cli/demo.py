"""`overlay demo`: make the sample flight and run everything on it."""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from overlay.cli.console import Stages, remark, say, table
from overlay.errors import UsageError

if TYPE_CHECKING:
    from overlay.flight import Flight

QUICK = {"crf": "20", "preset": "superfast"}  # a larger file than `overlay render` makes, and less to wait for


def add(commands: Any) -> None:
    """Add the command's options."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "demo",
        help="make the sample flight and run everything on it",
        description="Generate a flight with its recordings and logs (nobody's real flight), then align, diagnose, render "
        "it, cut a clip and write the debrief, all in one new folder.",
    )
    parser.add_argument(
        "folder", metavar="DIR", nargs="?", default="demo-flight", help="a new folder (default: demo-flight)"
    )
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Make the flight, run every command's work on it, and say what to open."""
    from overlay.flight import Flight
    from overlay.flight_file import load_flight
    from overlay.output import made_folder
    from overlay_samples.demo import make

    folder = Path(arguments.folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        raise UsageError(f"{folder} exists and is not empty; give the name of a new folder")
    begun = time.monotonic()
    made_folder(folder)
    with Stages() as stages:
        make(folder, progress=stages)
        flight = Flight(load_flight(folder), progress=stages)
        flight.look_through()
        written = _everything(flight, folder, stages)
    for line in (*map(str, flight.damage), *flight.notes):
        remark(line)
    say(f"\nDone in {time.monotonic() - begun:.0f} s. Open:")
    table(written)
    return 0


def _everything(flight: Flight, folder: Path, stages: Stages) -> list[tuple[str, str]]:
    from overlay.cli.align import draw_evidence
    from overlay.cli.clips import cut_clips
    from overlay.cli.debrief import story_of
    from overlay.cli.diagnose import write_chart, write_series
    from overlay.debrief.page import page
    from overlay.flight_review import review_of
    from overlay.layouts import load
    from overlay.output import write_text, writing
    from overlay.render.encoder import Encoder
    from overlay.render.pipeline import render

    written = []
    pictures = draw_evidence(flight, str(folder / "alignment.png"), overwrite=False)
    written += [(str(name), "how the clocks were found") for name in pictures]
    for name, write in (("breakups.png", write_chart), ("breakups.csv", write_series)):
        with writing(folder / name) as temporary:
            write(flight, temporary)
    written.append((str(folder / "breakups.png"), "when the live picture broke up"))
    review = replace(review_of(flight, load("review")), encoder=Encoder(options=QUICK))
    target = folder / "review.mp4"
    render(review, target, progress=lambda part, whole: stages("rendering the review", part / whole if whole else 1.0))
    debrief = folder / "debrief.html"
    write_text(debrief, page(story_of(flight)))
    written += cut_clips(flight, folder / "clips", most=1, progress=stages)
    return [(str(target), "the review video"), (str(debrief), "the debrief, in a browser"), *written]
