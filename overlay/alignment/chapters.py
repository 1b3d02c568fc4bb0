"""A recording's chapters: each may have begun later than the one before it ended says.

Cameras close one file and open the next; most lose nothing, some a frame, a few whole seconds. A chapter's jump is found
against the fit of the whole, which the other chapters carry; then it is taken out of the recording's times.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from overlay.alignment.comparison import Comparison, Reference
from overlay.alignment.refine import CAUCHY, Fit, Steps, stepped
from overlay.alignment.result import ChapterClock
from overlay.alignment.sampling import Averager
from overlay.motion.series import MotionSeries

Floats = NDArray[np.float64]
Chapters = Sequence[tuple[str, float]]  # file and the recording's time at its first frame

REACH_S = 8.0  # a camera that loses more between two chapters is taken for two recordings
ROUGH_SIGMA_S = 0.5  # of a lag found while the clock's drift still stood for a part of it
STANDS_OUT = 3.0  # standard errors that make time lost between chapters
FRAME_S = 1 / 30  # the prior: what a chapter usually loses is within a frame


def rough_jumps(reference: Reference, recording: Averager, found: Fit, chapters: Chapters) -> Floats:
    """(C,) seconds by which each chapter lies late on the fitted clock, to a tenth; 0 where it does not tell."""
    compared = reference.against(recording, found.clock, max(1.0, reference.spacing_s), max(0.5, reference.spacing_s))
    owner = _owner(found.clock.to_recording(compared.times), chapters)
    lags = np.arange(-REACH_S, REACH_S + 1e-9, 0.1)
    noise = _noise(compared, found)
    loss = np.full((len(lags), len(chapters)), np.nan)
    for k, lag in enumerate(lags):
        misfit = np.log1p(((compared.wanted - compared.seen(found.pose, -lag)) / (CAUCHY * noise)) ** 2)
        misfit = misfit.sum(axis=1)
        for c in range(len(chapters)):
            mine = misfit[(owner == c) & np.isfinite(misfit)]
            if len(mine) > 30:
                loss[k, c] = mine.mean()
    jumps = np.zeros(len(chapters))
    for c in range(len(chapters)):
        curve = loss[:, c]
        if np.isfinite(curve).all() and (np.median(curve) - curve.min()) * (owner == c).sum() > 12.0:
            jumps[c] = lags[int(np.argmin(curve))]
    return np.where(np.abs(jumps) > 0.15, jumps, 0.0)


def without(series: MotionSeries, chapters: Chapters, lags: Floats) -> MotionSeries:
    """The recording's motion with each chapter's lag (C,) taken out of its times."""
    time = series.time_s + lags[_owner(series.time_s, chapters)]
    order = np.argsort(time, kind="stable")
    fields = ("rate_radps", "bank_rad", "stillness", "confidence", "upward_mps2", "interval_s", "row")
    kept = {name: value[order] for name in fields if len(value := getattr(series, name))}
    return replace(series, time_s=time[order], **kept)


def fine_jumps(
    reference: Reference, recording: Averager, found: Fit, chapters: Chapters, lags: Floats
) -> tuple[Floats, Floats]:
    """(C,) seconds by which each chapter lies late against the first, starting from `lags` (C,), and their covariance (C, C).

    Clock, mount and lags are solved together: a picture lost between two chapters and a clock that drifts look alike but for
    the step. A lag that does not stand out by `STANDS_OUT` σ is none, and the others are solved again without it. A chapter
    is thought late by a frame at most, unless it was found to have lost more.
    """
    spacing = reference.spacing_s
    compared = reference.against(recording, found.clock, max(spacing, 0.5), max(spacing, 0.1))
    owner = _owner(found.clock.to_recording(compared.times), _moved_starts(chapters, lags))
    before = np.where(lags != 0, ROUGH_SIGMA_S, FRAME_S)
    late = np.arange(len(chapters)) > 0
    lags, covariance = lags.copy(), np.zeros((len(chapters),) * 2)
    while late.any():
        steps = Steps(owner[:, None] == np.flatnonzero(late), lags[late], before[late])
        covariance[:] = 0.0
        _, lags[late], covariance[np.ix_(late, late)] = stepped(compared, found.pose, found.prior, steps)
        unit = np.where(late, np.abs(lags) / np.sqrt(np.where(late, covariance.diagonal(), 1.0)), np.inf)
        faintest = int(np.argmin(unit))
        if unit[faintest] >= STANDS_OUT:
            break
        late[faintest], lags[faintest] = False, 0.0  # one by one: without it the others may stand out
    return lags, covariance


def with_lags(found: Fit, chapters: Chapters, lags: Floats, covariance: Floats) -> Fit:
    """The fit, as uncertain as the lags (C,) that were taken out beforehand make it: a wrong one bends the clock."""
    owner = _owner(found.clock.to_recording(found.block_s), _moved_starts(chapters, lags))
    pulled = np.column_stack([found.pulled_by(owner == c) for c in range(len(chapters))])
    return replace(found, shared=pulled @ covariance @ pulled.T)


def chapter_clocks(found: Fit, chapters: Chapters, lags: Floats, covariance: Floats) -> tuple[ChapterClock, ...]:
    """Each chapter's offset, jump and σ, from the lags (C,) that were taken out."""
    sigma_s = np.sqrt(covariance.diagonal())
    jumps = np.diff(lags, prepend=lags[0])
    return tuple(
        ChapterClock(file, found.clock.offset_s + float(lag), float(jump), float(sigma), start)
        for (file, start), lag, jump, sigma in zip(chapters, lags, jumps, sigma_s, strict=True)
    )


def _owner(time_s: Floats, chapters: Chapters) -> NDArray[np.intp]:
    starts = np.array([start for _, start in chapters])
    return np.clip(np.searchsorted(starts, time_s, side="right") - 1, 0, len(chapters) - 1)


def _moved_starts(chapters: Chapters, lags: Floats) -> Chapters:
    return [(file, start + lag) for (file, start), lag in zip(chapters, lags, strict=True)]


def _noise(compared: Comparison, found: Fit) -> Floats:
    at_home = compared.wanted - compared.seen(found.pose)
    return np.maximum(1.4826 * np.nanmedian(np.abs(at_home), axis=0), 1e-6)
