"""Means of a motion series over any window of its clock: how two series of different rates become comparable.

Rates are piecewise constant over the intervals they were measured over, so their running integral is exact at the
interval ends and a mean over a window is a difference of two readings of it. That is zero-phase, handles variable
rates and gaps alike, and brings a 30 Hz picture to the very quantity that a 1 Hz log measured.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from overlay.motion.series import MotionSeries

Floats = NDArray[np.float64]

MIN_COVER = 0.7  # of a window that must be known for its mean to count
PARTS = 4  # of an interval, once interpolated
REMEMBERED = 6  # answers: a slope takes three moments, and after it those of the place itself are asked for again
TOUCHING_S = 1e-9  # between intervals that touch but for rounding


class Averager:
    """Windowed means of columns (N, C) whose rows hold over ``time_s ± interval_s / 2``; a row with a NaN is unknown.

    `sampled_s` is the usual interval of what was measured, where the rows are something finer made of it.
    """

    def __init__(self, time_s: Floats, interval_s: Floats, values: Floats, sampled_s: float | None = None) -> None:
        known = np.all(np.isfinite(values), axis=1) & np.isfinite(interval_s) & (interval_s > 0)
        time, interval, values = time_s[known], interval_s[known], values[known]
        start, end = time - interval / 2, time + interval / 2
        if len(time):
            start[1:] = np.maximum(start[1:], end[:-1])
            end = np.maximum(end, start)
        self._nodes = np.column_stack((start, end)).ravel()
        length = end - start
        # Running integrals at the nodes: how long is known, then each column.
        self._running = np.column_stack([_running(length), *(_running(length * column) for column in values.T)])
        self._stretches = _stretches(self._nodes, self._running)
        self._starts = self._stretches[:, 0].copy()
        self.sampled_s = sampled_s or (float(np.median(length)) if len(length) else 1.0)
        self.middles = time
        self.kept = known
        self.span = (float(start[0]), float(end[-1])) if len(time) else (0.0, 0.0)
        self.known_s = float(length.sum())

    def groups(self, width_s: float, stride_s: float) -> tuple[Floats, Floats, NDArray[np.intp], int]:
        """(centres, widths, first, run) of runs of whole intervals about `width_s` long and `stride_s` apart.

        None lies across a gap; each begins at interval `first` of those kept and is `run` intervals long.

        A mean over whole intervals is what the source measured; one that cuts an interval is not, and as the cut
        falls at the same phase all along a regular log it would shift the time.
        """
        start, end = self._nodes[::2], self._nodes[1::2]
        if len(start) < 2:
            return np.zeros(0), np.zeros(0), np.zeros(0, np.intp), 1
        usual = float(np.median(end - start))
        run, stride = max(1, round(width_s / usual)), max(1, round(stride_s / usual))
        first = np.arange(0, len(start) - run + 1, stride)
        low, high = start[first], end[first + run - 1]
        whole = self._running[2 * (first + run) - 1, 0] - self._running[2 * first, 0] >= 0.98 * (high - low)
        return ((low + high) / 2)[whole], (high - low)[whole], first[whole], run

    def means(self, centre_s: Floats, width_s: float | Floats, cover: float = MIN_COVER) -> Floats:
        """(M, C) means over ``centre ± width / 2``; NaN rows where less than `cover` of the window is known."""
        if not len(self._nodes):
            return np.full((len(centre_s), self._running.shape[1] - 1), np.nan)
        total = self._integral(centre_s + width_s / 2) - self._integral(centre_s - width_s / 2)
        known_s = np.where(total[:, 0] >= cover * width_s, total[:, 0], np.nan)
        return np.asarray(total[:, 1:] / known_s[:, None])

    def smoothed(self, extra_s: float) -> Averager:
        """The same samples, each averaged over `extra_s` about its middle."""
        if extra_s <= 0 or not len(self._nodes):
            return self
        return Averager(self.middles, np.diff(self._nodes)[::2], self.means(self.middles, extra_s), self.sampled_s)

    def interpolated(self, parts: int = PARTS) -> Averager:
        """Each interval cut into `parts` that follow the neighbours: a cubic spline through the running integral.

        Constant over an interval, a window that cuts two intervals averages their noise and one that cuts none does not; so
        the noise would draw a clock toward the middle between two frames, by up to 5 ms at 15 frames a second.
        """
        start, end = self._nodes[::2], self._nodes[1::2]
        edges = [0, *(np.flatnonzero(start[1:] - end[:-1] > 1e-3 * (end - start)[1:]) + 1).tolist(), len(start)]
        pieces = [self._subdivided(low, high, parts) for low, high in pairwise(edges) if high > low]
        if not pieces:
            return self
        time, interval, values = (np.concatenate(column) for column in zip(*pieces, strict=True))
        return Averager(time, interval, values, self.sampled_s)

    def _subdivided(self, low: int, high: int, parts: int) -> tuple[Floats, Floats, Floats]:
        """(middles, lengths, values) of intervals `low` to `high`, which touch."""
        knots = np.append(self._nodes[2 * low : 2 * high : 2], self._nodes[2 * high - 1])
        reached = self._running[np.append(np.arange(2 * low, 2 * high, 2), 2 * high - 1), 1:]
        shares = np.arange(high - low + 1.0)
        edges = np.interp(np.arange((high - low) * parts + 1) / parts, shares, knots)
        lengths = np.diff(edges)
        turned = CubicSpline(knots, reached)(edges)
        return (edges[1:] + edges[:-1]) / 2, lengths, np.diff(turned, axis=0) / lengths[:, None]

    def _integral(self, time_s: Floats) -> Floats:
        """(M, 1 + C) running integrals at any time: one search serves all columns."""
        at = np.clip(np.searchsorted(self._starts, time_s, side="right") - 1, 0, None)
        rows = self._stretches.take(at, axis=0)
        part = np.clip((time_s - rows[:, 0]) / rows[:, 1], 0.0, 1.0)[:, None]
        count = self._running.shape[1]
        return np.asarray(rows[:, 2 : 2 + count] + part * rows[:, 2 + count :])


def _stretches(nodes: Floats, running: Floats) -> Floats:
    """(S, 2 + 2K) start, length, integrals (K) at the start and what they gain, of every stretch known or not.

    Side by side in memory, where one look finds all of it; where intervals touch there is nothing between them.
    """
    length = np.diff(nodes)
    rows = np.column_stack((nodes[:-1], length, running[:-1], np.diff(running, axis=0)))
    return np.ascontiguousarray(rows[length > TOUCHING_S])


def _running(steps: Floats) -> Floats:
    """Running sum at each interval's start and end."""
    after = np.cumsum(steps)
    return np.column_stack((after - steps, after)).ravel()


def smoothed_means(
    source: Averager, centre_s: Floats, width_s: float | Floats, extra_s: float, cover: float = MIN_COVER
) -> Floats:
    """Means as `Averager.means`, averaged once more over `extra_s`."""
    shifts = extra_s * np.array([-0.375, -0.125, 0.125, 0.375]) if extra_s > 0 else np.zeros(1)
    return np.asarray(sum(source.means(centre_s + shift, width_s, cover) for shift in shifts)) / len(shifts)


class Remembered:
    """A function of moments (N,) with its last few answers: slopes by the mount ask for the same moments time and again."""

    def __init__(self, answer: Callable[[Floats], Floats], most: int = REMEMBERED) -> None:
        self._answer, self._most = answer, most
        self._answers: OrderedDict[bytes, Floats] = OrderedDict()

    def __call__(self, moments: Floats) -> Floats:
        """The answer; not to be written to."""
        asked = moments.tobytes()
        if asked not in self._answers:
            self._answers[asked] = self._answer(moments)
            if len(self._answers) > self._most:
                self._answers.popitem(last=False)
        self._answers.move_to_end(asked)
        return self._answers[asked]


def intervals(series: MotionSeries) -> Floats:
    """`interval_s` of the series, else its spacing, bounded so that a gap stays a gap."""
    if len(series.interval_s):
        return series.interval_s
    if len(series.time_s) < 2:
        return np.ones(len(series.time_s))
    gaps = np.diff(series.time_s)
    usual = float(np.median(gaps))
    nearer = np.minimum(np.append(gaps, gaps[-1]), np.append(gaps[0], gaps))
    return np.asarray(np.clip(nearer, 0.0, 2.5 * usual))


def rates(series: MotionSeries, min_confidence: float = 0.1) -> Averager:
    """Averager of the three rates, samples of little confidence left out."""
    values = series.rate_radps
    if len(series.confidence):
        values = np.where((series.confidence >= min_confidence)[:, None], values, np.nan)
    return Averager(series.time_s, intervals(series), values)


def column(series: MotionSeries, values: Floats) -> Averager:
    """Averager of one optional channel; empty when the series lacks it."""
    if not len(values):
        return Averager(np.zeros(0), np.zeros(0), np.zeros((0, 1)))
    return Averager(series.time_s, intervals(series), values[:, None])
