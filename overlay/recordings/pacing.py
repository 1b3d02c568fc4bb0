"""How fast a row of pictures runs, and whether evenly."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction

import numpy as np

from overlay.recordings.recording import Ticks


def is_uneven(pts: Ticks) -> bool:
    """Whether pictures stray from an even beat by more than rounding to ticks, or 1 % of the interval, explains.

    >>> is_uneven(np.array([0, 33, 67, 100, 133, 167])), is_uneven(np.array([0, 33, 67, 133, 167]))
    (False, True)
    """
    if len(pts) < 3:
        return False
    steps = np.diff(pts)
    usual = float(np.median(steps))
    if usual < 4:  # ticks as coarse as the beat itself: nothing was rounded
        return bool(np.any(steps != steps[0]))
    place = np.arange(len(pts), dtype=np.float64)
    beat = np.polyfit(place, (pts - pts[0]).astype(np.float64), 1)
    stray = (pts - pts[0]) - np.polyval(beat, place)
    return bool(np.ptp(stray) > max(1.5, usual / 100))


def average_rate(frames: int, duration: int, time_base: Fraction, stated: Iterable[Fraction | None]) -> Fraction:
    """Frames per second: the first rate `stated` that the duration bears out to within two ticks, else the quotient.

    >>> average_rate(300, 10010, Fraction(1, 1000), [Fraction(30), Fraction(30000, 1001)])
    Fraction(30000, 1001)
    """
    for rate in stated:
        if rate and abs(frames / rate - duration * time_base) <= 2 * time_base:
            return rate
    return frames / (duration * time_base)
