from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq
from skimage.metrics import peak_signal_noise_ratio

from overlay.picture.impairment import GRADES, LUMINANCE_SWING, grade_of, signal_to_noise_dB


def test_grades_are_worded_as_BT_500_words_them() -> None:
    # ITU-R BT.500-15, table of the five-grade impairment scale
    assert [GRADES[grade] for grade in (5, 4, 3, 2, 1)] == [
        "imperceptible",
        "perceptible, but not annoying",
        "slightly annoying",
        "annoying",
        "very annoying",
    ]


@pytest.mark.parametrize(("ratio_dB", "grade"), [(45, 5), (36, 4), (30, 3), (26, 2), (22, 1), (60, 5), (0, 1)])
def test_published_ratios_for_each_grade(ratio_dB: float, grade: float) -> None:
    # The usual table of S/N against the CCIR impairment grades: 45, 35–37, 30, 25–27, 21–23 dB.
    assert grade_of(ratio_dB) == pytest.approx(grade)


def test_ratio_is_scikit_images_PSNR_over_the_luminance_swing() -> None:
    rng = np.random.default_rng(4)
    clean = rng.uniform(40, 200, (200, 300))
    noisy = clean + rng.normal(0, 7.0, clean.shape)
    reference = peak_signal_noise_ratio(clean, noisy, data_range=LUMINANCE_SWING)
    assert signal_to_noise_dB(float(np.sqrt(np.mean((clean - noisy) ** 2)))) == pytest.approx(reference, abs=1e-6)


@given(st.floats(1.0, 5.0))
def test_error_of_a_grade_earns_that_grade(grade: float) -> None:
    """A whole scale of errors earns every grade, and each once: scipy finds the one error for it."""
    error = brentq(lambda rms: float(grade_of(signal_to_noise_dB(rms))) - grade, 0.5, 60.0, xtol=1e-12)
    assert grade_of(signal_to_noise_dB(error)) == pytest.approx(grade, abs=1e-9)
    if 1.0 < grade < 5.0:
        assert grade_of(signal_to_noise_dB(error * 1.001)) < grade < grade_of(signal_to_noise_dB(error / 1.001))


@given(st.floats(0, 300), st.floats(0, 300))
def test_a_larger_error_never_earns_a_better_grade(one: float, other: float) -> None:
    low, high = sorted((one, other))
    assert grade_of(signal_to_noise_dB(high)) <= grade_of(signal_to_noise_dB(low))


def test_unknown_stays_unknown() -> None:
    assert np.isnan(grade_of(signal_to_noise_dB(np.nan)))
