"""Clocks that are wrong in known ways: a mislabelled frame rate, chapters that lose time, a known delay of the log."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from overlay.alignment import align
from overlay.flight_clocks import Logged, Watched, align_all, clock_of
from overlay.motion import MotionSeries
from overlay.motion.from_track import motion_from_track
from overlay.tracks import Track

RATE_HZ = 15.0
OFFSET_S = 12.5


def _wander(seconds: float, seed: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Body rates (N, 3) at 50 Hz of something that rolls and turns at random below 1 Hz."""
    time_s = np.arange(0.0, seconds, 0.02)
    noise = np.random.default_rng(seed).standard_normal((len(time_s), 3))
    rates = gaussian_filter1d(noise, 12, axis=0)
    return time_s, rates / rates.std(axis=0) * [0.5, 0.15, 0.3]


def _reference(seconds: float = 600.0, seed: int = 3) -> MotionSeries:
    time_s, rates = _wander(seconds, seed)
    means = rates[: len(rates) // 5 * 5].reshape(-1, 5, 3).mean(axis=1)
    return MotionSeries(time_s[2::5][: len(means)], means, interval_s=np.full(len(means), 0.1))


def _recording(shown: NDArray[np.float64], moment: NDArray[np.float64], seed: int = 3) -> MotionSeries:
    """Rates seen at `moment` (reference clock), stamped `shown` (recording clock)."""
    time_s, rates = _wander(600.0, seed)
    seen = np.column_stack([np.interp(moment, time_s, column) for column in rates.T])
    seen = seen + 0.02 * np.random.default_rng(9).standard_normal(seen.shape)
    return MotionSeries(shown, seen, interval_s=np.full(len(shown), 1 / RATE_HZ))


@pytest.mark.parametrize("true_rate", [30 / (30000 / 1001), 25 / 24, 24 / 25])
def test_a_mislabelled_frame_rate_is_told_as_drift(true_rate: float) -> None:
    shown = np.arange(0.0, 500.0, 1 / RATE_HZ)
    found = align(_recording(shown, OFFSET_S + true_rate * shown), _reference())
    assert found.verdict == "sure", found.reasons
    assert found.best is not None
    assert 1 + found.best.drift == pytest.approx(true_rate, abs=20e-6)
    middle = found.mid_recording_s
    assert found.best.to_reference(middle) == pytest.approx(OFFSET_S + true_rate * middle, abs=0.02)


def test_a_chapter_that_lost_time_is_flagged_with_its_jump() -> None:
    shown = np.arange(0.0, 400.0, 1 / RATE_HZ)
    moment = OFFSET_S + shown + np.where(shown >= 200.0, 1.3, 0.0)
    found = align(_recording(shown, moment), _reference(), chapters=[("a.mp4", 0.0), ("b.mp4", 200.0)])
    assert [clock.file for clock in found.chapters] == ["a.mp4", "b.mp4"]
    assert found.chapters[1].jump_s == pytest.approx(1.3, abs=0.03)
    assert found.chapters[0].offset_s == pytest.approx(OFFSET_S, abs=0.03)


def test_chapters_that_lost_nothing_do_not_jump() -> None:
    shown = np.arange(0.0, 400.0, 1 / RATE_HZ)
    chapters = [("a.mp4", 0.0), ("b.mp4", 130.0), ("c.mp4", 290.0)]
    found = align(_recording(shown, OFFSET_S + shown), _reference(), chapters=chapters)
    assert found.verdict == "sure", found.reasons
    assert [abs(clock.jump_s) < 0.02 for clock in found.chapters] == [True] * 3


def test_a_known_delay_of_the_log_is_taken_off() -> None:
    shown = np.arange(0.0, 400.0, 1 / RATE_HZ)
    recording, reference = _recording(shown, OFFSET_S + shown), _reference()
    plain, corrected = align(recording, reference), align(recording, reference, reference_lag_s=0.2)
    assert plain.best is not None
    assert corrected.best is not None
    assert plain.best.offset_s - corrected.best.offset_s == pytest.approx(0.2, abs=1e-9)
    assert corrected.half_interval_s == pytest.approx(plain.half_interval_s)


def test_motion_of_something_else_is_refused() -> None:
    shown = np.arange(0.0, 400.0, 1 / RATE_HZ)
    for seed in (11, 12, 13):
        assert align(_recording(shown, OFFSET_S + shown, seed), _reference()).verdict == "none"


def test_a_camera_upside_down_is_placed_and_told() -> None:
    shown = np.arange(0.0, 400.0, 1 / RATE_HZ)
    recording = _recording(shown, OFFSET_S + shown)
    turned = MotionSeries(shown, recording.rate_radps * [1.0, -1.0, -1.0], interval_s=recording.interval_s)
    upright, over = align(recording, _reference()), align(turned, _reference())
    assert abs(upright.evidence["mount_roll_deg"]) < 5.0
    assert abs(over.evidence["mount_roll_deg"]) > 175.0
    assert over.verdict == "sure", over.reasons
    assert over.best is not None
    assert over.best.offset_s == pytest.approx(OFFSET_S, abs=0.02)


@pytest.mark.parametrize("seconds", [75.0, 100.0, 150.0])
def test_a_short_common_part_in_which_all_agrees_is_enough(seconds: float) -> None:
    shown = np.arange(0.0, seconds, 1 / RATE_HZ)
    found = align(_recording(shown, OFFSET_S + shown), _reference())
    assert found.verdict == "sure", found.reasons


def test_a_delay_of_the_log_is_spoken_of_where_there_is_a_log() -> None:
    shown = np.arange(0.0, 200.0, 1 / RATE_HZ)
    recording, reference = _recording(shown, OFFSET_S + shown), _reference()
    assert align(recording, reference).evidence["offset_kind"].startswith("effective")
    assert align(recording, reference, reference_name="camera").evidence["offset_kind"] == "true"


def test_the_interval_widens_away_from_the_middle_by_what_is_not_known_of_the_drift() -> None:
    shown = np.arange(0.0, 400.0, 1 / RATE_HZ)
    found = align(_recording(shown, OFFSET_S + shown), _reference())
    assert found.half_interval_at(found.mid_recording_s) == pytest.approx(found.half_interval_s)
    far_s = found.mid_recording_s + 1e4
    assert found.half_interval_at(far_s) == pytest.approx(1.96 * 0.01 * found.drift_sigma_ppm, rel=0.1)


def test_a_picture_lost_between_the_cameras_chapters_is_no_wrong_rate_of_the_ground_recording() -> None:
    """In a short flight the lost time alone bends the clock by as much as 29.97 pictures told as 30 do."""
    shown = np.arange(0.0, 240.0, 1 / RATE_HZ)
    lost = np.where(shown >= 120.0, 0.2, 0.0)
    camera, ground = _recording(shown, OFFSET_S + shown + lost), _recording(shown, OFFSET_S + 4.0 + shown)
    assert align(ground, camera).evidence["clock_hypothesis"], "what is to be guarded against"
    watched = {
        "camera": Watched(camera, (("a.mp4", 0.0), ("b.mp4", 120.0))),
        "ground": Watched(ground, (("ground.mp4", 0.0),)),
    }
    (pair,), _ = align_all(watched, None, None, lambda *_: None)
    assert pair.verdict == "ambiguous"
    whole = {**watched, "camera": Watched(camera, (("a.mp4", 0.0),))}
    assert align_all(whole, None, None, lambda *_: None)[0][0].verdict == "sure"


def test_a_wrong_frame_rate_is_told_in_words() -> None:
    shown = np.arange(0.0, 200.0, 1 / RATE_HZ)
    camera, ground = _recording(shown, OFFSET_S + shown), _recording(shown, OFFSET_S + 4.0 + 25 / 24 * shown)
    watched = {"camera": Watched(camera, (("a.mp4", 0.0),)), "ground": Watched(ground, (("ground.mp4", 0.0),))}
    _, remarks = align_all(watched, None, None, lambda *_: None)
    assert any("ground recording's frame rate" in remark and "24 frames" in remark for remark in remarks)


def test_a_minute_and_a_half_does_not_tell_lost_time_from_a_wrong_rate() -> None:
    shown = np.arange(0.0, 90.0, 1 / RATE_HZ)
    lost = np.where(shown >= 45.0, 0.06, 0.0)
    found = align(_recording(shown, OFFSET_S + 4.0 + shown), _recording(shown, OFFSET_S + shown + lost))
    assert found.verdict == "ambiguous"
    assert not found.evidence["clock_hypothesis"]


def test_a_picture_lost_between_the_cameras_chapters_is_timed_by_the_other_recording(flights: Any) -> None:
    """Positions five times a second do not tell a thirtieth of a second; a second recording does."""
    flown = flights.fly(81, minutes=8.0)
    camera = flights.see(flown, 81, start=7.0, jumps=((200.0, 1 / 30),))
    ground = flights.see(flown, 82, start=11.0, mount=(0.0, -4.0, 0.0), noise=0.01)
    log = flights.log(flown, 81, lag=0.0)
    seen = {
        "camera": Watched(MotionSeries(camera.time, camera.rates, interval_s=camera.interval), camera.chapters),
        "ground": Watched(MotionSeries(ground.time, ground.rates, interval_s=ground.interval), (("live.mp4", 0.0),)),
    }
    logged = Logged(motion_from_track(Track(log.time, log.columns)), keeps_utc=True)
    alone, _ = align_all({"camera": seen["camera"]}, logged, None, lambda *_: None)
    assert not alone[0].steps, "what the track alone does not tell"
    pairs, _ = align_all(seen, logged, None, lambda *_: None)
    assert [pair.verdict for pair in pairs] == ["sure"] * 3
    ((at, lost),) = pairs[0].steps
    assert (at, lost) == (200.0, pytest.approx(1 / 30, abs=0.008))
    late, early = (pairs[0].clock.to_reference(moment) - flights.EPOCH - 7.0 - moment for moment in (300.0, 100.0))
    assert late - early == pytest.approx(1 / 30, abs=0.01)
    met = clock_of("ground", pairs).to_reference(250.0) - flights.EPOCH - 11.0 - 250.0
    assert abs(met) < pairs[0].half_interval_s


def test_what_the_other_recording_times_holds_where_the_log_tells_nothing(flights: Any) -> None:
    """The log is another flight's: the two recordings know each other's clock all the same, lost pictures and all."""
    flown = flights.fly(83, minutes=4.0)
    camera = flights.see(flown, 83, start=7.0, jumps=((120.0, 0.06),))
    ground = flights.see(flown, 84, start=11.0, mount=(0.0, -4.0, 0.0), noise=0.01)
    stranger = flights.log(flights.fly(85, minutes=4.0), 85, lag=0.0)
    seen = {
        "camera": Watched(MotionSeries(camera.time, camera.rates, interval_s=camera.interval), camera.chapters),
        "ground": Watched(MotionSeries(ground.time, ground.rates, interval_s=ground.interval), (("live.mp4", 0.0),)),
    }
    logged = Logged(motion_from_track(Track(stranger.time, stranger.columns)), keeps_utc=True)
    (camera_to_track, between, _), _ = align_all(seen, logged, None, lambda *_: None)
    assert camera_to_track.verdict != "sure"
    assert between.verdict == "sure", between.reasons
    for moment in (60.0, 200.0):
        assert between.clock.to_reference(moment) == pytest.approx(moment + 4.0, abs=0.01)


def test_with_a_rolling_shutter_the_clock_is_that_of_the_row_told(flights: Any) -> None:
    """28 ms from the first row to the last, stamped at the middle one: what is followed lies 5 ms later in it."""
    readout_s, errors = 0.028, []
    for seed in (85, 86):
        flown = flights.fly(seed, minutes=6.0)
        seen = flights.see(flown, seed, start=7.0, readout=readout_s)
        log = flights.log(flown, seed, rate=10.0, holds="attitude")
        motion = MotionSeries(seen.time, seen.rates, interval_s=seen.interval, row=seen.row)
        found = align(motion, motion_from_track(Track(log.time, log.columns)))
        assert found.verdict == "sure"
        row = found.evidence["clock_row"]
        assert row == pytest.approx(float(np.median(seen.row)), abs=0.01)
        moment = found.mid_recording_s
        errors.append(found.clock.to_reference(moment) - flights.EPOCH - 7.0 - moment)
        assert errors[-1] == pytest.approx(readout_s * (row - 0.5), abs=0.002)
    assert min(errors) > 0.003, "what is to be told of"
    assert (
        align(
            _recording(np.arange(0.0, 200.0, 1 / RATE_HZ), np.arange(0.0, 200.0, 1 / RATE_HZ)), _reference()
        ).evidence["clock_row"]
        is None
    )


def test_lost_time_that_was_taken_out_makes_the_clock_as_unsure_as_it_is_itself(flights: Any) -> None:
    """The two clocks of each pair run alike: what drift is told is error, and has to be of the size that is told of it."""
    units = []
    for seed in range(300, 306):
        flown = flights.fly(seed, minutes=3.0)
        camera = flights.see(flown, seed, start=7.0, jumps=((90.0, 0.05),))
        ground = flights.see(flown, seed + 500, start=11.0, mount=(0.0, -4.0, 0.0), noise=0.01)
        log = flights.log(flown, seed, lag=0.0, span=(60.0, 90.0))  # too short for a clock: it has no part in theirs
        seen = {
            "camera": Watched(MotionSeries(camera.time, camera.rates, interval_s=camera.interval), camera.chapters),
            "ground": Watched(
                MotionSeries(ground.time, ground.rates, interval_s=ground.interval), (("live.mp4", 0.0),)
            ),
        }
        logged = Logged(motion_from_track(Track(log.time, log.columns)), keeps_utc=True)
        between = align_all(seen, logged, None, lambda *_: None)[0][1]
        assert between.verdict == "sure", between.reasons
        units.append(1e6 * between.clock.drift / between.drift_sigma_ppm)
    # six squares of standard normal numbers add to less than 22.5 with probability 0.999 (chi-squared, any table)
    assert sum(unit**2 for unit in units) < 22.5, units
