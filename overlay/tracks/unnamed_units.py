"""Units that a log does not name, found from what the numbers must be; what stays unclear is not guessed."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from overlay.tracks import unit_evidence, units
from overlay.tracks.flown import Flown
from overlay.tracks.samples import Floats
from overlay.tracks.source import Source
from overlay.tracks.terms import Field

PLACES = ("latitude_deg", "longitude_deg")
ATTITUDE = ("bank_deg", "pitch_deg", "heading_deg", "course_deg")
HEIGHTS = ("height_over_home_m", "height_m", "pressure_height_m")
_SPEED_UNITS = {"m/s": 1.0, "km/h": 3.6, "kt": 1 / units.KNOT_MPS, "mph": 3600 / units.MILE_M}
_METRIC = ("m/s", "mps", "km/h", "kmh", "kph", "kmph")
_USUAL = {"percent": "%", "count": "", "decibel": "", "power": "mW"}
_LEAST_CHARGE = 30.0  # counts of a flight's charge below which they may be Ah
# words that stand in a header's brackets without being a unit
_BESIDE_UNITS = """
    msl amsl asl agl ahl gps gnss gnd ground baro barometric home launch takeoff rel relative abs absolute wgs84 geoid
    ellipsoid true mag magnetic raw avg mean max filtered fused est estimated imu pack battery total n e ns ew t
"""
_QUALIFIERS = frozenset(_BESIDE_UNITS.split())


class UnnamedUnits:
    """The unit of each column of a log, named or found."""

    def __init__(self, columns: Mapping[Field, Floats], flown: Flown, source: Source, *, si: bool) -> None:
        self._columns, self._flown, self._source, self._si = columns, flown, source, si
        bare = [values for field, values in columns.items() if field.column in ATTITUDE and not named_unit(field)]
        self._angle = "deg" if si else _angle_unit(bare)
        self._speeds = [field for field in columns if field.column == "ground_speed_mps"]
        self._speed = next((units.plain(named_unit(f)) or self._measured(f) for f in self._speeds), "")
        self._measures = {
            "vertical_speed_mps": self._climb, "current_A": self._current, "charge_used_mAh": self._charge,
            **dict.fromkeys(HEIGHTS, self._height), **dict.fromkeys(ATTITUDE, self._attitude),
        }  # fmt: skip

    def of(self, field: Field) -> str | None:
        """The unit of a column as `units.convert` takes it, None where it is not clear."""
        if named_unit(field):
            return field.unit
        if field.unclear:
            return None
        if field.column == "ground_speed_mps" and self._speed:
            if self._si and self._speed != "m/s":
                self._source.note(f"{field.header!r} agrees with the positions in {self._speed} only: read so")
            return self._speed
        if self._si or field.quantity == "count":
            return ""
        if not set(field.unit.lower().split()) <= _QUALIFIERS:
            return None  # a unit that is not known here is not no unit
        if field.column in self._measures:
            return self._measures[field.column](field)
        if field.quantity == "length":
            return self._usual_length(field)
        if field.quantity == "voltage":
            return "V" if largest(self._columns[field]) <= 120 else None
        if field.column in ("wind_from_deg", "aerial_bearing_deg"):
            return "deg"
        return _USUAL.get(field.quantity)

    def _attitude(self, field: Field) -> str | None:
        size = largest(self._columns[field])
        banks = [self._columns[f] for f in self._columns if f.column == "bank_deg" and not named_unit(f)]
        measured = unit_evidence.bank(banks[0], self._flown) if banks else None
        if field.column in ("bank_deg", "pitch_deg"):
            unit = self._angle if measured is None else measured
            return None if unit == "deg" and size > 180.5 else unit or None
        if size > 360.5:  # no direction in degrees
            return measured if measured in ("deg*10", "cdeg") else None
        return self._angle or None

    def _height(self, field: Field) -> str | None:
        climb = self._first(("vertical_speed_mps",))
        if climb is not None and not climb.unclear:
            columns = self._columns[climb], self._columns[field]
            _, unit = unit_evidence.climb_and_height(*columns, self._flown, climb_unit=named_unit(climb))
            if unit:
                return unit
        return self._usual_length(field)

    def _climb(self, field: Field) -> str | None:
        height = self._first(HEIGHTS)
        values = self._columns[field]
        if height is not None:
            columns = values, self._columns[height]
            unit, _ = unit_evidence.climb_and_height(*columns, self._flown, height_unit=named_unit(height))
            if unit:
                return unit
            if units.plain(named_unit(height)) in ("ft", "feet", "foot"):
                return None
        if largest(values, 0.99) >= 30 or not self._is_metric():
            return None
        self._source.note(f"{field.header!r} carries no unit: read as metres a second")
        return "m/s"

    def _current(self, field: Field) -> str | None:
        unit, beside = self._drawn()
        if unit or beside:
            return unit or None
        if largest(self._columns[field]) > unit_evidence.HIGHEST_CURRENT_A:
            return None
        self._source.note(f"{field.header!r} carries no unit: read as amperes")
        return "A"

    def _charge(self, field: Field) -> str | None:
        unit, found = self._drawn()
        if unit or found:
            return found or None
        return "mAh" if largest(self._columns[field]) >= _LEAST_CHARGE else None

    def _drawn(self) -> tuple[str, str]:
        """(unit of the current, of the charge) as one tells the other, empty where they do not."""
        current, charge = self._first(("current_A",)), self._first(("charge_used_mAh",))
        if current is None or charge is None or current.unclear or charge.unclear:
            return "", ""
        named = {"current_unit": named_unit(current), "charge_unit": named_unit(charge)}
        return unit_evidence.current_and_charge(
            self._columns[current], self._columns[charge], self._flown.all_times_s, **named
        )

    def _first(self, columns: tuple[str, ...]) -> Field | None:
        """The field of one of these columns, one whose unit is named before others."""
        found = [field for field in self._columns if field.column in columns]
        return min(found, key=lambda field: not named_unit(field), default=None)

    def _is_metric(self) -> bool:
        """Whether nothing speaks for feet: a log in knots counts its heights in them as a rule, not always."""
        return not self._speeds or self._speed in _METRIC

    def _usual_length(self, field: Field) -> str | None:
        if not self._is_metric():
            return None
        self._source.note(f"{field.header!r} carries no unit: read as metres")
        return "m"

    def _measured(self, field: Field) -> str:
        """The unit that makes a ground speed agree with the positions, empty when none does or too few tell."""
        speed = self._flown.straight_mps()
        logged = self._columns[field][self._flown.rows]
        judged = np.isfinite(logged) & (np.nan_to_num(speed) > 3.0)
        if judged.sum() < 20:
            return ""
        ratio = float(np.median(logged[judged] / speed[judged]))
        near = [unit for unit, factor in _SPEED_UNITS.items() if abs(ratio / factor - 1) < 0.05]
        return near[0] if len(near) == 1 else ""


def _angle_unit(columns: list[Floats]) -> str:
    """Degrees when any angle is beyond a full circle in radians; radians when angles spread over that circle."""
    widest = max((largest(values) for values in columns), default=0.0)
    if widest > 6.6:
        return "deg"
    return "rad" if widest > 2.5 and any(np.nanstd(values) > 0.5 for values in columns) else ""


def named_unit(field: Field) -> str:
    """The unit of the header where it measures what the column holds, else empty."""
    return field.unit if units.measures(field.unit, field.quantity) else ""


def largest(values: Floats, quantile: float = 1.0) -> float:
    """The largest size among the numbers, or a quantile of the sizes; 0 where there are none."""
    known = np.abs(values[np.isfinite(values)])
    return float(np.quantile(known, quantile)) if len(known) else 0.0
