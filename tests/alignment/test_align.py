"""Generated flights with known truth: the error, the interval and, above all, the verdict."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from overlay.alignment import Alignment, align, pin
from overlay.errors import NoAnswerError
from overlay.motion import MotionSeries
from overlay.motion.from_track import motion_from_track
from overlay.tracks import Track

START_S, DRIFT = 7.3, 12e-6


@dataclass(frozen=True)
class Case:
    """Both motions of one flight, and the truth about the recording's clock."""

    seen: MotionSeries
    told: MotionSeries
    offset_s: float
    drift: float

    def error_s(self, found: Alignment) -> float:
        """How far the found clock is off in the middle of what both cover."""
        moment = found.mid_recording_s
        return found.clock.to_reference(moment) - self.truth(moment)

    def truth(self, moment: float) -> float:
        return self.offset_s + (1 + self.drift) * moment


def made(flights: Any, seed: int, *, flight: Any = None, camera: Any = None, log: Any = None) -> Case:
    flown = flights.fly(seed, **({"minutes": 10.0} | (flight or {})))
    chosen = {"start": START_S, "drift": DRIFT} | (camera or {})
    seen = flights.see(flown, seed, **chosen)
    logged = flights.log(flown, seed, **({"lag": 0.0} | (log or {})))
    return Case(
        MotionSeries(seen.time, seen.rates, interval_s=seen.interval),
        motion_from_track(Track(logged.time, logged.columns)),
        flights.EPOCH + chosen["start"],
        chosen["drift"],
    )


# For positions a tenth of a second; for attitude the eight milliseconds asked of it.
@pytest.mark.parametrize(
    ("choices", "allowed_s"),
    [
        ({}, 0.1),
        ({"log": {"holds": "attitude", "rate": 10.0}}, 0.008),
        ({"log": {"holds": "attitude", "rate": 25.0}}, 0.008),
        ({"log": {"rate": 10.0}}, 0.1),
        ({"log": {"rate": 1.0}}, 0.15),
        ({"camera": {"pan": 0.4}}, 0.1),
        ({"camera": {"mount": (180.0, 8.0, 0.0)}}, 0.1),
        ({"camera": {"mount": (90.0, 0.0, 5.0), "scale": 1.3}}, 0.1),
        ({"camera": {"start": 200.0, "end": 500.0}}, 0.1),
        ({"log": {"span": (250.0, 600.0)}}, 0.1),
        ({"camera": {"blind": ((100.0, 180.0), (300.0, 320.0))}, "log": {"gaps": ((240.0, 290.0),)}}, 0.1),
        ({"camera": {"fps": 25.0, "variable": True}, "flight": {"handling": 200.0, "minutes": 6.0}}, 0.1),
        ({"camera": {"drift": 300e-6}, "log": {"holds": "attitude", "rate": 10.0}}, 0.008),
    ],
    ids=str,
)
def test_right_within_the_interval_and_sure(flights: Any, choices: dict[str, Any], allowed_s: float) -> None:
    case = made(flights, 21, **choices)
    found = align(case.seen, case.told)
    assert found.verdict == "sure", found.reasons
    assert abs(case.error_s(found)) < allowed_s
    # 99.99 % of a normal law lies within 3.9 σ; the interval must not be fiction.
    assert abs(case.error_s(found)) < 3.9 * found.sigma_s
    assert found.interval95_s is not None
    low, high = found.interval95_s
    assert low < found.clock.offset_s < high < low + 4 * allowed_s


def test_gusts_that_turn_the_nose_and_push_the_path_do_not_draw_the_clock(flights: Any) -> None:
    """Paths exactly as late as assumed: the mean is then the estimator's own, 9 ms as long as gusts passed for a tilt."""
    delayed_s = 0.039  # delays by 0.030 s in the generator's steps
    errors = []
    for seed in range(7, 13):
        case = made(flights, seed, flight={"minutes": 12.0, "lift_late": delayed_s}, log={"rate": 5.0})
        found = align(case.seen, case.told)
        errors.append(case.error_s(found))
        assert found.evidence["pushed"] < 0  # against the nose, as gusts push
    assert abs(np.mean(errors)) < 0.006


@pytest.mark.parametrize("seed", range(40, 46))
def test_another_flights_log_is_never_sure(flights: Any, seed: int) -> None:
    holds = "attitude" if seed % 3 == 0 else "places"
    ours, theirs = made(flights, seed), made(flights, seed + 100, log={"rate": [1.0, 5.0][seed % 2], "holds": holds})
    found = align(ours.seen, theirs.told)
    assert found.verdict != "sure"
    assert found.as_json()["offset_s"] is None
    with pytest.raises(NoAnswerError) as refusal:
        _ = found.clock
    assert refusal.value.candidates == found.candidates


@pytest.mark.parametrize("style", ["circle", "straight"])
@pytest.mark.parametrize("seed", [3, 4])
def test_flight_that_carries_nothing_is_not_guessed(flights: Any, style: str, seed: int) -> None:
    calm = {"minutes": 6.0, "style": style, "gust": 0.02, "handling": 0.0, "landed": 0.0}
    case = made(flights, seed, flight=calm, camera={"start": 20.0, "end": 300.0}, log={"span": (60.0, 350.0)})
    found = align(case.seen, case.told)
    assert found.verdict != "sure" or abs(case.error_s(found)) < 0.25


def test_a_steady_circle_is_no_wrong_frame_rate(flights: Any) -> None:
    """Nothing in it tells the drift, so no hypothesis about it can be the one that fits."""
    calm = {"minutes": 6.0, "style": "circle", "gust": 0.02, "handling": 0.0, "landed": 0.0}
    part = {"start": 20.0, "end": 300.0, "drift": 0.0}
    case = made(flights, 94063, flight=calm, camera=part, log={"span": (60.0, 350.0), "lag": None})
    assert not align(case.seen, case.told).evidence["clock_hypothesis"]


def test_a_short_flight_tells_a_rate_that_is_wrong_by_a_twenty_fifth(flights: Any) -> None:
    """It tells the drift far worse than quartz keeps it, but well enough for that."""
    case = made(flights, 33, flight={"minutes": 3.5}, camera={"drift": 24 / 25 - 1}, log={"rate": 5.0})
    found = align(case.seen, case.told)
    assert found.evidence["clock_hypothesis"] == "25 frames a second labelled as 24"
    assert abs(case.error_s(found)) < 0.1


def test_drift_is_found_and_withheld_when_it_cannot_be(flights: Any) -> None:
    attitude = {"holds": "attitude", "rate": 10.0}
    long = made(flights, 31, flight={"minutes": 20.0}, camera={"drift": 150e-6}, log=attitude)
    found = align(long.seen, long.told)
    assert found.drift_ppm == pytest.approx(150, abs=5)
    assert found.as_json()["evidence"]["drift_sigma_ppm"] == found.drift_sigma_ppm < 5
    short = made(flights, 31, flight={"minutes": 3.0}, camera={"drift": 150e-6})
    unknown = align(short.seen, short.told)
    assert unknown.drift_ppm is None
    assert "drift_sigma_ppm" not in unknown.as_json()["evidence"]


def test_result_as_json_has_the_promised_members(flights: Any) -> None:
    case = made(flights, 21)
    told = json.loads(json.dumps(align(case.seen, case.told, keeps_utc=True).as_json(), allow_nan=False))
    assert set(told) == {
        "recording", "reference", "verdict", "offset_s", "start_utc", "drift_ppm", "sigma_s", "interval95_s",
        "overlap_s", "rival", "candidates", "chapters", "evidence",
    }  # fmt: skip
    assert told["start_utc"].endswith("Z")
    assert told["interval95_s"][0] < told["offset_s"] < told["interval95_s"][1]
    assert 0 < told["rival"]["ratio"] < 1
    assert told["candidates"][0]["offset_s"] == told["offset_s"]
    assert align(case.seen, case.told).as_json()["start_utc"] is None


@pytest.mark.parametrize(
    ("log", "assumed"),
    [
        ({"holds": "attitude", "rate": 10.0}, {"frame_stamps"}),
        ({"holds": "places", "rate": 5.0}, {"frame_stamps", "path_follows_bank"}),
    ],
)
def test_what_is_assumed_of_an_interval_is_told_apart_from_what_is_measured(
    flights: Any, log: dict[str, Any], assumed: set[str]
) -> None:
    case = made(flights, 34, flight={"minutes": 5.0}, log=log)
    found = align(case.seen, case.told)
    parts = found.as_json()["evidence"]["interval_parts_s"]
    assert set(parts) == {"measured"} | assumed
    assert np.linalg.norm(list(parts.values())) == pytest.approx(found.half_interval_s, abs=1e-4)
    assert abs(case.error_s(found)) < np.linalg.norm([parts["measured"], parts.get("path_follows_bank", 0.0)])
    assert f"± {1000 * parts['measured']:.0f} ms by what was measured" in found.interval_in_words
    by_hand = pin(found, 10.0, 1000.0)
    assert by_hand.interval_in_words == ""
    assert "interval_parts_s" not in by_hand.as_json()["evidence"]


def test_more_rows_of_places_a_second_are_no_worse(flights: Any) -> None:
    """Their noise comes out in the roll, many times what is rolled; it was, by a half interval three times as wide."""
    halves = []
    for rate in (5.0, 20.0):
        case = made(flights, 21000, flight={"minutes": 6.0}, log={"holds": "places", "rate": rate})
        halves.append(align(case.seen, case.told).interval_parts_s["measured"])
    assert halves[1] < 1.4 * halves[0]


def test_pin_says_how_far_it_lies_and_is_then_used(flights: Any) -> None:
    case = made(flights, 21)
    found = align(case.seen, case.told)
    middle = found.mid_recording_s
    pinned = pin(found, middle, case.truth(middle) + 2.0)
    assert pinned.pin is not None
    assert pinned.pin.from_computed_s == pytest.approx(2.0 - case.error_s(found), abs=1e-6)
    assert pinned.clock.to_reference(middle) == pytest.approx(case.truth(middle) + 2.0, abs=1e-6)
    assert pinned.verdict == "sure"
    lost = align(made(flights, 40).seen, made(flights, 140).told)
    by_hand = pin(lost, 5.0, 1000.0)
    assert by_hand.clock.to_reference(5.0) == pytest.approx(1000.0)
    assert by_hand.clock.drift == 0
    assert by_hand.as_json()["evidence"]["pin"]["from_computed_s"] is None


@pytest.mark.parametrize("count", [0, 1, 2, 50])
def test_next_to_nothing_gives_none_not_a_crash(flights: Any, count: int) -> None:
    case = made(flights, 21, flight={"minutes": 4.0})
    few = MotionSeries(np.arange(count) / 30, np.zeros((count, 3)))
    assert align(few, case.told).verdict == "none"
    assert align(case.seen, few).verdict == "none"


@pytest.mark.parametrize("value", [np.nan, 0.0])
def test_all_unknown_or_all_still_gives_none(flights: Any, value: float) -> None:
    case = made(flights, 21, flight={"minutes": 4.0})
    blank = MotionSeries(case.seen.time_s, np.full((len(case.seen.time_s), 3), value))
    assert align(blank, case.told).verdict == "none"


def test_a_recording_against_itself_is_exact(flights: Any) -> None:
    seen = made(flights, 22, flight={"minutes": 4.0}).seen
    later = MotionSeries(seen.time_s + 1000.25, seen.rate_radps, interval_s=seen.interval_s)
    found = align(seen, later)
    assert found.verdict == "sure"
    assert found.clock.offset_s == pytest.approx(1000.25, abs=1e-3)


@pytest.mark.parametrize("share", [0.15, 0.4, 0.85])
def test_where_a_clock_falls_between_two_frames_does_not_matter(flights: Any, share: float) -> None:
    flown, fps, start = flights.fly(70001, minutes=6.0), 15.0, 11.3
    pictures = [
        flights.see(flown, 70001 + k, start=at, fps=fps, noise=0.01)
        for k, at in enumerate((start + share / fps, START_S))
    ]
    ground, camera = (MotionSeries(seen.time, seen.rates, interval_s=seen.interval) for seen in pictures)
    found = align(ground, camera, reference_name="camera")
    moment = found.mid_recording_s
    assert found.clock.to_reference(moment) - moment == pytest.approx(start + share / fps - START_S, abs=1.2e-3)


@pytest.mark.parametrize(
    "lost",
    [
        ((240.0, 0.5), (480.0, 0.0)),
        ((300.0, 2.0),),
        ((250.0, 1 / 30), (500.0, -0.3)),
        ((200.0, 1 / 30), (400.0, 1 / 30)),
    ],
    ids=str,
)
def test_time_lost_between_chapters_is_found_to_the_picture(
    flights: Any, lost: tuple[tuple[float, float], ...]
) -> None:
    flown = flights.fly(72, minutes=11.0)
    seen = flights.see(flown, 72, start=START_S, drift=DRIFT, jumps=lost)
    log = flights.log(flown, 72, holds="attitude", rate=10.0, lag=0.0)
    recording = MotionSeries(seen.time, seen.rates, interval_s=seen.interval)
    found = align(recording, motion_from_track(Track(log.time, log.columns)), chapters=seen.chapters)
    assert found.verdict == "sure", found.reasons
    edges = [0.0, *(at for at, _ in lost), float(seen.time[-1])]
    for gone, begin, end in zip(np.cumsum(seen.jumps), edges, edges[1:], strict=False):
        for moment in (begin + 0.1, end - 0.1):
            truth = flights.EPOCH + START_S + (1 + DRIFT) * moment + gone
            error = found.clock.to_reference(moment) - truth
            assert abs(error) < min(0.008, found.half_interval_at(moment))


def test_drift_is_known_less_well_for_time_lost_between_chapters(flights: Any) -> None:
    flown, found = flights.fly(72, minutes=11.0), []
    log = flights.log(flown, 72, holds="attitude", rate=10.0, lag=0.0)
    for lost in ((), ((240.0, 0.5), (480.0, 0.0))):
        seen = flights.see(flown, 72, start=START_S, drift=DRIFT, jumps=lost)
        recording = MotionSeries(seen.time, seen.rates, interval_s=seen.interval)
        told = motion_from_track(Track(log.time, log.columns))
        found.append(align(recording, told, chapters=seen.chapters if lost else ()))
    whole, parted = found
    assert parted.drift_sigma_ppm > 1.5 * whole.drift_sigma_ppm
    assert abs(1e6 * (parted.clock.drift - DRIFT)) < 3 * parted.drift_sigma_ppm
