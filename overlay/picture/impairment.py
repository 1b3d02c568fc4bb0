"""The five-grade impairment scale and what it means in decibels.

ITU-R BT.500 names the grades; the signal-to-noise ratios beside them are those published for random noise on a colour
picture (CCIR column of the usual S/N–grade tables): 5 at 45 dB, 4 at 35–37, 3 at 30, 2 at 25–27, 1 at 21–23. Between
them the scale is read linearly, as viewers' mean grades are near-linear in decibels there.

S/N is the trade's: nominal luminance swing (black to white) over the rms error, 20·log10. In 8-bit studio range the
swing is 219 levels (ITU-R BT.601).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LUMINANCE_SWING = 219.0
GRADES = {
    5: "imperceptible",
    4: "perceptible, but not annoying",
    3: "slightly annoying",
    2: "annoying",
    1: "very annoying",
}
_S_N_dB = np.array([22.0, 26.0, 30.0, 36.0, 45.0])
_GRADE = np.array([1.0, 2.0, 3.0, 4.0, 5.0])


def grade_of(signal_to_noise_dB: Floats | float) -> Floats:
    """Grade 1 … 5 of a luminance signal-to-noise ratio in dB; NaN stays NaN.

    >>> grade_of(np.array([50.0, 33.0, 10.0])).tolist()
    [5.0, 3.5, 1.0]
    """
    return np.asarray(np.interp(np.asarray(signal_to_noise_dB, dtype=float), _S_N_dB, _GRADE))


def signal_to_noise_dB(error_rms: Floats | float) -> Floats:
    """S/N in dB of an rms luminance error in 8-bit levels; an error under a hundredth of a level counts as that."""
    return np.asarray(20.0 * np.log10(LUMINANCE_SWING / np.maximum(np.asarray(error_rms, dtype=float), 0.01)))
