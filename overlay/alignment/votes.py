"""What the parts of a flight say by themselves: windows, halves and channels asked one at a time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import binom

from overlay.alignment.comparison import Comparison
from overlay.alignment.refine import CAUCHY, Fit

Floats = NDArray[np.float64]

WINDOW_S = (8.0, 20.0)
WINDOWS = 10  # of a short flight: fewer cannot outvote chance, however well they agree
REACH_S = 4.0
NEAR_S = 0.6


@dataclass(frozen=True)
class WindowVotes:
    """For windows centred at `window_s` (W,): the lag each likes best within ± `REACH_S`, and whether it has a say."""

    window_s: Floats
    favourite_s: Floats
    informative: NDArray[np.bool_]

    @property
    def asked(self) -> int:
        """Windows that turn enough to have a say."""
        return int(self.informative.sum())

    @property
    def agreeing(self) -> int:
        """Those among them whose best lag is the clock's."""
        return int((np.abs(self.favourite_s[self.informative]) < NEAR_S).sum())

    @property
    def probability(self) -> float:
        """Chance of so many agreeing when each picks its lag at random."""
        return float(binom.sf(self.agreeing - 1, self.asked, NEAR_S / REACH_S)) if self.asked else 1.0


def window_votes(compared: Comparison, found: Fit) -> WindowVotes:
    """Robust misfit of every window at every lag; a window has a say when its best lag clearly beats the average one."""
    lags = np.arange(-REACH_S, REACH_S + 1e-9, 0.1)
    width = float(np.clip((compared.times[-1] - compared.times[0]) / WINDOWS, *WINDOW_S))
    window = np.floor((compared.times - compared.times[0]) / width).astype(np.intp)
    count = int(window[-1]) + 1
    at_home = compared.wanted - compared.seen(found.pose)
    noise = np.maximum(1.4826 * np.nanmedian(np.abs(at_home), axis=0), 1e-6)
    loss, seen = np.zeros((len(lags), count)), np.zeros((len(lags), count))
    for k, lag in enumerate(lags):
        got = compared.seen(found.pose, -lag)
        misfit = np.log1p(((compared.wanted - got) / (CAUCHY * noise)) ** 2).sum(axis=1)
        known = np.isfinite(misfit)
        np.add.at(loss[k], window[known], misfit[known])
        np.add.at(seen[k], window[known], 1.0)
    mean = loss / np.maximum(seen, 1.0)
    full = seen.min(axis=0) >= 0.5 * np.bincount(window, minlength=count).max()
    contrast = (mean.mean(axis=0) - mean.min(axis=0)) * seen.mean(axis=0)
    favourite = lags[np.argmin(mean, axis=0)]
    centres = compared.times[0] + (np.arange(count) + 0.5) * width
    return WindowVotes(centres, favourite, full & (contrast > 6.0))


def half_lags(found: Fit) -> list[tuple[float, float]]:
    """(lag, σ) of either half of the information, everything else held."""
    information, score = found.information[:, :, 0, 0].sum(axis=1), found.score[:, :, 0].sum(axis=1)
    cut = int(np.searchsorted(np.cumsum(information), information.sum() / 2))
    return [_lag(information[part], score[part]) for part in (slice(None, cut), slice(cut, None))]


def channel_lags(found: Fit) -> dict[str, tuple[float, float]]:
    """(lag, σ) that each channel asks for by itself, everything else held; those that carry next to nothing left out."""
    total = found.information[:, :, 0, 0].sum()
    lags = {}
    for k, name in enumerate(found.agreement):
        information = found.information[:, k, 0, 0]
        if information.sum() > 0.02 * total:
            lags[name] = _lag(information, found.score[:, k, 0])
    return lags


def disagreement(parts: list[tuple[float, float]]) -> float:
    """Birge ratio √(χ²/ν) of the parts' lags about their weighted mean, at least 1: by how much σ is too small."""
    if len(parts) < 2:
        return 1.0
    lag, sigma = np.array(parts).T
    mean = np.average(lag, weights=sigma**-2)
    return float(max(1.0, np.sqrt((((lag - mean) / sigma) ** 2).sum() / (len(parts) - 1))))


def _lag(information: Floats, score: Floats) -> tuple[float, float]:
    total = float(information.sum())
    if total <= 0 or len(score) < 2:
        return 0.0, float("inf")
    lag = float(score.sum()) / total
    spread = score - information * lag
    return lag, float(np.sqrt(max((spread**2).sum() * len(score) / (len(score) - 1), total))) / total


def apart_sigma(parts: list[tuple[float, float]]) -> float:
    """Largest distance between two parts' lags in units of their joint σ."""
    return max(
        (
            abs(a[0] - b[0]) / np.hypot(a[1], b[1])
            for i, a in enumerate(parts)
            for b in parts[:i]
            if np.hypot(a[1], b[1]) > 0
        ),
        default=0.0,
    )


def windows_lags(found: Fit, per: int = 3) -> tuple[Floats, Floats, Floats]:
    """(centre, lag, σ) of runs of `per` blocks, for the picture of the residuals; runs without information left out."""
    information, score = found.information[:, :, 0, 0].sum(axis=1), found.score[:, :, 0].sum(axis=1)
    rows = []
    for k in range(0, len(found.block_s), per):
        run = slice(k, k + per)
        total = float(information[run].sum())
        if total > 0:
            rows.append((float(found.block_s[run].mean()), float(score[run].sum()) / total, total))
    if not rows:
        return np.zeros(0), np.zeros(0), np.zeros(0)
    centre, lag, weight = np.array(rows).T
    # σ from the information, scaled by the scatter that the runs really show.
    scale = 1.4826 * float(np.median(np.abs(lag) * np.sqrt(weight)))
    return centre, lag, max(scale, 1.0) / np.sqrt(weight)
