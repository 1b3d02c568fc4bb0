"""The correlation against scipy's, and what whitening and the evidence promise."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.signal import correlate as scipy_correlate

from overlay.alignment.correlate import evidence, independent_share, masked_correlation, whitened


def every(signal):
    return np.ones(signal.shape[1], bool)


def pearson(x, y):
    """By definition, one lag at a time."""
    return np.corrcoef(x, y)[0, 1]


@settings(max_examples=25, deadline=None)
@given(st.integers(8, 60), st.integers(8, 60), st.integers(0, 2**31))
def test_every_lag_equals_the_definition(ahead, behind, seed):
    rng = np.random.default_rng(seed)
    x, y = rng.standard_normal((2, ahead)), rng.standard_normal((1, behind))
    known_x, known_y = rng.random(ahead) < 0.8, rng.random(behind) < 0.8
    found = masked_correlation(x, known_x, y, known_y)
    for k, lag in enumerate(found.lag):
        pairs = [(n + lag, n) for n in range(behind) if 0 <= n + lag < ahead and known_x[n + lag] and known_y[n]]
        assert found.count[k] == len(pairs)
        if len(pairs) > 3:
            i, j = np.array(pairs).T
            for c in range(2):
                assert found.correlation[k, c, 0] == pytest.approx(pearson(x[c, i], y[0, j]), abs=1e-7)


def test_zero_mean_numerator_is_scipys_correlation():
    rng = np.random.default_rng(3)
    x, y = rng.standard_normal(300), rng.standard_normal(300)
    x, y = x - x.mean(), y - y.mean()
    found = masked_correlation(x[None], every(x[None]), y[None], every(y[None]))
    whole = np.flatnonzero(found.lag == 0)[0]
    scipys = scipy_correlate(x, y, mode="full") / (len(x) * x.std() * y.std())
    assert found.correlation[whole, 0, 0] == pytest.approx(scipys[len(y) - 1], abs=1e-9)
    assert len(found.lag) == len(scipys)


def test_finds_a_delay_through_gaps_mixing_and_a_mirrored_axis():
    rng = np.random.default_rng(5)
    motion = np.cumsum(rng.standard_normal((3, 900)), axis=1)
    motion -= np.array([np.convolve(row, np.ones(41) / 41, "same") for row in motion])
    recording = np.diag([1.0, -2.0, 0.3]) @ rng.standard_normal((3, 3)) @ motion[:, 250:600]
    known = np.ones(350, bool)
    known[100:160] = False
    x, y = whitened(motion, every(motion)), whitened(recording, known)
    found = masked_correlation(x, every(x), y, known)
    score = evidence(found, independent_share(x, every(x), y, known), 100)
    assert found.lag[np.argmax(score)] == 250


def test_evidence_of_noise_stays_near_nothing_and_needs_overlap():
    rng = np.random.default_rng(8)
    x, y = rng.standard_normal((3, 2000)), rng.standard_normal((3, 1500))
    found = masked_correlation(x, every(x), y, every(y))
    score = evidence(found, 1.0, 400)
    assert np.all(score[found.count < 400] == 0)
    # Twice the ratio is χ² with 9 degrees of freedom under the null (Wilks' theorem): its maximum over 2 700 lags
    # stays below the 1 − 10⁻⁷ quantile, 49.1 (scipy.stats.chi2.ppf).
    assert 0 < score.max() < 49.1 / 2


def test_constant_and_empty_channels_say_nothing():
    flat = np.ones((3, 200))
    noise = np.random.default_rng(1).standard_normal((3, 200))
    found = masked_correlation(whitened(flat, every(flat)), every(flat), noise, every(noise))
    assert np.all(found.correlation == 0)
    nothing = masked_correlation(noise, np.zeros(200, bool), noise, every(noise))
    assert np.all(evidence(nothing, 1.0, 1) == 0)


def test_whitened_covariance_is_the_identity():
    rng = np.random.default_rng(2)
    signal = rng.standard_normal((3, 3)) @ rng.standard_normal((3, 4000))
    known = rng.random(4000) < 0.7
    white = whitened(signal, known)[:, known]
    assert np.allclose(np.cov(white), np.eye(3), atol=2e-2)
