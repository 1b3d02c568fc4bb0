"""Carrier-to-noise ratio of an FM picture link between 5 and 10 dB, read off the recording frame by frame.

Two thermometers. The noise in colour comes through every recorder and is read in each frame; how much of it is left was
measured on the simulated link (6 MHz peak to peak, 18 MHz wide) over recorders from 1.2 Mbit/s to hardly any
compression, and goes with how much fine noise the recorder leaves in luminance. Clicks (`clicks`) give the ratio itself,
by theory, but are few and a recorder with few bits smears them. Where plenty survive they set the scale for the whole
recording.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from overlay.picture.clean_part import Baseline, has_colour, missing_figures
from overlay.picture.clicks import VALID_dB, carrier_to_noise_dB
from overlay.picture.features import Features
from overlay.picture.link_noise import LESS_dB, ratio_by_noise, sparkle

Floats = NDArray[np.float64]

_PLENTY = 0.6
"""Clicks a line that are counted well enough within a few frames."""
_SMOOTHED_S = 0.3
_OVER_CLEAN = 3.0
"""How many times a clean picture's own streaks, of furrows and other texture, clicks must outnumber to set the scale."""
_MORE_dB, _ABOVE_dB = 4.2, 7.0
"""By how much more the true ratio is at most, and above what it lies where it seems higher than 10 dB; 95 % of the
frames, on links and recorders drawn by lot. Recorders that drop lines of colour show more noise than others: more it is."""
_IN_PLACE = 0.25
"""Share of the burned-in edges that may be missing from a picture said to be clear."""
_CLEAN_GRADE, _LOST_GRADE = 3.5, 1.5
"""Above the one the ratio is at least the highest that can be read, below the other at most the lowest."""


class LinkRatio(NamedTuple):
    """Carrier-to-noise ratio of each frame (N,) in dB, and the interval that holds it with 95 %.

    ``ratio_dB`` is NaN outside 5 … 10 dB and where the picture does not tell. Where it is higher, ``low_dB`` alone says
    above what; NaN is no bound. Below 5 dB nothing is told: colour is short of the noise it is read from.
    """

    ratio_dB: Floats
    low_dB: Floats
    high_dB: Floats

    def only(self, shown: NDArray[np.bool_]) -> LinkRatio:
        """The same of the frames chosen (N,), nothing of the others."""
        return LinkRatio(*(np.where(shown, values, np.nan) for values in self))

    def lowest(self, start: int, end: int) -> int | None:
        """Which of the frames from `start` to before `end` has the lowest ratio told; None where none is."""
        told = start + np.flatnonzero(np.isfinite(self.ratio_dB[start:end]))
        return int(told[np.argmin(self.ratio_dB[told])]) if len(told) else None

    def interval(self, frame: int) -> tuple[float, float]:
        """Both bounds of a frame, dB."""
        return float(self.low_dB[frame]), float(self.high_dB[frame])


def link_ratio(features: Features, clean: Baseline, frame_rate: float) -> LinkRatio:
    """Carrier-to-noise ratio of each frame, read from its noise in colour and the clicks."""
    coloured, ratio = has_colour(features, clean), _by_colour(features, clean, frame_rate)
    noisy = np.isfinite(ratio)
    told = noisy & (ratio >= VALID_dB[0]) & (ratio <= VALID_dB[1])
    clear = coloured & ~noisy | noisy & (ratio > VALID_dB[1])
    clear &= missing_figures(features, clean) < _IN_PLACE
    return LinkRatio(
        np.where(told, ratio, np.nan),
        np.where(told, ratio - LESS_dB, np.where(clear, _ABOVE_dB, np.nan)),
        np.where(told, ratio + _MORE_dB, np.nan),
    )


def _by_colour(features: Features, clean: Baseline, frame_rate: float) -> Floats:
    """Ratio (N,) of the frames that are noisy, whatever it is, from noise in colour on the scale that clicks set; else NaN."""
    ratio = ratio_by_noise(features, clean, frame_rate)
    noisy = np.isfinite(ratio)
    if not noisy.any():
        return ratio
    clicks = _smoothed(sparkle(features, clean, frame_rate), noisy, frame_rate)
    plenty = noisy & (clicks > max(_PLENTY, _OVER_CLEAN * clean.clicks_per_line))
    by_clicks = carrier_to_noise_dB(np.where(plenty, clicks, np.nan))
    told = np.isfinite(by_clicks)
    if np.count_nonzero(told) >= _SMOOTHED_S * frame_rate:
        ratio += float(np.median(by_clicks[told] - ratio[told]))
    return np.asarray(ratio)


def bounded_ratio_dB(ratio_dB: Floats, grade: Floats) -> Floats | None:
    """The ratio (N,) with what a picture's grade says where it cannot be read: 10 dB for at least that, 5 dB for at most.

    None where no ratio was read in a picture that was broken: something other than noise broke it.
    """
    clean = grade >= _CLEAN_GRADE
    if not np.isfinite(ratio_dB).any() and not clean.all():
        return None
    bound = np.where(clean, VALID_dB[1], np.where(grade < _LOST_GRADE, VALID_dB[0], np.nan))
    return np.where(np.isfinite(ratio_dB), ratio_dB, bound)


def _smoothed(values: Floats, where: NDArray[np.bool_], frame_rate: float) -> Floats:
    """Running means (N,) over `_SMOOTHED_S` of the values at the frames chosen."""
    half = max(0, round(_SMOOTHED_S * frame_rate / 2))
    total, count = (_moving_sum(part, half) for part in (np.where(where, values, 0.0), where.astype(float)))
    return np.asarray(total / np.maximum(count, 1.0))


def _moving_sum(values: Floats, half: int) -> Floats:
    """Sums (N,) over each value with `half` neighbours on either side."""
    return np.convolve(values, np.ones(2 * half + 1))[half : half + len(values)]
