import numpy as np
import pytest

from overlay.mechanics.home import find_home
from overlay.tracks.track import Fix, Track


def off_by(home, latitude=47.3, longitude=-33.9):
    return np.hypot((home.latitude_deg - latitude) * 111195, (home.longitude_deg - longitude) * 111195 * 0.678)


def test_where_it_stood_before_take_off(there_and_back):
    home = find_home(there_and_back.track(noise_m=1.0))
    assert home.sure
    assert "before take-off" in home.found
    assert off_by(home) < 0.5
    assert home.height_m == pytest.approx(31.0)


def test_first_fixes_that_wander_do_not_move_home(there_and_back):
    track = there_and_back.track()
    latitude = np.array(track["latitude_deg"])
    latitude[:20] += np.linspace(3e-4, 0.0, 20)  # 33 m in 4 s: a cold start
    home = find_home(Track(track.time_s, {**track.columns, "latitude_deg": latitude}))
    assert off_by(home) < 1.0


def test_carried_to_the_launch(there_and_back):
    made = there_and_back
    walk = np.clip((20.0 - made.time_s) * 1.4, 0.0, None)  # stands from 20 s on
    track = type(made)(made.time_s, made.east_m - walk, made.north_m, made.up_m, made.phase_s).track(noise_m=0.3)
    assert off_by(find_home(track)) < 1.0


def test_log_that_begins_in_the_air_says_so(there_and_back):
    landed = find_home(there_and_back.track(start_s=200.0))
    assert not landed.sure
    assert "begins in the air" in landed.found
    end = np.hypot(there_and_back.east_m[-1], there_and_back.north_m[-1])
    assert off_by(landed) == pytest.approx(end, abs=1.0)
    lost = find_home(there_and_back.track(start_s=200.0, end_s=900.0))
    assert not lost.sure
    assert "begins and ends in the air" in lost.found
    assert np.isnan(lost.height_m)


def test_no_flight_and_no_positions(there_and_back):
    still = find_home(there_and_back.track(end_s=30.0, noise_m=2.0))
    assert not still.sure
    assert "no flight" in still.found
    assert find_home(Track(np.arange(5.0), {"voltage_V": np.full(5, 16.0)})) is None
    assert find_home(Track(np.zeros(0))) is None


def test_fixes_that_are_not_good_count_for_nothing(there_and_back):
    track = there_and_back.track()
    latitude = np.array(track["latitude_deg"])
    fix = np.zeros(len(latitude), np.uint8)
    latitude[:100], fix[:100] = 0.0, Fix.NOT_VALID
    home = find_home(Track(track.time_s, {**track.columns, "latitude_deg": latitude}, fix=fix))
    assert off_by(home) < 0.5


def test_one_fix():
    home = find_home(Track(np.array([5.0]), {"latitude_deg": np.array([1.0]), "longitude_deg": np.array([2.0])}))
    assert (home.latitude_deg, home.longitude_deg, home.sure) == (1.0, 2.0, False)
