"""Against EBU Tech 3341 (2016), table 1: minimum requirements test signals."""

from __future__ import annotations

import math
import re
import subprocess
import wave
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest

from overlay.clips.loudness import levelled, measure

RATE = 48_000


def tone(level_dBFS: float, seconds: float, frequency: float = 1000.0) -> np.ndarray:
    """A stereo sine whose peaks lie at the level, as Tech 3341 has it."""
    t = np.arange(int(seconds * RATE)) / RATE
    one = (10 ** (level_dBFS / 20) * np.sin(2 * np.pi * frequency * t)).astype(np.float32)
    return np.stack([one, one], axis=1)


@pytest.mark.parametrize("level", [-23.0, -33.0])
def test_cases_1_and_2_of_tech_3341(level: float) -> None:
    assert measure(tone(level, 20.0), RATE).integrated_LUFS == pytest.approx(level, abs=0.1)


def test_case_3_of_tech_3341_the_gate() -> None:
    signal = np.concatenate([tone(-36.0, 10.0), tone(-23.0, 60.0), tone(-36.0, 10.0)])
    assert measure(signal, RATE).integrated_LUFS == pytest.approx(-23.0, abs=0.1)


def test_true_peaks_between_samples_are_seen() -> None:
    """Case 15 of Tech 3341: a sine at a quarter of the rate and 45° peaks 3 dB above its samples; a step would ring."""
    t = np.arange(RATE)
    faded = np.clip(t / 4800, 0, 1) * np.clip((RATE - t) / 4800, 0, 1)
    one = (0.5 * faded * np.sin(np.pi / 2 * t + np.pi / 4)).astype(np.float32)
    assert measure(np.stack([one, one], axis=1), RATE).true_peak_dBTP == pytest.approx(-6.0, abs=0.4)


@pytest.mark.parametrize("level", [-45.0, -30.0, -10.0])
def test_levelled_is_at_the_target(level: float) -> None:
    found = measure(levelled(tone(level, 6.012), RATE), RATE)
    assert found.integrated_LUFS == pytest.approx(-23.0, abs=0.2)


def test_peaks_stay_below_and_loudness_is_kept() -> None:
    quiet = tone(-46.0, 10.0)
    quiet[:: RATE // 2] = 0.9  # a click twice a second
    found = measure(levelled(quiet, RATE), RATE)
    assert found.true_peak_dBTP <= -1.0
    assert found.integrated_LUFS == pytest.approx(-23.0, abs=1.0)


def test_silence_stays_silence() -> None:
    nothing = np.zeros((RATE, 1), np.float32)
    assert measure(nothing, RATE).integrated_LUFS == -math.inf
    assert np.array_equal(levelled(nothing, RATE), nothing)
    assert levelled(np.zeros((0, 1), np.float32), RATE).shape == (0, 1)


def test_the_ffmpeg_program_measures_the_same(tmp_path: Path) -> None:
    noise = np.random.default_rng(5).normal(0, 0.05, (5 * RATE, 1)).astype(np.float32)
    made = levelled(noise, RATE)
    with wave.open(str(tmp_path / "a.wav"), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes((made * 32767).astype("<i2").tobytes())
    order = [imageio_ffmpeg.get_ffmpeg_exe(), "-nostdin", "-hide_banner", "-i", str(tmp_path / "a.wav")]
    order += ["-af", "ebur128", "-f", "null", "-"]
    said = subprocess.run(order, capture_output=True, text=True, timeout=60, check=True).stderr
    assert float(re.findall(r"I:\s+(-?[\d.]+) LUFS", said)[-1]) == pytest.approx(-23.0, abs=0.2)
