"""What of a flight may leave the house: a circle round home cut out, and with it all that would give its centre away.

A place and its distance from home, three times over, give home itself to within what they are rounded to. So positions
are exported either whole, or outside a circle and then without anything that is counted from home.

Nor may the hole itself give home away. Where a path enters and leaves a circle about home, it is one known radius from
it, and two such points are enough. So the circle that is cut out is larger and lies askew: home may be anywhere within
`ASKEW_M` of its middle. Where, is drawn from the flight's own places, the hidden ones among them: the same flight gives
the same hole in every format and for every radius, and nobody who lacks those places can draw it again.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from hashlib import sha256

import numpy as np
from numpy.typing import NDArray

from overlay.errors import NoAnswerError, UsageError
from overlay.readings import Readings

DEFAULT_CIRCLE_M = 300.0
ASKEW_M = 180.0
PLACE = ("latitude_deg", "longitude_deg", "terrain_m")  # a long enough profile of the ground is a place too
FROM_HOME = (
    "east_m", "north_m", "range_m", "bearing_deg", "distance_m", "charge_home_mAh", "charge_spare_mAh", "reach_m",
    "aerial_off_axis_deg", "heading_off_home_deg",
)  # fmt: skip


@dataclass(frozen=True)
class Disclosure:
    """The rows and columns of a flight that an export may hold; `circle_m` 0 for everything."""

    readings: Readings
    visible: NDArray[np.bool_]
    circle_m: float

    @property
    def table(self) -> Readings:
        """The rows that may be told: speeds and courses inside the circle would lead on to home."""
        if self.tells_home:
            return self.readings
        columns = {name: values[self.visible] for name, values in self.readings.columns.items()}
        return replace(self.readings, time_s=self.readings.time_s[self.visible], columns=columns)

    @property
    def tells_home(self) -> bool:
        """Whether what is counted from home may be named beside a place."""
        return self.circle_m == 0.0

    def place_at(self, time_s: float) -> tuple[float, float] | None:
        """Latitude and longitude at a moment of the flight clock, None where unknown or not to be told."""
        time = self.readings.time_s
        row = int(np.clip(np.searchsorted(time, time_s), 1, max(len(time) - 1, 1)))
        if len(time) < 2 or not (self.visible[row] and self.visible[row - 1]) or not time[0] <= time_s <= time[-1]:
            return None
        latitude = float(self.readings.at("latitude_deg", time_s)[0])
        longitude = float(self.readings.at("longitude_deg", time_s, period=360.0)[0])
        if not np.isfinite(latitude + longitude):
            return None
        return latitude, (longitude + 180.0) % 360.0 - 180.0


def outside_circle(readings: Readings, circle_m: float) -> Disclosure:
    """Positions outside a hole that holds all within `circle_m` of home, and nothing counted from home; 0 gives all.

    The hole reaches from `circle_m` to `circle_m` + 2 `ASKEW_M` from home, differently to each side.

    UsageError for a negative radius; NoAnswerError where the log has no positions, none is left, or home is not known.
    """
    if not circle_m >= 0.0:
        raise UsageError(f"a circle of {circle_m:g} m cannot be cut out: give a radius in metres, or 0 for no circle")
    placed = np.isfinite(readings["latitude_deg"]) & np.isfinite(readings["longitude_deg"])
    if not placed.any():
        raise NoAnswerError("nothing to export: the track has no positions")
    if circle_m == 0.0:
        return Disclosure(readings, placed, 0.0)
    if readings.home is None or not all(map(readings.has, ("range_m", "east_m", "north_m"))):
        raise NoAnswerError(
            "home is not known, so no circle can be cut out round it: give [home] in flight.toml, or --without-home 0"
        )
    with np.errstate(invalid="ignore"):
        visible = placed & (readings["range_m"] >= circle_m) & (_from_middle_m(readings) >= circle_m + ASKEW_M)
    if not visible.any():
        raise NoAnswerError(
            f"nothing to export: every position lies within {circle_m:g} m of home, or within the {2 * ASKEW_M:g} m "
            "beyond that may hide where it is; give a smaller --without-home"
        )
    columns = {name: values for name, values in readings.columns.items() if name not in FROM_HOME}
    return Disclosure(replace(readings, columns=columns, home=None), visible, circle_m)


def _from_middle_m(readings: Readings) -> NDArray[np.float64]:
    """How far each position lies from the middle of the hole, which is not home."""
    places = np.stack([readings["latitude_deg"], readings["longitude_deg"]])
    draw = np.random.default_rng(list(sha256(places.tobytes()).digest()))
    angle, aside = 2 * np.pi * draw.random(), ASKEW_M * np.sqrt(draw.random())  # even over the disc
    east, north = aside * np.sin(angle), aside * np.cos(angle)
    return np.asarray(np.hypot(readings["east_m"] - east, readings["north_m"] - north), dtype=np.float64)


def retold(readings: Readings, circle_m: float | None) -> Readings:
    """The flight as captions may tell it: outside the circle, nothing counted from home; None leaves nothing out.

    What begins inside the circle is not told at all.
    """
    if circle_m is None or circle_m == 0.0:
        return readings
    told = outside_circle(readings, circle_m)
    return replace(
        told.readings,
        breakups=tuple(b for b in readings.breakups if told.place_at(b.onset_s) is not None),
        events=tuple(e for e in readings.events if e.kind != "farthest" and told.place_at(e.time_s) is not None),
        legs=tuple(leg for leg in readings.legs if told.place_at(leg.start_s) is not None),
    )


def without_places(readings: Readings) -> Readings:
    """All that is counted from home, and no coordinates."""
    columns = {name: values for name, values in readings.columns.items() if name not in PLACE}
    return replace(readings, columns=columns, home=None)
