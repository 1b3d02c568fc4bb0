from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.tracks.vehicle_clock import fit, utc_of_gps


def test_week_and_milliseconds_with_the_leap_seconds_of_their_date():
    """GPS − UTC was 16 s in mid-2014, 18 s from 2017 (IERS Bulletin C 43 and 52)."""
    weeks, ms = np.array([1796.0, 1796.0]), np.array([0.0, 1000.0])
    assert utc_of_gps(weeks, ms).tolist() == [1402185600.0 - 16, 1402185601.0 - 16]  # week 1796 begins 2014-06-08
    assert utc_of_gps(np.array([2105.0]), np.array([0.0]))[0] == 1589068800.0 - 18  # week 2105 begins 2020-05-10


def test_week_zero_is_no_date():
    assert np.isnan(utc_of_gps(np.array([0.0]), np.array([5000.0]))).all()


@given(rate=st.floats(0.85, 1.15), offset=st.floats(1e9, 1.7e9), seed=st.integers(0, 99))
def test_a_slow_clock_is_found_through_late_messages_and_outliers(rate, offset, seed):
    rng = np.random.default_rng(seed)
    vehicle = np.arange(0, 600, 0.2)
    utc = offset + rate * vehicle
    stamped = utc - rng.exponential(0.02, len(utc))  # the receiver's message comes late: its time lies behind the stamp
    wild = rng.random(len(utc)) < 0.03
    stamped[wild] += rng.uniform(-5000, 5000, wild.sum())
    clock = fit(vehicle, stamped)
    assert clock is not None
    assert abs(clock.rate - rate) < 1e-5
    assert np.abs(clock.to_utc(vehicle) - utc).max() < 0.03


def test_a_wandering_clock_is_followed_piece_by_piece():
    vehicle = np.arange(0, 600, 0.2)
    utc = 1.7e9 + vehicle * 1.05 + 6.0 * np.sin(vehicle / 60)
    clock = fit(vehicle, utc)
    assert clock is not None
    assert clock.knots is not None
    assert np.abs(clock.to_utc(vehicle) - utc).max() < 0.01
    beyond = clock.to_utc(np.array([-10.0, 610.0]))
    assert beyond == pytest.approx([utc[0] - 10.5, utc[-1] + 10.7], abs=1.5)


def test_a_log_too_short_to_tell_a_rate_keeps_the_second():
    vehicle = np.array([0.0, 0.2, 0.4, 0.6, 0.8])
    clock = fit(vehicle, 1.7e9 + vehicle + np.array([0, 0.004, -0.003, 0.005, 0.002]))
    assert clock is not None
    assert clock.rate == 1.0


def test_no_clock_from_repeats_or_nothing():
    assert fit(np.arange(5.0), np.full(5, 1.7e9)) is None
    assert fit(np.zeros(0), np.zeros(0)) is None
    assert fit(np.arange(50.0), 1.7e9 - np.arange(50.0)) is None
