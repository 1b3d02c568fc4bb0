"""In which way each frame is broken: states with different physics, and the likeliest sequence of them.

Each state has a piece of evidence per frame, 0 … 1. They are asked in the order of `STATES`, the gravest first: a blank
picture has no noise to measure, one without sync no rows to compare. The answer to each question splits what the graver
ones left, so the eight shares of a frame add to 1; what is left over at the end is clean. A hidden Markov model with
these shares as its emission then finds the likeliest sequence (Viterbi 1967).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from overlay.picture.clean_part import Baseline, beyond, has_colour, median, missing_figures, soft
from overlay.picture.features import Features
from overlay.picture.impairment import grade_of, signal_to_noise_dB
from overlay.picture.link_noise import noise_rms, sparkle

Floats = NDArray[np.float64]

STATES = ("blank", "no sync", "frozen", "blocks", "tearing", "sparkle", "noise", "clean")
CLEAN = len(STATES) - 1
_STAY_s = 0.6
_LEAST_SHARE = 1e-4
ANNOYING_GRADE = 2.5
"""Half way from "slightly annoying" to "annoying" (ITU-R BT.500): what never gets worse is no break-up."""
_SPARKLES = 0.1
"""Clicks a line from which a picture is said to sparkle: one in ten lines, hard to overlook."""
_WRONG_RMS, _LEAST_CONCEALED = 32.0, 0.05
"""Error of a wholly wrong picture of an ordinary scene, and the least share of it that is wrong where blocks are seen."""
_FIGURES_HIDDEN = 0.1
"""Share of the burned-in edges that noise and glare hide in a picture all of which is in its place."""
_SNOW, _UNLIKE = 10.0, 0.4
"""Rms levels of fine luminance noise that no camera adds of itself and no stripes on the ground are taken for, and the share
of a clean picture's likeness of neighbouring rows below which there is nothing but snow."""
_IN_PLACE = 0.2
"""Share of the burned-in edges that a picture in sync may lack: figures that change, noise, glare."""


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
    flat = soft(6.0 - features.spread, 1.0) * soft(1.0 - np.nan_to_num(features.line_noise), 0.2)
    no_figures = np.where(np.isnan(features.figures), 1.0, soft(gone - 0.45, 0.05))
    blank = flat * soft(200.0 - features.brightness, 5.0) * no_figures
    steps = soft(np.nan_to_num(features.step_px) - clean.step_px - 1.0, 0.2)
    tearing = steps * _doubtful(noise, gone)
    sparkling = soft(sparkle(features, clean, frame_rate) - _SPARKLES, 0.03)
    noisy = soft(ANNOYING_GRADE - grade_of(signal_to_noise_dB(_steady_rms(features, clean, noise))), 0.1)
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
    wrong = np.maximum(missing_figures(features, clean), features.banded)
    return _WRONG_RMS * np.sqrt(np.maximum(wrong, _LEAST_CONCEALED))


def concealed(features: Features, clean: Baseline, noise: Floats) -> Floats:
    """1 where blocks are those of lost packets (N,): the decoder says so, or they come without noise and cost figures.

    A recorder short of bits blocks up, too, but leaves the figures where they are. What a decoder conceals is moved
    along with the scene, burned-in figures and all.
    """
    edges = soft(features.block_edges - clean.block_edges - 0.02, 0.004)
    gone, quiet = missing_figures(features, clean), soft(2.0 - noise, 0.3)
    smeared = soft(gone - 0.3, 0.04) * (features.spread > 12.0)
    lost = np.maximum(np.maximum(smeared, edges * soft(gone - 0.1, 0.02)), features.banded > 0.0)
    return np.asarray(np.maximum(features.corrupt, quiet * lost))


def adrift(features: Features, clean: Baseline, noise: Floats) -> Floats:
    """1 where lines no longer continue lines and the figures or the colour have gone as well, 0 elsewhere (N,).

    Furrows and other fine stripes make lines that do not continue each other, either, but no noise, and move no figures.
    A white-out takes colour and neighbouring lines' likeness along, too; figures that stand in place tell it from lost sync.
    Snow alone is lost sync whatever the colour: a receiver that finds no burst shows some of the noise as colour.
    """
    apart = soft(0.6 * clean.coherence - features.coherence, 0.04)
    gone = missing_figures(features, clean)
    no_figures = soft(gone - 0.45, 0.05)
    in_place = np.isfinite(features.figures) * soft(_IN_PLACE - gone, 0.02)
    no_colour = np.where(has_colour(features, clean) | (clean.colour < 1.6), 0.0, 1.0 - in_place)
    rough = soft(beyond(features.line_noise, clean.line_noise) - 3.0, 0.5)
    torn = soft(np.nan_to_num(features.torn) - 0.5, 0.05) * rough * _doubtful(noise, gone) * (1.0 - in_place)
    bar = soft(features.dark_bar - 0.05, 0.01) * no_figures
    with_it = np.maximum(np.maximum(no_figures, no_colour * rough), torn)
    snow = soft(beyond(features.fine_noise, clean.fine_noise) - _SNOW, 1.0)
    snow *= soft(_UNLIKE * clean.coherence - features.coherence, 0.04)
    return np.asarray(np.maximum(np.maximum(apart * with_it, bar), snow))


def _doubtful(noise: Floats, gone: Floats) -> Floats:
    """Whether a receiver about to lose sync may have made a picture (N,): one with noise, or with figures out of place."""
    return np.maximum(_disturbed(noise), soft(gone - 0.25, 0.05))


def _disturbed(noise: Floats) -> Floats:
    """Whether there is noise to see in a picture (N,)."""
    return soft(noise - 4.0, 1.0)


def frozen(features: Features) -> Floats:
    """1 in runs of three frames and more that stop dead and go on with a jump, 0 elsewhere (N,).

    A scene that merely stands still comes to rest and sets out again; a frozen picture stops between two frames.
    """
    still = np.nan_to_num(features.changed, nan=1.0) < 0.004
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]]).astype(int)))
    result = np.zeros(len(features))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        before, after = features.changed[max(0, start - 6) : start], features.changed[end : end + 1]
        moving = median(before) > 0.1
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
