"""The clean part of a recording, which all else is held against: its own noise, texture and figures, and what a frame adds.

A recorder hides noise and a scene shows some, so what a link adds is counted beyond what the clean frames of the same
recording have.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from overlay.picture.features import Features

Floats = NDArray[np.float64]

_WANDERS = 1.4
"""A clean picture's own coarse noise in colour, of a camera at dusk or fine colours on the ground, over its lowest tenth."""
_BLENDED, _TOLD_FROM, _TOLD_WELL_FROM = 0.57, 2.0, 4.0
"""Noise between neighbouring rows of a frame over that between rows of one field is 1 where fields are woven, and 0.46 where
each row is blended with the two beside it; and from how much noise, in levels, the recorder leaves enough of it to tell."""

_WOVEN_UNTOLD = {False: 0.25, True: 0.5}
"""What is assumed where too little noise is left in luminance to tell, by whether the picture has 525 lines: of 625 lines a
recorder leaves more of it, unless fields are blended."""


class Baseline(NamedTuple):
    """What the clean part of this recording measures: the recorder's own noise and blocking, the scene's own detail."""

    line_noise: float
    fine_noise: float
    neighbour_noise: float
    colour_noise: float
    clicks_per_line: float
    step_px: float
    coherence: float
    colour: float
    figures: float
    block_edges: float
    change: float


_NOISES = ("line_noise", "fine_noise", "neighbour_noise", "colour_noise")


def baseline(features: Features) -> Baseline:
    """Medians over the cleanest third of the frames that show a picture at all, by noise; noise by its lowest tenth.

    Colour that has gone is no clean colour: a receiver that has lost the burst shows none.
    """
    shown = (features.spread > 12.0) & np.isfinite(features.line_noise) & (features.corrupt == 0)
    shown &= features.colour > 0.5 * median(features.colour[shown])
    shown &= features.coherence > 0.7 * median(features.coherence[shown])
    if not shown.any():
        shown = np.isfinite(features.brightness)
    noise = np.nan_to_num(features.colour_noise) + np.nan_to_num(features.fine_noise)
    clean = shown & (noise <= np.quantile(noise[shown], 1 / 3)) if shown.any() else shown
    middles = {name: median(getattr(features, name)[clean]) for name in Baseline._fields}
    floors = {name: _low(getattr(features, name)[shown]) for name in _NOISES}
    floors["colour_noise"] *= _WANDERS
    return Baseline(**{**middles, **floors})


def _low(values: Floats) -> float:
    """What only a tenth of the frames falls below: of a flight that was noisy most of the time, the rest was not."""
    known = values[np.isfinite(values)]
    return float(np.quantile(known, 0.1)) if len(known) else 0.0


def median(values: Floats) -> float:
    """Median of the known values, 0 where none is known."""
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else 0.0


def woven(features: Features, clean: Baseline, frame_rate: float) -> float:
    """1 for a recording whose frames are two fields woven, 0 where they are blended, in between where noise does not tell.

    The scene's own comb is part of the clean picture; what noise adds to it is independent from field to field.
    """
    unknown = _WOVEN_UNTOLD[is_525(frame_rate)]
    noisy = has_colour(features, clean) & (beyond(features.colour_noise, clean.colour_noise) > _TOLD_WELL_FROM)
    if not noisy.any():
        return unknown
    near, line = (
        float(np.sqrt(np.median(beyond(getattr(features, name)[noisy], getattr(clean, name)) ** 2)))
        for name in ("neighbour_noise", "line_noise")
    )
    sure = float(np.interp(line, (_TOLD_FROM, _TOLD_WELL_FROM), (0.0, 1.0)))
    return unknown + sure * (float(soft(np.array(near / max(line, 0.1) - _BLENDED), 0.03)) - unknown)


def is_525(frame_rate: float) -> bool:
    """Whether a composite picture of this frame rate has 525 lines: those have 29.97 a second, those of 625 have 25."""
    return frame_rate > 27.0


def has_colour(features: Features, clean: Baseline) -> NDArray[np.bool_]:
    """Whether each frame (N,) shows colour; never where the camera sends none."""
    return np.asarray(features.colour > max(0.25 * clean.colour, 0.8))


def beyond(measured: Floats, clean: float) -> Floats:
    """What was added, in the sense of power, to what clean frames have."""
    return np.asarray(np.sqrt(np.maximum(np.nan_to_num(measured) ** 2 - clean**2, 0.0)))


def missing_figures(features: Features, clean: Baseline) -> Floats:
    """Share (N,) of the burned-in edges that clean frames show and this one does not; 0 where none are known.

    A picture so dark that no edge tells, as of a receiver without sync, shows no more of them than the one before.
    """
    shown = features.figures / clean.figures if clean.figures else features.figures
    told = np.isfinite(shown)
    last = np.maximum.accumulate(np.where(told, np.arange(len(shown)), -1))
    held = np.where(last >= 0, shown[np.maximum(last, 0)], 1.0) if len(shown) else shown
    return np.clip(1.0 - held, 0.0, 1.0)


def soft(excess: Floats, width: float) -> Floats:
    """0 … 1 for how far a value lies above (or, negative, below) a threshold, half at it."""
    return np.asarray(1.0 / (1.0 + np.exp(np.clip(-excess / width, -40.0, 40.0))))
