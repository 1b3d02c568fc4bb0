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
from overlay.alignment.refine import CAUCHY, Fit
from overlay.alignment.result import ChapterClock
from overlay.alignment.sampling import Averager
from overlay.motion.series import MotionSeries

Floats = NDArray[np.float64]
Chapters = Sequence[tuple[str, float]]  # file and the recording's time at its first frame

REACH_S = 8.0  # a camera that loses more between two chapters is taken for two recordings
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
    fields = ("rate_radps", "bank_rad", "stillness", "confidence", "upward_mps2", "interval_s")
    kept = {name: value[order] for name in fields if len(value := getattr(series, name))}
    return replace(series, time_s=time[order], **kept)


def chapter_clocks(found: Fit, chapters: Chapters, lags: Floats) -> tuple[ChapterClock, ...]:
    """Each chapter's offset, jump and σ: `lags` (C,) already taken out, plus what its own blocks still ask for.

    What a chapter asks for is weighed against the prior of a frame, so a chapter without manoeuvres follows its neighbours.
    """
    owner = _owner(found.clock.to_recording(found.block_s) - 0.0, _moved_starts(chapters, lags))
    information = found.information[:, :, 0, 0].sum(axis=1)
    score = found.score[:, :, 0].sum(axis=1)
    clocks: list[ChapterClock] = []
    before = 0.0
    for c, (file, start) in enumerate(chapters):
        mine = owner == c
        weight = max(float(information[mine].sum()), 0.0)
        spread = float((score[mine] ** 2).sum())
        variance = spread / weight**2 if weight > 0 else np.inf
        share = FRAME_S**2 / (FRAME_S**2 + variance) if np.isfinite(variance) else 0.0
        lag = float(lags[c]) + share * (float(score[mine].sum()) / weight if weight > 0 else 0.0)
        sigma = float(np.sqrt(share * variance)) if share > 0 else FRAME_S
        clocks.append(ChapterClock(file, found.clock.offset_s + lag, lag - before if c else 0.0, sigma, start))
        before = lag
    return tuple(clocks)


def _owner(time_s: Floats, chapters: Chapters) -> NDArray[np.intp]:
    starts = np.array([start for _, start in chapters])
    return np.clip(np.searchsorted(starts, time_s, side="right") - 1, 0, len(chapters) - 1)


def _moved_starts(chapters: Chapters, lags: Floats) -> Chapters:
    return [(file, start + lag) for (file, start), lag in zip(chapters, lags, strict=True)]


def _noise(compared: Comparison, found: Fit) -> Floats:
    at_home = compared.wanted - compared.seen(found.pose)
    return np.maximum(1.4826 * np.nanmedian(np.abs(at_home), axis=0), 1e-6)
