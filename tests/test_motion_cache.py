"""Motion is measured once for the same files, and again for any others."""

from __future__ import annotations

import os
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from overlay.motion import MotionSeries
from overlay.motion_cache import FOLDER, motion_kept

MOTION = MotionSeries(np.arange(5.0), np.ones((5, 3)), bank_rad=np.full(5, np.nan), inferred=True)


@pytest.fixture
def recording(tmp_path: Path) -> SimpleNamespace:
    path = tmp_path / "a.mp4"
    path.write_bytes(b"film")
    chapter = SimpleNamespace(path=str(path), rotation_deg=0, start_s=Fraction(0))
    return SimpleNamespace(chapters=(chapter,), pts_index=np.arange(10) / 30)


class Measured:
    def __init__(self) -> None:
        self.times = 0

    def __call__(self) -> MotionSeries:
        self.times += 1
        return MOTION


def test_the_second_time_is_read_and_equal(tmp_path: Path, recording: SimpleNamespace) -> None:
    measure = Measured()
    first, second = (motion_kept(tmp_path, recording, "320", measure) for _ in range(2))
    assert measure.times == 1
    assert first.inferred is second.inferred is True
    for name in ("time_s", "rate_radps", "bank_rad", "confidence"):
        np.testing.assert_array_equal(getattr(first, name), getattr(second, name))


def test_other_files_or_measures_are_measured_anew(tmp_path: Path, recording: SimpleNamespace) -> None:
    measure = Measured()
    motion_kept(tmp_path, recording, "320", measure)
    motion_kept(tmp_path, recording, "480", measure)
    os.utime(recording.chapters[0].path, ns=(1, 1))
    motion_kept(tmp_path, recording, "320", measure)
    recording.pts_index = recording.pts_index * 2
    motion_kept(tmp_path, recording, "320", measure)
    assert measure.times == 4


def test_damage_in_the_cache_is_measured_anew(tmp_path: Path, recording: SimpleNamespace) -> None:
    measure = Measured()
    motion_kept(tmp_path, recording, "320", measure)
    (entry,) = (tmp_path / FOLDER).iterdir()
    data = entry.read_bytes()
    for broken in (b"", data[:100], data[: len(data) // 2], b"junk" * 100):
        entry.write_bytes(broken)
        motion_kept(tmp_path, recording, "320", measure)
    assert measure.times == 5


def test_nothing_is_kept_without_a_folder(tmp_path: Path, recording: SimpleNamespace) -> None:
    measure = Measured()
    motion_kept(None, recording, "320", measure)
    assert not (tmp_path / FOLDER).exists()
