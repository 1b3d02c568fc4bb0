"""Launch and landing, seen by both sides: what they confirm, contradict and, where nothing else speaks, hint at."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.alignment import align
from overlay.alignment.moments import Lag, Moment, contradiction, moment_lags, moments, placed
from overlay.clock import AffineClock
from overlay.motion.from_track import motion_from_track
from overlay.motion.series import MotionSeries
from overlay.tracks import Track

START_S = 7.3


def standing_and_moving(*spans: tuple[float, float], step_s: float = 0.1) -> MotionSeries:
    """Stillness 1 or 0 (NaN for unknown) for so many seconds each."""
    still = np.concatenate([np.full(round(length / step_s), kind) for kind, length in spans])
    return MotionSeries(np.arange(len(still)) * step_s, np.zeros((len(still), 3)), stillness=still)


def told(series: MotionSeries) -> list[tuple[str, float]]:
    return [(each.kind, round(each.time_s + 0.05, 1)) for each in moments(series)]


def test_a_launch_and_a_landing_are_found_where_they_are():
    assert told(standing_and_moving((1, 12), (0, 200), (1, 20))) == [("launch", 12.0), ("landing", 212.0)]


@pytest.mark.parametrize(
    "spans",
    [
        ((0, 200),),
        ((0, 5), (1, 2.5), (0, 200)),  # set down too briefly
        ((1, 12), (0, 15), (1, 12)),  # carried a few steps
        ((1, 12), (np.nan, 5), (0, 200)),  # nobody saw it leave
    ],
)
def test_what_is_no_launch(spans: Any) -> None:
    assert told(standing_and_moving(*spans)) == []


def test_a_calm_moment_and_a_shaken_stand_are_neither_landing_nor_launch():
    calm = standing_and_moving((1, 5), (0, 0.3), (1, 5), (0, 100), (1, 1.5), (0, 100), (1, 9))
    assert told(calm) == [("launch", 10.3), ("landing", 211.8)]  # the first sample of the other kind


def test_a_series_without_stillness_has_no_moments():
    assert moments(MotionSeries(np.arange(9.0), np.zeros((9, 3)))) == ()


@given(st.lists(st.tuples(st.sampled_from((0.0, 1.0, np.nan)), st.floats(0.1, 60)), max_size=12))
def test_launches_and_landings_take_turns_in_order_of_time(spans: list[tuple[float, float]]) -> None:
    found = moments(standing_and_moving(*spans)) if spans else ()
    times = [each.time_s for each in found]
    assert times == sorted(times)
    known = [kind for kind, _ in spans if np.isfinite(kind)]
    if len(known) == len(spans):  # watched throughout
        assert all(a.kind != b.kind for a, b in pairwise(found))


def flown_once(launch: float, landing: float) -> tuple[Moment, Moment]:
    return Moment("launch", launch, 0.5), Moment("landing", landing, 0.5)


def test_the_nearest_of_its_kind_is_met_and_a_far_one_is_another_flights():
    reference = (*flown_once(100, 400), *flown_once(1000, 1300))
    lags = moment_lags(flown_once(10, 310), reference, AffineClock(991.0))
    assert [(lag.kind, lag.lag_s) for lag in lags] == [("launch", -1.0), ("landing", -1.0)]
    assert moment_lags(flown_once(10, 310), flown_once(100, 400), AffineClock(0.0)) == ()


def test_only_both_together_contradict():
    off, home = [Lag(kind, 9.0, 0.7) for kind in ("launch", "landing")], Lag("landing", 0.1, 0.7)
    assert contradiction(off) == 9.0
    assert contradiction([off[0], home]) is None  # picked up nine seconds before it was thrown
    assert contradiction(off[:1]) is None
    assert contradiction([Lag("launch", 0.4, 0.7), home]) is None


def test_flights_of_several_lengths_place_a_recording_and_two_of_one_length_do_not():
    ours = flown_once(10, 310)
    assert placed(ours, (*flown_once(100, 500), *flown_once(1000, 1301))) == (pytest.approx(990.5), pytest.approx(0.5))
    assert placed(ours, (*flown_once(100, 400), *flown_once(1000, 1300))) is None
    assert placed(ours[:1], flown_once(100, 400)) is None


def flight(flights: Any, seed: int, **choices: Any) -> tuple[MotionSeries, MotionSeries]:
    flown = flights.fly(seed, minutes=5.0, rest=10.0, **choices)
    seen, log = flights.see(flown, seed, start=START_S), flights.log(flown, seed, lag=0.0)
    recording = MotionSeries(seen.time, seen.rates, stillness=seen.stillness, interval_s=seen.interval)
    return recording, motion_from_track(Track(log.time, log.columns))


def test_a_sure_clock_says_how_far_launch_and_landing_are_off(flights: Any) -> None:
    found = align(*flight(flights, 52))
    assert found.verdict == "sure"
    assert set(found.evidence["moments_s"]) == {"launch", "landing"}
    for lag_s, sigma_s in found.evidence["moments_s"].values():
        assert abs(lag_s) < 1.96 * sigma_s


def test_launch_and_landing_that_ask_for_another_clock_forbid_to_be_sure(flights: Any) -> None:
    recording, reference = flight(flights, 52)
    late = np.interp(reference.time_s - 6.0, reference.time_s, reference.stillness)
    found = align(recording, replace(reference, stillness=late))
    assert found.verdict == "ambiguous"
    assert any(re.match(r"launch and landing both lie [56]\.\d s later", reason) for reason in found.reasons)


def test_a_flight_too_straight_to_place_is_refused_with_a_hint(flights: Any) -> None:
    recording, reference = flight(flights, 53, style="straight", gust=0.02)
    found = align(recording, reference, keeps_utc=True)
    assert found.verdict != "sure"
    place = placed(moments(recording), moments(reference))
    assert place is not None
    assert place[0] == pytest.approx(flights.EPOCH + START_S, abs=1.0)
    assert any("launch and landing alone" in reason for reason in found.reasons)


@given(
    st.lists(st.tuples(st.sampled_from((0.0, 1.0)), st.floats(0.2, 60)), min_size=1, max_size=12),
    st.lists(st.tuples(st.floats(0, 1), st.floats(8, 40)), min_size=1, max_size=5),
)
def test_a_recording_watched_in_parts_has_no_launch_that_the_whole_has_not(
    spans: list[tuple[float, float]], parts: list[tuple[float, float]]
) -> None:
    whole = standing_and_moving(*spans)
    starts = [(share * whole.time_s[-1], share * whole.time_s[-1] + length) for share, length in parts]
    seen = np.any([(whole.time_s >= start) & (whole.time_s <= end) for start, end in starts], axis=0)
    watched = MotionSeries(whole.time_s[seen], whole.rate_radps[seen], stillness=whole.stillness[seen])
    known = {(each.kind, round(each.time_s, 2)) for each in moments(whole)}
    assert {(each.kind, round(each.time_s, 2)) for each in moments(watched)} <= known
