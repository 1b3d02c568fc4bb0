"""What the flight file tells of home, pack, radios and ground, in the terms of the science."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from overlay.errors import NOT_GIVEN, FlightFileError, NoAnswerError, UsageError
from overlay.flight_file import Control, Downlink, FlightFile
from overlay.readings import Home, Pack
from overlay.tracks.fixes import distance_m

if TYPE_CHECKING:
    from overlay.radio.ground import Ground
    from overlay.radio.link import Link
    from overlay.readings import Readings
    from overlay.tracks import Track

FARTHEST_HOME_KM = 100.0  # no log of a model begins, ends and passes farther from home


def home_of(file: FlightFile, track: Track) -> Home | None:
    """Home as the flight file has it; a height that it leaves out is found from the data.

    FlightFileError where no position of the log is anywhere near it: a sign or a digit is wrong then.
    """
    home = file.home
    if home is None:
        return None
    _, latitude, longitude = track.position()
    if len(latitude):
        here = np.full(len(latitude), home.latitude_deg), np.full(len(latitude), home.longitude_deg)
        nearest_km = float(distance_m(*here, latitude, longitude).min()) / 1000.0
        if nearest_km > FARTHEST_HOME_KM:
            found = f"home is {nearest_km:.0f} km from the nearest position of the log"
            raise FlightFileError(
                file.read_from or "flight.toml", found, "check [home]: its digits, and the signs of both"
            )
    height = math.nan if home.height_m is None else home.height_m
    return Home(home.latitude_deg, home.longitude_deg, height, "given by hand")


def pack_of(file: FlightFile) -> Pack | None:
    """The flight battery."""
    pack = file.pack
    return Pack(pack.capacity_mAh, pack.cells, pack.usable_fraction) if pack else None


def downlink_of(file: FlightFile) -> Link:
    """The live picture's link. NoAnswerError says what the flight file lacks, or has that is not understood."""
    radio = file.downlink or Downlink()
    return _link(file, radio, "the live picture's downlink", radio.transmit_aerial, radio.receive_aerial)


def control_of(file: FlightFile) -> Link:
    """The control link, which the aircraft's aerial receives. NoAnswerError as for `downlink_of`."""
    radio = file.control or Control()
    return _link(file, radio, "the control link's control", radio.receive_aerial, radio.transmit_aerial)


def ground_under(file: FlightFile, readings: Readings) -> Ground | None:
    """Profiles of the ground from the flight's terrain files; None where it has none.

    TerrainError for a file that cannot be used, NoAnswerError where they do not cover or do not fit the flight.
    """
    if file.terrain is None:
        return None
    from overlay.radio.ground import ground_along
    from overlay.terrain.read import read_terrain

    return ground_along(readings, read_terrain(map(file.path, file.terrain.files)).heights_m)


def _link(file: FlightFile, radio: Downlink | Control, name: str, aircraft: str | None, ground: str | None) -> Link:
    from overlay.radio.explain import link_from_words

    if radio.frequency_MHz is None:
        raise NoAnswerError(f"{NOT_GIVEN}{name}.frequency_MHz")
    weather = file.weather
    try:
        return link_from_words(
            radio.frequency_MHz,
            transmit_aerial=aircraft,
            receive_aerial=ground,
            polarisation=radio.polarisation,
            power_mW=radio.power_mW,
            ground_aerial_height_m=radio.ground_aerial_height_m,
            ground_aerial_bearing_deg=radio.ground_aerial_bearing_deg,
            ground_aerial_elevation_deg=radio.ground_aerial_elevation_deg,
            ground_aerial_turn_rate_deg_s=radio.ground_aerial_turn_rate_deg_s,
            aircraft_aerial_tilt_deg=radio.aircraft_aerial_tilt_deg,
            aircraft_aerial_toward_deg=radio.aircraft_aerial_toward_deg,
            rain_mm_h=weather.rain_mm_h if weather else None,
            cloud_g_m3=weather.cloud_g_m3 if weather else 0.0,
        )
    except UsageError as error:
        raise NoAnswerError(f"the flight file's {name.split()[-1]} is not understood: {error}") from error
