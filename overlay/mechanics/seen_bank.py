"""The aircraft's bank by the horizon that its camera saw, set level by what the flight's turns ask for.

A camera leans against the aircraft by as much as its mount does: sideways, upside down, a degree askew. Over a flight the
bank of coordinated turns, inferred from the path, is right in the mean but noisy and late; the horizon is neither, but for
that one angle. While a mount pans, what leans in the picture is no bank: such stretches stand out and are left out.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_LEAST_SEEN = 40
_MOST_SPREAD_DEG = 12.0  # what the bank inferred from rough positions scatters; more of it is a mount that moves
_AROUND_S, _PANNED, _LEAST_PANNED_DEG = 5.0, 3.0, 10.0  # the median around may lie off by so many spreads
_ALONE, _LEAST_ALONE_DEG = 4.0, 20.0  # and what is seen at one moment by so many
_BRIDGED_S = 1.0  # an aircraft rolls in and out of a turn in two


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
    flown = np.isfinite(inferred_deg)
    if flown.sum() < 2:
        return None
    told = np.isfinite(seen_deg) & (seen_s >= time_s[flown][0]) & (seen_s <= time_s[flown][-1])
    if told.sum() < _LEAST_SEEN:
        return None
    seen_s, seen_deg = seen_s[told], seen_deg[told]
    apart = seen_deg - np.interp(seen_s, time_s[flown], inferred_deg[flown])
    rough = float(np.degrees(np.angle(np.exp(1j * np.radians(apart)).mean())))
    mount = rough + float(np.median(_wrapped(apart - rough)))
    off = _wrapped(apart - mount)
    spread = 1.4826 * float(np.median(np.abs(off)))
    if spread > _MOST_SPREAD_DEG:
        return None
    steady = np.abs(_around(seen_s, off)) <= max(_PANNED * spread, _LEAST_PANNED_DEG)
    steady &= np.abs(off) <= max(_ALONE * spread, _LEAST_ALONE_DEG)
    return SeenBank(_placed(time_s, seen_s[steady], _wrapped(seen_deg[steady] - mount)), float(_wrapped(mount)))


def _around(seen_s: Floats, off_deg: Floats) -> Floats:
    """(M,) median of what lies within `_AROUND_S` of each moment."""
    first, last = np.searchsorted(seen_s, seen_s - _AROUND_S), np.searchsorted(seen_s, seen_s + _AROUND_S, side="right")
    return np.array([np.median(off_deg[a:b]) for a, b in zip(first, last, strict=True)])


def _placed(time_s: Floats, seen_s: Floats, bank_deg: Floats) -> Floats:
    """(N,) between neighbours no farther apart than `_BRIDGED_S`; NaN elsewhere."""
    placed = np.full(len(time_s), np.nan)
    if len(seen_s) < 2:
        return placed
    after = np.clip(np.searchsorted(seen_s, time_s), 1, len(seen_s) - 1)
    near = (seen_s[after] - seen_s[after - 1] <= _BRIDGED_S) & (time_s >= seen_s[0]) & (time_s <= seen_s[-1])
    turned = np.degrees(np.unwrap(np.radians(bank_deg)))
    placed[near] = _wrapped(np.interp(time_s[near], seen_s, turned))
    return placed


def _wrapped(angle_deg: Floats | float) -> Floats:
    """Into −180 … 180."""
    return np.asarray((np.asarray(angle_deg) + 180.0) % 360.0 - 180.0)
