"""Readings of made tracks, of a simulated flight with known truth, and of damaged ones."""

import numpy as np
import pytest

from overlay.errors import UsageError
from overlay.mechanics.flight import readings_of
from overlay.readings import BrokenPicture, Home, Pack
from overlay.tracks.track import Fix, Track
from overlay_samples.flight import fly
from overlay_samples.logs import receive
from overlay_samples.scenario import DEFAULT


@pytest.fixture(scope="module")
def truth():
    return fly(DEFAULT.replace(distance_out_m=2200.0, loiter_turns=1.5))


@pytest.fixture(scope="module")
def logged(truth):
    """What a receiver and an airspeed sensor would log of it at 5 Hz."""
    fixes = receive(truth, 5.0)
    columns = {
        "latitude_deg": fixes.latitude_deg,
        "longitude_deg": fixes.longitude_deg,
        "height_m": fixes.height_m,
        "airspeed_mps": truth.at(truth.airspeed_mps, fixes.time_s),
        "current_A": truth.at(truth.current_A, fixes.time_s),
        "voltage_V": truth.at(truth.voltage_V, fixes.time_s),
    }
    return Track(fixes.time_s, columns)


@pytest.fixture(scope="module")
def readings(logged):
    return readings_of(logged, pack=Pack(3300.0, 4))


def worst(readings, name, truth, values, skip_s=0.0):
    inside = (readings.time_s > truth.time_s[0] + skip_s) & (readings.time_s < truth.time_s[-1] - skip_s)
    error = np.abs(readings[name] - truth.at(values, readings.time_s))[inside]
    return np.nanquantile(error, 0.95)


def test_place_and_height(readings, truth):
    assert worst(readings, "range_m", truth, np.hypot(truth.east_m, truth.north_m)) < 4.0 + 0.2 * 30
    assert worst(readings, "height_m", truth, truth.up_m) < 8.0  # a satellite receiver's heights
    assert readings["range_m"] == pytest.approx(np.hypot(readings["east_m"], readings["north_m"]), nan_ok=True)


def test_ground_motion(readings, truth):
    speed = np.hypot(truth.velocity_mps[:, 0], truth.velocity_mps[:, 1])
    assert worst(readings, "ground_speed_mps", truth, speed, 20.0) < 1.5
    assert worst(readings, "vertical_speed_mps", truth, truth.velocity_mps[:, 2], 20.0) < 1.5
    start, end = truth.span("thrown", "flying")
    rows = (truth.time_s >= start) & (truth.time_s <= end)
    flown = np.sum(np.hypot(np.diff(truth.east_m[rows]), np.diff(truth.north_m[rows])))
    assert np.nanmax(readings["distance_m"]) == pytest.approx(flown, rel=0.01)


def test_wind_and_what_follows_from_it(readings, truth):
    flying = truth.phase == 3
    east, north = truth.wind_mps[flying, 0].mean(), truth.wind_mps[flying, 1].mean()
    assert np.nanmax(readings["wind_speed_mps"]) == pytest.approx(np.hypot(east, north), abs=0.5)
    blows_from = np.degrees(np.arctan2(-east, -north)) % 360
    assert np.nanmax(readings["wind_from_deg"]) == pytest.approx(blows_from, abs=10.0)
    assert "airspeed" in readings.derived["wind_speed_mps"]
    assert worst(readings, "bank_deg", truth, np.degrees(truth.bank_rad), 30.0) < 8.0


def test_charge_and_energy(readings, truth):
    end = readings.time_s[-1]
    used = readings.at("charge_used_mAh", end - 0.5)[0]
    assert used == pytest.approx(truth.at(truth.charge_used_mAh, end - 0.5) - truth.charge_used_mAh[0], rel=0.01)
    energy = np.trapezoid(truth.current_A * truth.voltage_V, truth.time_s) / 3600
    assert np.nanmax(readings["energy_used_Wh"]) == pytest.approx(energy, rel=0.01)
    assert "trapezoidal" in readings.derived["charge_used_mAh"]


def test_every_derived_column_is_there_and_says_how(readings):
    assert set(readings.derived) <= set(readings.columns)
    assert {"range_m", "tailwind_mps", "bank_deg", "charge_per_km_mAh"} <= set(readings.derived)
    assert "latitude_deg" not in readings.derived
    assert readings.keeps_utc
    assert readings.pack == Pack(3300.0, 4)


def test_grid_is_even_and_inside_the_log(readings, logged):
    assert np.diff(readings.time_s) == pytest.approx(0.1, abs=1e-6)
    assert readings.time_s[0] >= logged.time_s[0]
    assert readings.time_s[-1] <= logged.time_s[-1]
    assert readings.time_s * 10 == pytest.approx(np.round(readings.time_s * 10), abs=1e-5)


def test_holes_stay_holes(logged):
    start = logged.time_s[0]
    keep = ~((logged.time_s > start + 100) & (logged.time_s < start + 130))
    readings = readings_of(Track(logged.time_s[keep], {k: v[keep] for k, v in logged.columns.items()}))
    hole = (readings.time_s > start + 101) & (readings.time_s < start + 129)
    for name in ("range_m", "height_m", "ground_speed_mps", "airspeed_mps", "charge_used_mAh", "bank_deg"):
        assert np.isnan(readings[name][hole]).all(), name
    assert "guessed over 30 s" in readings.derived["charge_used_mAh"]


def test_a_short_hole_is_bridged(logged):
    start = logged.time_s[0]
    keep = ~((logged.time_s > start + 100) & (logged.time_s < start + 101.5))
    readings = readings_of(Track(logged.time_s[keep], {k: v[keep] for k, v in logged.columns.items()}))
    hole = (readings.time_s > start + 99) & (readings.time_s < start + 103)
    assert np.isfinite(readings["range_m"][hole]).all()


def test_slow_logs_bridge_three_intervals(there_and_back):
    readings = readings_of(there_and_back.track(rate_Hz=0.25))
    assert np.isfinite(readings["range_m"]).mean() > 0.99


def test_stale_rows_do_not_hold_the_last_speed(there_and_back):
    track = there_and_back.track()
    speed, fix = np.full(len(track), 16.0), np.zeros(len(track), np.uint8)
    stale = slice(500, 550)  # 10 s of repeats
    fix[stale] = Fix.STALE
    columns = {**track.columns, "ground_speed_mps": speed, "voltage_V": speed}
    readings = readings_of(Track(track.time_s, columns, fix=fix))
    hole = (readings.time_s > track.time_s[501]) & (readings.time_s < track.time_s[548])
    assert np.isnan(readings["ground_speed_mps"][hole]).all()
    assert np.isfinite(readings["voltage_V"][hole]).all()


def test_home_by_hand_is_kept_and_given_its_height(there_and_back):
    given = Home(47.31, -33.9, float("nan"), "given by hand")
    readings = readings_of(there_and_back.track(), home=given)
    assert readings.home.latitude_deg == 47.31
    assert readings.home.height_m == pytest.approx(31.0)
    assert readings["range_m"][0] == pytest.approx(1112.0, abs=1.0)  # 0.01° of latitude at 47° is 1 111.8 m


def test_height_over_home_wins_over_height(there_and_back):
    track = there_and_back.track()
    readings = readings_of(Track(track.time_s, {**track.columns, "height_over_home_m": np.full(len(track), 7.0)}))
    assert np.nanmax(readings["height_m"]) == 7.0
    assert "height_m" not in readings.derived


def test_course_and_heading_cross_north(there_and_back):
    track = there_and_back.track(rate_Hz=1.0)
    turning = (350.0 + 3.0 * np.arange(len(track))) % 360.0
    readings = readings_of(Track(track.time_s, {**track.columns, "heading_deg": turning, "course_deg": turning}))
    expected = (350.0 + 3.0 * (readings.time_s - track.time_s[0])) % 360.0
    for name in ("heading_deg", "course_deg"):
        assert np.nanmax(np.abs((readings[name] - expected + 180) % 360 - 180)) < 1e-3


def test_ground_aerial_off_axis(there_and_back):
    track = there_and_back.track()
    readings = readings_of(Track(track.time_s, {**track.columns, "aerial_bearing_deg": np.full(len(track), 355.0)}))
    out = (readings.time_s > 1.7e9 + 200) & (readings.time_s < 1.7e9 + 500)
    assert readings["aerial_off_axis_deg"][out] == pytest.approx(50.0, abs=0.5)


def test_wind_refused_leaves_the_columns_out(straight_back):
    readings = readings_of(straight_back.track())
    assert "wind_speed_mps" not in readings
    assert "airspeed_mps" not in readings
    assert "wind is unknown" in readings.derived["bank_deg"]


def test_tailwind_without_wind_is_the_gap_of_the_speeds(straight_back):
    # Common practice, no source: airspeed above ground speed means headwind. A straight way out alone carries no wind.
    track = straight_back.track(end_s=500.0)
    readings = readings_of(Track(track.time_s, {**track.columns, "airspeed_mps": np.full(len(track), 20.0)}))
    assert "wind_speed_mps" not in readings
    out = (readings.time_s > 1.7e9 + 200) & (readings.time_s < 1.7e9 + 480)
    assert readings["tailwind_mps"][out] == pytest.approx(-4.0, abs=0.1)
    assert "crosswind for small" in readings.derived["tailwind_mps"]


def test_breakups_pass_through(there_and_back):
    broken = BrokenPicture(1.7e9 + 300.0, 1.7e9 + 310.0, "noise", 1.5)
    assert readings_of(there_and_back.track(), breakups=[broken]).breakups == (broken,)


def test_logs_with_next_to_nothing():
    empty = readings_of(Track(np.zeros(0)))
    assert (len(empty), empty.home, empty.legs) == (0, None, ())
    volts = readings_of(Track(np.arange(5.0), {"voltage_V": np.full(5, 16.0)}))
    assert volts["voltage_V"] == pytest.approx(16.0)
    assert volts.home is None
    one = readings_of(Track(np.array([3.07]), {"latitude_deg": np.array([1.0]), "longitude_deg": np.array([2.0])}))
    assert len(one) == 1
    assert one["range_m"] == pytest.approx([0.0])
    same = readings_of(Track(np.full(4, 9.0), {"latitude_deg": np.full(4, 1.0), "longitude_deg": np.full(4, 2.0)}))
    assert len(same) == 1


def test_years_of_log_and_absurd_rates_are_refused():
    long = Track(np.array([0.0, 3e8]), {"latitude_deg": np.ones(2), "longitude_deg": np.ones(2)})
    with pytest.raises(UsageError, match="days"):
        readings_of(long)
    with pytest.raises(UsageError, match="rate"):
        readings_of(Track(np.arange(3.0)), rate_Hz=0.0)
