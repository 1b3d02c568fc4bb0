"""What everybody in the trade knows, as check values: common practice, no source. From a log's text to the findings."""

from __future__ import annotations

import numpy as np
import pyproj
import pytest

from overlay.mechanics.findings import findings_of
from overlay.mechanics.flight import readings_of
from overlay.readings import Pack
from overlay.tracks import read_log

GEOD = pyproj.Geod(ellps="WGS84")
HOME = (47.3, -33.9)
HEADER = "time (s),Latitude (deg),Longitude (deg),Altitude (m),Airspeed (km/h),Battery (V),Current (A),RSSI (%)"
CRUISE_MPS, RADIUS_M, COURSE_DEG = 16.0, 60.0, 40.0


def path(far_m, headwind_mps=0.0, weave_m=0.0):
    """(seconds, along, across, airspeed, flying) at 5 Hz: stand, fly out, circle twice in the drifting air, fly home, stand."""
    out, home = CRUISE_MPS - headwind_mps, CRUISE_MPS + headwind_mps
    circle_s = 4 * np.pi * RADIUS_M / CRUISE_MPS
    back = far_m - headwind_mps * circle_s
    edges = np.cumsum([0.0, 40.0, far_m / out, circle_s, back / home, 40.0])
    time = np.arange(0.0, edges[-1], 0.2)
    along = np.interp(time, edges, [0.0, 0.0, far_m, back, 0.0, 0.0])
    turned = np.clip((time - edges[2]) / circle_s, 0.0, 1.0) * 4 * np.pi
    along = along + RADIUS_M * np.sin(turned)
    across = RADIUS_M * (1 - np.cos(turned)) + weave_m * np.sin(along / 80.0) * np.clip(along / 500.0, 0, 1)
    flying = (time > 40.0) & (time < edges[-1] - 40.0)
    return time, along, across, np.where(flying, CRUISE_MPS, 0.0), flying


def readings(
    folder, far_m, *, headwind_mps=0.0, weave_m=0.0, noise_m=0.0, ampere=10.0, capacity_mAh=10_000.0, link=None
):
    """The flight as its log's text, read and worked out by the package."""
    time, along, across, airspeed, flying = path(far_m, headwind_mps, weave_m)
    rng = np.random.default_rng(1)
    east, north = along + noise_m * rng.normal(size=len(time)), across + noise_m * rng.normal(size=len(time))
    azimuth = COURSE_DEG + np.degrees(np.arctan2(north, east))
    lon, lat, _ = GEOD.fwd(np.full(len(time), HOME[1]), np.full(len(time), HOME[0]), azimuth, np.hypot(east, north))
    up = 30.0 + 100.0 * np.clip(np.minimum(time - 40.0, time[-1] - 40.0 - time) / 25.0, 0.0, 1.0)
    quality = np.full(len(time), 100.0) if link is None else np.interp(time, [0, time[-1]], link)
    rows = zip(
        time,
        lat,
        lon,
        up,
        airspeed * 3.6,
        np.full(len(time), 15.0),
        np.where(flying, ampere, 0.0),
        quality,
        strict=True,
    )
    text = "\n".join(",".join(f"{value:.7f}" for value in row) for row in rows)
    (folder / "log.csv").write_text(f"{HEADER}\n{text}\n", encoding="utf-8")
    return readings_of(read_log(folder / "log.csv").flights[0], pack=Pack(capacity_mAh, 4))


def test_thirty_three_kilometres_on_5700_mAh_are_173_a_kilometre_and_bound_the_range_near_46(tmp_path):
    """A 2 m foam aircraft on a 10 Ah four-cell pack: common practice, no source."""
    far = (33_000.0 - 4 * np.pi * RADIUS_M) / 2
    found = readings(tmp_path, far, ampere=5.7 * 3600.0 / (33_000.0 / CRUISE_MPS))
    told = findings_of(found)
    assert told.distance_m == pytest.approx(33_000.0, rel=0.01)
    assert told.charge_used_mAh == pytest.approx(5700.0, rel=0.01)
    for leg in (told.out, told.home):
        assert leg.per_km_mAh == pytest.approx(173.0, rel=0.02)
    assert 2 * told.still_air.range_m == pytest.approx(46_000.0, rel=0.02)
    low, high = told.still_air.interval95_m
    assert low < 23_100.0 < high


def test_a_pack_is_landed_with_a_fifth_left(tmp_path):
    """8 000 of 10 000 mAh may be flown: common practice, no source."""
    found = readings(tmp_path, 3000.0)
    assert Pack(10_000.0).capacity_mAh * Pack(10_000.0).usable_fraction == 8000.0
    known = np.isfinite(found["charge_spare_mAh"])
    assert np.unique(found["charge_reserve_mAh"][known]) == pytest.approx([2000.0])
    to_fly = found["charge_used_mAh"] + found["charge_home_mAh"] + found["charge_spare_mAh"]
    assert to_fly[known] == pytest.approx(8000.0)


@pytest.mark.parametrize("headwind", [4.0, -3.0])
def test_airspeed_above_ground_speed_is_headwind(tmp_path, headwind):
    """Common practice, no source; on the way home it is the other way round."""
    found = readings(tmp_path, 4000.0, headwind_mps=headwind)
    for name, sign in (("out", -1.0), ("home", 1.0)):
        (leg,) = (leg for leg in found.legs if leg.name == name)
        span = found.between(leg.start_s + 20.0, leg.end_s - 20.0)
        gap = np.nanmedian(span["ground_speed_mps"] - span["airspeed_mps"])
        assert gap == pytest.approx(sign * headwind, abs=0.2)
        assert np.nanmedian(span["tailwind_mps"]) == pytest.approx(sign * headwind, abs=0.3)
    told = findings_of(found)
    assert told.wind.speed_mps == pytest.approx(abs(headwind), abs=0.3)
    blows_from = COURSE_DEG if headwind > 0 else COURSE_DEG + 180.0
    assert (told.wind.from_deg - blows_from + 180.0) % 360.0 - 180.0 == pytest.approx(0.0, abs=5.0)


def test_flying_out_against_the_wind_leaves_the_easier_leg_home(tmp_path):
    """Common practice, no source: and the other way round is how one does not come home."""
    against, along = (readings(tmp_path, 6000.0, headwind_mps=wind) for wind in (5.0, -5.0))
    easy, hard = findings_of(against), findings_of(along)
    assert easy.home.per_km_mAh < 0.6 * easy.out.per_km_mAh  # (16 − 5)/(16 + 5) = 0.52
    assert hard.home.per_km_mAh > 1.7 * hard.out.per_km_mAh
    need = []
    for found in (against, along):
        (turn,) = (event.time_s for event in found.events if event.kind == "farthest")
        used = found.at("charge_used_mAh", turn)[0]
        need.append(found.at("charge_home_mAh", turn)[0] / used)
    assert need[0] < 0.6
    assert need[1] > 1.7
    assert easy.this_wind.range_m < easy.still_air.range_m  # either way the wind costs range
    assert hard.this_wind.range_m < hard.still_air.range_m


def test_turning_at_fifteen_kilometres_logs_somewhat_more_than_thirty(tmp_path):
    """Common practice, no source: nobody flies straight, and a receiver's noise must not make it forty."""
    found = readings(tmp_path, 15_000.0, weave_m=12.0, noise_m=0.8)
    told = findings_of(found)
    assert told.farthest_m == pytest.approx(15_000.0, rel=0.01)
    _, along, across, _, _ = path(15_000.0, weave_m=12.0)
    flown = np.hypot(np.diff(along), np.diff(across)).sum()
    assert 30_300.0 < flown < 32_000.0  # what was flown, by Pythagoras
    assert told.distance_m == pytest.approx(flown, rel=0.01)


def test_link_strength_is_shown_from_none_to_perfect(tmp_path):
    """0 (none) to 100 (perfect): common practice, no source."""
    found = readings(tmp_path, 3000.0, link=(100.0, 0.0))
    _, values = found.series("control_link_pct")
    assert values[0] == pytest.approx(100.0, abs=0.5)
    assert values[-1] == pytest.approx(0.0, abs=0.5)
    assert values.min() >= 0.0
    assert values.max() <= 100.0
