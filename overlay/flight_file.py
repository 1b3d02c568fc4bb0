"""flight.toml: which files belong to one flight, and what is known of the equipment."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, PrivateAttr

from overlay.errors import FlightFileError
from overlay.settings import Settings, load

Positive = Annotated[float, Field(gt=0)]
FILE_NAME = "flight.toml"


class Camera(Settings):
    """The HD recording made on board."""

    files: Annotated[tuple[str, ...], Field(min_length=1)]
    field_of_view_deg: Annotated[float, Field(gt=5, lt=200)] | None = None
    upside_down: bool = False
    pin: str | None = None


class Ground(Settings):
    """The recording of the live picture made at the ground station."""

    files: Annotated[tuple[str, ...], Field(min_length=1)]


class TrackSource(Settings):
    """The logged track."""

    file: str
    columns: Mapping[str, str] = Field(default_factory=dict)
    time_zone: str | None = None
    interval_s: Positive | None = None
    flight: Annotated[int, Field(ge=1)] | None = None
    velocity_lag_s: Annotated[float, Field(ge=-5, le=5)] | None = None


class HomePlace(Settings):
    """Where home is, if not where the aircraft stood before take-off."""

    latitude_deg: Annotated[float, Field(ge=-90, le=90)]
    longitude_deg: Annotated[float, Field(ge=-180, le=180)]
    height_m: float | None = None


class PackData(Settings):
    """The flight battery."""

    capacity_mAh: Annotated[float, Field(ge=50)]  # less was given in Ah
    cells: Annotated[int, Field(ge=1, le=24)] | None = None
    usable_fraction: Annotated[float, Field(gt=0, le=1)] = 0.8


class Radio(Settings):
    """What both radios have: band, power, and how the aerials stand at either end."""

    frequency_MHz: Annotated[float, Field(ge=20)] | None = None  # less was given in GHz, less than 1 mW in W
    power_mW: Annotated[float, Field(ge=1)] | None = None
    polarisation: Literal["vertical", "horizontal", "right-hand circular", "left-hand circular"] | None = None
    aircraft_aerial_tilt_deg: Annotated[float, Field(ge=0, le=180)] | None = None
    aircraft_aerial_toward_deg: Annotated[float, Field(ge=-180, lt=360)] = 0.0
    ground_aerial_height_m: Positive | None = None
    ground_aerial_bearing_deg: Annotated[float, Field(ge=0, lt=360)] | None = None
    ground_aerial_elevation_deg: Annotated[float, Field(ge=-90, le=90)] = 0.0
    ground_aerial_turn_rate_deg_s: Positive | None = None


class Downlink(Radio):
    """The radio that carries the live picture."""

    transmit_aerial: str | None = None
    receive_aerial: str | None = None


class Control(Radio):
    """The radio that carries the pilot's commands."""

    transmit_aerial: str | None = None
    receive_aerial: str | None = None
    failsafe: str | None = None


class Weather(Settings):
    """What the operator saw of rain and cloud along the path."""

    rain_mm_h: Annotated[float, Field(ge=0, le=500)] | None = None
    cloud_g_m3: Annotated[float, Field(ge=0, le=5)] = 0.0


class Terrain(Settings):
    """Heights of the ground, from files that the user has."""

    files: Annotated[tuple[str, ...], Field(min_length=1)]


class FlightFile(Settings):
    """One flight."""

    version: Literal[1] = 1
    title: str = ""
    camera: Camera | None = None
    ground: Ground | None = None
    track: TrackSource | None = None
    home: HomePlace | None = None
    pack: PackData | None = None
    downlink: Downlink | None = None
    control: Control | None = None
    weather: Weather | None = None
    terrain: Terrain | None = None
    _folder: Path = PrivateAttr(default=Path())
    _read_from: Path | None = PrivateAttr(default=None)

    @property
    def folder(self) -> Path:
        """Where the relative paths of this flight begin."""
        return self._folder

    @property
    def own_folder(self) -> Path | None:
        """The folder that belongs to this flight; None where its files were given one by one."""
        return self._folder if self._read_from is not None else None

    @property
    def read_from(self) -> Path | None:
        """The flight file itself; None where its files were given one by one."""
        return self._read_from

    def path(self, name: str) -> Path:
        """A file named in the flight, relative to the flight's folder."""
        return self._folder / name


def load_flight(path: str | os.PathLike[str], *, otherwise: str = "") -> FlightFile:
    """Read a flight from its folder or its flight.toml. FlightFileError, with what else could be given `otherwise`."""
    given = Path(path)
    source = given / FILE_NAME if given.is_dir() else given
    if given.is_dir() and not source.exists():
        remedy = f"make one with: overlay new {given} --camera FILE --track FILE"
        raise FlightFileError(given, f"this folder holds no {FILE_NAME}", remedy)
    if source.suffix.lower() != ".toml":
        remedy = f"give a folder with a {FILE_NAME}{otherwise}"
        raise FlightFileError(source, "not a flight file" if source.exists() else "no such file or folder", remedy)
    flight = load(source, FlightFile, FlightFileError)
    if not (flight.camera or flight.ground or flight.track):
        raise FlightFileError(source, "names no recording and no log", "add [camera], [ground] or [track]")
    flight._folder, flight._read_from = source.parent, source
    return flight


def flight_of(
    *, camera: Sequence[str] = (), ground: Sequence[str] = (), track: str | None = None, title: str = ""
) -> FlightFile:
    """A flight made of files given one by one, relative to the working folder."""
    return FlightFile(
        title=title,
        camera=Camera(files=tuple(camera)) if camera else None,
        ground=Ground(files=tuple(ground)) if ground else None,
        track=TrackSource(file=track) if track else None,
    )
