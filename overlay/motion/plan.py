"""What part of a long recording is worth decoding to align it: decoding costs more than everything else together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.clock import AffineClock
from overlay.motion.series import MotionSeries

Floats = NDArray[np.float64]
Window = tuple[float, float]

FIRST_LOOKS = 6
LOOK_S = 40.0
LEAST_WINDOW_S = 8.0


def first_look(duration_s: float, share: float = 0.05) -> list[Window]:
    """Windows of a recording to decode before anything is known: a few long ones spread over it.

    Long, because a window must hold whole manoeuvres; several, because any one of them may be a straight leg. At least
    three minutes in all where the recording has them: less does not tell one place from another.
    """
    total = min(duration_s, max(180.0, share * duration_s))
    count = max(1, min(FIRST_LOOKS, int(total // LOOK_S)))
    length = total / count
    free = (duration_s - total) / (count + 1)
    return [(start, start + length) for start in (free + k * (length + free) for k in range(count))]


@dataclass(frozen=True)
class Promise:
    """Timing information per second of the reference, ∝ the squared rate of change of its turning; NaN-free (N,)."""

    time_s: Floats
    density: Floats


def promise(reference: MotionSeries) -> Promise:
    """Where the reference rolls in and out; steady flight, gaps and standing promise nothing."""
    times = reference.time_s
    if len(times) < 3:
        return Promise(times, np.zeros(len(times)))
    rates = np.nan_to_num(reference.rate_radps[:, 1:])  # roll of a position-only log is mostly noise
    step = np.maximum(np.gradient(times), 1e-3)
    run = max(1, round(1.0 / float(np.median(step))))
    smooth = np.column_stack([np.convolve(column, np.ones(run) / run, mode="same") for column in rates.T])
    density = (np.gradient(smooth, axis=0) ** 2).sum(axis=1) / step**2
    broken = ~np.all(np.isfinite(reference.rate_radps), axis=1)
    density[np.convolve(broken, np.ones(2 * run + 1), mode="same") > 0] = 0.0
    return Promise(times, density)


def informative_windows(
    reference: MotionSeries,
    clock: AffineClock,
    duration_s: float,
    budget_s: float,
    *,
    margin_s: float = 3.0,
    besides: Sequence[Window] = (),
) -> list[Window]:
    """Windows of the recording's clock, at most `budget_s` long in all, that hold most of what the reference promises.

    `clock` is the coarse fix. Chosen greedily by information per second, half of the budget from either half of the
    overlap: drift is a matter of the distance between windows. What was watched `besides` is worth nothing once more.
    """
    promised = promise(reference)
    at = clock.to_recording(promised.time_s)
    inside = (at >= 0) & (at <= duration_s)
    if not inside.any():
        return []
    at, density = at[inside], promised.density[inside]
    edges = np.arange(at[0], at[-1] + LEAST_WINDOW_S, LEAST_WINDOW_S)
    worth, _ = np.histogram(at, edges, weights=density)
    centres = (edges[:-1] + edges[1:]) / 2
    for start, end in besides:
        worth[(centres > start) & (centres < end)] = 0
    middle = len(worth) // 2
    chosen: set[int] = set()
    cost = LEAST_WINDOW_S + 2 * margin_s  # neighbours share a margin, so this is the most it can cost
    for part in (range(middle), range(middle, len(worth))):
        best = sorted(part, key=lambda k: -worth[k])
        chosen.update(k for k in best[: int(budget_s / 2 // cost)] if worth[k] > 0)
    return _merged([(edges[k] - margin_s, edges[k] + LEAST_WINDOW_S + margin_s) for k in sorted(chosen)], duration_s)


def _merged(windows: list[Window], duration_s: float) -> list[Window]:
    merged: list[Window] = []
    for start, end in windows:
        start, end = max(0.0, float(start)), min(duration_s, float(end))
        if merged and start <= merged[-1][1]:
            merged[-1] = (merged[-1][0], max(merged[-1][1], end))
        elif end > start:
            merged.append((start, end))
    return merged
