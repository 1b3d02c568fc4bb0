"""The moments of a flight: launch, turn-back, farthest point, landing, automatic return."""

from __future__ import annotations

import re

import numpy as np

from overlay.readings import Event, Readings
from overlay.tracks.track import Track

# What autopilots of open protocols call their way home: RTL of MAVLink's common modes, its spellings, plain English.
_RETURN = re.compile(r"\b(rtl|rth|smart[ _]?rtl|return|home)\b", re.IGNORECASE)


def find_events(readings: Readings, track: Track | None = None) -> tuple[Event, ...]:
    """Events in order of time; automatic return only where the track logs modes and names them."""
    found = []
    for leg in readings.legs:
        if leg.name == "take-off":
            found.append(Event("launch", leg.start_s))
        if leg.name == "landing":
            found.append(Event("landing", leg.end_s))
    times, ranges = readings.series("range_m")
    if len(times) and any(leg.name in ("out", "home", "loiter") for leg in readings.legs):
        found.append(Event("farthest", float(times[np.argmax(ranges)])))
    found += [Event("turn-back", time) for time in _turn_backs(readings)]
    if track is not None:
        found += _automatic_returns(track)
    return tuple(sorted(found, key=lambda event: event.time_s))


def _turn_backs(readings: Readings) -> list[float]:
    """Where a homeward leg follows an outbound one, loitering between them or not."""
    turns, outbound = [], False
    for leg in readings.legs:
        if leg.name == "home" and outbound:
            turns.append(leg.start_s)
        if leg.name in ("out", "home"):
            outbound = leg.name == "out"
    return turns


def _automatic_returns(track: Track) -> list[Event]:
    times, modes = track.series("mode")
    homing = np.array([bool(_RETURN.search(track.modes.get(int(mode), ""))) for mode in modes], dtype=bool)
    changes = np.flatnonzero(np.diff(np.concatenate([[False], homing]).astype(np.int8)))
    kinds = {True: "automatic return", False: "automatic return ends"}
    return [Event(kinds[bool(homing[i])], float(times[i])) for i in changes]
