from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.tracks import Fix
from overlay.tracks.fixes import distance_m, gaps_between, judge

STEP_DEG = 17.0 / 111_195  # 17 m of latitude


def straight(count: int = 200, dt: float = 1.0):
    """17 m/s to the north."""
    return np.arange(count) * dt, 46.5 + np.arange(count) * dt * STEP_DEG, np.full(count, -12.25)


def bits(time, latitude, longitude, speed=None):
    unknown = np.full(len(time), np.nan) if speed is None else speed
    return judge(time, latitude, longitude, unknown, np.zeros(len(time), bool))


def test_distance_against_pyproj():
    pyproj = pytest.importorskip("pyproj")
    rng = np.random.default_rng(1)
    latitude, longitude = rng.uniform(-80, 80, 200), rng.uniform(-179, 179, 200)
    other = latitude + rng.normal(0, 0.05, 200), longitude + rng.normal(0, 0.05, 200)
    exact = pyproj.Geod(ellps="WGS84").inv(longitude, latitude, other[1], other[0])[2]
    assert np.allclose(distance_m(latitude, longitude, *other), exact, rtol=0.007)


def test_a_clean_flight_has_only_good_fixes():
    assert not bits(*straight()).any()


@given(first=st.integers(1, 190), length=st.integers(1, 8), off_m=st.floats(300, 5e6))
def test_an_excursion_is_a_jump_and_nothing_else_is(first, length, off_m):
    time, latitude, longitude = straight()
    latitude[first : first + length] -= min(off_m / 111_195, 80.0)
    jumps = bits(time, latitude, longitude) & Fix.JUMP != 0
    assert jumps[first : first + length].all()
    assert jumps.sum() == len(latitude[first : first + length])


@pytest.mark.parametrize(("lasting", "off"), [(40, 40), (90, 30)])
def test_an_excursion_that_could_have_been_reached_is_one_where_the_receiver_comes_back(lasting, off):
    """1.5 km aside is within reach after half a minute at 51 m/s; after more than a minute it counts as where it was."""
    time, latitude, longitude = straight(400)
    longitude[150 : 150 + lasting] += 1500 / (111_195 * np.cos(np.radians(46.5)))
    jumps = np.flatnonzero(bits(time, latitude, longitude) & Fix.JUMP)
    inside = (jumps >= 150) & (jumps < 150 + lasting)
    assert inside.sum() == pytest.approx(off, abs=2 * (lasting > off))


def test_one_step_of_the_receiver_does_not_condemn_what_follows():
    """The position is pulled 150 m aside for good: at 3 × 17 m/s it can be there after two seconds."""
    time, latitude, longitude = straight()
    longitude[120:] += 150 / (111_195 * np.cos(np.radians(46.5)))
    jumps = np.flatnonzero(bits(time, latitude, longitude) & Fix.JUMP)
    assert 1 <= len(jumps) <= 4
    assert jumps.min() >= 120


def test_fixes_before_the_first_real_one_are_off():
    time, latitude, longitude = straight()
    latitude[:30] = -33.0 + np.arange(30) * 0.3
    assert np.flatnonzero(bits(time, latitude, longitude) & Fix.JUMP).tolist() == list(range(30))


def test_repeats_in_flight_are_stale():
    time, latitude, longitude = straight(dt=0.5)
    latitude[1::2] = latitude[0::2]
    assert np.flatnonzero(bits(time, latitude, longitude) & Fix.STALE).tolist() == list(range(1, 199, 2))


def test_standing_still_is_not_stale():
    time, latitude, longitude = straight()
    latitude[:60] = latitude[60]
    assert not (bits(time, latitude, longitude) & Fix.STALE)[:59].any()
    speed = np.where(time < 60, 0.2, 17.0)
    assert not (bits(time, latitude, longitude, speed) & Fix.STALE)[:60].any()


def test_a_frozen_position_at_flying_speed_is_stale():
    time, latitude, longitude = straight()
    latitude[150:] = latitude[150]
    assert (bits(time, latitude, longitude, np.full(200, 17.0)) & Fix.STALE != 0)[151:].all()


def test_no_position_is_not_valid():
    time, latitude, longitude = straight()
    latitude[5] = np.nan
    assert np.flatnonzero(bits(time, latitude, longitude) & Fix.NOT_VALID).tolist() == [5]


def test_gaps_are_far_longer_than_the_interval():
    time = np.concatenate((np.arange(0, 100, 0.2), np.arange(103, 200, 0.2)))
    assert gaps_between(time) == ((pytest.approx(99.8), 103.0),)
    assert gaps_between(np.arange(0, 600, 30.0)) == ()
    assert gaps_between(np.zeros(0)) == ()


def test_a_hundred_thousand_broken_steps_end_soon():
    rng = np.random.default_rng(0)
    time = np.arange(100_000.0)
    fix = bits(time, rng.uniform(-80, 80, 100_000), rng.uniform(-170, 170, 100_000))
    assert (fix & Fix.JUMP != 0).mean() > 0.9
