"""Charge and energy drawn from the pack, and what a kilometre cost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_MAH_PER_COULOMB = 1000.0 / 3600.0
_WH_PER_JOULE = 1.0 / 3600.0


@dataclass(frozen=True)
class Integral:
    """A running total since the first sample, and how much of it rests on bridges over holes in the log."""

    time_s: Floats
    total: Floats
    bridged_s: float
    bridged: float

    def at(self, moments: Floats) -> Floats:
        """The total at other moments; NaN outside the samples."""
        if len(self.time_s) == 0:
            return np.full(len(moments), np.nan)
        return np.interp(moments, self.time_s, self.total, left=np.nan, right=np.nan)


def charge_mAh(time_s: Floats, current_A: Floats, max_gap_s: float) -> Integral:
    """Charge by the trapezoidal rule. Over holes longer than `max_gap_s` the mean of both edges is a guess, counted."""
    return _integrate(time_s, current_A, max_gap_s, _MAH_PER_COULOMB)


def energy_Wh(time_s: Floats, power_W: Floats, max_gap_s: float) -> Integral:
    """Energy by the trapezoidal rule, with holes treated as in `charge_mAh`."""
    return _integrate(time_s, power_W, max_gap_s, _WH_PER_JOULE)


def per_kilometre(distance_m: Floats, total: Floats, over_m: float = 1000.0) -> Floats:
    """How much `total` grew per kilometre over the last `over_m` of distance; NaN until that much was flown.

    Both (N,), distance non-decreasing where known. Standing still keeps the last kilometre's figure.
    """
    known = np.isfinite(distance_m) & np.isfinite(total)
    result = np.full(len(distance_m), np.nan)
    if known.sum() < 2:
        return result
    distance, drawn = distance_m[known], total[known]
    moving = np.concatenate([np.diff(distance) > 0, [True]])  # the last moment at each distance
    before = np.interp(distance - over_m, distance[moving], drawn[moving], left=np.nan)
    result[known] = (drawn - before) * 1000.0 / over_m
    return result


def _integrate(time_s: Floats, rate: Floats, max_gap_s: float, scale: float) -> Integral:
    known = np.isfinite(rate)
    times, rates = time_s[known], rate[known]
    steps = np.diff(times)
    parts = scale * steps * (rates[1:] + rates[:-1]) / 2
    holes = steps > max_gap_s
    total = np.concatenate([[0.0], np.cumsum(parts)]) if len(times) else np.zeros(0)
    return Integral(times, total, float(steps[holes].sum()), float(parts[holes].sum()))
