"""Sparkle as a thermometer: how many FM clicks a line at which carrier-to-noise ratio, and back.

Below its threshold an FM demodulator jumps whole turns; each jump is a click, seen as a short streak. Rice (1963,
"Noise in FM receivers") gives their rates for noise of radius of gyration r about the middle of its band, at
carrier-to-noise ratio ρ, with the carrier δ off the middle and a = δ/r:

    N₊ = (r/2)·[√(1 + a²)·erfc(√(ρ + ρ·a²)) − a·exp(−ρ)·erfc(a·√ρ)]        N₋ = N₊ + δ·exp(−ρ)

in clicks a second. (The sum r·erfc(√ρ) + δ·exp(−ρ), often quoted, counts half again too many at 5 dB; the tests count
the turns of a simulated carrier.)

======================  =========  ==================================================================
assumed here            value      why
======================  =========  ==================================================================
band B, r = B/√12       18 MHz     usual for an analogue picture carrier with sound beside it
mean offset δ           1.5 MHz    a mid-grey picture at 6 MHz peak-to-peak deviation
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
    [0.0, 0.2, 2.19, 5.23]
    """
    ratio = 10.0 ** (carrier_to_noise_dB / 10.0)
    gyration = BAND_HZ / math.sqrt(12.0)
    a = OFFSET_HZ / gyration
    wide = math.sqrt(1.0 + a * a) * math.erfc(math.sqrt(ratio * (1.0 + a * a)))
    plus = gyration / 2.0 * (wide - a * math.exp(-ratio) * math.erfc(a * math.sqrt(ratio)))
    return (2.0 * plus + OFFSET_HZ * math.exp(-ratio)) * LINE_S


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


def most_clicks(least_ratio_dB: Floats) -> Floats:
    """Clicks a line (N,) at the least ratio in dB that there may be; NaN stays NaN."""
    return np.asarray(np.exp(np.interp(least_ratio_dB, _RATIOS_dB, _LOG_CLICKS)))
