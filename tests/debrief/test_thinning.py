from __future__ import annotations

from itertools import pairwise

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from overlay.debrief.thinning import telling_rows

VALUES = st.one_of(st.floats(-1e6, 1e6), st.just(np.nan))


@given(hnp.arrays(np.float64, st.integers(1, 600), elements=VALUES), st.integers(1, 60))
def test_every_bin_keeps_its_extremes(values: np.ndarray, bins: int) -> None:
    time = np.arange(len(values)) * 0.1
    rows = telling_rows(time, (values,), bins)
    assert np.all(np.diff(rows) > 0)
    assert rows[0] == 0
    assert rows[-1] == len(values) - 1
    edges = np.linspace(time[0], time[-1], bins + 1)
    edges[-1] = np.inf  # the last bin holds the last row
    kept = np.zeros(len(values), bool)
    kept[rows] = True
    for start, end in pairwise(edges):
        inside = (time >= start) & (time < end) & np.isfinite(values)
        if inside.any():
            assert values[inside & kept].max() == values[inside].max()
            assert values[inside & kept].min() == values[inside].min()


@given(hnp.arrays(np.float64, (3, 5000), elements=st.floats(-1, 1)), st.integers(5, 300))
def test_no_more_rows_than_promised(values: np.ndarray, bins: int) -> None:
    rows = telling_rows(np.arange(5000.0), tuple(values), bins)
    assert len(rows) <= bins * (6 * 3 + 1) + 2


def test_a_hole_is_not_bridged() -> None:
    values = np.sin(np.arange(10_000.0))
    values[5000:5005] = np.nan
    rows = telling_rows(np.arange(10_000.0), (values,), 50)
    assert np.isnan(values[rows]).any()
    assert 4999 in rows
    assert 5005 in rows


def test_a_short_flight_is_kept_whole() -> None:
    assert len(telling_rows(np.arange(100.0), (np.zeros(100),), 50)) == 100


def test_one_bad_frame_in_three_hours_is_seen() -> None:
    grade = np.full(3 * 3600 * 25, 5.0)
    grade[123_456] = 1.0
    rows = telling_rows(np.arange(len(grade)) / 25, (grade,))
    assert 123_456 in rows
    assert len(rows) < 6000
