"""A flight out and back with a graded picture, made by simple geometry on the ellipsoid with pyproj."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest

from overlay.readings import BrokenPicture, Home, Leg, Readings

GEOD = pyproj.Geod(ellps="WGS84")
START_S = 1_777_803_000.0


def make_flight(home=(47.3, -33.9), course_deg=60.0, *, keeps_utc=True, rate_Hz=2.0) -> Readings:
    """4 km out and back in 400 s, silent from 250 to 256 s, broken up twice."""
    t = np.arange(0.0, 400.0, 1 / rate_Hz)
    far = 4000.0 * np.interp(t, [0, 20, 200, 380, 400], [0, 0, 1, 0, 0])
    east, north = far * np.sin(np.radians(course_deg)), far * np.cos(np.radians(course_deg))
    count = np.ones(len(t))
    longitude, latitude, _ = GEOD.fwd(home[1] * count, home[0] * count, course_deg * count, far)
    grade = np.clip(5.0 - far / 1500.0, 1, 5)
    for onset, end, worst in ((120.0, 131.0, 1.2), (280.0, 284.0, 2.4)):
        grade[(t >= onset) & (t < end)] = worst
    columns = {
        "latitude_deg": latitude, "longitude_deg": longitude, "east_m": east, "north_m": north, "range_m": far,
        "bearing_deg": course_deg * count, "height_m": 120.0 * np.clip(far / 300.0, 0, 1), "bank_deg": 20 * np.sin(t),
        "ground_speed_mps": np.gradient(far, t), "voltage_V": 16.6 - t / 300, "charge_used_mAh": 3.0 * t,
        "picture_grade": grade, "reach_m": 9000.0 - 10 * t,
    }  # fmt: skip
    silent = (t >= 250) & (t < 256)
    for values in columns.values():
        values[silent] = np.nan
    start = START_S if keeps_utc else 0.0
    cuts = (("take-off", 20), ("out", 40), ("home", 200), ("landing", 370))
    ends = [*(s for _, s in cuts[1:]), 385]
    return Readings(
        start + t,
        columns,
        keeps_utc=keeps_utc,
        home=Home(home[0], home[1], 31.0, "made"),
        legs=tuple(Leg(name, start + a, start + b) for (name, a), b in zip(cuts, ends, strict=True)),
        breakups=(
            BrokenPicture(start + 120.0, start + 131.0, "no sync", 1.2),
            BrokenPicture(start + 280.0, start + 284.0, "sparkle", 2.4),
        ),
        derived={"distance_m": "summed"},
    )


@pytest.fixture(scope="session")
def flight() -> Readings:
    return make_flight()


@pytest.fixture(scope="session")
def flight_at():
    return make_flight
