"""Flights to draw: one with every column, one with positions alone, one without a single row of use."""

from __future__ import annotations

import numpy as np
import pytest

from overlay.readings import BrokenPicture, Home, Leg, Pack, Readings

START_S = 1_777_803_000.0
RATE_HZ = 5.0
BREAKUPS = (
    (505.0, 7.0, "sparkle", 2.2),
    (601.0, 4.0, "sparkle", 2.0),
    (655.0, 9.5, "tearing", 1.4),
    (812.0, 31.0, "no sync", 1.0),
    (851.0, 22.0, "noise", 1.6),
    (1033.0, 12.0, "tearing", 1.5),
)


def _smooth(values: np.ndarray, seconds: float) -> np.ndarray:
    taps = int(seconds * RATE_HZ) | 1
    window = np.hanning(taps + 2)[1:-1]
    return np.convolve(np.pad(values, taps // 2, mode="edge"), window / window.sum(), mode="valid")


def make_flight() -> Readings:
    """Out to 10.6 km against a wind of 5 m/s, a circle there, and home: about half an hour at 5 Hz, all columns."""
    rng = np.random.default_rng(6)
    t = np.arange(0.0, 1780.0, 1 / RATE_HZ)
    takeoff, turn, back, land, stop = 40.0, 860.0, 960.0, 1640.0, 1740.0
    wander = _smooth(rng.normal(0, 1, len(t)), 25.0) * 9.0
    course = np.where(t < turn, 232.0, np.where(t < back, 232.0 + (t - turn) * 5.6, 52.0 + 0.0 * t)) + np.degrees(
        wander / 9.0
    )
    course = np.where((t > back) & (t < land), 52.0 + wander, np.where(t >= land, 52.0 + (t - land) * 7.0, course))
    course = _smooth(course, 6.0)
    wind_speed, wind_from = 5.2 + _smooth(rng.normal(0, 1, len(t)), 40.0) * 4, 218.0 + wander
    airspeed = np.clip(17.4 + _smooth(rng.normal(0, 1, len(t)), 4.0) * 2.2, 0, None)
    aloft = np.clip((t - takeoff) / 4.0, 0, 1) * np.clip((stop - t) / 4.0, 0, 1)
    airspeed *= aloft
    towards = np.radians(wind_from + 180.0 - course)
    tailwind = wind_speed * np.cos(towards)
    ground = np.clip(airspeed + tailwind * aloft, 0, None)
    east = np.cumsum(ground * np.sin(np.radians(course))) / RATE_HZ
    north = np.cumsum(ground * np.cos(np.radians(course))) / RATE_HZ
    miss = np.clip((t - back) / (land - back), 0, 1)
    final = int(land * RATE_HZ)
    east, north = east - miss * (east[final] - 120.0), north - miss * (north[final] - 60.0)
    range_m = np.hypot(east, north)
    height = _smooth(
        np.interp(t, [0, 40, 130, 400, 860, 960, 1500, 1640, 1735, 1780], [0, 0, 120, 150, 170, 165, 140, 90, 0, 0]),
        9.0,
    )
    height += _smooth(rng.normal(0, 1, len(t)), 8.0) * 12.0 * aloft
    bank = np.degrees(np.arctan(np.gradient(np.radians(course), 1 / RATE_HZ) * airspeed / 9.81))
    power = (
        92.0 + 60.0 * np.clip(np.gradient(height, 1 / RATE_HZ), 0, 5) + 900.0 * (aloft < 1) * (t > takeoff) * (t < 60)
    ) * (aloft > 0)
    voltage = np.interp(t, [0, 1780], [16.7, 14.6]) - power / 900.0
    current = power / voltage + 0.3
    used = np.cumsum(current) / RATE_HZ / 3.6
    per_km = np.where(ground > 4, current / np.maximum(ground, 4) * 1000 / 3.6, np.nan)
    home_mAh = range_m / 1000.0 * np.where(t < turn, 88.0, 92.0)
    pack = Pack(5200.0, cells=4)
    reserve = np.full(len(t), 1040.0)
    spare = pack.capacity_mAh - used - home_mAh - reserve
    link = np.clip(100 - range_m / 190.0 + _smooth(rng.normal(0, 1, len(t)), 5.0) * 14, 18, 100)
    grade = np.clip(5.0 - range_m / 5200.0 + _smooth(rng.normal(0, 1, len(t)), 3.0) * 0.9, 1, 5)
    breakups = []
    for onset, length, kind, worst in BREAKUPS:
        breakups.append(BrokenPicture(START_S + onset, START_S + onset + length, kind, worst))
        grade[(t >= onset) & (t < onset + length)] = worst
    columns = {
        "east_m": east,
        "north_m": north,
        "range_m": range_m,
        "bearing_deg": np.degrees(np.arctan2(east, north)) % 360,
        "height_m": height,
        "latitude_deg": 47.0 + north / 111_320.0,
        "longitude_deg": 8.0 + east / 75_900.0,
        "ground_speed_mps": ground,
        "course_deg": course % 360,
        "airspeed_mps": airspeed,
        "heading_deg": (course - 6.0) % 360,
        "vertical_speed_mps": np.gradient(height, 1 / RATE_HZ),
        "bank_deg": bank,
        "pitch_deg": 3.0 + np.gradient(height, 1 / RATE_HZ) * 2,
        "distance_m": np.cumsum(ground) / RATE_HZ,
        "wind_speed_mps": wind_speed,
        "wind_from_deg": wind_from % 360,
        "tailwind_mps": tailwind,
        "voltage_V": voltage,
        "current_A": current,
        "power_W": power,
        "charge_used_mAh": used,
        "charge_per_km_mAh": per_km,
        "charge_home_mAh": home_mAh,
        "charge_reserve_mAh": reserve,
        "charge_spare_mAh": spare,
        "reach_m": (range_m + np.clip(spare, -900, None) / 180.0 * 1000.0),
        "control_link_pct": link,
        "control_rssi_dBm": -40 - range_m / 200,
        "control_snr_dB": link / 8,
        "picture_grade": grade,
        "aerial_off_axis_deg": np.abs(_smooth(rng.normal(0, 1, len(t)), 10.0)) * 40,
    }
    gap = (t > 1200) & (t < 1209)  # the log fell silent
    for values in columns.values():
        values[gap] = np.nan
    names = (
        ("on the ground", 0),
        ("take-off", takeoff),
        ("out", 110),
        ("loiter", turn),
        ("home", back),
        ("landing", land),
    )
    ends = [*(s for _, s in names[1:]), stop]
    legs = [Leg(name, START_S + a, START_S + b) for (name, a), b in zip(names, ends, strict=True)]
    legs.append(Leg("on the ground", START_S + stop, START_S + 1780.0))
    return Readings(
        START_S + t,
        columns,
        home=Home(47.0, 8.0, 412.0, "made up"),
        legs=tuple(legs),
        breakups=tuple(breakups),
        pack=pack,
    )


def make_positions() -> Readings:
    """The same flight from a log of positions at 1 Hz and nothing else."""
    whole = make_flight()
    kept = ("east_m", "north_m", "range_m", "bearing_deg", "height_m", "latitude_deg", "longitude_deg")
    return Readings(whole.time_s[::5], {name: whole[name][::5] for name in kept}, home=whole.home)


@pytest.fixture(scope="session")
def flight() -> Readings:
    return make_flight()


@pytest.fixture(scope="session")
def positions() -> Readings:
    return make_positions()


@pytest.fixture(scope="session")
def nothing() -> Readings:
    return Readings(START_S + np.arange(0.0, 60.0, 0.5))
