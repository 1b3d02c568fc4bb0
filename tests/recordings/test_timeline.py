"""Times made from stamps, good and bad."""

from __future__ import annotations

from fractions import Fraction
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.errors import RecordingError
from overlay.recordings.container import Opened
from overlay.recordings.pacing import average_rate, is_uneven
from overlay.recordings.timeline import read_timeline

STEP = 3600  # 25 frames per second at 90 kHz
B = [0, 3, 1, 2]  # order of decoding I P B B, in steps of showing


def packet(pts: int | None, dts: int | None, key: bool = False, **more: Any) -> Any:
    row = {"size": 100, "is_discard": False, "is_corrupt": False, "duration": STEP, "is_keyframe": key, **more}
    return SimpleNamespace(pts=pts, dts=dts, **row)


def file_of(rows: list[Any], size: int = 10**6, name: str = "mpegts") -> Opened:
    container = SimpleNamespace(demux=lambda stream: iter(rows), size=size, duration=None)
    container.format = SimpleNamespace(name=name)
    stream = SimpleNamespace(time_base=Fraction(1, 90000), guessed_rate=Fraction(25), average_rate=None, frames=0)
    stream.codec_context = SimpleNamespace(name="h264", has_b_frames=True)
    return Opened(container, stream, False)  # type: ignore[arg-type]  # stand-ins


def reordered(groups: int, start: int = 0) -> list[Any]:
    """Groups of I P B B with times of decoding one step apart."""
    return [
        packet(start + (4 * group + place) * STEP, start + (4 * group + count - 1) * STEP, key=count == 0)
        for group in range(groups)
        for count, place in enumerate(B)
    ]


def test_reordered_packets_give_rising_times_and_their_key_pictures() -> None:
    line = read_timeline("x", file_of(reordered(5)))
    np.testing.assert_array_equal(line.pts, np.arange(20) * STEP)
    np.testing.assert_array_equal(line.key_pts, np.arange(5) * 4 * STEP)
    np.testing.assert_array_equal(line.key_entry, (np.arange(5) * 4 - 1) * STEP)
    assert (line.duration, line.stamped, line.splices, line.damage) == (20 * STEP, True, (), ())


@given(st.integers(4, 75), st.sampled_from(["pts", "dts", "both"]), st.integers(10**7, 2**33))
def test_one_wild_stamp_moves_no_other_picture(place: int, which: str, wild: int) -> None:
    rows = reordered(20)
    if which != "dts":
        rows[place].pts += wild
    if which != "pts":
        rows[place].dts += wild
    line = read_timeline("x", file_of(rows))
    assert len(line.pts) == 80
    assert line.pts[0] >= 0
    assert line.pts[-1] <= 80 * STEP
    assert len(set(line.pts.tolist()) ^ set(range(0, 80 * STEP, STEP))) <= 2
    assert line.splices == ()
    assert ["no usable time on 1 picture" in fault.what for fault in line.damage] == [True]


@given(st.integers(-(2**31), 2**31), st.integers(-(2**31), 2**31))
def test_clock_resets_are_closed_up(second: int, third: int) -> None:
    starts = [0, second, third]
    rows = [row for start in starts for row in reordered(10, start)]
    line = read_timeline("x", file_of(rows))
    leaps = [Fraction(start - last - 39 * STEP, 90_000) for last, start in pairwise(starts)]
    if all(not -0.25 <= leap <= 600 for leap in leaps):
        np.testing.assert_array_equal(line.pts, np.arange(120) * STEP)
        assert [splice.packet for splice in line.splices] == [40, 80]
        assert [splice.shift for splice in line.splices] == [40 * STEP - second, 80 * STEP - third]
        assert sum("clock was reset" in fault.what for fault in line.damage) == 2
    assert np.all(np.diff(line.pts) >= 0)


def test_packets_without_stamps_are_counted_at_the_nominal_rate() -> None:
    line = read_timeline("x", file_of([packet(None, None, key=k == 0) for k in range(10)], name="h264"))
    np.testing.assert_array_equal(line.pts, np.arange(10) * STEP)
    assert not line.stamped
    assert "25 per second" in line.damage[0].what


def test_hidden_and_empty_packets_are_no_pictures() -> None:
    rows = reordered(3)
    rows[0].is_discard = rows[1].is_discard = True
    rows.append(packet(None, None, size=0))
    assert len(read_timeline("x", file_of(rows)).pts) == 10


def test_an_index_that_points_at_the_same_bytes_again_and_again_is_refused() -> None:
    rows = (packet(k, k, size=10_000) for k in range(10**9))
    with pytest.raises(RecordingError, match="more pictures than the file can hold"):
        read_timeline("x", file_of(rows, size=20_000))  # type: ignore[arg-type]  # any iterable will do


def test_no_packets_at_all_are_refused() -> None:
    with pytest.raises(RecordingError, match="no pictures in its picture stream"):
        read_timeline("x", file_of([]))


@given(st.fractions(10, 240), st.sampled_from([1000, 12800, 90000]), st.integers(10, 400))
def test_rounding_to_ticks_is_not_an_uneven_rate(rate: Fraction, ticks: int, frames: int) -> None:
    pts = np.array([round(k * ticks / rate) for k in range(frames)])
    if ticks / rate >= 4:
        assert not is_uneven(pts)
    missing = np.delete(pts, frames // 2)
    if frames > 20:
        assert is_uneven(missing)


def test_a_stated_rate_is_taken_only_if_the_duration_bears_it_out() -> None:
    ntsc = Fraction(30000, 1001)
    assert average_rate(300, 10010, Fraction(1, 1000), [Fraction(30), ntsc]) == ntsc
    assert average_rate(300, 12000, Fraction(1, 1000), [Fraction(30), ntsc, None]) == 25
