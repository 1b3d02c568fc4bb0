"""What happens in a flight, as sentences in plain words: break-ups, legs, the farthest point."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from overlay.instruments.quantities import Units
from overlay.readings import BrokenPicture, Leg, Readings

EventKind = Literal["break-up", "leg", "farthest"]

SHOWN_S = 6.0
_NBSP = "\u00a0"  # a number is not parted from its unit
_LEVEL_DEG = 5.0
_LEG_SENTENCES = {
    "take-off": "Take-off",
    "out": "Outbound",
    "loiter": "Circling",
    "home": "Turning for home",
    "landing": "Approach and landing",
}


@dataclass(frozen=True)
class Event:
    """Something that begins at `start_s` of the flight clock; its sentence stands until `end_s`."""

    start_s: float
    end_s: float
    kind: EventKind
    sentence: str


def events(readings: Readings, units: Units) -> tuple[Event, ...]:
    """All events of a flight by time of beginning, worded in `units`; what is not known is left out of the sentence."""
    found = [_breakup(readings, units, span) for span in readings.breakups]
    found += [_leg(readings, units, leg) for leg in readings.legs if leg.name in _LEG_SENTENCES]
    farthest = _farthest(readings, units)
    if farthest:
        found.append(farthest)
    return tuple(sorted(found, key=lambda event: event.start_s))


def event_at(found: tuple[Event, ...], time_s: float) -> Event | None:
    """Return the event whose sentence stands at a moment: a break-up before all others, else the latest begun."""
    current = [event for event in found if event.start_s <= time_s < event.end_s]
    return max(current, key=lambda event: (event.kind == "break-up", event.start_s), default=None)


def _breakup(readings: Readings, units: Units, span: BrokenPicture) -> Event:
    t = span.onset_s
    return Event(t, max(span.end_s, t + SHOWN_S), "break-up", _sentence(
        "Picture breaks up", _where(readings, units, t), _height(readings, units, t), _bank(readings, t)))  # fmt: skip


def _leg(readings: Readings, units: Units, leg: Leg) -> Event:
    t = leg.start_s
    place = () if leg.name == "take-off" else (_where(readings, units, t), _height(readings, units, t))
    return Event(t, t + SHOWN_S, "leg", _sentence(_LEG_SENTENCES[leg.name], *place))


def _farthest(readings: Readings, units: Units) -> Event | None:
    times, ranges = readings.series("range_m")
    if len(times) < 3:
        return None
    t = float(times[int(np.argmax(ranges))])
    distance = _NBSP.join(units.distance(float(ranges.max())))
    return Event(
        t, t + SHOWN_S, "farthest", _sentence(f"Farthest point: {distance} from home", _height(readings, units, t))
    )


def _sentence(head: str, *parts: str) -> str:
    told = [part for part in parts if part]
    joint = ", " if ":" in head else ": "
    return head + (joint + ", ".join(told) if told else "")


def _at(readings: Readings, name: str, time_s: float) -> float:
    return float(readings.at(name, time_s, max_gap_s=15.0)[0])


def _where(readings: Readings, units: Units, time_s: float) -> str:
    metres = _at(readings, "range_m", time_s)
    if not math.isfinite(metres):
        return ""
    distance = _NBSP.join(units.distance(metres))
    return f"{distance} out" if readings.leg_at(time_s) in ("take-off", "out") else f"{distance} from home"


def _height(readings: Readings, units: Units, time_s: float) -> str:
    metres = _at(readings, "height_m", time_s)
    if not math.isfinite(metres):
        return ""
    unit = units.height
    return f"{unit.text(round(metres * unit.per_si))}{_NBSP}{unit.symbol} high"


def _bank(readings: Readings, time_s: float) -> str:
    bank = _at(readings, "bank_deg", time_s)
    if not math.isfinite(bank):
        return ""
    return f"banked {abs(bank):.0f}° {'right' if bank > 0 else 'left'}" if abs(bank) >= _LEVEL_DEG else "wings level"
