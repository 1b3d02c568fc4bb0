"""One radio link of the flight, and what each thing known of it takes from the margin at every moment.

The margin is what reaches the receiver above what it needs. Its terms are signed dB, 0 where nothing is lost, so that
leaving one out is setting it to 0: range is the loss in free space beyond that at 1 km.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.radio.aerials import Aerial, polarisation_dB
from overlay.radio.geometry import Sight, body_axis, sight, tracked_bearing_deg
from overlay.radio.ground import Ground, Obstruction, ground_mirror, obstruction
from overlay.radio.mirror import Mirror, smooth_mirror
from overlay.radio.propagation import free_space_dB, smooth_earth_dB
from overlay.radio.weather import cloud_dB_per_km, rain_dB_per_km
from overlay.readings import Readings

Floats = NDArray[np.float64]

CAUSES = (
    "range",
    "banking",
    "overhead",
    "ground aerial off axis",
    "ground reflection",
    "horizon or hill",
    "airframe in the way",
    "weather",
    "unexplained",
)
TERMS = (*CAUSES[:6], "nose toward the station", "tail toward the station", "weather")
"""Names of the terms; the two of the airframe are shapes between −1 and 0, whose depth in dB the flight tells."""

_HEAVY_RAIN_MM_H = 50.0
_SHADOW_DEG = 30.0
_HEIGHT_UNSURE = (-0.02, 0.0, 0.02)  # of the height: what barometers and receivers are good for
_WAVE_OF_A_PLATE = {"vertical": (0.0, 0.0, -1.0), "horizontal": (0.0, 1.0, 0.0)}
MIRRORS = (0.7, 0.76, 0.82, 0.87, 0.91, 0.955, 1.0, 1.045, 1.09, 1.14, 1.2, 1.27, 1.35)
"""Heights of the ground aerial over its mirror, as multiples of the height given."""


@dataclass(frozen=True)
class Link:
    """A radio link and its aerials; which way it carries does not matter.

    The aircraft's aerial is tilted `aircraft_tilt_deg` from straight up toward `aircraft_toward_deg` clockwise of the
    nose; None: all-round ones stand upright, directional ones look down. `ground_bearing_deg`: where a fixed directional
    ground aerial points, at `ground_elevation_deg` over the horizon. None there means tracked by hand or machine, no
    faster than `ground_turn_rate_deg_s` where given, unless the readings log the aerial's bearing. `rain_mm_h` and
    `cloud_g_m3` as reported for the flight; None: not reported, and heavy rain all along the path is assumed as the
    worst case against which weather is judged.
    """

    frequency_MHz: float
    aircraft: Aerial
    ground: Aerial
    power_mW: float | None = None
    aircraft_tilt_deg: float | None = None
    aircraft_toward_deg: float = 0.0
    ground_height_m: float = 2.0
    ground_bearing_deg: float | None = None
    ground_elevation_deg: float = 0.0
    ground_turn_rate_deg_s: float | None = None
    rain_mm_h: float | None = None
    cloud_g_m3: float = 0.0

    @property
    def rain_reported(self) -> bool:
        """Whether the weather term rests on a report or on the worst case."""
        return self.rain_mm_h is not None


@dataclass(frozen=True)
class Terms:
    """`dB` maps `TERMS` to (N,) arrays; NaN where the place is not known.

    `mirrors` (N, len(MIRRORS)) is the ground's reflection for other heights of the mirror: where its nulls lie hangs on
    the product of both heights over ground that is never as flat as its model; `mirror` is the plane itself. `ground` is
    what terrain files say of the sight line; None: the Earth is smooth.
    """

    time_s: Floats
    dB: Mapping[str, Floats]
    mirrors: Floats
    mirror: Mirror
    seen: Sight
    ground: Obstruction | None = None

    def matrix(self) -> Floats:
        """Terms as columns (N, len(TERMS))."""
        return np.column_stack([self.dB[name] for name in TERMS])

    def reflection_dB(self, rows: NDArray[np.intp], scales: Floats, link: Link) -> Floats:
        """The ground's reflection in the worse half of some rows, over mirrors of any depths: (len(scales),)."""
        rows = rows[:: max(len(rows) // 16, 1)]
        gains = self.mirror.at(rows).gain_dB(link.frequency_MHz, deeper=scales[:, None])
        half = (len(rows) + 1) // 2
        return np.asarray(np.sort(gains, axis=1)[:, :half].mean(axis=1))


def link_terms(readings: Readings, link: Link, ground: Ground | None = None) -> Terms:
    """Every term of the link at every row of the readings; where `ground` is not known, the Earth is smooth."""
    seen = sight(readings, link.ground_height_m)
    height = np.where(np.isfinite(seen.height_m), seen.height_m, 0.0)
    level, attitude = _aircraft(seen, link)
    off_nose = seen.off_nose_deg()
    smooth = smooth_earth_dB(np.nan_to_num(seen.distance_m), height, link.ground_height_m, link.frequency_MHz)
    hidden = obstruction(ground, readings, link.ground_height_m, link.frequency_MHz) if ground is not None else None
    mirror = smooth_mirror(seen.distance_m, height, link.ground_height_m)
    if ground is not None:
        mirror = ground_mirror(ground, readings, link.ground_height_m, link.frequency_MHz).known_or(mirror)
    mirrors = np.column_stack([_reflection(mirror, link, scale) for scale in MIRRORS])
    terms = {
        "range": free_space_dB(1000.0, link.frequency_MHz) - free_space_dB(seen.slant_m, link.frequency_MHz),
        "banking": attitude,
        "overhead": level,
        "ground aerial off axis": ground_aerial_dB(readings, seen, link),
        "ground reflection": mirrors[:, MIRRORS.index(1.0)],
        "horizon or hill": -_known_or(hidden.loss_dB if hidden is not None else smooth, smooth),
        "nose toward the station": -np.exp(-((off_nose / _SHADOW_DEG) ** 2)),
        "tail toward the station": -np.exp(-(((180.0 - off_nose) / _SHADOW_DEG) ** 2)),
        "weather": -weather_dB_per_km(link) * seen.slant_m / 1000.0,
    }
    known = np.isfinite(seen.slant_m)
    found = {name: np.where(known, terms[name], np.nan) for name in TERMS}
    return Terms(readings.time_s, found, mirrors, mirror, seen, hidden)


def weather_dB_per_km(link: Link) -> float:
    """Loss by rain and cloud per kilometre, in the reported weather or the worst case."""
    rate = _HEAVY_RAIN_MM_H if link.rain_mm_h is None else link.rain_mm_h
    tilt = link.ground.polarisation if not link.ground.circular else "circular"
    return rain_dB_per_km(rate, link.frequency_MHz, tilt) + cloud_dB_per_km(link.cloud_g_m3, link.frequency_MHz)


def ground_aerial_dB(readings: Readings, seen: Sight, link: Link) -> Floats:
    """What a directional ground aerial loses off its axis: as logged, as fixed, or nothing where it is tracked."""
    if not link.ground.directional:
        return np.zeros_like(seen.slant_m)
    if readings.has("aerial_off_axis_deg"):
        return link.ground.pattern_dB(np.nan_to_num(readings["aerial_off_axis_deg"]))
    if link.ground_bearing_deg is not None:
        off = seen.off_ground_axis_deg(link.ground_bearing_deg, link.ground_elevation_deg)
        return link.ground.pattern_dB(np.nan_to_num(off))
    if link.ground_turn_rate_deg_s is None:
        return np.zeros_like(seen.slant_m)
    points = tracked_bearing_deg(readings.time_s, seen.bearing_deg, link.ground_turn_rate_deg_s)
    off = seen.off_ground_axis_deg(points, np.nan_to_num(seen.elevation_deg))
    return link.ground.pattern_dB(np.nan_to_num(off))


def _aircraft(seen: Sight, link: Link) -> tuple[Floats, Floats]:
    """The aircraft's aerial and the polarisation: in level flight, and what attitude adds to it."""
    tilt = link.aircraft_tilt_deg
    axis = body_axis(tilt if tilt is not None else 180.0 * link.aircraft.directional, link.aircraft_toward_deg)
    pattern, mismatch = zip(*(_at_attitude(seen, link, axis, way) for way in (seen.level, seen.to_earth)), strict=True)
    # What the mismatch costs in level flight on the best heading is constant, and the fitted constant's business.
    level = pattern[0] + mismatch[0] - np.max(mismatch[0], initial=-np.inf)
    return level, pattern[1] + mismatch[1] - pattern[0] - mismatch[0]


def _at_attitude(seen: Sight, link: Link, axis: tuple[float, float, float], attitude: Floats) -> tuple[Floats, Floats]:
    pattern = link.aircraft.pattern_dB(np.nan_to_num(seen.off_body_axis_deg(axis, attitude)))
    waves = axis if link.aircraft.is_rod else _WAVE_OF_A_PLATE.get(link.aircraft.polarisation, axis)
    lean = seen.lean_deg(waves, attitude, horizontal=link.ground.polarisation == "horizontal")
    return pattern, polarisation_dB(link.aircraft, link.ground, np.nan_to_num(lean))


def _reflection(mirror: Mirror, link: Link, scale: float) -> Floats:
    """Two-ray gain over a mirror `scale` times as deep, its nulls blurred by how well the height is known."""
    gains = [mirror.gain_dB(link.frequency_MHz, deeper=scale, higher=1 + e) for e in _HEIGHT_UNSURE]
    return np.asarray(10.0 * np.log10(np.mean([10 ** (gain / 10) for gain in gains], axis=0)))


def _known_or(values: Floats, otherwise: Floats) -> Floats:
    return np.where(np.isfinite(values), values, otherwise)
