"""Turn rate and bank: the textbook relation, and facts of pilot training."""

import numpy as np
import pytest

from overlay.mechanics.slopes import slope, unshortened
from overlay.mechanics.turning import bank_from_velocity, course_deg, turn_rate_dps


def bank_of_circle(rate_dps, speed_mps):
    """Bank that the package finds for a steady circle in still air."""
    time = np.arange(0.0, 60.0, 0.1)
    heading = np.radians(rate_dps) * time
    found = bank_from_velocity(time, speed_mps * np.sin(heading), speed_mps * np.cos(heading), time[20:-20])
    return float(np.median(found))


def test_standard_rate_turn_rule():
    # Pilot training rule (FAA-H-8083-15B): bank for a standard-rate turn (3°/s) ≈ true airspeed in knots / 10 + 5.
    for knots in (80.0, 100.0, 120.0):
        assert bank_of_circle(3.0, knots * 0.514444) == pytest.approx(knots / 10 + 5, abs=1.5)


@pytest.mark.parametrize(("knots", "bank"), [(120.0, 30.0), (60.0, 20.0), (35.0, 25.0)])
def test_rate_and_radius_formulas_of_the_handbook(knots, bank):
    # Pilot's Handbook of Aeronautical Knowledge (FAA-H-8083-25), V in kn: R = V²/(11.26·tan φ) ft,
    # ω = 1091·tan φ/V °/s.
    rate = 1091 * np.tan(np.radians(bank)) / knots
    assert bank_of_circle(rate, knots * 0.514444) == pytest.approx(bank, abs=0.3)
    radius_m = knots**2 / (11.26 * np.tan(np.radians(bank))) * 0.3048
    assert bank_of_circle(np.degrees(knots * 0.514444 / radius_m), knots * 0.514444) == pytest.approx(bank, abs=0.3)


@pytest.mark.parametrize("wind", [(0.0, 0.0), (6.0, -3.0)])
@pytest.mark.parametrize("side", [1.0, -1.0])
def test_bank_of_a_circle_in_wind(wind, side):
    time = np.arange(0.0, 60.0, 0.2)
    heading = side * np.radians(15.0) * time
    speed = 17.0
    bank = bank_from_velocity(time, speed * np.sin(heading), speed * np.cos(heading), time[20:-20])
    expected = side * np.degrees(np.arctan(np.radians(15.0) * speed / 9.80665))
    assert bank == pytest.approx(expected, abs=0.4)
    # The wind must come off first: the ground velocity's own bank is wrong by degrees.
    ground = speed * np.sin(heading) + wind[0], speed * np.cos(heading) + wind[1]
    wrong = bank_from_velocity(time, *ground, time[20:-20])
    assert np.abs(wrong - expected).max() < 0.5 if wind == (0.0, 0.0) else np.abs(wrong - expected).max() > 1.5


def test_course_and_its_rate_across_north():
    time = np.arange(0.0, 20.0, 0.5)
    angle = 350.0 + 4.0 * time
    east, north = np.sin(np.radians(angle)), np.cos(np.radians(angle))
    course = course_deg(east, north)
    assert np.abs((course - angle + 180) % 360 - 180).max() < 1e-9
    assert course.min() >= 0.0
    assert course.max() < 360.0
    assert turn_rate_dps(time, course, time[4:-4]) == pytest.approx(4.0)


def test_slope_is_numpys_polyfit_and_needs_both_sides():
    rng = np.random.default_rng(3)
    times = np.sort(rng.uniform(0, 30, 200))
    values = np.column_stack([np.sin(times), times**2])
    at = np.array([5.0, 12.3, 20.0])
    found = slope(times, values, at, 1.0)
    for row, moment in zip(found, at, strict=True):
        pick = np.abs(times - moment) <= 1.0
        assert row == pytest.approx(np.polyfit(times[pick], values[pick], 1)[0], rel=1e-9)
    assert np.isnan(slope(times, values, np.array([times[0], times[-1] + 0.5, 99.0]), 1.0)).all()
    assert np.isnan(slope(times[:1], values[:1], at, 1.0)).all()


@pytest.mark.parametrize(("interval_s", "half_s", "short"), [(0.2, 1.0, 0.004), (1.0, 1.5, 0.015)])
def test_a_turn_takes_no_speed_off(interval_s, half_s, short):
    # A circle flown at 12 m/s in 14 s; the slope alone comes out short by (ω·h)²/10 and more: 2.4 % and 3.7 %.
    omega, grid = 2.0 * np.pi / 14.0, np.arange(2.0, 58.0, 0.1)
    times = np.arange(0.0, 60.0, interval_s)
    path = 12.0 / omega * np.column_stack([np.cos(omega * times), np.sin(omega * times)])
    slopes = slope(times, path, grid, half_s)
    plain = np.hypot(*slopes.T).mean()
    assert plain < 12.0 * (1.0 - 0.8 * (omega * half_s) ** 2 / 10.0)
    steps = round(half_s / 0.1)
    mended = np.hypot(*unshortened(slopes, steps)[steps:-steps].T)
    assert mended.mean() == pytest.approx(12.0, rel=short)
    holed = slopes.copy()
    holed[200:230] = np.nan
    assert np.array_equal(np.isnan(unshortened(holed, steps)), np.isnan(holed))


def test_slopes_attenuation_is_as_documented():
    time = np.arange(0.0, 60.0, 0.05)
    omega = np.radians(16.0)
    found = slope(time, np.sin(omega * time), time[100:-100], 1.0)
    assert found.max() / omega == pytest.approx(1 - omega**2 / 10, abs=5e-4)
