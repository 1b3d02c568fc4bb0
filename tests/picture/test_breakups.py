"""Break-ups found in pictures drawn for the purpose, and what must not be taken for one."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from overlay.picture.breakups import Diagnosis, find_breakups, write_series
from overlay.picture.carrier import link_ratio
from overlay.picture.clean_part import baseline, missing_figures, woven
from overlay.picture.clicks import clicks_per_line
from overlay.picture.features import Features
from overlay.picture.states import STATES, likeliest, shares

Planes = tuple[NDArray[np.uint8], ...]

RATE = 25.0
UNTOLD = (
    "line_noise", "fine_noise", "colour_noise", "change_noise", "border_jitter_px", "clicks_per_line", "step_px", "torn",
    "roll_rows", "change", "changed", "stuck", "figures",
)  # fmt: skip
"""Features that a frame may leave open."""


def diagnosed(measure: Callable, frames: list) -> Diagnosis:  # type: ignore[type-arg]
    return find_breakups(measure(iter(frames)), frame_rate=RATE)


@pytest.fixture
def city(flight):  # type: ignore[no-untyped-def]
    """A flight over ground with edges of its own, which tell by moving that those of figures stand still."""
    blocks = np.kron(flight.rng.integers(0, 2, (90, 260)), np.ones((10, 10)))
    flight.ground = (flight.ground + 110 * (blocks - 0.5)).astype(np.float32)
    return flight


def darkened(flight, k: int, gain: float) -> Planes:  # type: ignore[no-untyped-def]
    """A frame whose camera closed its iris: the scene falls towards black, figures burned in later do not."""
    return flight.finish(16 + gain * (flight.clean(k) - 16), k)


def test_snow_is_found_to_the_frame(flight, measure: Callable) -> None:  # type: ignore[no-untyped-def,type-arg]
    frames = [flight.snowy(k, 14.0) if 60 <= k < 90 else flight.frame(k) for k in range(150)]
    (event,) = diagnosed(measure, frames).events
    assert (event.onset_frame, event.end_frame) == (60, 90)
    assert event.kind in ("noise", "sparkle")
    low, high = event.onset_interval_s
    assert low <= 60 / RATE <= high
    assert high - low < 0.2


def test_one_picture_in_full_and_in_studio_range_has_one_grade(flight, measure: Callable) -> None:  # type: ignore[no-untyped-def,type-arg]
    # Rec. ITU-R BT.601: luminance 16 to 235, colour differences 128 ± 112; full range: 0 to 255, 128 ± 127.5.
    studio = [flight.snowy(k, 6.0) if 60 <= k < 90 else flight.frame(k) for k in range(150)]
    full = [((y - 16.0) / 219, *((c - 128.0) / 224 + 128 / 255 for c in colour)) for y, *colour in studio]
    wide = [tuple(np.clip(np.rint(255 * plane), 0, 255).astype(np.uint8) for plane in planes) for planes in full]
    told = find_breakups(measure(iter(wide)), frame_rate=RATE, full_range=True)
    assert told.grade == pytest.approx(diagnosed(measure, studio).grade, abs=0.15)
    assert told.features.brightness == pytest.approx(measure(iter(studio)).brightness, abs=0.5)
    assert np.abs(find_breakups(measure(iter(wide)), frame_rate=RATE).grade - told.grade).max() > 0.2


def test_noise_in_luminance_alone_is_the_cameras(flight, measure: Callable) -> None:  # type: ignore[no-untyped-def,type-arg]
    # Noise of an FM link rises with frequency and colour lies at the top of the band, so it cannot spare colour.
    frames = []
    for k in range(120):
        luma, u, v = flight.frame(k)
        grain = flight.rng.normal(0, 9.0 if k >= 60 else 1.0, luma.shape)
        frames.append((np.clip(luma + grain, 16, 235).astype(np.uint8), u, v))
    said = diagnosed(measure, frames)
    assert said.events == ()
    assert said.grade.min() > 4.0


def test_a_frozen_picture_is_told_from_one_at_rest(flight, measure: Callable) -> None:  # type: ignore[no-untyped-def,type-arg]
    stopped = [flight.frame(min(k, 60) if k < 80 else k) for k in range(140)]
    held = flight.frame(60)
    stopped[60:80] = [held] * 20
    (event,) = diagnosed(measure, stopped).events
    assert event.kind == "frozen"
    assert abs(event.onset_frame - 61) <= 1
    at_rest = [held] * 60
    assert diagnosed(measure, at_rest).events == ()


def test_blue_screen_is_blank(flight, measure: Callable) -> None:  # type: ignore[no-untyped-def,type-arg]
    u, v = np.full((144, 180), 212, np.uint8), np.full((144, 180), 114, np.uint8)
    blue = (np.full((288, 360), 34, np.uint8), u, v)
    frames = [blue if 50 <= k < 75 else flight.frame(k) for k in range(120)]
    (event,) = diagnosed(measure, frames).events
    assert (event.onset_frame, event.end_frame, event.kind) == (50, 75, "blank")
    assert event.worst_grade == 1.0


def test_series_has_a_row_for_each_frame(flight, measure: Callable) -> None:  # type: ignore[no-untyped-def,type-arg]
    said = diagnosed(measure, [flight.frame(k) for k in range(30)])
    text = io.StringIO()
    write_series(said, text)
    rows = list(csv.DictReader(io.StringIO(text.getvalue())))
    assert len(rows) == 30
    assert {row["state"] for row in rows} == {"clean"}
    assert [int(row["frame"]) for row in rows] == list(range(30))


def synthetic(colour_noise: np.ndarray, fine: np.ndarray, clicks: np.ndarray) -> Features:
    """Features of an ordinary picture but for these three."""
    count = len(colour_noise)
    usual = {"brightness": 110.0, "spread": 90.0, "line_noise": 2.0, "coherence": 0.8, "colour": 12.0, "step_px": 0.2}
    columns = {name: np.full(count, usual.get(name, 0.0)) for name in Features.__dataclass_fields__}
    columns |= {"time_s": np.arange(count) / RATE, "changed": np.full(count, 0.5), "figures": np.full(count, np.nan)}
    return Features(**{**columns, "colour_noise": colour_noise, "fine_noise": fine, "clicks_per_line": clicks})


@pytest.mark.parametrize("ratio_dB", [5.5, 6.5, 7.0])
def test_clicks_set_the_scale_of_the_ratio_where_the_recorder_keeps_them(ratio_dB: float) -> None:
    # However strong the link's deviation made the noise, Rice's click rate is a matter of the ratio alone.
    noise = np.where(np.arange(200) < 100, 0.6, 20.0)
    clicks = np.where(np.arange(200) < 100, 0.0, clicks_per_line(ratio_dB))
    features = synthetic(noise, noise * 0.95, clicks)
    told, low, high = link_ratio(features, baseline(features), RATE)
    assert np.isnan(told[:100]).all()
    assert told[110:190] == pytest.approx(ratio_dB, abs=0.3)
    assert np.all((low[110:190] < ratio_dB) & (ratio_dB < high[110:190]))


@pytest.mark.parametrize(("noise", "low_dB"), [(0.6, 7.0), (5.0, 7.0), (60.0, np.nan)])
def test_of_a_ratio_out_of_range_only_a_high_one_is_bounded(noise: float, low_dB: float) -> None:
    there = np.arange(200) >= 100
    features = synthetic(np.where(there, noise, 0.6), np.where(there, noise, 0.6), np.zeros(200))
    link = link_ratio(features, baseline(features), RATE)
    assert np.isnan(link.ratio_dB).all()
    assert np.isnan(link.high_dB).all()
    assert np.array_equal(link.low_dB, np.where(there, low_dB, 7.0), equal_nan=True)


def test_texture_that_counts_as_clicks_does_not_set_the_scale() -> None:
    # Streaks of furrows vary with what is flown over: twice as many as in the clean part are no measure of the link.
    there = np.arange(200) >= 100
    noise = np.where(there, 10.0, 0.6)
    rough, smooth = (
        synthetic(noise, noise * 0.9, np.where(there, 2.5 * furrows, furrows))
        for furrows in (np.full(200, 1.5), np.zeros(200))
    )
    told = [link_ratio(features, baseline(features), RATE).ratio_dB[110:190] for features in (rough, smooth)]
    assert np.isfinite(told[1]).all()
    assert told[0] == pytest.approx(told[1], abs=0.01)


def test_of_a_frozen_picture_no_ratio_is_told() -> None:
    noise = np.where(np.arange(200) >= 100, 15.0, 0.6)
    features = synthetic(noise, noise * 0.9, np.zeros(200))
    stopped = (np.arange(200) >= 140) & (np.arange(200) < 160)
    said = find_breakups(replace(features, changed=np.where(stopped, 0.0, 0.5)), frame_rate=RATE)
    assert (said.state[stopped] == STATES.index("frozen")).all()
    assert np.isfinite(said.link.ratio_dB[105:135]).all()
    assert np.isnan(np.stack(said.link)[:, stopped]).all()


def test_the_worst_frame_shows_what_the_picture_was_lost_to() -> None:
    # Graded 1 from the first strong noise on; without sync, which is what the event is about, only later.
    noisy, lost = (np.arange(200) >= 100) & (np.arange(200) < 150), (np.arange(200) >= 120) & (np.arange(200) < 140)
    noise = np.where(noisy, 60.0, 0.6)
    features = synthetic(noise, noise * 0.9, np.zeros(200))
    columns = {"coherence": 0.1, "colour": 0.0, "line_noise": 30.0}
    features = replace(features, **{name: np.where(lost, v, getattr(features, name)) for name, v in columns.items()})
    (event,) = find_breakups(features, frame_rate=RATE).events
    assert (event.onset_frame, event.end_frame, event.worst_grade) == (100, 150, 1.0)
    assert 125 < event.worst_frame < 135


def test_an_event_tells_the_lowest_ratio_with_that_frames_interval() -> None:
    noise = np.interp(np.arange(200), [0, 80, 120, 160, 199], [0.6, 0.6, 18.0, 0.6, 0.6])
    said = find_breakups(synthetic(noise, noise * 0.9, np.zeros(200)), frame_rate=RATE)
    (event,) = said.events
    lowest = int(np.nanargmin(said.link.ratio_dB))
    assert event.carrier_to_noise_dB == said.link.ratio_dB[lowest] == np.nanmin(said.link.ratio_dB)
    assert event.carrier_to_noise_interval_dB == (said.link.low_dB[lowest], said.link.high_dB[lowest])
    low, high = event.as_json()["carrier_to_noise_interval_dB"]
    assert low < event.carrier_to_noise_dB < high


@pytest.mark.parametrize("gone", [0.2, 0.25])
def test_a_noisy_picture_whose_figures_left_their_place_is_worse_than_its_noise(gone: float) -> None:
    # Noise of 5.5 levels alone would be a grade of 3.4; an echo's ghosts and rows aside are no noise.
    there = (np.arange(200) >= 80) & (np.arange(200) < 140)
    noise = np.where(there, 5.2, 0.5)
    alone = synthetic(noise, noise, np.zeros(200))
    assert find_breakups(alone, frame_rate=RATE).events == ()
    displaced = replace(alone, figures=np.where(there, 0.95 * (1.0 - gone), 0.95))
    said = find_breakups(displaced, frame_rate=RATE)
    (event,) = said.events
    assert (event.onset_frame, event.end_frame) == (80, 140)
    assert said.grade[there].max() < 2.25
    quiet = replace(displaced, colour_noise=np.full(200, 0.5), fine_noise=np.full(200, 0.5))
    assert find_breakups(quiet, frame_rate=RATE).events == ()


@pytest.mark.parametrize(("near", "weave"), [(12.0, 1.0), (5.7, 0.0)])
def test_noise_between_neighbouring_rows_tells_woven_from_blended_fields(near: float, weave: float) -> None:
    # Noise independent from field to field, blended by 1/4, 1/2, 1/4, is 0.46 times as rough across rows as across lines.
    there = np.arange(200) >= 100
    noise = np.where(there, 10.0, 0.5)
    features = synthetic(noise, noise / 2, np.zeros(200))
    assert woven(features, baseline(features), 25.0) == 0.25  # no noise left in luminance: nothing told
    told = replace(features, line_noise=np.where(there, 12.0, 1.0), neighbour_noise=np.where(there, near, 0.6))
    assert woven(told, baseline(told), 25.0) == pytest.approx(weave, abs=0.1)


@pytest.mark.parametrize(("likeness", "lost"), [(0.2, True), (0.6, False)])
def test_snow_is_lost_sync_though_its_colour_is_killed_and_no_figures_are_known(likeness: float, lost: bool) -> None:
    # Where colour is killed there is no noise in it, and what an old picture left of it passes for colour.
    there = (np.arange(200) >= 100) & (np.arange(200) < 130)
    changed = {"colour_noise": 0.0, "fine_noise": 12.0, "line_noise": 24.0, "coherence": likeness, "colour": 4.9}
    features = synthetic(np.full(200, 0.7), np.full(200, 0.7), np.zeros(200))
    features = replace(features, **{name: np.where(there, v, getattr(features, name)) for name, v in changed.items()})
    told = [
        (event.onset_frame, event.end_frame, event.kind) for event in find_breakups(features, frame_rate=RATE).events
    ]
    assert told == ([(100, 130, "no sync")] if lost else [])


def test_without_noise_there_is_no_sparkle_however_busy_the_scene() -> None:
    quiet = np.full(200, 0.7)
    busy = np.where(np.arange(200) < 100, 0.3, 9.0)
    assert find_breakups(synthetic(quiet, quiet, busy), frame_rate=RATE).events == ()


@pytest.mark.parametrize("furrows", [3.0, 9.0])
def test_furrows_in_a_picture_with_little_noise_do_not_sparkle(furrows: float) -> None:
    # Noise of 6 levels goes with some 12 dB, where the carrier turns once in thousands of lines.
    there = np.arange(200) >= 100
    noise = np.where(there, 6.0, 0.7)
    plain, rough = (
        find_breakups(synthetic(noise, 0.4 * noise, np.where(there, streaks, 0.3)), frame_rate=RATE)
        for streaks in (0.3, furrows)
    )
    assert plain.events == rough.events == ()
    assert rough.grade[110:190].min() > plain.grade[110:190].min() - 0.1


@pytest.mark.parametrize(("figures", "lost"), [(0.95, False), (0.5, True), (np.nan, True)])
def test_stripes_in_noise_are_no_lost_sync_while_the_figures_stand(figures: float, lost: bool) -> None:
    there = (np.arange(200) >= 100) & (np.arange(200) < 140)
    features = replace(
        synthetic(np.where(there, 7.0, 0.7), np.full(200, 0.7), np.zeros(200)), figures=np.full(200, 0.95)
    )
    striped = {"torn": 0.7, "line_noise": 8.0, "coherence": 0.1, "figures": figures}
    features = replace(features, **{n: np.where(there, v, getattr(features, n)) for n, v in striped.items()})
    said = find_breakups(features, frame_rate=RATE)
    assert [STATES[state] == "no sync" for state in said.state] == (there & lost).tolist()


def test_a_dark_picture_shows_no_more_figures_than_the_one_before() -> None:
    # A receiver without sync often lets the picture go so dark that no burned-in edge tells.
    figures = np.full(200, 0.95)
    figures[100:110], figures[110:130], figures[160:180] = 0.2, np.nan, np.nan
    features = replace(synthetic(np.full(200, 0.7), np.full(200, 0.7), np.zeros(200)), figures=figures)
    missing = missing_figures(features, baseline(features))
    assert missing[100:130] == pytest.approx(0.79, abs=0.01)
    assert missing[130:].max() < 0.01
    unknown = replace(features, figures=np.full(200, np.nan))
    assert np.array_equal(missing_figures(unknown, baseline(unknown)), np.zeros(200))


def test_two_annoying_frames_shortly_before_are_part_of_a_break_up() -> None:
    # Grades of 2.3 for two frames are too little to change state for; by themselves they are no break-up.
    noise = np.full(200, 0.7)
    noise[80:82] = 9.0
    assert find_breakups(synthetic(noise, 0.4 * noise, np.zeros(200)), frame_rate=RATE).events == ()
    noise[100:140] = 30.0
    (event,) = find_breakups(synthetic(noise, 0.4 * noise, np.zeros(200)), frame_rate=RATE).events
    assert (event.onset_frame, event.end_frame) == (80, 140)
    noise[60:82] = 0.7
    noise[60:62] = 9.0  # more than a second before
    (event,) = find_breakups(synthetic(noise, 0.4 * noise, np.zeros(200)), frame_rate=RATE).events
    assert (event.onset_frame, event.end_frame) == (100, 140)


def bleached(figures: float) -> Features:
    """A quiet picture that loses colour and the likeness of its rows in frames 100 … 139, and shows so much of its figures."""
    quiet, there = np.full(200, 0.7), (np.arange(200) >= 100) & (np.arange(200) < 140)
    gone = {"brightness": 226.0, "coherence": 0.15, "colour": 2.5, "line_noise": 6.5, "figures": figures}
    features = replace(synthetic(quiet, quiet, np.zeros(200)), figures=np.full(200, 0.95))
    return replace(features, **{name: np.where(there, value, getattr(features, name)) for name, value in gone.items()})


@pytest.mark.parametrize("figures", [0.97, 0.9, 0.82])
def test_a_white_out_in_which_the_figures_stand_is_no_lost_sync(figures: float) -> None:
    assert find_breakups(bleached(figures), frame_rate=RATE).events == ()


@pytest.mark.parametrize("figures", [0.3, 0.65, np.nan])
def test_rows_and_colour_gone_are_lost_sync_where_figures_are_moved_or_unknown(figures: float) -> None:
    (event,) = find_breakups(bleached(figures), frame_rate=RATE).events
    assert (event.onset_frame, event.end_frame, event.kind) == (100, 140, "no sync")


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(0, 60))
def test_whatever_is_measured_grades_stay_on_the_scale(seed: int, count: int) -> None:
    rng = np.random.default_rng(seed)
    columns = {name: rng.exponential(20, count) for name in Features.__dataclass_fields__}
    for name in UNTOLD:
        columns[name][rng.random(count) < 0.2] = np.nan
    columns |= {"time_s": np.arange(count) / RATE, "brightness": rng.uniform(0, 255, count)}
    said = find_breakups(Features(**columns), frame_rate=RATE)
    assert len(said.grade) == len(said.state) == count
    assert np.all((said.grade >= 1) & (said.grade <= 5))
    for event in said.events:
        assert 0 <= event.onset_frame < event.end_frame <= count
        assert event.onset_interval_s[0] <= event.onset_s <= event.onset_interval_s[1]


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_states_follow_plain_evidence(seed: int) -> None:
    order = np.repeat(np.random.default_rng(seed).integers(0, len(STATES), 6), 12)
    given = np.zeros((len(order), len(STATES) - 1))
    broken = order < len(STATES) - 1
    given[np.flatnonzero(broken), order[broken]] = 1.0
    assert np.array_equal(likeliest(shares(given), RATE), order)


@pytest.mark.parametrize("gain", [0.45, 0.25, 0.2, 0.15])
def test_a_camera_that_closes_its_iris_has_lost_no_figures(city, measure: Callable, gain: float) -> None:  # type: ignore[no-untyped-def,type-arg]
    # Borders and rims of figures are black: their edges are as high as the scene beyond is bright.
    frames = [darkened(city, k, gain) if 120 <= k < 135 else city.frame(k) for k in range(240)]
    said = diagnosed(measure, frames)
    assert said.events == ()
    assert np.nanmin(said.features.figures[120:135]) > 0.8 * np.nanmedian(said.features.figures)


def test_figures_carried_off_with_the_scene_are_missed_in_the_dark_too(city, measure: Callable) -> None:  # type: ignore[no-untyped-def,type-arg]
    frames = [darkened(city, k, 0.35) if k >= 90 else city.frame(k) for k in range(150)]
    frames[110:120] = [tuple(np.roll(plane, 8, axis=1) for plane in frame) for frame in frames[110:120]]
    (event,) = diagnosed(measure, frames).events
    assert (event.onset_frame, event.end_frame, event.kind) == (110, 120, "blocks")
