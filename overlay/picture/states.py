"""In which way each frame is broken: states with different physics, and the likeliest sequence of them.

Each state has a piece of evidence per frame, 0 … 1. They are asked in the order of `STATES`, the gravest first: a blank
picture has no noise to measure, one without sync no rows to compare. The answer to each question splits what the graver
ones left, so the eight shares of a frame add to 1; what is left over at the end is clean. A hidden Markov model with
these shares as its emission then finds the likeliest sequence (Viterbi 1967).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from overlay.picture.features import Features
from overlay.picture.impairment import grade_of, signal_to_noise_dB

Floats = NDArray[np.float64]

STATES = ("blank", "no sync", "frozen", "blocks", "tearing", "sparkle", "noise", "clean")
CLEAN = len(STATES) - 1
_STAY_s = 0.6
_LEAST_SHARE = 1e-4
ANNOYING_GRADE = 2.5
"""Half way from "slightly annoying" to "annoying" (ITU-R BT.500): what never gets worse is no break-up."""
_SPARKLES = 0.1
"""Clicks a line from which a picture is said to sparkle: one in ten lines, hard to overlook."""
_NOISE_OF_CLICKS = 6.0
"""Rms levels of noise below which an FM link does not click."""
_LUMA_PER_COLOUR = {False: (1.0, 1.3), True: (0.73, 0.84)}
"""Rms luminance error over the noise read in U and V, on the simulated link over recorders drawn by lot, by whether the picture
has 525 lines, of recorders that blend the fields and of those that weave them. Decoders of 625-line colour average two lines,
which those of 525 lines do not, and the subcarriers lie at 4.43 and 3.58 MHz."""
_LUMA_PER_FINE = 1.5
_WRONG_RMS, _LEAST_CONCEALED = 32.0, 0.05
"""Error of a wholly wrong picture of an ordinary scene, and the least share of it that is wrong where blocks are seen."""
_FIGURES_HIDDEN = 0.1
"""Share of the burned-in edges that noise and glare hide in a picture all of which is in its place."""
_SNOW, _UNLIKE = 10.0, 0.4
"""Rms levels of fine luminance noise that no camera adds of itself and no stripes on the ground are taken for, and the share
of a clean picture's likeness of neighbouring rows below which there is nothing but snow."""
_IN_PLACE = 0.2
"""Share of the burned-in edges that a picture in sync may lack: figures that change, noise, glare."""
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
    shown &= features.colour > 0.5 * _median(features.colour[shown])
    shown &= features.coherence > 0.7 * _median(features.coherence[shown])
    if not shown.any():
        shown = np.isfinite(features.brightness)
    noise = np.nan_to_num(features.colour_noise) + np.nan_to_num(features.fine_noise)
    clean = shown & (noise <= np.quantile(noise[shown], 1 / 3)) if shown.any() else shown
    middles = {name: _median(getattr(features, name)[clean]) for name in Baseline._fields}
    floors = {name: _low(getattr(features, name)[shown]) for name in _NOISES}
    floors["colour_noise"] *= _WANDERS
    return Baseline(**{**middles, **floors})


def _low(values: Floats) -> float:
    """What only a tenth of the frames falls below: of a flight that was noisy most of the time, the rest was not."""
    known = values[np.isfinite(values)]
    return float(np.quantile(known, 0.1)) if len(known) else 0.0


def _median(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else 0.0


def noise_rms(features: Features, clean: Baseline, frame_rate: float) -> Floats:
    """Rms luminance error (N,) that the link's noise makes, in levels, read from the noise in colour.

    The noise of an FM link rises with frequency, so colour, high up on its subcarrier, suffers first, and the scene has
    little fine colour to hide it: noise of a dim camera, texture and water stay out of it. Where there is no colour
    luminance must do.
    """
    colour = beyond(features.colour_noise, clean.colour_noise)
    fine = beyond(features.fine_noise, clean.fine_noise)
    luma_per_colour = np.interp(woven(features, clean, frame_rate), (0.0, 1.0), _LUMA_PER_COLOUR[is_525(frame_rate)])
    return np.where(has_colour(features, clean), luma_per_colour * colour, _LUMA_PER_FINE * fine)


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
    return unknown + sure * (float(_soft(np.array(near / max(line, 0.1) - _BLENDED), 0.03)) - unknown)


def is_525(frame_rate: float) -> bool:
    """Whether a composite picture of this frame rate has 525 lines: those have 29.97 a second, those of 625 have 25."""
    return frame_rate > 27.0


def has_colour(features: Features, clean: Baseline) -> NDArray[np.bool_]:
    """Whether each frame (N,) shows colour; never where the camera sends none."""
    return np.asarray(features.colour > max(0.25 * clean.colour, 0.8))


def beyond(measured: Floats, clean: float) -> Floats:
    """What was added, in the sense of power, to what clean frames have."""
    return np.asarray(np.sqrt(np.maximum(np.nan_to_num(measured) ** 2 - clean**2, 0.0)))


def sparkle(features: Features, clean: Baseline, frame_rate: float) -> Floats:
    """Clicks a line (N,) beyond the clean picture's, 0 where noise is so low that there can be none.

    An FM link clicks below 10 dB of carrier-to-noise ratio, where its noise has long been plain to see.
    """
    clicks = np.maximum(np.nan_to_num(features.clicks_per_line) - clean.clicks_per_line, 0.0)
    return np.where(noise_rms(features, clean, frame_rate) > _NOISE_OF_CLICKS, clicks, 0.0)


def error_rms(features: Features, clean: Baseline, frame_rate: float) -> Floats:
    """Rms luminance error (N,) against the clean picture, in levels: noise, clicks, misplaced rows."""
    clicks = sparkle(features, clean, frame_rate) * 3.0 / 720.0 * 110.0**2
    return np.sqrt(_steady_rms(features, clean, noise_rms(features, clean, frame_rate)) ** 2 + clicks)


def _steady_rms(features: Features, clean: Baseline, noise: Floats) -> Floats:
    """Rms luminance error (N,) without the clicks: noise, and in a noisy picture what is not in its place."""
    return np.sqrt(noise**2 + _disturbed(noise) * misplaced_rms(features, clean) ** 2)


def evidence(features: Features, clean: Baseline, frame_rate: float) -> Floats:
    """How much each state but the last explains each frame: (N, 7), 0 … 1, columns as in `STATES`."""
    gone = missing_figures(features, clean)
    noise = noise_rms(features, clean, frame_rate)
    flat = _soft(6.0 - features.spread, 1.0) * _soft(1.0 - np.nan_to_num(features.line_noise), 0.2)
    no_figures = np.where(np.isnan(features.figures), 1.0, _soft(gone - 0.45, 0.05))
    blank = flat * _soft(200.0 - features.brightness, 5.0) * no_figures
    steps = _soft(np.nan_to_num(features.step_px) - clean.step_px - 1.0, 0.2)
    tearing = steps * _doubtful(noise, gone)
    sparkling = _soft(sparkle(features, clean, frame_rate) - _SPARKLES, 0.03)
    noisy = _soft(ANNOYING_GRADE - grade_of(signal_to_noise_dB(_steady_rms(features, clean, noise))), 0.1)
    blocks = concealed(features, clean, noise)
    return np.stack(
        [blank, adrift(features, clean, noise), frozen(features), blocks, tearing, sparkling, noisy], axis=1
    )


def misplaced_rms(features: Features, clean: Baseline) -> Floats:
    """Rms luminance error (N,) of what is not in its place, by the share of the figures that went along.

    Rows of a receiver short of sync move aside, an echo's ghosts stand beside.
    """
    return _WRONG_RMS * np.sqrt(np.maximum(missing_figures(features, clean) - _FIGURES_HIDDEN, 0.0))


def concealed_rms(features: Features, clean: Baseline) -> Floats:
    """Rms luminance error (N,) of lost blocks, which are concealed and move with the scene: no noise hides figures there."""
    return _WRONG_RMS * np.sqrt(np.maximum(missing_figures(features, clean), _LEAST_CONCEALED))


def missing_figures(features: Features, clean: Baseline) -> Floats:
    """Share (N,) of the burned-in edges that clean frames show and this one does not; 0 where none are known."""
    shown = features.figures / clean.figures if clean.figures else features.figures
    return np.clip(1.0 - np.nan_to_num(shown, nan=1.0), 0.0, 1.0)


def concealed(features: Features, clean: Baseline, noise: Floats) -> Floats:
    """1 where blocks are those of lost packets (N,): the decoder says so, or they come without noise and cost figures.

    A recorder short of bits blocks up, too, but leaves the figures where they are. What a decoder conceals is moved
    along with the scene, burned-in figures and all.
    """
    edges = _soft(features.block_edges - clean.block_edges - 0.02, 0.004)
    gone, quiet = missing_figures(features, clean), _soft(2.0 - noise, 0.3)
    smeared = _soft(gone - 0.3, 0.04) * (features.spread > 12.0)
    return np.asarray(np.maximum(features.corrupt, quiet * np.maximum(smeared, edges * _soft(gone - 0.1, 0.02))))


def adrift(features: Features, clean: Baseline, noise: Floats) -> Floats:
    """1 where lines no longer continue lines and the figures or the colour have gone as well, 0 elsewhere (N,).

    Furrows and other fine stripes make lines that do not continue each other, either, but no noise, and move no figures.
    A white-out takes colour and neighbouring lines' likeness along, too; figures that stand in place tell it from lost sync.
    Snow alone is lost sync whatever the colour: a receiver that finds no burst shows some of the noise as colour.
    """
    apart = _soft(0.6 * clean.coherence - features.coherence, 0.04)
    gone = missing_figures(features, clean)
    no_figures = _soft(gone - 0.45, 0.05)
    in_place = np.isfinite(features.figures) * _soft(_IN_PLACE - gone, 0.02)
    no_colour = np.where(has_colour(features, clean) | (clean.colour < 1.6), 0.0, 1.0 - in_place)
    rough = _soft(beyond(features.line_noise, clean.line_noise) - 3.0, 0.5)
    torn = _soft(np.nan_to_num(features.torn) - 0.5, 0.05) * rough * _doubtful(noise, gone)
    bar = _soft(features.dark_bar - 0.05, 0.01) * no_figures
    with_it = np.maximum(np.maximum(no_figures, no_colour * rough), torn)
    snow = _soft(beyond(features.fine_noise, clean.fine_noise) - _SNOW, 1.0)
    snow *= _soft(_UNLIKE * clean.coherence - features.coherence, 0.04)
    return np.asarray(np.maximum(np.maximum(apart * with_it, bar), snow))


def _doubtful(noise: Floats, gone: Floats) -> Floats:
    """Whether a receiver about to lose sync may have made a picture (N,): one with noise, or with figures out of place."""
    return np.maximum(_disturbed(noise), _soft(gone - 0.25, 0.05))


def _disturbed(noise: Floats) -> Floats:
    """Whether there is noise to see in a picture (N,)."""
    return _soft(noise - 4.0, 1.0)


def frozen(features: Features) -> Floats:
    """1 in runs of three frames and more that stop dead and go on with a jump, 0 elsewhere (N,).

    A scene that merely stands still comes to rest and sets out again; a frozen picture stops between two frames.
    """
    still = np.nan_to_num(features.changed, nan=1.0) < 0.004
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]]).astype(int)))
    result = np.zeros(len(features))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        before, after = features.changed[max(0, start - 6) : start], features.changed[end : end + 1]
        moving = _median(before) > 0.1
        if end - start >= 3 and moving and (not len(after) or after[0] > 0.1):
            result[start:end] = 1.0
    return result


def shares(given: Floats) -> Floats:
    """Split each frame among the states (N, 8) by asking for each piece of evidence (N, 7) in turn."""
    left = np.cumprod(np.concatenate([np.ones((len(given), 1)), 1.0 - given], axis=1), axis=1)
    share: Floats = left * np.concatenate([given, np.ones((len(given), 1))], axis=1)
    return share


def likeliest(share: Floats, frame_rate: float) -> NDArray[np.intp]:
    """Likeliest sequence of states (N,) for shares (N, 8); a state lasts `_STAY_s` on average."""
    count = share.shape[1]
    leave = 1.0 / max(2.0, _STAY_s * frame_rate)
    move = np.full((count, count), np.log(leave / (count - 1)))
    np.fill_diagonal(move, np.log1p(-leave))
    emission = np.log(np.maximum(share, _LEAST_SHARE))
    came_from = np.zeros(share.shape, dtype=np.int8)
    score = np.zeros(count)
    for frame, seen in enumerate(emission):
        options = score[:, None] + move
        came_from[frame] = options.argmax(axis=0)
        score = options.max(axis=0) + seen
    path = np.zeros(len(share), dtype=np.intp)
    if len(path):
        path[-1] = int(score.argmax())
    for frame in range(len(path) - 1, 0, -1):
        path[frame - 1] = came_from[frame, path[frame]]
    return path


def _soft(excess: Floats, width: float) -> Floats:
    return np.asarray(1.0 / (1.0 + np.exp(np.clip(-excess / width, -40.0, 40.0))))
