"""Sparkle as a thermometer: how many FM clicks a line at which carrier-to-noise ratio, and back.

Below its threshold an FM demodulator jumps whole cycles; each jump is a click, seen as a short streak. Rice (1963,
"Noise in FM receivers") gives their rate for a rectangular intermediate-frequency band B at carrier-to-noise ratio ρ:

    N = (B/√12)·erfc(√ρ) + |δf|·exp(−ρ)      clicks a second

The second term holds while the carrier is off the band's centre by δf, which a picture does most of the time.

======================  =========  ==================================================================
assumed here            value      why
======================  =========  ==================================================================
band B                  18 MHz     usual for an analogue picture carrier with sound beside it
mean offset |δf|        1.5 MHz    a mid-grey picture at 6 MHz peak-to-peak deviation
line                    64 µs      625-line systems (BT.1700); 63.6 µs at 525 lines differs by under 1 %
======================  =========  ==================================================================
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

BAND_HZ = 18e6
OFFSET_HZ = 1.5e6
LINE_S = 64e-6
VALID_dB = (5.0, 10.0)


def clicks_per_line(carrier_to_noise_dB: float) -> float:
    """Clicks a line at a carrier-to-noise ratio in dB.

    >>> [round(clicks_per_line(ratio), 2) for ratio in (10, 8, 6, 5)]
    [0.01, 0.3, 3.27, 8.01]
    """
    ratio = 10.0 ** (carrier_to_noise_dB / 10.0)
    rate = BAND_HZ / math.sqrt(12.0) * math.erfc(math.sqrt(ratio)) + OFFSET_HZ * math.exp(-ratio)
    return rate * LINE_S


_RATIOS_dB = np.arange(2.0, 13.01, 0.05)
_LOG_CLICKS = np.log(np.array([clicks_per_line(float(ratio)) for ratio in _RATIOS_dB]))


def carrier_to_noise_dB(clicks: Floats | float) -> Floats:
    """Carrier-to-noise ratio in dB for clicks a line; NaN outside `VALID_dB`, where counting says nothing.

    Above the range clicks are too few to tell from detail, below it they run into each other.
    """
    counted = np.maximum(np.asarray(clicks, dtype=float), 1e-12)
    ratio = np.interp(-np.log(counted), -_LOG_CLICKS, _RATIOS_dB)
    inside = (ratio >= VALID_dB[0]) & (ratio <= VALID_dB[1])
    return np.where(inside, ratio, np.nan)
