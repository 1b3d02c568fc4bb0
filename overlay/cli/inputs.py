"""The options that name a flight: its folder or file, or the recordings and the log one by one."""

from __future__ import annotations

import argparse
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


def add_pin(parser: argparse.ArgumentParser) -> None:
    """The option that sets the clock by hand."""
    parser.add_argument(
        "--pin",
        metavar="TIME=UTC",
        help="set the onboard recording's clock by hand: at TIME on the recording it was UTC, "
        "such as 00:03:12.4=2026-05-03T10:15:44.2Z (seconds where the log keeps no UTC)",
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


def source_files(file: FlightFile) -> list[Path]:
    """Every recording and log that a flight names: no result may be written over one of them."""
    names = [*(file.camera.files if file.camera else ()), *(file.ground.files if file.ground else ())]
    names += [*((file.track.file,) if file.track else ()), *(file.terrain.files if file.terrain else ())]
    return [file.path(name) for name in names]


def flight_file(arguments: argparse.Namespace) -> FlightFile:
    """The flight that the options name. Raises UsageError when they name none, or two."""
    from overlay.flight_file import Terrain

    file = _named(arguments)
    given: list[str] = getattr(arguments, "terrain", [])
    if not given:
        return file
    # where relative paths begin in the flight's folder, and these where the command was given
    return file.model_copy(update={"terrain": Terrain(files=tuple(str(Path(name).absolute()) for name in given))})


def _named(arguments: argparse.Namespace) -> FlightFile:
    from overlay.flight_file import flight_of, load_flight

    loose = bool(arguments.camera or arguments.ground or arguments.track)
    if arguments.flight and loose:
        raise UsageError("give a FLIGHT or its files as --camera, --ground and --track, not both")
    if arguments.flight:
        return load_flight(arguments.flight)
    if not loose:
        raise UsageError("give a FLIGHT (a folder with a flight.toml), or files as --camera, --ground and --track")
    return flight_of(camera=arguments.camera, ground=arguments.ground, track=arguments.track)
