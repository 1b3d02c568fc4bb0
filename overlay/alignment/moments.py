"""Launch and landing: where standing still turns into moving and back, as picture and track saw it.

They are coarse, half a second or so, and an aircraft that was carried to its launch moved before it flew; so they correct no
clock. But they owe nothing to turning: they confirm a clock, contradict one when both ask for the same other one, and say
where a flight too straight for anything else might lie.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from overlay.clock import AffineClock
from overlay.motion.series import MotionSeries

Floats = NDArray[np.float64]
Kind = Literal["launch", "landing"]

STILL = 0.5
STANDING_S = 3.0  # a shorter rest is a calm moment of flight, or of a hand
SHAKEN_S = 0.5  # a picture that moves no longer than this was only shaken
FLOWN_S = 20.0  # a shorter way is a few steps of someone who carries it
BRIDGED_S = 2.0  # of nothing known, with the same on either side
ROLLING_SIGMA_S = 0.5  # between the first shake of the picture and the speed at which a track says "moving", and back
APART_S = 3.0  # by which both must ask for another clock, and
TOGETHER = 3.0  # in units of σ, how far they may then differ from each other
REACH_S = 60.0  # a moment farther off than this is another flight's


@dataclass(frozen=True)
class Moment:
    """A launch or a landing on its source's own clock, with 1σ."""

    kind: Kind
    time_s: float
    sigma_s: float


@dataclass(frozen=True)
class Lag:
    """By how much the reference has a moment later than the recording's clock puts it, with 1σ."""

    kind: Kind
    lag_s: float
    sigma_s: float


def moments(series: MotionSeries) -> tuple[Moment, ...]:
    """Every change between standing for `STANDING_S` and moving for `FLOWN_S` that was watched without a gap, in order."""
    if not len(series.stillness):
        return ()
    known = np.isfinite(series.stillness)
    time, still = series.time_s[known], series.stillness[known] > STILL
    if len(time) < 2:
        return ()
    found: list[Moment] = []
    for first, last in _unbroken(time):
        runs = _runs(time[first:last], still[first:last])
        for (was_still, _, end), (_, begin, _) in pairwise(runs):
            sigma = float(np.hypot((begin - end) / np.sqrt(12), ROLLING_SIGMA_S))
            found.append(Moment("launch" if was_still else "landing", (end + begin) / 2, sigma))
    return tuple(found)


def moment_lags(recording: Sequence[Moment], reference: Sequence[Moment], clock: AffineClock) -> tuple[Lag, ...]:
    """For each of the recording's moments the nearest of its kind in the reference, where there is one at all near."""
    lags = []
    for ours in recording:
        at = clock.to_reference(ours.time_s)
        theirs = [each for each in reference if each.kind == ours.kind and abs(each.time_s - at) < REACH_S]
        if theirs:
            nearest = min(theirs, key=lambda each: abs(each.time_s - at))
            lags.append(Lag(ours.kind, nearest.time_s - at, float(np.hypot(ours.sigma_s, nearest.sigma_s))))
    return tuple(lags)


def contradiction(lags: Sequence[Lag]) -> float | None:
    """The lag (s) that a launch and a landing both ask for, and that is not nothing; None where they do not.

    One alone proves nothing: an aircraft is picked up before it is thrown, and a camera may be wiped after landing.
    """
    for launch in (lag for lag in lags if lag.kind == "launch"):
        for landing in (lag for lag in lags if lag.kind == "landing"):
            apart = abs(launch.lag_s - landing.lag_s)
            asked = (launch.lag_s + landing.lag_s) / 2
            if abs(asked) > APART_S and apart < TOGETHER * np.hypot(launch.sigma_s, landing.sigma_s):
                return asked
    return None


def placed(recording: Sequence[Moment], reference: Sequence[Moment]) -> tuple[float, float] | None:
    """(offset, 1σ) at which launch and landing of both coincide; None without both, or where several flights fit as well."""
    fits = []
    for ours in _flights(recording):
        for theirs in _flights(reference):
            lags = [there.time_s - here.time_s for here, there in zip(ours, theirs, strict=True)]
            sigmas = [float(np.hypot(here.sigma_s, there.sigma_s)) for here, there in zip(ours, theirs, strict=True)]
            if abs(lags[0] - lags[1]) < TOGETHER * math.hypot(*sigmas):
                fits.append(((lags[0] + lags[1]) / 2, math.hypot(*sigmas) / 2))
    return fits[0] if len(fits) == 1 else None


def _flights(found: Sequence[Moment]) -> list[tuple[Moment, Moment]]:
    pairs = pairwise(found)
    return [(a, b) for a, b in pairs if a.kind == "launch" and b.kind == "landing"]


def _unbroken(time: Floats) -> list[tuple[int, int]]:
    """Ranges of samples with no gap longer than `BRIDGED_S`."""
    edges = [0, *(np.flatnonzero(np.diff(time) > BRIDGED_S) + 1).tolist(), len(time)]
    return list(pairwise(edges))


def _runs(time: Floats, still: NDArray[np.bool_]) -> list[tuple[bool, float, float]]:
    """(still, first, last time) of the runs that count: shakes, then short rests, then short ways go over to what is around."""
    edges = [0, *(np.flatnonzero(np.diff(still)) + 1).tolist(), len(time)]
    runs = [(bool(still[a]), float(time[a]), float(time[b - 1])) for a, b in pairwise(edges)]
    for kind, least_s in ((False, SHAKEN_S), (True, STANDING_S), (False, FLOWN_S)):
        kept: list[tuple[bool, float, float]] = []
        for is_still, first, last in runs:
            counts = is_still if is_still != kind or last - first >= least_s else not kind
            if kept and kept[-1][0] == counts:
                kept[-1] = (counts, kept[-1][1], last)
            else:
                kept.append((counts, first, last))
        runs = kept
    return runs
