"""How much of a recording is watched: little where little makes the clock sure, all where it does not."""

from __future__ import annotations

from collections.abc import Generator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from overlay import motion_survey
from overlay.motion import MotionSeries
from overlay.motion_survey import motion_in, thinned

LONG_S, OFFSET_S = 2400.0, 40.0


def turning(seed: int) -> MotionSeries:
    """Attitude rates at 10 Hz of a flight that turns now and then."""
    rng = np.random.default_rng(seed)
    time = np.arange(0, LONG_S + 100, 0.1)
    calm = gaussian_filter1d(rng.standard_normal((len(time), 3)), 8, axis=0) * 0.3
    turns = gaussian_filter1d(rng.standard_normal((len(time), 3)) * (rng.random(len(time)) < 0.01)[:, None], 10, axis=0)
    return MotionSeries(time, calm * 0.2 + turns * 30, interval_s=np.full(len(time), 0.1))


@pytest.fixture
def looked_at(monkeypatch: pytest.MonkeyPatch) -> list[tuple[float, float]]:
    """The windows asked for; what is seen there is flight 1 through a little noise, `OFFSET_S` later."""
    asked: list[tuple[float, float]] = []
    flown, rng = turning(1), np.random.default_rng(0)

    def watched(_recording: Any, windows: list[tuple[float, float]], *_rest: Any) -> MotionSeries:
        asked.extend(windows)
        time = flown.time_s - OFFSET_S
        inside = np.any([(time > start) & (time < end) for start, end in windows], axis=0)
        rates = flown.rate_radps[inside] + rng.normal(0, 0.01, (int(inside.sum()), 3))
        return MotionSeries(time[inside], rates, interval_s=np.full(int(inside.sum()), 0.1))

    monkeypatch.setattr(motion_survey, "_watched", watched)
    return asked


def long(asked: list[tuple[float, float]]) -> float:
    return sum(end - start for start, end in asked)


RECORDING: Any = SimpleNamespace(duration_s=LONG_S)


def test_a_tenth_of_a_long_recording_is_enough_and_none_of_it_is_watched_twice(
    looked_at: list[tuple[float, float]],
) -> None:
    seen = motion_in(RECORDING, [turning(1)])
    assert long(looked_at) < 0.13 * LONG_S  # three minutes of first look are 7.5 % of it
    assert np.all(np.diff(seen.time_s) > 0)
    time = np.arange(0, LONG_S, 0.5)
    often = sum(((time > start) & (time < end)).astype(int) for start, end in looked_at)
    assert np.mean(np.asarray(often) > 1) < 0.01


def test_beside_a_strangers_track_everything_is_watched(looked_at: list[tuple[float, float]]) -> None:
    motion_in(RECORDING, [turning(2)])
    assert looked_at[-1] == (0.0, LONG_S)


@pytest.mark.parametrize(("references", "thorough"), [((), False), ((turning(1),), True)])
def test_all_when_asked_or_when_nothing_says_where(
    looked_at: list[tuple[float, float]], references: tuple[MotionSeries, ...], thorough: bool
) -> None:
    motion_in(RECORDING, references, thorough=thorough)
    assert looked_at == [(0.0, LONG_S)]


def test_a_short_recording_is_watched_whole(looked_at: list[tuple[float, float]]) -> None:
    short: Any = SimpleNamespace(duration_s=500.0)
    motion_in(short, [turning(1)])
    assert looked_at == [(0.0, 500.0)]


def test_thinned_to_a_rate_and_closed() -> None:
    closed = []

    def frames() -> Generator[tuple[float, NDArray[np.uint8]]]:
        try:
            for k in range(600):
                yield k / 60, np.zeros((2, 2), np.uint8)
        finally:
            closed.append(True)

    times = [time for time, _ in thinned(frames(), 16.0)]
    assert np.diff(times).min() >= 1 / 16 - 1e-6
    assert len(times) == pytest.approx(150, abs=1)  # every fourth of 60 Hz
    assert closed == [True]
