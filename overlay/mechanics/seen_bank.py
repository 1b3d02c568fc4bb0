"""The aircraft's bank by the horizon that its camera saw, set level by what the flight's turns ask for.

A camera leans against the aircraft by as much as its mount does: sideways, upside down, a degree askew. Over a flight the
bank of coordinated turns, inferred from the path, is right in the mean but noisy and late; the horizon is neither, but for
that one angle. While a mount pans, what leans in the picture is no bank: such stretches stand out and are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.timetable import TimeTable

Floats = NDArray[np.float64]

_LEAST_SEEN = 40
_MOST_SPREAD_DEG = 12.0  # what the bank inferred from rough positions scatters; more of it is a mount that moves
_AROUND_S, _PANNED, _LEAST_PANNED_DEG = 5.0, 3.0, 10.0  # the median around may lie off by so many spreads
_ALONE, _LEAST_ALONE_DEG = 4.0, 20.0  # and what is seen at one moment by so many
_BRIDGED_S = 1.0  # an aircraft rolls in and out of a turn in two
_UNCHECKED_S = 30.0  # that the camera may go without a turn to check it by, where it was steady before and after


@dataclass(frozen=True)
class SeenBank:
    """`bank_deg` (N,) right wing down, NaN where no horizon was seen; `mount_deg` is how far the camera leans of itself."""

    bank_deg: Floats
    mount_deg: float


def seen_bank(time_s: Floats, inferred_deg: Floats, seen_s: Floats, seen_deg: Floats) -> SeenBank | None:
    """Bank at `time_s` (N,) by a horizon that leant by `seen_deg` (M,) at rising `seen_s` (M,); all on one clock.

    `inferred_deg` (N,) is the bank of coordinated turns; NaN is unknown. None where too little is known to tell the
    mount's lean, or where the camera moves against the aircraft.
    """
    told = np.isfinite(seen_deg)
    seen_s, seen_deg = seen_s[told], seen_deg[told]
    apart = seen_deg - _between(seen_s, time_s, inferred_deg, _BRIDGED_S)
    checked = np.isfinite(apart)
    if checked.sum() < _LEAST_SEEN:
        return None
    apart = apart[checked]
    rough = float(np.degrees(np.angle(np.exp(1j * np.radians(apart)).mean())))
    mount = rough + float(np.median(_wrapped(apart - rough)))
    off = _wrapped(apart - mount)
    spread = 1.4826 * float(np.median(np.abs(off)))
    if spread > _MOST_SPREAD_DEG:
        return None
    sound = np.abs(_around(seen_s[checked], off)) <= max(_PANNED * spread, _LEAST_PANNED_DEG)
    sound &= np.abs(off) <= max(_ALONE * spread, _LEAST_ALONE_DEG)
    steady = _between(seen_s, seen_s[checked], np.where(sound, 1.0, 0.0), _UNCHECKED_S) == 1.0
    turned = np.degrees(np.unwrap(np.radians(seen_deg[steady] - mount)))
    return SeenBank(_wrapped(_between(time_s, seen_s[steady], turned, _BRIDGED_S)), float(_wrapped(mount)))


def _around(seen_s: Floats, off_deg: Floats) -> Floats:
    """(M,) median of what lies within `_AROUND_S` of each moment."""
    first, last = np.searchsorted(seen_s, seen_s - _AROUND_S), np.searchsorted(seen_s, seen_s + _AROUND_S, side="right")
    return np.array([np.median(off_deg[a:b]) for a, b in zip(first, last, strict=True)])


def _between(wanted_s: Floats, time_s: Floats, values: Floats, gap_s: float) -> Floats:
    """Values (N,) at moments (M,), between known neighbours no farther apart than `gap_s`; NaN elsewhere."""
    return TimeTable(time_s, {"value": values}).at("value", wanted_s, max_gap_s=gap_s)


def _wrapped(angle_deg: Floats | float) -> Floats:
    """Into −180 … 180."""
    return np.asarray((np.asarray(angle_deg) + 180.0) % 360.0 - 180.0)
