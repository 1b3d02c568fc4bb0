"""Home: where the aircraft stood before take-off."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from overlay.mechanics.airborne import Airborne, Movement, airborne, movement
from overlay.readings import Home
from overlay.tracks.track import Track

Floats = NDArray[np.float64]

_STAND_S = 30.0  # the latest half minute of standing: a receiver's first fixes wander
_AT_REST_MPS = 1.5


def find_home(track: Track) -> Home | None:
    """Home from the data, `found` saying how and `sure` whether it can be relied on; None without positions.

    Where the log begins in the air, home is where the aircraft came to rest at the end of it, else the first good fix.
    """
    times, latitude, longitude = track.position()
    if len(times) == 0:
        return None
    move = movement(track)
    air = airborne(move) if move is not None else Airborne(())
    if move is None or not air.spans:
        stood = (times[0], times[-1])
        return _median_home(track, stood, "where the aircraft was throughout: the log shows no flight", sure=False)
    take_off, landed = air.spans[0][0], air.spans[-1][1]
    if not air.begins_in_air:
        return _median_home(track, _last_stand(move, take_off), "where the aircraft stood before take-off")
    if not air.ends_in_air:
        rest = (landed, min(landed + _STAND_S, times[-1]))
        note = "where the aircraft came to rest, because the log begins in the air"
        return _median_home(track, rest, note, sure=False)
    note = "the first fix of a log that begins and ends in the air: give the place in the flight file's [home]"
    return Home(float(latitude[0]), float(longitude[0]), float("nan"), note, sure=False)


def _last_stand(move: Movement, take_off_s: float) -> tuple[float, float]:
    """The last stretch at rest before take-off, no more than its latest half minute."""
    before = move.time_s < take_off_s
    still = np.flatnonzero(before & (move.speed_mps < _AT_REST_MPS))
    if len(still) == 0:
        return take_off_s - 2.0, take_off_s
    end = still[-1]
    moving = np.flatnonzero(move.speed_mps[:end] >= _AT_REST_MPS)
    begin = moving[-1] + 1 if len(moving) else 0
    end_s = float(move.time_s[end])
    return max(float(move.time_s[begin]), end_s - _STAND_S), end_s


def _median_home(track: Track, span: tuple[float, float], found: str, *, sure: bool = True) -> Home:
    times, latitude, longitude = track.position()
    inside = (times >= span[0] - 1e-6) & (times <= span[1] + 1e-6)
    if not inside.any():
        inside = np.arange(len(times)) == np.argmin(np.abs(times - span[1]))
    count = int(inside.sum())
    return Home(
        float(np.median(latitude[inside])),
        float(np.median(longitude[inside])),
        _median_height(track, span),
        f"{found} (median of {count} {'fix' if count == 1 else 'fixes'})",
        sure,
    )


def _median_height(track: Track, span: tuple[float, float]) -> float:
    times, heights = track.series("height_m")
    inside = (times >= span[0] - 1e-6) & (times <= span[1] + 1e-6)
    return float(np.median(heights[inside])) if inside.any() else float("nan")
