"""`overlay inspect`: what a recording or a log holds."""

from __future__ import annotations

import argparse
from typing import Any

from overlay.cli.console import add_json, remark, say, say_json, table
from overlay.clock import format_duration
from overlay.errors import InputError, UsageError, printable


def add(commands: Any) -> None:
    """Add the command's options."""
    parser: argparse.ArgumentParser = commands.add_parser(
        "inspect",
        help="what a recording or log holds: spans, rates, gaps, fields, damage",
        description="Say what each file holds; logs and recordings are told apart by their content.",
    )
    parser.add_argument("files", metavar="FILE", nargs="+", help="a recording or a log")
    parser.add_argument(
        "--column",
        metavar="NAME=HEADER",
        action="append",
        default=[],
        help="read a log's column HEADER as NAME, such as 'ground_speed_mps=Spd (km/h)'; may be repeated",
    )
    parser.add_argument("--time-zone", metavar="ZONE", help="zone of a log's local times, such as UTC or +02:00")
    parser.add_argument("--interval", metavar="SECONDS", type=float, help="time between the points of an untimed track")
    add_json(parser)
    parser.set_defaults(run=run)


def run(arguments: argparse.Namespace) -> int:
    """Inspect every file; unusable ones are told and make the exit code 3."""
    from overlay.inspection import inspect_file

    columns = _mapping(arguments.column)
    found, code = [], 0
    for name in arguments.files:
        try:
            described = inspect_file(
                name, columns=columns or None, time_zone=arguments.time_zone, interval_s=arguments.interval
            )
        except InputError as error:
            remark(f"overlay: {error}")
            code = error.exit_code
            continue
        found.append(described)
        if not arguments.json:
            _print(described)
    if arguments.json:
        say_json({"schema": "overlay/inspection", "version": 1, "files": found})
    return code


def _mapping(pairs: list[str]) -> dict[str, str]:
    mapping = {}
    for pair in pairs:
        name, sign, header = pair.partition("=")
        if not sign or not name or not header:
            raise UsageError(f"--column {pair!r}: write NAME=HEADER, such as 'ground_speed_mps=Spd (km/h)'")
        mapping[name] = header
    return mapping


def _print(described: dict[str, Any]) -> None:
    say(f"{printable(described['file'])}: {described['format']}")
    if described["kind"] == "recording":
        table(_recording_rows(described))
    else:
        for number, flight in enumerate(described["flights"], 1):
            if len(described["flights"]) > 1:
                say(f"  flight {number}")
            table(_flight_rows(flight))
    for damage in described["damage"]:
        say(f"  damage: {printable(damage)}")


def _recording_rows(facts: dict[str, Any]) -> list[tuple[str, str]]:
    rate = f"{float(_fraction(facts['frame_rate'])):.3f} frames/s{', varying' if facts['variable_rate'] else ''}"
    picture = f"{facts['width']} × {facts['height']}, {facts['codec']}, {facts['pixel_format']}, {facts['matrix']}"
    extra = [
        f"turned {facts['rotation_deg']}°" if facts["rotation_deg"] else "",
        f"interlaced, {facts['interlaced']} field first" if facts["interlaced"] else "",
        f"pixels {facts['sample_aspect']}" if facts["sample_aspect"] != "1" else "",
    ]
    return [
        ("length", f"{format_duration(facts['duration_s'], 3)}, {facts['frames']} frames, {rate}"),
        ("picture", ", ".join(filter(None, [picture, *extra]))),
        ("sound", facts["audio"] or "none"),
        ("clock says", facts["start_utc"] or "nothing"),
    ]


def _flight_rows(facts: dict[str, Any]) -> list[tuple[str, str]]:
    when = f"{facts['first_utc']} … {facts['last_utc']}" if facts["keeps_utc"] else "no UTC in this log"
    rate = f"{facts['mean_rate_Hz']:.2f} a second" if facts["mean_rate_Hz"] else "–"
    gaps = len(facts["gaps"])
    return [
        ("time", f"{when}, {format_duration(facts['duration_s'])}"),
        ("fixes", f"{facts['fixes']} of {facts['rows']} rows, {rate}, {gaps} {'gap' if gaps == 1 else 'gaps'}"),
        *((name, _range(name, *facts["ranges"][name])) for name in facts["columns"]),
    ]


def _range(column: str, least: float, greatest: float) -> str:
    """From the least to the greatest, but of a place, which is nobody's business on a shared screen."""
    if column in ("latitude_deg", "longitude_deg"):
        return "known"
    return f"{least:.4g}" if least == greatest else f"{least:.4g} … {greatest:.4g}"


def _fraction(text: str) -> float:
    from fractions import Fraction

    return float(Fraction(text))
