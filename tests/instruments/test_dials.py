"""Filtering for display: no delay, no bridge across gaps, no jump across north, few changes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay import layouts
from overlay.instruments.dials import FIGURE_HZ, Dials, smoothed, with_play
from overlay.instruments.quantities import UNITS, Unit
from overlay.readings import Readings

TIMES = np.arange(0.0, 60.0, 0.2)


def dials(name: str, values: np.ndarray, times: np.ndarray = TIMES) -> Dials:
    return Dials(Readings(times, {name: values}))


def test_a_ramp_is_not_delayed() -> None:
    needle = dials("height_m", 2.0 * TIMES).needle("height_m")
    for t in (10.0, 20.05, 33.3):
        assert needle(t) == pytest.approx(2.0 * t, abs=1e-6)


def test_a_bump_stays_where_it_was_and_keeps_its_shape() -> None:
    bump = np.exp(-(((TIMES - 30.0) / 3.0) ** 2))
    needle = dials("bank_deg", bump).needle("bank_deg")
    seen = np.array([needle(t) for t in TIMES])
    assert TIMES[np.nanargmax(seen)] == pytest.approx(30.0, abs=0.11)
    assert np.nanmax(seen) > 0.97


def test_a_gap_stays_a_gap_and_its_edges_are_not_bent() -> None:
    values = np.where((TIMES > 20) & (TIMES < 30), np.nan, 100.0)
    needle = dials("height_m", values).needle("height_m")
    figure = dials("height_m", values).figure("height_m", UNITS["metric"].height)
    assert math.isnan(needle(25.0))
    assert math.isnan(figure(25.0))
    assert needle(19.9) == pytest.approx(100.0)
    assert needle(30.3) == pytest.approx(100.0)


def test_before_and_after_the_log_there_is_no_data() -> None:
    needle = dials("height_m", TIMES).needle("height_m")
    figure = dials("height_m", TIMES).figure("height_m", UNITS["metric"].height)
    assert all(math.isnan(reading(t)) for reading in (needle, figure) for t in (-1.0, 61.0))


def test_a_slow_log_is_its_own_rate_and_not_a_gap() -> None:
    slow = np.arange(0.0, 120.0, 4.0)  # common for soaring loggers (common practice, no source)
    needle = dials("height_m", slow, slow).needle("height_m")
    assert needle(50.0) == pytest.approx(50.0, abs=0.5)


@given(st.floats(-20, 20), st.floats(0, 360))
def test_a_course_turning_through_north_takes_the_short_way(rate: float, start: float) -> None:
    course = (start + rate * TIMES) % 360
    needle = dials("course_deg", course).needle("course_deg", period=360.0)
    for t in (5.0, 17.23, 40.08):
        error = (needle(t) - (start + rate * t) + 180) % 360 - 180
        assert abs(error) < 1.0


def test_figures_change_no_faster_than_an_eye_can_read() -> None:
    rng = np.random.default_rng(2)
    noisy = 50 + np.cumsum(rng.normal(0, 2, len(TIMES)))
    figure = dials("ground_speed_mps", noisy).figure("ground_speed_mps", UNITS["metric"].speed)
    seen = np.array([figure(t) for t in np.arange(1, 59, 1 / 60)])
    assert np.count_nonzero(np.diff(seen)) / 58 <= FIGURE_HZ


@given(st.lists(st.floats(-100, 100) | st.just(math.nan), min_size=1, max_size=60), st.sampled_from([1, 3, 7, 9]))
def test_smoothing_stays_within_its_values_and_keeps_no_data(values: list[float], taps: int) -> None:
    raw = np.array(values, np.float64)
    result = smoothed(raw, taps)
    assert np.array_equal(np.isnan(raw), np.isnan(result))
    if np.isfinite(raw).any():
        assert np.nanmin(result) >= np.nanmin(raw) - 1e-9
        assert np.nanmax(result) <= np.nanmax(raw) + 1e-9


def test_a_flight_without_rows_has_no_data() -> None:
    empty = Dials(Readings(np.empty(0)))
    assert math.isnan(empty.needle("height_m")(0.0))
    assert math.isnan(empty.figure("height_m", Unit("m"))(0.0))


def test_a_log_of_months_does_not_take_the_memory() -> None:
    sparse = np.array([0.0, 1.0, 2.0, 200 * 86400.0])
    needle = dials("height_m", np.ones(4), sparse).needle("height_m")
    assert len(needle.values) <= 1_000_001


def noisy(seed: int, noise: float) -> np.ndarray:
    """A steady climb and a wander of the noise that satellite speeds have."""
    return 20.0 + 0.05 * TIMES + np.random.default_rng(seed).normal(0, noise, len(TIMES))


@given(st.integers(0, 1000))
def test_noise_does_not_make_a_needle_tremble(seed: int) -> None:
    """From one frame to the next the needle moves a fraction of what the readings jump."""
    values = noisy(seed, 0.3)
    needle = dials("ground_speed_mps", values).needle("ground_speed_mps")
    shown = np.array([needle(t) for t in np.arange(5.0, 55.0, 1 / 30)])
    assert np.abs(np.diff(shown)).max() < 0.35 * np.abs(np.diff(values)).max()
    assert np.abs(np.diff(shown, 2)).max() < 0.15 * np.abs(np.diff(values, 2)).max()
    assert shown == pytest.approx(20.0 + 0.05 * np.arange(5.0, 55.0, 1 / 30), abs=0.75)


@given(st.integers(0, 1000))
def test_noise_below_the_step_does_not_make_a_figure_flicker(seed: int) -> None:
    """Around a rounding edge, where plain rounding changes its mind several times a second."""
    values = 20.5 + np.random.default_rng(seed).normal(0, 0.05, len(TIMES))
    figure = dials("height_m", values).figure("height_m", UNITS["metric"].height)
    shown = [figure(t) for t in np.arange(1.0, 59.0, 0.05)]
    assert len(set(shown)) == 1
    assert np.count_nonzero(np.diff(np.rint(values))) > 50


def test_filtering_is_for_display_and_leaves_the_readings_alone() -> None:
    values = noisy(3, 0.3)
    kept = values.copy()
    made = dials("ground_speed_mps", values)
    made.needle("ground_speed_mps")(10.0)
    made.figure("ground_speed_mps", UNITS["metric"].speed)(10.0)
    assert np.array_equal(values, kept)
    assert np.array_equal(made.readings["ground_speed_mps"], kept)


@given(st.lists(st.floats(-100, 100) | st.just(math.nan), max_size=60), st.floats(0.01, 5.0))
def test_play_is_never_further_from_the_value_than_it_is_wide(values: list[float], play: float) -> None:
    raw = np.array(values, np.float64)
    shown = with_play(raw, play)
    assert np.array_equal(np.isnan(raw), np.isnan(shown))
    assert (np.abs(shown - raw)[np.isfinite(raw)] <= play + 1e-9).all()


def test_play_swallows_what_turns_to_and_fro() -> None:
    trembling = 5.0 + 0.4 * np.sin(np.arange(300) * 1.3)
    assert len(set(with_play(trembling, 0.8))) == 1
    rising = 0.1 * np.arange(300.0) + 0.4 * np.sin(np.arange(300) * 1.3)
    assert (np.diff(with_play(rising, 0.4)) >= 0).all()


@pytest.mark.parametrize("kind", ["speed pair", "bank", "home rose", "side view", "track sketch"])
def test_what_is_shown_does_not_go_to_and_fro(kind: str, flight: Readings) -> None:
    """At 60 frames a second nothing that moves takes a step and the same step back within half a second."""
    text = '{"version": 1, "instrument": [{"kind": "%s", "anchor": "top"}]}'
    (panel,) = layouts.Layout.model_validate_json(text.replace("%s", kind)).place(1920, 1080, flight)
    steps, turns = 0, 0
    for start in (100.0, 450.0, 900.0, 1400.0):
        times = flight.time_s[0] + start + np.arange(0, 15, 1 / 60)
        for part in zip(*(panel.shows(t) for t in times), strict=True):
            if isinstance(part[0], str):
                continue  # figures have a test of their own
            seen = [(t, v) for t, v, before in zip(times, part, (None, *part), strict=False) if v != before]
            steps += len(seen)
            turns += sum(a[1] == c[1] and c[0] - b[0] < 0.5 for a, b, c in zip(seen, seen[1:], seen[2:], strict=False))
    assert steps > 10
    assert turns <= 0.03 * steps


@pytest.mark.parametrize(("kind", "place"), [("speed pair", 4), ("height", 1)])
def test_figures_do_not_dance(kind: str, place: int, flight: Readings) -> None:
    """Tailwind and vertical speed, both small differences of large things, stand long enough to be read."""
    text = '{"version": 1, "instrument": [{"kind": "%s", "anchor": "top"}]}'
    (panel,) = layouts.Layout.model_validate_json(text.replace("%s", kind)).place(1920, 1080, flight)
    changes = back = 0
    for start in (100.0, 450.0, 900.0, 1400.0):
        times = flight.time_s[0] + start + np.arange(0, 15, 1 / 60)
        shown = [panel.shows(t)[place] for t in times]  # type: ignore[index]
        seen = [(t, v) for t, v, before in zip(times, shown, (None, *shown), strict=False) if v != before]
        changes += len(seen) - 1
        back += sum(a[1] == c[1] and c[0] - b[0] < 0.5 for a, b, c in zip(seen, seen[1:], seen[2:], strict=False))
    assert changes / 60 <= 1.0
    assert back == 0


def test_a_figure_is_of_the_middle_of_the_time_it_stands_for() -> None:
    figure = dials("height_m", 10.0 * TIMES).figure("height_m", UNITS["metric"].height, rate_Hz=1.0)
    errors = [figure(t) - 10.0 * t for t in np.arange(5.0, 55.0, 0.01)]
    assert np.mean(errors) == pytest.approx(0.0, abs=0.3)
    assert np.abs(errors).max() <= 5.5
