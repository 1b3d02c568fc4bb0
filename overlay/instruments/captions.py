"""What happens in a flight, as sentences in plain words: break-ups, legs, the farthest point, the landing."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np

from overlay.instruments.quantities import Units, number
from overlay.readings import BrokenPicture, Event, Leg, Readings

CaptionKind = Literal["break-up", "leg", "event"]

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
_EVENT_HEADS = {  # launch and turn-back are told with the legs that begin with them
    "farthest": "Farthest point",
    "landing": "Landed",
    "automatic return": "Automatic return begins",
    "automatic return ends": "Automatic return ends",
}


@dataclass(frozen=True)
class Caption:
    """Something that begins at `start_s` of the flight clock; its sentence stands until `end_s`."""

    start_s: float
    end_s: float
    kind: CaptionKind
    sentence: str


def captions(readings: Readings, units: Units) -> tuple[Caption, ...]:
    """All that is told of a flight by time of beginning, worded in `units`; a sentence leaves out what is not known."""
    found = [_breakup(readings, units, span) for span in readings.breakups]
    found += [_leg(readings, units, leg) for leg in readings.legs if leg.name in _LEG_SENTENCES]
    found += [
        _event(readings, units, event) for event in readings.events or _farthest(readings) if event.kind in _EVENT_HEADS
    ]
    return tuple(sorted(found, key=lambda caption: caption.start_s))


def caption_at(found: tuple[Caption, ...], time_s: float) -> Caption | None:
    """Return the caption that stands at a moment: a break-up before all others, else the latest begun."""
    current = [caption for caption in found if caption.start_s <= time_s < caption.end_s]
    return max(current, key=lambda caption: (caption.kind == "break-up", caption.start_s), default=None)


def _breakup(readings: Readings, units: Units, span: BrokenPicture) -> Caption:
    t = span.onset_s
    return Caption(t, max(span.end_s, t + SHOWN_S), "break-up", _sentence(
        "Picture breaks up", _where(readings, units, t), _height(readings, units, t), _bank(readings, t)))  # fmt: skip


def _leg(readings: Readings, units: Units, leg: Leg) -> Caption:
    t = leg.start_s
    place = () if leg.name == "take-off" else (_where(readings, units, t), _height(readings, units, t))
    return Caption(t, t + SHOWN_S, "leg", _sentence(_LEG_SENTENCES[leg.name], *place))


def _event(readings: Readings, units: Units, event: Event) -> Caption:
    t, head = event.time_s, _EVENT_HEADS[event.kind]
    place = (_where(readings, units, t, "from home"), _height(readings, units, t))
    parts = [_charge(readings, t)] if event.kind == "landing" else place
    return Caption(t, t + SHOWN_S, "event", _sentence(head, *parts))


def _farthest(readings: Readings) -> tuple[Event, ...]:
    """The farthest point of a flight whose events nobody has looked for."""
    times, ranges = readings.series("range_m")
    return (Event("farthest", float(times[int(np.argmax(ranges))])),) if len(times) > 2 else ()


def _sentence(head: str, *parts: str) -> str:
    told = [part for part in parts if part]
    return head + (": " + ", ".join(told) if told else "")


def _at(readings: Readings, name: str, time_s: float) -> float:
    return float(readings.at(name, time_s)[0])


def _where(readings: Readings, units: Units, time_s: float, side: str = "") -> str:
    metres = _at(readings, "range_m", time_s)
    if not math.isfinite(metres):
        return ""
    distance = _NBSP.join(units.distance(metres))
    outbound = readings.leg_at(time_s) in ("take-off", "out")
    return f"{distance} {side or ('out' if outbound else 'from home')}"


def _height(readings: Readings, units: Units, time_s: float) -> str:
    metres = _at(readings, "height_m", time_s)
    if not math.isfinite(metres):
        return ""
    unit = units.height
    return f"{unit.text(round(metres * unit.per_si))}{_NBSP}{unit.symbol} high"


def _charge(readings: Readings, time_s: float) -> str:
    charge = float(readings.at("charge_used_mAh", time_s, max_gap_s=15.0)[0])  # which goes on as it went
    return f"{number(round(charge, -1))}{_NBSP}mAh used" if math.isfinite(charge) else ""


def _bank(readings: Readings, time_s: float) -> str:
    bank = _at(readings, "bank_deg", time_s)
    if not math.isfinite(bank):
        return ""
    return f"banked {abs(bank):.0f}° {'right' if bank > 0 else 'left'}" if abs(bank) >= _LEVEL_DEG else "wings level"
