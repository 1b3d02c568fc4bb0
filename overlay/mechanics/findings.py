"""What the flight as a whole says: wind, energy, and the margin with which it came home.

A figure that the data do not carry is None, and `refusals` says in plain words why.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from overlay.errors import NoAnswerError
from overlay.mechanics.reach import Homeward, Radius, TurnBack, homeward, radius_of_action, turn_back
from overlay.mechanics.velocity import wind_of
from overlay.mechanics.wind import Wind
from overlay.readings import Readings, counted_pack, pack_of

Floats = NDArray[np.float64]
Found = TypeVar("Found")

CAUTION = (
    "For review after the flight only. A range shown here is no permission to fly it: the rules of the air, of radio "
    "and of your club stand above it, and a pack's figures hold for that pack on that day."
)


@dataclass(frozen=True)
class Cost:
    """What one kind of leg cost: path over the ground, charge, and charge per kilometre of path."""

    distance_m: float
    charge_mAh: float

    @property
    def per_km_mAh(self) -> float:
        """Charge for a kilometre over the ground."""
        return self.charge_mAh / self.distance_m * 1000.0


@dataclass(frozen=True)
class Findings:
    """See the module; `still_air` and `this_wind` are how far out the pack allows on the course flown out."""

    wind: Wind | None = None
    homeward: Homeward | None = None
    turn_back: TurnBack | None = None
    still_air: Radius | None = None
    this_wind: Radius | None = None
    out: Cost | None = None
    home: Cost | None = None
    farthest_m: float | None = None
    distance_m: float | None = None
    charge_used_mAh: float | None = None
    energy_used_Wh: float | None = None
    refusals: Mapping[str, str] = field(default_factory=dict)


def findings_of(readings: Readings) -> Findings:
    """Everything that the readings of `overlay.mechanics.flight.readings_of` say of the flight as a whole."""
    refusals: dict[str, str] = {}
    _or_why(refusals, "charge left", lambda: counted_pack(readings))
    wind = _or_why(refusals, "wind", lambda: wind_of(readings))
    home = _or_why(refusals, "way home", lambda: homeward(readings, wind))
    turn = still = windy = None
    if home is not None:
        turn = _or_why(refusals, "last safe turn", lambda: turn_back(readings, home))
        still = _or_why(refusals, "range in still air", lambda: _radius(readings, home, still_air=True))
        windy = _or_why(refusals, "range in this wind", lambda: _radius(readings, home, still_air=False))
    return Findings(
        wind,
        home,
        turn,
        still,
        windy,
        leg_cost(readings, "out"),
        leg_cost(readings, "home"),
        _last(readings, "range_m", farthest=True),
        _last(readings, "distance_m"),
        _last(readings, "charge_used_mAh"),
        _last(readings, "energy_used_Wh"),
        refusals,
    )


def leg_cost(readings: Readings, name: str) -> Cost | None:
    """Path and charge of all legs of one name; None where neither end of any is known or less than 500 m was flown."""
    distance = charge = 0.0
    for leg in readings.legs:
        if leg.name != name:
            continue
        span = readings.between(leg.start_s, leg.end_s)
        both = np.isfinite(span["distance_m"]) & np.isfinite(span["charge_used_mAh"])
        if both.sum() > 1:
            distance += float(np.ptp(span["distance_m"][both]))
            charge += float(np.ptp(span["charge_used_mAh"][both]))
    return Cost(distance, charge) if distance >= 500.0 else None


def _radius(readings: Readings, home: Homeward, *, still_air: bool) -> Radius:
    pack = pack_of(readings)
    farthest = int(np.nanargmax(readings["range_m"]))
    return radius_of_action(home, pack, float(readings["bearing_deg"][farthest]), still_air=still_air)


def _last(readings: Readings, name: str, *, farthest: bool = False) -> float | None:
    _, values = readings.series(name)
    if len(values) == 0:
        return None
    return float(values.max()) if farthest else float(values[-1])


def _or_why(refusals: dict[str, str], name: str, answer: Callable[[], Found]) -> Found | None:
    try:
        return answer()
    except NoAnswerError as refusal:
        refusals[name] = str(refusal)
        return None
