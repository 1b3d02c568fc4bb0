"""Units that a log does not name, found from what the numbers must be; what stays unclear is not guessed."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from overlay.tracks import units
from overlay.tracks.flown import Flown
from overlay.tracks.samples import Floats
from overlay.tracks.source import Source
from overlay.tracks.terms import Field

PLACES = ("latitude_deg", "longitude_deg")
ATTITUDE = ("bank_deg", "pitch_deg", "heading_deg", "course_deg")
_SPEED_UNITS = {"m/s": 1.0, "km/h": 3.6, "kt": 1 / units.KNOT_MPS, "mph": 3600 / units.MILE_M}
_METRIC = ("m/s", "mps", "km/h", "kmh", "kph", "kmph")
_USUAL = {"current": "A", "charge": "mAh", "percent": "%", "count": "", "decibel": "", "power": "mW"}


class UnnamedUnits:
    """The unit of each column of a log, named or found."""

    def __init__(self, columns: Mapping[Field, Floats], flown: Flown, source: Source, *, si: bool) -> None:
        self._columns, self._flown, self._source, self._si = columns, flown, source, si
        bare = [values for field, values in columns.items() if field.column in ATTITUDE and not named_unit(field)]
        self._angle = "deg" if si else _angle_unit(bare)
        self._speeds = [field for field in columns if field.column == "ground_speed_mps"]
        self._speed = next((units.plain(named_unit(f)) or self._measured(f) for f in self._speeds), "")

    def of(self, field: Field) -> str | None:
        """The unit of a column as `units.convert` takes it, None where it is not clear."""
        if named_unit(field):
            return field.unit
        if field.column == "ground_speed_mps" and self._speed:
            if self._si and self._speed != "m/s":
                self._source.note(f"{field.header!r} agrees with the positions in {self._speed} only: read so")
            return self._speed
        if self._si:
            return ""
        if field.column in ATTITUDE:
            return self._angle or None
        if field.quantity == "length":
            return self._length(field)
        if field.quantity == "voltage":
            return "V" if largest(self._columns[field]) <= 120 else None
        if field.column == "vertical_speed_mps":
            return "m/s" if largest(self._columns[field], 0.99) < 30 else None
        if field.column in ("wind_from_deg", "aerial_bearing_deg"):
            return "deg"
        return _USUAL.get(field.quantity)

    def _length(self, field: Field) -> str | None:
        """Metres where nothing speaks against them: a log in knots counts its heights in feet as a rule, not always."""
        if self._speeds and self._speed not in _METRIC:
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
