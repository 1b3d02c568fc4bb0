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

from overlay.picture.clicks import VALID_dB, carrier_to_noise_dB
from overlay.picture.features import Features
from overlay.picture.impairment import grade_of, signal_to_noise_dB

Floats = NDArray[np.float64]

STATES = ("blank", "no sync", "frozen", "blocks", "tearing", "sparkle", "noise", "clean")
CLEAN = len(STATES) - 1
_STAY_s = 0.6
_LEAST_SHARE = 1e-4


class Baseline(NamedTuple):
    """What the clean part of this recording measures: the recorder's own noise and blocking, the scene's own detail."""

    line_noise: float
    change_noise: float
    clicks_per_line: float
    step_px: float
    coherence: float
    colour: float
    block_edges: float
    change: float


def baseline(features: Features) -> Baseline:
    """Medians over the cleanest third of the frames that show a picture at all, by noise."""
    shown = (features.spread > 12.0) & np.isfinite(features.line_noise) & (features.corrupt == 0)
    if not shown.any():
        shown = np.isfinite(features.brightness)
    noise = np.where(shown, np.nan_to_num(features.line_noise, nan=np.inf), np.inf)
    clean = shown & (noise <= np.quantile(noise[shown], 1 / 3))
    middles = {name: getattr(features, name)[clean] for name in Baseline._fields}
    return Baseline(**{name: _median(values) for name, values in middles.items()})


def _median(values: Floats) -> float:
    known = values[np.isfinite(values)]
    return float(np.median(known)) if len(known) else 0.0


def error_rms(features: Features, clean: Baseline) -> Floats:
    """Rms luminance error (N,) against the clean picture, in levels, as far as noise and clicks explain it."""
    noise = np.sqrt(np.maximum(np.nan_to_num(features.line_noise) ** 2 - clean.line_noise**2, 0.0))
    clicks = np.maximum(features.clicks_per_line - clean.clicks_per_line, 0.0)
    return np.sqrt(noise**2 + clicks * 3.0 / 720.0 * 110.0**2)


def evidence(features: Features, clean: Baseline) -> Floats:
    """How much each state but the last explains each frame: (N, 7), 0 … 1, columns as in `STATES`."""
    missing_figures = 1.0 - np.nan_to_num(features.figures, nan=1.0)
    flat = _soft(6.0 - features.spread, 1.0) * _soft(1.0 - np.nan_to_num(features.line_noise), 0.2)
    blank = flat * _soft(200.0 - features.brightness, 5.0) * np.where(np.isnan(features.figures), 1.0, missing_figures)
    torn = np.nan_to_num(features.torn)
    no_sync = np.maximum(_soft(torn - 0.5, 0.05), _soft(features.dark_bar - 0.05, 0.01))
    blocks = np.maximum(_soft(features.block_edges - clean.block_edges - 0.02, 0.004), features.corrupt)
    tearing = _soft(np.nan_to_num(features.step_px) - clean.step_px - 1.0, 0.2)
    ratio = np.nan_to_num(carrier_to_noise_dB(features.clicks_per_line - clean.clicks_per_line), nan=20.0)
    sparkle = _soft(VALID_dB[1] - 1.0 - ratio, 0.3)
    noise = _soft(3.0 - grade_of(signal_to_noise_dB(error_rms(features, clean))), 0.15)
    return np.stack([blank, no_sync, frozen(features), blocks, tearing, sparkle, noise], axis=1)


def frozen(features: Features) -> Floats:
    """1 in runs of three frames and more that stop dead and go on with a jump, 0 elsewhere (N,).

    A scene that merely stands still comes to rest and sets out again; a frozen picture stops between two frames.
    """
    still = np.nan_to_num(features.changed, nan=1.0) < 0.004
    edges = np.flatnonzero(np.diff(np.concatenate([[False], still, [False]]).astype(int)))
    result = np.zeros(len(features))
    for start, end in zip(edges[::2], edges[1::2], strict=True):
        before, after = features.changed[max(0, start - 6) : start], features.changed[end : end + 1]
        moving = len(before) > 0 and np.nanmedian(before) > 0.1
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
