"""The moments of a flight that are worth showing to others, found in its readings."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from overlay.instruments.captions import Caption, captions
from overlay.instruments.quantities import Units, number
from overlay.mechanics.turning import turn_rate_dps
from overlay.readings import Readings

Floats = NDArray[np.float64]
Kind = Literal[
    "launch", "turn-back", "break-up", "tightest turn", "strongest wind", "automatic return", "landing", "by hand"
]

_TURN_WINDOW_S = 3.0  # a turn is told from a course over so long; shorter ones are gusts and noise
_LEAST_TURN_DPS = 6.0  # twice the standard rate of three degrees a second: what one would call tight
_LEAST_SPEED_MPS = 5.0
_WIND_WINDOW_S = 10.0  # a wind of ten seconds is no gust
_AGAIN_S = 6.0  # what breaks up sooner after another break-up is seen in its clip
_LEAST_SPREAD_MPS = 0.5  # a wind that varies by less has no strongest moment
_TITLES: Mapping[Kind, str] = {
    "launch": "Launch",
    "turn-back": "Turning for home",
    "break-up": "The live picture breaks up",
    "tightest turn": "The tightest turn",
    "strongest wind": "The strongest wind",
    "automatic return": "Automatic return",
    "landing": "Landing",
    "by hand": "A moment of the flight",
}


@dataclass(frozen=True)
class Moment:
    """Something that happens at `time_s` of the flight clock; `told` is its caption, `weight` how much it matters."""

    kind: Kind
    time_s: float
    title: str
    told: str
    weight: float = 0.0


def title_of(kind: Kind) -> str:
    """What a clip of this kind is called where nobody says otherwise."""
    return _TITLES[kind]


def moments(
    readings: Readings, units: Units, causes: Mapping[float, str] | None = None
) -> tuple[tuple[Moment, ...], tuple[str, ...]]:
    """(moments by time, why a kind has none). `causes` has a few words for break-ups by their onset."""
    said = captions(readings, units)
    found: list[Moment] = []
    lacking: list[str] = []
    for kind, find in _FINDERS.items():
        these = list(find(readings, units, said))
        found += these
        if not these:
            lacking.append(f"no clip of {kind}: {_LACKING[kind]}")
    found = [_with_cause(moment, (causes or {}).get(moment.time_s)) for moment in found]
    return together(sorted(found, key=lambda moment: moment.time_s)), tuple(lacking)


def together(found: Iterable[Moment]) -> tuple[Moment, ...]:
    """Moments by time, but break-ups that one clip shows as one: told as its first is, weighing what all do."""
    kept: list[Moment] = []
    place, begun = 0, -math.inf  # of the break-up whose clip is on
    for moment in found:
        after_s = moment.time_s - begun
        if moment.kind == "break-up" and after_s < _AGAIN_S:
            first = kept[place]
            told = f"{first.told}; again after {after_s:.1f}\u00a0s"
            kept[place] = replace(first, told=told, weight=first.weight + moment.weight)
            continue
        if moment.kind == "break-up":
            place, begun = len(kept), moment.time_s
        kept.append(moment)
    return tuple(kept)


def most_telling(found: tuple[Moment, ...], count: int) -> tuple[Moment, ...]:
    """The `count` that matter most, by time: one of each kind before a second of any."""
    ranked = sorted(found, key=lambda moment: -moment.weight)
    seen: dict[str, int] = {}
    turns = []
    for moment in ranked:
        seen[moment.kind] = seen.get(moment.kind, 0) + 1
        turns.append((seen[moment.kind], -moment.weight, moment.time_s, moment))
    chosen = [moment for *_, moment in sorted(turns, key=lambda turn: turn[:3])[:count]]
    return tuple(sorted(chosen, key=lambda moment: moment.time_s))


def _with_cause(moment: Moment, cause: str | None) -> Moment:
    return replace(moment, told=f"{moment.told}; {cause}") if cause else moment


def _breakups(readings: Readings, _units: Units, said: tuple[Caption, ...]) -> Iterator[Moment]:
    for span in readings.breakups:
        lost = (5.0 - span.worst_grade) * min(span.end_s - span.onset_s, 60.0)
        yield Moment(
            "break-up", span.onset_s, title_of("break-up"), _sentence(said, span.onset_s, "break-up"), 100 + lost
        )


def _launch(readings: Readings, _units: Units, _said: tuple[Caption, ...]) -> Iterator[Moment]:
    for time_s in _events(readings, "launch"):
        yield Moment("launch", time_s, title_of("launch"), "Launch", 20)


def _landing(readings: Readings, _units: Units, said: tuple[Caption, ...]) -> Iterator[Moment]:
    for time_s in _events(readings, "landing"):
        yield Moment("landing", time_s, title_of("landing"), _sentence(said, time_s, "event") or "Landed", 25)


def _turn_back(readings: Readings, _units: Units, said: tuple[Caption, ...]) -> Iterator[Moment]:
    for time_s in _events(readings, "turn-back"):
        told = _sentence(said, time_s, "leg") or title_of("turn-back")
        yield Moment("turn-back", time_s, title_of("turn-back"), told, 80)


def _automatic_return(readings: Readings, _units: Units, said: tuple[Caption, ...]) -> Iterator[Moment]:
    for time_s in _events(readings, "automatic return"):
        told = _sentence(said, time_s, "event") or "Automatic return begins"
        yield Moment("automatic return", time_s, title_of("automatic return"), told, 90)


def _tightest_turn(readings: Readings, units: Units, _said: tuple[Caption, ...]) -> Iterator[Moment]:
    """Where the path over the ground bends most: least radius V/ω, away from take-off and landing."""
    time, speed = readings.time_s, readings["ground_speed_mps"]
    rate = turn_rate_dps(time, readings["course_deg"], time, _TURN_WINDOW_S / 2)
    with np.errstate(divide="ignore", invalid="ignore"):
        radius = speed / np.radians(np.abs(rate))
        turning = (np.abs(rate) >= _LEAST_TURN_DPS) & (speed >= _LEAST_SPEED_MPS) & _well_aloft(readings)
    if not turning.any():
        return
    row = int(np.nanargmin(np.where(turning, radius, np.nan)))
    metres, bank = float(radius[row]), float(readings["bank_deg"][row])
    side = "right" if rate[row] > 0 else "left"
    unit = units.height
    told = f"Tightest turn: {side}, radius {number(round(metres * unit.per_si))}\u00a0{unit.symbol} over the ground"
    if math.isfinite(bank):
        told += f", banked {abs(bank):.0f}°"
    yield Moment("tightest turn", float(time[row]), title_of("tightest turn"), told, 50)


def _strongest_wind(readings: Readings, units: Units, _said: tuple[Caption, ...]) -> Iterator[Moment]:
    """Where the wind, averaged over ten seconds, is strongest; of a wind known only as a mean there is no such moment."""
    time, speed = readings.series("wind_speed_mps")
    if len(time) < 2 or float(np.ptp(speed)) < _LEAST_SPREAD_MPS:
        return
    mean = _averaged(time, speed, _WIND_WINDOW_S)
    mean[~np.isin(time, readings.time_s[_well_aloft(readings)])] = -np.inf
    row = int(np.argmax(mean))
    if not np.isfinite(mean[row]):
        return
    told = f"Strongest wind: {number(mean[row] * units.speed.per_si)}\u00a0{units.speed.symbol}"
    origin = float(readings.at("wind_from_deg", float(time[row]), max_gap_s=15.0, period=360.0)[0])
    told += f" from {origin:.0f}°" if math.isfinite(origin) else ""
    yield Moment("strongest wind", float(time[row]), title_of("strongest wind"), told, 40)


_FINDERS: Mapping[str, Callable[[Readings, Units, tuple[Caption, ...]], Iterator[Moment]]] = {
    "launch": _launch,
    "turn-back": _turn_back,
    "break-up": _breakups,
    "tightest turn": _tightest_turn,
    "strongest wind": _strongest_wind,
    "automatic return": _automatic_return,
    "landing": _landing,
}
_LACKING = {
    "launch": "the log does not show one",
    "turn-back": "the flight does not turn for home, or the log does not show it",
    "break-up": "the live picture did not break up, or is not there or not aligned",
    "tightest turn": f"no turn of {_LEAST_TURN_DPS:g}° a second or more",
    "strongest wind": "the wind is not known moment by moment",
    "automatic return": "the log names no such mode",
    "landing": "the log does not show one",
}


def _events(readings: Readings, kind: str) -> list[float]:
    return [event.time_s for event in readings.events if event.kind == kind]


def _sentence(said: tuple[Caption, ...], time_s: float, kind: str) -> str:
    return next((c.sentence for c in said if c.kind == kind and abs(c.start_s - time_s) < 1e-6), "")


def _well_aloft(readings: Readings) -> NDArray[np.bool_]:
    aloft = np.zeros(len(readings), dtype=bool)
    for leg in readings.legs:
        if leg.name in ("out", "loiter", "home"):
            aloft |= (readings.time_s >= leg.start_s) & (readings.time_s < leg.end_s)
    return aloft


def _averaged(time: Floats, values: Floats, window_s: float) -> Floats:
    """Mean over the window around each sample."""
    total = np.concatenate([[0.0], np.cumsum(values)])
    first, last = np.searchsorted(time, time - window_s / 2), np.searchsorted(time, time + window_s / 2, side="right")
    return np.asarray((total[last] - total[first]) / (last - first))
