import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from overlay.mechanics.flight import readings_of
from overlay.mechanics.legs import turning_points
from overlay.readings import LEGS
from overlay.tracks.track import Track


def legs_of(track):
    return readings_of(track, rate_Hz=1.0).legs


def starts(legs, track, first_s=0.0):
    return [(leg.name, leg.start_s - 1.7e9 - first_s) for leg in legs]


ORDER = ["on the ground", "take-off", "out", "loiter", "home", "landing", "on the ground"]


@pytest.mark.parametrize(("rate_Hz", "noise_m"), [(10.0, 0.0), (5.0, 1.0), (1.0, 1.5), (0.25, 2.0)])
@pytest.mark.parametrize("height", [True, False])
def test_a_flight_out_and_back(there_and_back, rate_Hz, noise_m, height):
    made = there_and_back
    legs = legs_of(made.track(rate_Hz=rate_Hz, noise_m=noise_m, height=height))
    assert [leg.name for leg in legs] == ORDER
    begins = {leg.name: leg.start_s - 1.7e9 for leg in legs[1:]}
    slack = 4.0 + 2.0 / rate_Hz
    assert begins["take-off"] == pytest.approx(made.phase_s["take-off"], abs=slack)
    assert begins["on the ground"] == pytest.approx(made.phase_s["rest"], abs=slack)
    assert begins["loiter"] == pytest.approx(made.phase_s["loiter"], abs=25.0)
    assert begins["home"] == pytest.approx(made.phase_s["home"], abs=25.0)
    for before, after in itertools.pairwise(legs):
        assert before.end_s == after.start_s


def test_begins_and_ends_in_the_air(there_and_back):
    names = [leg.name for leg in legs_of(there_and_back.track(start_s=200.0))]
    assert names == ["out", "loiter", "home", "landing", "on the ground"]
    track = there_and_back.track(end_s=400.0)
    assert [leg.name for leg in legs_of(track)] == ["on the ground", "take-off", "out"]


def test_never_leaves_the_ground(there_and_back):
    assert [leg.name for leg in legs_of(there_and_back.track(end_s=38.0, noise_m=2.0))] == ["on the ground"]
    walked = there_and_back.track(end_s=38.0)
    latitude = walked["latitude_deg"] + 1.4 / 111195 * (walked.time_s - walked.time_s[0])
    stroll = Track(walked.time_s, {**walked.columns, "latitude_deg": latitude})
    assert [leg.name for leg in legs_of(stroll)] == ["on the ground"]


def test_hover_is_not_a_landing(there_and_back):
    made = there_and_back
    hold = (made.time_s > 300.0) & (made.time_s < 360.0)
    velocity = np.where(hold[:-1], 0.0, np.diff(made.east_m)), np.where(hold[:-1], 0.0, np.diff(made.north_m))
    east, north = (np.concatenate([[0.0], np.cumsum(v)]) for v in velocity)
    # As far short on the way out as it lacks on the way home: the end is not home, which does not matter here.
    legs = legs_of(type(made)(made.time_s, east, north, made.up_m, made.phase_s).track())
    assert [leg.name for leg in legs].count("take-off") == 1


def test_two_flights_in_one_log(there_and_back):
    made = there_and_back
    count = len(made.time_s)
    twice = [np.concatenate([v, v]) for v in (made.east_m, made.north_m, made.up_m)]
    names = [leg.name for leg in legs_of(type(made)(np.arange(2 * count) * 0.1, *twice, made.phase_s).track())]
    assert names == ORDER + ORDER[1:]


def test_a_detour_is_not_a_turn_back(there_and_back):
    made = there_and_back
    bump = -150.0 * np.exp(-(((made.time_s - 400.0) / 20.0) ** 2))  # 200 m nearer for a while, of 9 km
    track = type(made)(made.time_s, made.east_m + bump, made.north_m + bump, made.up_m, made.phase_s).track()
    assert [leg.name for leg in legs_of(track)] == ORDER


def test_a_plain_turn_is_not_a_loiter(straight_back):
    assert "loiter" not in [leg.name for leg in legs_of(straight_back.track(noise_m=1.0))]


@given(st.lists(st.floats(0.0, 1e4), min_size=1, max_size=60), st.floats(1.0, 1e3))
def test_turning_points_rise_and_fall_by_turns(ranges, least):
    ranges = np.array(ranges)
    points = turning_points(ranges, least)
    assert points[0] == 0
    assert points[-1] == len(ranges) - 1
    steps = np.diff(ranges[points])
    inner = steps[1:-1] if len(steps) > 2 else steps[:0]
    assert np.all(np.abs(inner) >= least * (1 - 1e-12))
    assert np.all(np.sign(inner[1:]) == -np.sign(inner[:-1]))


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.2, 20.0), st.integers(3, 400))
def test_any_walk_gives_legs_without_holes(seed, speed, count):
    rng = np.random.default_rng(seed)
    time = np.cumsum(rng.uniform(0.05, 3.0, count))
    place = np.cumsum(rng.normal(size=(2, count)) * speed * 1e-5, axis=1)
    track = Track(time, {"latitude_deg": 10.0 + place[0], "longitude_deg": 20.0 + place[1]})
    legs = legs_of(track)
    assert all(leg.name in LEGS and leg.end_s > leg.start_s for leg in legs)
    assert all(a.end_s == b.start_s for a, b in itertools.pairwise(legs))
