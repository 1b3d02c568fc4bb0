"""What the link's noise makes of a picture: its error, the ratio that goes with it, and the clicks there can be at that.

The noise of an FM link rises with frequency, so colour, high up on its subcarrier, suffers first, and the scene has
little fine colour to hide it: noise of a dim camera, texture and water stay out of it.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from overlay.picture.clean_part import Baseline, beyond, has_colour, is_525, woven
from overlay.picture.clicks import most_clicks
from overlay.picture.features import Features

Floats = NDArray[np.float64]

_NOISE_OF_CLICKS = 6.0
"""Rms levels of noise below which an FM link does not click."""
_LUMA_PER_COLOUR = {False: (1.0, 1.3), True: (0.73, 0.84)}
"""Rms luminance error over the noise read in U and V, on the simulated link over recorders drawn by lot, by whether the picture
has 525 lines, of recorders that blend the fields and of those that weave them. Decoders of 625-line colour average two lines,
which those of 525 lines do not, and the subcarriers lie at 4.43 and 3.58 MHz."""
_LUMA_PER_FINE = 1.5
_KEPT = (0.0, 0.2, 0.5, 0.85, 1.0)
_WHOLE = {False: (0.38, 0.86), True: (0.26, 0.47)}
"""Fine noise in luminance over that in colour where a recorder keeps all of it, of blended and of woven fields, by whether the
picture has 525 lines."""
_AT_20_dB = {
    False: ((6.7, 7.2, 7.5, 7.9, 9.5), (7.4, 7.6, 7.8, 8.2, 10.0)),
    True: ((7.5, 8.0, 8.3, 8.6, 9.2), (9.2, 9.5, 10.0, 10.2, 10.2)),
}
"""Ratio in dB at 10 levels of noise in U and V together, likewise, for recorders that keep such shares of the fine noise."""
_dB_PER_dB = 0.85
"""Change of the ratio for a change of that noise."""
_LEAST_NOISE = 3.0
LESS_dB = 3.0
"""By how much less the true ratio is at most, on 95 % of the frames of links and recorders drawn by lot."""


def noise_rms(features: Features, clean: Baseline, frame_rate: float) -> Floats:
    """Rms luminance error (N,) that the link's noise makes, in levels: where there is no colour luminance must do."""
    colour = beyond(features.colour_noise, clean.colour_noise)
    fine = beyond(features.fine_noise, clean.fine_noise)
    luma_per_colour = np.interp(woven(features, clean, frame_rate), (0.0, 1.0), _LUMA_PER_COLOUR[is_525(frame_rate)])
    return np.where(has_colour(features, clean), luma_per_colour * colour, _LUMA_PER_FINE * fine)


def ratio_by_noise(features: Features, clean: Baseline, frame_rate: float) -> Floats:
    """Carrier-to-noise ratio (N,) in dB, whatever it is, read from the noise in colour; NaN without colour or noise in it."""
    colour = beyond(features.colour_noise, clean.colour_noise)
    noisy = (colour > _LEAST_NOISE) & has_colour(features, clean)
    if not noisy.any():
        return np.full(len(features), np.nan)
    fine = beyond(features.fine_noise, clean.fine_noise)
    weave, is525 = woven(features, clean, frame_rate), is_525(frame_rate)
    kept = float(np.median(fine[noisy] / colour[noisy])) / np.interp(weave, (0.0, 1.0), _WHOLE[is525])
    scale = np.interp(weave, (0.0, 1.0), [np.interp(kept, _KEPT, each) for each in _AT_20_dB[is525]])
    return np.where(noisy, scale - _dB_PER_dB * (20.0 * np.log10(np.maximum(colour, 1e-3)) - 20.0), np.nan)


def sparkle(features: Features, clean: Baseline, frame_rate: float) -> Floats:
    """Clicks a line (N,) beyond the clean picture's, no more than there can be at the noise that is seen.

    An FM link clicks below 10 dB of carrier-to-noise ratio, where its noise has long been plain to see. Furrows and other
    texture make streaks of their own, which come and go with the scene.
    """
    clicks = np.maximum(np.nan_to_num(features.clicks_per_line) - clean.clicks_per_line, 0.0)
    most = most_clicks(ratio_by_noise(features, clean, frame_rate) - LESS_dB)
    clicks = np.where(np.isnan(most), clicks, np.minimum(clicks, most))
    return np.where(noise_rms(features, clean, frame_rate) > _NOISE_OF_CLICKS, clicks, 0.0)
