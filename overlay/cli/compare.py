"""`overlay compare`: whether one flight was worse than usual, by how many dB, and whether that is chance."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from overlay.cli.console import Stages, add_json, remark, say, say_json
from overlay.cli.inputs import results
from overlay.errors import NoAnswerError, UsageError, printable

if TYPE_CHECKING:
    from overlay.flight import Flight
    from overlay.flight_comparison import Comparison
    from overlay.flight_file import FlightFile

NO_ANSWER = 4


def add(commands: Any) -> None:
    """Add the command's options."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "compare",
        help="several flights by the same equipment: is the latest worse than usual, by how many dB, more than chance?",
        description="Compare the live picture and the control link of several flights, by range. The latest flight is "
        "held against the others; how much unchanged flights differ is taken from the others, so that at least three "
        "are needed. Exit code 4 where neither link can be judged.",
    )
    parser.add_argument("flights", metavar="FLIGHT", nargs="+", help="the flights' folders, or their flight.toml")
    parser.add_argument("--this", metavar="FLIGHT", help="the flight in question, instead of the latest by UTC")
    parser.add_argument("--evidence", metavar="PNG", help="write a picture of all curves and figures")
    parser.add_argument(
        "--across-equipment", action="store_true", help="compare flights whose radios and aerials differ, too"
    )
    parser.add_argument("--overwrite", action="store_true", help="replace an existing picture")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Work up every flight, compare, and return 4 where neither link could be judged."""
    from overlay.flight_comparison import compare, opened, told_by

    paths, files = _flight_files(arguments)
    names = _names(paths, files)
    with Stages() as stages, results(arguments, files, "evidence") as (picture,):
        flights = opened(list(zip(names, files, strict=True)), stages)
        this, singled_out = _in_question(arguments, paths, flights)
        told = [told_by(name, path, flight) for (name, flight), path in zip(flights, paths, strict=True)]
        found = compare(told, this, singled_out=singled_out, across=arguments.across_equipment)
        if picture is not None:
            from overlay.debrief.comparison_chart import draw

            draw(found.links, names, this, picture)
    for name, flight in flights:
        for line in (*map(str, flight.damage), *flight.notes):
            remark(f"{name}: {line}")
    for line in found.remarks:
        remark(line)
    if arguments.json:
        say_json({**found.as_json(), "evidence": arguments.evidence})
    else:
        _print(found, names)
        if arguments.evidence:
            say(f"evidence: {arguments.evidence}")
    return 0 if any(link.verdict != "not told" for link in found.links) else NO_ANSWER


def _flight_files(arguments: argparse.Namespace) -> tuple[list[str], list[FlightFile]]:
    """Paths as given, `--this` among them, and what they hold. UsageError for one given twice."""
    from overlay.flight_file import load_flight

    paths = list(arguments.flights)
    files = [load_flight(path) for path in paths]
    if arguments.this is not None and not any(_same(arguments.this, path) for path in paths):
        paths.append(arguments.this)
        files.append(load_flight(arguments.this))
    for number, path in enumerate(paths):
        if any(_same(path, earlier) for earlier in paths[:number]):
            raise UsageError(f"{path}: given twice; a flight cannot be compared with itself")
    if len(paths) == 1:
        raise NoAnswerError(f"{paths[0]}: one flight has nothing to be compared with; give at least three others")
    return paths, files


def _same(one: str, other: str) -> bool:
    return _flight_toml(one) == _flight_toml(other)


def _flight_toml(path: str) -> Path:
    from overlay.flight_file import FILE_NAME

    given = Path(path).resolve()
    return given / FILE_NAME if given.is_dir() else given


def _names(paths: list[str], files: list[FlightFile]) -> list[str]:
    """What the flights are called: their titles where no two are alike, else their folders, else their paths."""
    folders = [_flight_toml(path).parent.name for path in paths]
    for called in ([file.title for file in files], folders):
        if all(called) and len(set(called)) == len(called):
            return called
    return paths


def _in_question(
    arguments: argparse.Namespace, paths: list[str], flights: list[tuple[str, Flight]]
) -> tuple[int, bool]:
    """Number of the flight in question, and whether it was singled out among later ones."""
    from overlay.flight_comparison import latest

    if arguments.this is None:
        return latest(flights), False
    this = next(number for number, path in enumerate(paths) if _same(path, arguments.this))
    try:
        return this, this != latest(flights)
    except UsageError:  # which is the latest is not known: then it may be one of many that was picked
        return this, True


def _print(found: Comparison, names: list[str]) -> None:
    from overlay.debrief.comparison import details, headline, left_out

    others = len(names) - 1
    say(f"{printable(names[found.this])} against {others} other flight{'s' if others > 1 else ''}")
    for link in found.links:
        say(headline(link))
        for line in (*details(link), *left_out(link, names)):
            say(f"    {printable(line)}")
