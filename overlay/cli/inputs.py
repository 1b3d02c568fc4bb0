"""The options that name a flight: its folder or file, or the recordings and the log one by one."""

from __future__ import annotations

import argparse
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING

from overlay.errors import UsageError

if TYPE_CHECKING:
    from overlay.flight_file import FlightFile


def add_flight(parser: argparse.ArgumentParser) -> None:
    """FLIGHT, or --camera, --ground and --track."""
    parser.add_argument("flight", metavar="FLIGHT", nargs="?", help="a flight's folder, or its flight.toml")
    group = parser.add_argument_group("files instead of a FLIGHT")
    group.add_argument(
        "--camera", metavar="FILE", nargs="+", default=[], help="the HD recording made on board, its chapters in order"
    )
    group.add_argument(
        "--ground", metavar="FILE", nargs="+", default=[], help="the ground station's recording of the live picture"
    )
    group.add_argument("--track", metavar="FILE", help="the logged track")
    parser.add_argument(
        "--track-flight",
        metavar="N",
        type=int,
        help="the number of the flight in a log that holds several, as `inspect` lists them; without it the one that the "
        "recordings fit (also track.flight in flight.toml)",
    )


def add_pin(parser: argparse.ArgumentParser) -> None:
    """The option that sets the clock by hand."""
    parser.add_argument(
        "--pin",
        metavar="TIME=UTC",
        help="set the onboard recording's clock by hand: at TIME on the recording it was UTC, "
        "such as 00:03:12.4=2026-05-03T10:15:44.2Z (seconds where the log keeps no UTC)",
    )


def add_hdr(parser: argparse.ArgumentParser | argparse._ArgumentGroup) -> None:
    """The option that says what becomes of high dynamic range."""
    parser.add_argument(
        "--hdr",
        choices=("refuse", "map"),
        default="refuse",
        help="a recording of high dynamic range (PQ or HLG): refuse it (the default), or map it to BT.709 by the tone "
        "curve of Report ITU-R BT.2390",
    )


def add_terrain(parser: argparse.ArgumentParser) -> None:
    """The option that gives the ground's heights."""
    parser.add_argument(
        "--terrain",
        metavar="FILE",
        nargs="+",
        default=[],
        help="heights of the ground: SRTM .hgt tiles (or .hgt.zip) or GeoTIFF, instead of those in flight.toml",
    )


_SIDES = range(64, 8193)
_RATES = (1, 240)


def parse_size(text: str) -> tuple[int, int]:
    """Width and height of a picture, written as 1920x1080."""
    width, _, height = text.lower().replace("×", "x").partition("x")
    if not (width.isascii() and height.isascii() and width.isdigit() and height.isdigit()):
        raise UsageError(f"--size {text!r} is no size: write it as 1920x1080")
    size = int(width), int(height)
    if any(side not in _SIDES or side % 2 for side in size):
        raise UsageError(f"--size {text!r}: both sides are even numbers from {_SIDES[0]} to {_SIDES[-1]}")
    return size


def parse_rate(text: str) -> Fraction:
    """Frames per second: 25, 59.94 (which is short for 60000/1001, as SMPTE ST 12-1 has it) or 30000/1001.

    >>> parse_rate("29.97"), parse_rate("12.5")
    (Fraction(30000, 1001), Fraction(25, 2))
    """
    try:
        rate = Fraction(text)
    except (ValueError, ZeroDivisionError):
        raise UsageError(f"--rate {text!r} is no rate: write it as 25, 29.97 or 30000/1001") from None
    if not _RATES[0] <= rate <= _RATES[1]:
        raise UsageError(f"--rate {text!r}: frames per second are from {_RATES[0]} to {_RATES[1]}")
    for nominal in (24, 30, 48, 60, 120):
        exact = Fraction(nominal * 1000, 1001)
        if abs(rate - exact) < Fraction(1, 150) and rate != nominal:
            return exact
    return rate if rate.denominator <= 1001 else rate.limit_denominator(1001)


def source_files(file: FlightFile) -> list[Path]:
    """The flight file, and every recording and log that it names: no result may be written over one of them."""
    names = [*(file.camera.files if file.camera else ()), *(file.ground.files if file.ground else ())]
    names += [*((file.track.file,) if file.track else ()), *(file.terrain.files if file.terrain else ())]
    return [*([file.read_from] if file.read_from else ()), *map(file.path, names)]


@contextmanager
def results(arguments: argparse.Namespace, files: Sequence[FlightFile], *options: str) -> Iterator[list[Path | None]]:
    """Temporary paths for the results that options name, None for those not given: what cannot be written is said first.

    They become the results as the block ends without a fault (`writing`).
    """
    from overlay.output import writing

    inputs = [source for file in files for source in source_files(file)]
    with ExitStack() as stack:
        named = [getattr(arguments, option) for option in options]
        yield [
            stack.enter_context(writing(name, overwrite=arguments.overwrite, inputs=inputs)) if name else None
            for name in named
        ]


def flight_file(arguments: argparse.Namespace) -> FlightFile:
    """The flight that the options name. Raises UsageError when they name none, or two."""
    from overlay.flight_file import Terrain

    file = _of_the_log(_named(arguments), arguments.track_flight)
    given: list[str] = getattr(arguments, "terrain", [])
    if not given:
        return file
    # where relative paths begin in the flight's folder, and these where the command was given
    return file.model_copy(update={"terrain": Terrain(files=tuple(str(Path(name).absolute()) for name in given))})


def _of_the_log(file: FlightFile, number: int | None) -> FlightFile:
    if number is None:
        return file
    if number < 1:
        raise UsageError(f"--track-flight: {number} is no number of a flight: give 1 or more")
    if file.track is None:
        raise UsageError("--track-flight: this flight has no track: give one with --track or [track] in flight.toml")
    return file.model_copy(update={"track": file.track.model_copy(update={"flight": number})})


def _named(arguments: argparse.Namespace) -> FlightFile:
    from overlay.flight_file import flight_of, load_flight

    loose = bool(arguments.camera or arguments.ground or arguments.track)
    if arguments.flight and loose:
        raise UsageError("give a FLIGHT or its files as --camera, --ground and --track, not both")
    if arguments.flight:
        return load_flight(arguments.flight, otherwise=", or the files as --camera, --ground and --track")
    if not loose:
        raise UsageError("give a FLIGHT (a folder with a flight.toml), or files as --camera, --ground and --track")
    return flight_of(camera=arguments.camera, ground=arguments.ground, track=arguments.track)
