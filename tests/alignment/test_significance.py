import numpy as np
import pytest
from scipy.stats import gumbel_r

from overlay.alignment.significance import _gumbel_tail, null, phase_randomised, reshuffled


def test_phase_randomised_keeps_spectra_and_cross_spectra():
    rng = np.random.default_rng(4)
    signal = rng.standard_normal((2, 500))
    signal[:, -1] = signal[:, 0]  # matched end points: nothing to take off
    other = phase_randomised(signal, rng)
    before, after = np.fft.rfft(signal, axis=1), np.fft.rfft(other, axis=1)
    assert np.allclose(np.abs(before), np.abs(after))
    assert np.allclose(before[0] * np.conj(before[1]), after[0] * np.conj(after[1]))
    assert abs(np.corrcoef(signal[0], other[0])[0, 1]) < 0.2


def test_reshuffled_holds_the_same_samples_and_their_mask():
    rng = np.random.default_rng(4)
    signal, known = rng.standard_normal((2, 333)), rng.random(333) < 0.5
    other, mask = reshuffled(signal, known, 40, rng)
    assert np.allclose(np.sort(np.abs(other[0])), np.sort(np.abs(signal[0])))
    assert mask.sum() == known.sum()


def test_tail_is_scipys_gumbel_with_the_same_moments():
    maxima = np.array([10.0, 12.0, 11.0, 14.0, 9.5])
    scale = maxima.std(ddof=1) * np.sqrt(6) / np.pi
    law = gumbel_r(maxima.mean() - np.euler_gamma * scale, scale)
    for peak in (9.0, 12.0, 20.0, 40.0):
        assert _gumbel_tail(maxima, peak) == pytest.approx(law.sf(peak), rel=1e-6)


def test_a_stranger_is_no_surprise_and_a_twin_is():
    rng = np.random.default_rng(6)
    x, y = rng.standard_normal((3, 1500)), rng.standard_normal((3, 1000))
    known = np.ones(1500, bool)
    chance = null(x, known, y, known[:1000], 1.0, 200, piece=100, count=15)
    assert chance.probability(float(chance.phases.mean())) > 0.2
    assert chance.probability(10 * float(chance.phases.max())) < 1e-6
