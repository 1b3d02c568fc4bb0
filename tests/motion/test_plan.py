"""What part of a long recording is watched."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.clock import AffineClock
from overlay.motion import MotionSeries
from overlay.motion.plan import Window, first_look, informative_windows, promise

EPOCH = 1_777_800_000.0


def apart_and_inside(windows: list[Window], duration_s: float) -> None:
    assert all(0 <= start < end <= duration_s + 1e-6 for start, end in windows)
    assert all(one[1] <= other[0] + 1e-9 for one, other in pairwise(windows))


def turning_at(moments: list[float], duration_s: float, rate_Hz: float = 5.0) -> MotionSeries:
    """Straight flight with a turn of four seconds at each moment."""
    time = np.arange(0, duration_s, 1 / rate_Hz)
    yaw = sum(0.4 * np.clip(1 - np.abs(time - moment) / 2, 0, 1) for moment in moments)
    return MotionSeries(EPOCH + time, np.column_stack((0 * time, 0 * time, yaw)))


@given(st.floats(60, 10_000))
def test_the_first_look_is_spread_over_the_recording(duration_s: float) -> None:
    windows = first_look(duration_s)
    apart_and_inside(windows, duration_s)
    assert sum(end - start for start, end in windows) <= duration_s + 1e-6


@given(
    st.floats(300, 5000),
    st.floats(30, 600),
    st.lists(st.floats(0.05, 0.95), min_size=1, max_size=8),
    st.floats(-200, 200),
)
def test_windows_keep_to_the_budget(duration_s: float, budget_s: float, shares: list[float], offset_s: float) -> None:
    reference = turning_at([share * duration_s for share in shares], duration_s)
    windows = informative_windows(reference, AffineClock(EPOCH + offset_s), duration_s, budget_s)
    apart_and_inside(windows, duration_s)
    assert sum(end - start for start, end in windows) <= budget_s + 1e-6


def test_windows_are_where_the_turns_are() -> None:
    turns = [200.0, 340.0, 1500.0, 1710.0]
    windows = informative_windows(turning_at(turns, 2000.0), AffineClock(EPOCH + 50.0, 100e-6), 1900.0, 120.0)
    for turn in turns:
        seen = (turn - 50.0) / (1 + 100e-6)
        assert any(start < seen < end for start, end in windows)


def test_gaps_and_standing_promise_nothing() -> None:
    series = turning_at([100.0, 300.0], 400.0)
    rates = series.rate_radps.copy()
    rates[(series.time_s > EPOCH + 90) & (series.time_s < EPOCH + 110)] = np.nan
    promised = promise(MotionSeries(series.time_s, rates))
    inside = np.abs(promised.time_s - EPOCH - 100) < 8
    assert promised.density[inside].sum() == pytest.approx(0.0, abs=1e-9)
    assert promised.density[np.abs(promised.time_s - EPOCH - 300) < 4].sum() > 0
    assert np.isfinite(promised.density).all()
