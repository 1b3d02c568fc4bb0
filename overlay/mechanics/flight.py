"""From a track to readings: one table at a steady rate on the flight clock.

Logged columns are interpolated between their own samples, never over a hole longer than 2 s or three of the log's own
intervals. What the log does not carry is derived where the data allow it, and `Readings.derived` says how. Nothing is
smoothed beyond the slopes that a rate of change needs (`overlay.mechanics.slopes`).
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from overlay.errors import NoAnswerError, UsageError
from overlay.mechanics.airborne import Airborne, airborne, movement
from overlay.mechanics.columns import Columns
from overlay.mechanics.electric import add_electric
from overlay.mechanics.events import find_events
from overlay.mechanics.geodesy import LocalPlane
from overlay.mechanics.home import find_home
from overlay.mechanics.legs import legs_of
from overlay.mechanics.reach import add_reach, homeward
from overlay.mechanics.velocity import add_air_motion, add_ground_motion, add_position
from overlay.readings import BrokenPicture, Home, Leg, Pack, Readings
from overlay.tracks.track import Track

Floats = NDArray[np.float64]

_MOST_ROWS = 5_000_000
_AS_LOGGED = ("pitch_deg", "control_link_pct", "control_rssi_dBm", "control_snr_dB")


def readings_of(
    track: Track,
    *,
    home: Home | None = None,
    pack: Pack | None = None,
    breakups: Sequence[BrokenPicture] = (),
    rate_Hz: float = 10.0,
) -> Readings:
    """Every reading that the track's data carry, at `rate_Hz` on the track's clock.

    `home` overrides the place found from the data; its height, where NaN, is still taken from them. UsageError where
    the track spans more than can be tabled at this rate.
    """
    table = Columns(track, _grid(track.time_s, rate_Hz))
    place = _place(track, home)
    air, legs = _flown(track, place)
    if place is not None:
        plane = LocalPlane(place.latitude_deg, place.longitude_deg)
        add_position(table, plane)
        add_ground_motion(table, plane, air.spans[0][0] if air.spans and not air.begins_in_air else None)
    for name in _AS_LOGGED:
        table.put(name, table.logged(name))
    _add_height(table, place)
    wind, _ = add_air_motion(table, air.spans)
    _add_aerial(table)
    integrated = add_electric(table, pack)
    readings = Readings(
        table.grid,
        table.values,
        keeps_utc=track.keeps_utc,
        home=place,
        legs=legs,
        breakups=tuple(breakups),
        pack=pack,
        derived=table.derived,
        charge_from_start=not (integrated and air.begins_in_air),
    )
    with suppress(NoAnswerError):  # the columns are left out, and `findings_of` tells why
        readings = add_reach(readings, homeward(readings, wind))
    return replace(readings, events=find_events(readings, track))


def _grid(time_s: Floats, rate_Hz: float) -> Floats:
    if not 0.0 < rate_Hz < 1e4:
        raise UsageError(f"a rate of {rate_Hz} Hz cannot be tabled: give one above 0 and below 10 000")
    if len(time_s) == 0:
        return np.zeros(0)
    first, last = np.ceil(time_s[0] * rate_Hz - 1e-6), np.floor(time_s[-1] * rate_Hz + 1e-6)
    if last - first >= _MOST_ROWS:
        days = (time_s[-1] - time_s[0]) / 86400.0
        raise UsageError(
            f"the track spans {days:.1f} days, too much for a table at {rate_Hz:g} Hz: pick one flight of it"
        )
    if last < first:
        return np.array(time_s[:1])
    return np.clip(np.arange(first, last + 1.0) / rate_Hz, time_s[0], time_s[-1])


def _place(track: Track, home: Home | None) -> Home | None:
    if home is not None and np.isfinite(home.height_m):
        return home
    found = find_home(track)
    if home is None or found is None:
        return home or found
    return Home(home.latitude_deg, home.longitude_deg, found.height_m, home.found, home.sure)


def _flown(track: Track, home: Home | None) -> tuple[Airborne, tuple[Leg, ...]]:
    if home is None:
        return Airborne(()), ()
    move = movement(track, LocalPlane(home.latitude_deg, home.longitude_deg))
    if move is None:
        return Airborne(()), ()
    air = airborne(move)
    return air, legs_of(move, air)


def _add_height(table: Columns, home: Home | None) -> None:
    if table.track.has("height_over_home_m"):
        table.put("height_m", table.logged("height_over_home_m"))
    elif home is not None and np.isfinite(home.height_m):
        height = table.logged("height_m") - home.height_m
        table.put("height_m", height, f"logged height less home's {home.height_m:.1f} m")


def _add_aerial(table: Columns) -> None:
    """How far the ground aerial's axis pointed off the aircraft, in bearing."""
    if table.track.has("aerial_bearing_deg") and table.has("bearing_deg"):
        off = np.mod(table.logged("aerial_bearing_deg") - table.get("bearing_deg") + 180.0, 360.0) - 180.0
        table.put("aerial_off_axis_deg", np.abs(off), "logged bearing of the ground aerial against the aircraft's")
