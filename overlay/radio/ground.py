"""The ground between station and aircraft: its profile at every moment, clearance of the sight line, and what it takes.

Heights are counted over home, as the aircraft's are, so that nothing hangs on which sea level a terrain file means.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from overlay.errors import NoAnswerError
from overlay.mechanics.geodesy import LocalPlane
from overlay.radio.mirror import Mirror, mirror_over
from overlay.radio.propagation import bulge_m, bullington_dB, fresnel_radius_m
from overlay.readings import Readings

Floats = NDArray[np.float64]
HeightOf = Callable[[Floats, Floats], Floats]
"""Height of the ground over sea level from latitude and longitude, any one shape; NaN where unknown."""

_EVERY_S = 1.0
_POST_M = 30.0  # the finest terrain that is common has posts 1″ apart
_LEAST_POSTS, _MOST_POSTS = 32, 512
_AT_ONCE = 128
_UNKNOWN_SHARE = 0.1  # of a profile: more than this and the path is not known
_BELOW_M, _BELOW_SHARE = 25.0, 0.1  # an aircraft is not under ground: heights of log and terrain do not fit


@dataclass(frozen=True)
class Ground:
    """Profiles (M, P) of heights over home, at P even steps from the station to under the aircraft, at `time_s` (M,).

    A row that is not known is NaN throughout. `distance_m` (M,) is the aircraft's from the station.
    """

    time_s: Floats
    distance_m: Floats
    profiles_m: Floats

    @property
    def under_aircraft_m(self) -> Floats:
        """Height of the ground under the aircraft, (M,)."""
        return self.profiles_m[:, -1]

    @property
    def known_share(self) -> float:
        """Share of the moments whose profile is known."""
        return float(np.isfinite(self.profiles_m[:, -1]).mean()) if len(self.time_s) else 0.0


@dataclass(frozen=True)
class Obstruction:
    """What the ground does to a link, (N,) each, NaN where the profile is not known.

    `loss_dB` by diffraction, `clearance` the least distance of the sight line from the ground in radii of the first
    Fresnel zone (1: the zone is free, 0: grazing, below: blocked), `edge_m` how far from the station that is, and
    `above_m` how far the ground stands above the sight line there.
    """

    loss_dB: Floats
    clearance: Floats
    edge_m: Floats
    above_m: Floats


def ground_along(readings: Readings, height_of: HeightOf) -> Ground:
    """Profiles once a second of flight; NoAnswerError where terrain does not cover home or does not fit the log."""
    home = readings.home
    if home is None:
        raise NoAnswerError("the terrain is not used: where home is, is not known")
    at_home = float(height_of(np.array([home.latitude_deg]), np.array([home.longitude_deg]))[0])
    if not np.isfinite(at_home):
        raise NoAnswerError("the terrain is not used: its files do not cover home")
    rows = _rows(readings)
    plane = LocalPlane(home.latitude_deg, home.longitude_deg)
    east, north = readings["east_m"][rows], readings["north_m"][rows]
    distance = np.hypot(east, north)
    farthest = float(np.nanmax(distance)) if len(rows) else 0.0
    posts = int(np.clip(farthest / _POST_M, _LEAST_POSTS, _MOST_POSTS))
    profiles = np.full((len(rows), posts), np.nan)
    shares = np.linspace(0.0, 1.0, posts)
    for first in range(0, len(rows), _AT_ONCE):
        part = slice(first, first + _AT_ONCE)
        places = plane.to_geodetic(east[part, None] * shares, north[part, None] * shares)
        profiles[part] = _bridged(height_of(*places) - at_home)
    ground = Ground(readings.time_s[rows], distance, profiles)
    _require_above_ground(readings["height_m"][rows], ground)
    return ground


def with_terrain(readings: Readings, ground: Ground) -> Readings:
    """The readings with the height of the ground under the aircraft, over home."""
    known = np.isfinite(ground.under_aircraft_m)
    nearest = _nearest(ground.time_s, readings.time_s)
    inside = known[nearest] & (np.abs(ground.time_s[nearest] - readings.time_s) <= _EVERY_S)
    under = np.interp(readings.time_s, ground.time_s[known], ground.under_aircraft_m[known])
    columns = {**readings.columns, "terrain_m": np.where(inside, under, np.nan)}
    derived = {**readings.derived, "terrain_m": "from the terrain files, less their height at home"}
    return replace(readings, columns=columns, derived=derived)


def obstruction(ground: Ground, readings: Readings, station_height_m: float, frequency_MHz: float) -> Obstruction:
    """The ground's effect on a link at every row of the readings, whose station stands `station_height_m` over home."""
    along, near, far = _ends(ground, readings, station_height_m)
    distance = along[:, -1:]
    loss, clearance = bullington_dB(along, ground.profiles_m, near, far, frequency_MHz)
    d, back = along[:, 1:-1], distance - along[:, 1:-1]
    line = near[:, None] + (far - near)[:, None] * d / distance
    above = ground.profiles_m[:, 1:-1] + bulge_m(d, back) - line
    worst = np.argmax(above / fresnel_radius_m(d, back, frequency_MHz), axis=1)
    row = np.arange(len(d))
    return Obstruction(
        *_at_rows(ground, readings, np.column_stack([loss, clearance, d[row, worst], above[row, worst]]))
    )


def ground_mirror(ground: Ground, readings: Readings, station_height_m: float, frequency_MHz: float) -> Mirror:
    """The ground that mirrors a link's wave at every row of the readings; NaN where the profile is not known."""
    along, near, far = _ends(ground, readings, station_height_m)
    return Mirror(*_at_rows(ground, readings, mirror_over(along, ground.profiles_m, near, far, frequency_MHz).table()))


def _ends(ground: Ground, readings: Readings, station_height_m: float) -> tuple[Floats, Floats, Floats]:
    """Distances along the profiles (M, P), and the heights of station and aircraft over home (M,)."""
    height = np.interp(ground.time_s, *readings.series("height_m"))
    near = np.full(len(ground.time_s), station_height_m)
    along = np.maximum(ground.distance_m, 1.0)[:, None] * np.linspace(0.0, 1.0, ground.profiles_m.shape[1])
    return along, near, np.maximum(height, ground.under_aircraft_m + 1.0)


def _at_rows(ground: Ground, readings: Readings, table: Floats) -> list[Floats]:
    """Columns of a table (M, C) known at the profiles' moments, at every row of the readings: C arrays (N,)."""
    known = np.asarray(np.isfinite(table).all(axis=1))
    if not known.any():
        return list(np.full((table.shape[1], len(readings)), np.nan))
    nearest = _nearest(ground.time_s, readings.time_s)
    inside = known[nearest] & (np.abs(ground.time_s[nearest] - readings.time_s) <= _EVERY_S)
    columns = [np.interp(readings.time_s, ground.time_s[known], column[known]) for column in table.T]
    return [np.where(inside, column, np.nan) for column in columns]


def _rows(readings: Readings) -> NDArray[np.intp]:
    """One row a second with a place more than a stone's throw from home."""
    known = np.isfinite(readings["east_m"]) & np.isfinite(readings["north_m"]) & np.isfinite(readings["height_m"])
    rows = np.flatnonzero(known & (np.hypot(readings["east_m"], readings["north_m"]) > _POST_M))
    if len(rows) == 0:
        return rows
    return rows[np.unique(readings.time_s[rows] // _EVERY_S, return_index=True)[1]]


def _bridged(profiles: Floats) -> Floats:
    """Fill small holes along each profile by straight lines; rows with large ones become NaN throughout."""
    unknown = ~np.isfinite(profiles)
    posts = np.arange(profiles.shape[1])
    for row in np.flatnonzero(unknown.any(axis=1)):
        lacking = unknown[row]
        if lacking.mean() > _UNKNOWN_SHARE or lacking[-1]:
            profiles[row] = np.nan
        else:
            profiles[row, lacking] = np.interp(posts[lacking], posts[~lacking], profiles[row, ~lacking])
    return profiles


def _require_above_ground(height_m: Floats, ground: Ground) -> None:
    under = ground.under_aircraft_m - height_m
    known = np.isfinite(under)
    if not known.any():
        raise NoAnswerError("the terrain is not used: its files do not cover the flight")
    buried = float(np.mean(under[known] > _BELOW_M))
    if buried > _BELOW_SHARE:
        raise NoAnswerError(
            f"the terrain is not used: it lies up to {under[known].max():.0f} m above the aircraft, for "
            f"{100 * buried:.0f} % of the flight; the heights of log and terrain do not fit"
        )


def _nearest(times: Floats, moments: Floats) -> NDArray[np.intp]:
    after = np.clip(np.searchsorted(times, moments), 1, max(len(times) - 1, 1))
    after = np.minimum(after, len(times) - 1)
    before = np.maximum(after - 1, 0)
    return np.where(np.abs(times[before] - moments) <= np.abs(times[after] - moments), before, after)
