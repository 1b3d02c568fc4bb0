from __future__ import annotations

from functools import lru_cache

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.special import erfc

from overlay.picture.clicks import BAND_HZ, OFFSET_HZ, VALID_dB, carrier_to_noise_dB, clicks_per_line

RATE_HZ, SAMPLES = 16 * BAND_HZ, 1 << 21


@lru_cache(maxsize=1)
def unit_noise() -> NDArray[np.complex128]:
    """Noise of unit power that fills the band and nothing else."""
    rng = np.random.default_rng(3)
    spectrum = rng.normal(size=SAMPLES) + 1j * rng.normal(size=SAMPLES)
    spectrum[np.abs(np.fft.fftfreq(SAMPLES, 1 / RATE_HZ)) > BAND_HZ / 2] = 0
    noise = np.fft.ifft(spectrum)
    return noise / np.sqrt(np.mean(np.abs(noise) ** 2))


def count_turns(ratio_dB: float, offset_Hz: float) -> tuple[float, float]:
    """Turns a second, one way and the other, of a carrier with noise of the band about it: counted, not computed."""
    noise = unit_noise() * 10 ** (-ratio_dB / 20)
    seen = 1 + noise * np.exp(-2j * np.pi * offset_Hz / RATE_HZ * np.arange(SAMPLES))
    seconds = SAMPLES / RATE_HZ
    before, after = seen[:-1], seen[1:]
    # A turn is completed where the sum crosses the negative real axis.
    crossed = np.flatnonzero(before.imag * after.imag < 0)
    share = before.imag[crossed] / (before.imag[crossed] - after.imag[crossed])
    behind = before.real[crossed] + share * (after.real[crossed] - before.real[crossed]) < 0
    rising = before.imag[crossed] < 0
    return np.count_nonzero(behind & rising) / seconds, np.count_nonzero(behind & ~rising) / seconds


@pytest.mark.parametrize("ratio_dB", [5.0, 6.0, 7.0])
def test_rate_is_that_of_a_simulated_carrier_in_noise(ratio_dB: float) -> None:
    seconds = SAMPLES / RATE_HZ
    counted = sum(count_turns(ratio_dB, OFFSET_HZ)) * seconds
    expected = clicks_per_line(ratio_dB) / 64e-6 * seconds
    assert counted == pytest.approx(expected, abs=3 * np.sqrt(expected), rel=0.05)


def test_difference_of_both_ways_is_rices() -> None:
    # S. O. Rice, "Noise in FM receivers" (1963): the mean frequency falls short of the offset by this much.
    one, other = count_turns(5.0, OFFSET_HZ)
    assert one - other == pytest.approx(OFFSET_HZ * np.exp(-(10**0.5)), rel=0.12)


def test_without_offset_it_is_the_textbook_rate(monkeypatch: pytest.MonkeyPatch) -> None:
    # r·erfc(√ρ), r = B/√12 for a flat band: Rice (1963), and Taub and Schilling's chapter on threshold in FM.
    monkeypatch.setattr("overlay.picture.clicks.OFFSET_HZ", 0.0)
    expected = BAND_HZ / np.sqrt(12) * erfc(np.sqrt(10**0.7))
    assert clicks_per_line(7.0) == pytest.approx(64e-6 * expected)


@pytest.mark.parametrize("ratio_dB", [5.1, 6.3, 8.0, 9.9])
def test_counting_reads_the_ratio_back(ratio_dB: float) -> None:
    assert carrier_to_noise_dB(clicks_per_line(ratio_dB)) == pytest.approx(ratio_dB, abs=0.02)


@pytest.mark.parametrize("clicks", [0.0, -1.0, 1e-6, 1e3, np.nan])
def test_no_answer_where_counting_says_nothing(clicks: float) -> None:
    assert np.isnan(carrier_to_noise_dB(clicks))
    assert VALID_dB == (5.0, 10.0)
