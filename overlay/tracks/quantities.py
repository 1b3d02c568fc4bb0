"""From the numbers of a log to columns in the project's units: units not named are found from the flight, or refused.

A speed without a unit is measured against the positions; an angle by its spread; a link strength without a sign by
whether it grows with the distance. What stays unclear is left out, and the damage says how to name it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from overlay.tracks import angles, units
from overlay.tracks.fixes import distance_m
from overlay.tracks.samples import Floats
from overlay.tracks.source import Source
from overlay.tracks.terms import Field

ATTITUDE = ("bank_deg", "pitch_deg", "heading_deg")
_TURNED = ("course_deg", "heading_deg", "wind_from_deg", "aerial_bearing_deg")
_NEED_UNIT = ("speed", "rate", "acceleration", "angle", "length", "voltage")
_STICK_COUNTS = 1024.0  # full stick on hobby radios; common practice, no source
_SPEED_UNITS = {"m/s": 1.0, "km/h": 3.6, "kt": 1 / units.KNOT_MPS, "mph": 3600 / units.MILE_M}


class Flown:
    """Where and when the flight was, to hold its other numbers against."""

    def __init__(self, time_s: Floats, latitude_deg: Floats, longitude_deg: Floats) -> None:
        known = np.isfinite(time_s) & np.isfinite(latitude_deg) & np.isfinite(longitude_deg)
        known &= (np.abs(latitude_deg) <= 90) & ((latitude_deg != 0) | (longitude_deg != 0))
        moved = np.concatenate(([True], (np.diff(latitude_deg) != 0) | (np.diff(longitude_deg) != 0)))
        self.rows = np.flatnonzero(known & moved)
        self.time_s = time_s[self.rows]
        self.latitude_deg, self.longitude_deg = latitude_deg[self.rows], longitude_deg[self.rows]

    def made_good(self) -> tuple[Floats, Floats]:
        """(speed m/s, course deg) across each fresh fix, from its neighbours; NaN at the ends, at gaps, standing."""
        blank = np.full(len(self.rows), np.nan)
        if len(self.rows) < 3:
            return blank, blank.copy()
        before, after = slice(None, -2), slice(2, None)
        lasted = self.time_s[after] - self.time_s[before]
        place = self.latitude_deg, self.longitude_deg
        away = distance_m(place[0][before], place[1][before], place[0][after], place[1][after])
        north = np.radians(place[0][after] - place[0][before])
        east = np.radians(place[1][after] - place[1][before]) * np.cos(np.radians(place[0][1:-1]))
        usable = (lasted > 0) & (lasted < 10.0)
        speed, course = blank.copy(), blank.copy()
        speed[1:-1] = np.divide(away, lasted, out=np.full(len(away), np.nan), where=usable)
        course[1:-1] = np.where(usable & (away > 5.0), np.degrees(np.arctan2(east, north)) % 360.0, np.nan)
        return speed, course

    def distance_m(self) -> Floats:
        """From the first fix, at each fresh fix."""
        start = np.full(len(self.rows), self.latitude_deg[0]), np.full(len(self.rows), self.longitude_deg[0])
        return distance_m(*start, self.latitude_deg, self.longitude_deg)


def places(fields: Sequence[Field], raw: Mapping[str, Floats], source: Source) -> dict[str, Floats]:
    """Latitude and longitude in degrees; integers of 10⁻⁷ degree and NMEA's degrees and minutes told by their size."""
    pair = {field.column: field for field in fields if field.column in ("latitude_deg", "longitude_deg")}
    result = {}
    largest = max((_largest(raw[field.header]) for field in pair.values() if not _unit(field)), default=0.0)
    whole = all(_is_whole(raw[field.header]) for field in pair.values())
    for column, field in pair.items():
        values = raw[field.header]
        if _unit(field):
            result[column] = units.convert(values, "angle", field.unit)
        elif largest > 36000 and whole:
            result[column] = values * 1e-7
        elif largest > 360 and not whole and all(_is_degrees_minutes(raw[f.header]) for f in pair.values()):
            source.note("places written as degrees and minutes (ddmm.mmmm) read as such")
            result[column] = angles.from_degrees_minutes(values)
        else:
            result[column] = values
    return result


def columns_of(
    fields: Sequence[Field], raw: Mapping[str, Floats], flown: Flown, source: Source, *, si: bool
) -> dict[str, Floats]:
    """Every other column, converted; `si` for formats whose numbers are SI where no unit is named."""
    result: dict[str, Floats] = {}
    attitude = {field.header: raw[field.header] for field in fields if field.column in ATTITUDE and not _unit(field)}
    attitude_unit = "deg" if si else _attitude_unit(list(attitude.values()))
    speed_unit = ""
    for field in fields:
        values = raw[field.header]
        if field.column in ("latitude_deg", "longitude_deg") or not np.isfinite(values).any():
            continue
        unit = _unit(field)
        if not unit and not si and field.quantity == "speed":
            unit = speed_unit = _speed_unit(field, values, flown)
        elif not unit and field.header in attitude:
            unit = attitude_unit
        elif not unit and not si and field.quantity in ("voltage", "length", "charge", "current"):
            unit = _usual_unit(field, values, speed_unit)
        if not unit and not si and field.quantity in _NEED_UNIT and field.column not in _TURNED:
            _leave_out(source, field, "carries no unit")
            continue
        converted = units.convert(values, field.quantity, unit)
        settled = _settled(field, converted, flown, source)
        if settled is not None:
            earlier = result.get(field.column)
            result[field.column] = settled if earlier is None else np.fmax(earlier, settled)
    return result


def _unit(field: Field) -> str:
    return field.unit if units.measures(field.unit, field.quantity) else ""


def _leave_out(source: Source, field: Field, why: str) -> None:
    hint = f'{field.column} = "{field.header} (unit)"'
    source.note(f"column {field.header!r} {why}: left out; name it by a mapping such as {hint}")


def _settled(field: Field, values: Floats, flown: Flown, source: Source) -> Floats | None:
    """Values with their sign, wrap and range put right; None when that cannot be done."""
    column = field.column
    if column in ("control_rssi_dBm", "telemetry_rssi_dBm"):
        return _received_power(field, values, flown, source)
    if column in ("course_deg", "heading_deg"):
        return _direction(field, values, flown, source)
    if column in _TURNED:
        return angles.course(values)
    if column == "throttle_pct" and _largest(values) > 150:
        if _largest(values) > 1.2 * _STICK_COUNTS:
            _leave_out(source, field, "is no percentage")
            return None
        return np.clip((values + _STICK_COUNTS) / (2 * _STICK_COUNTS), 0.0, 1.0) * 100.0
    if field.quantity == "percent":
        return np.where((values >= 0) & (values <= 100), values, np.nan)
    if column in ("bank_deg", "pitch_deg"):
        return (values + 180.0) % 360.0 - 180.0
    return values


def _received_power(field: Field, values: Floats, flown: Flown, source: Source) -> Floats | None:
    """Received power in dBm from what radios log: negative dBm, or its size; 0 is no reading."""
    values = np.where(values == 0, np.nan, values)
    known = np.isfinite(values)
    if not known.any():
        return None
    if (values[known] < 0).mean() > 0.9:
        return np.where(values < 0, values, np.nan)
    if units.plain(field.unit) == "dbm":
        return -np.abs(values)  # more than 1 mW received is impossible: the sign was left off
    trend = _trend(values[flown.rows], flown.distance_m()) if len(flown.rows) > 30 else 0.0
    if trend > 0.3:
        source.note(f"{field.header!r} grows with the distance: read as dB below 1 mW")
        return -np.abs(values)
    _leave_out(source, field, "does not say what it counts")
    return None


def _trend(values: Floats, distance: Floats) -> float:
    """Rank correlation (Spearman) of values with the distance, 0 where there is nothing to correlate."""
    known = np.isfinite(values)
    if known.sum() < 30 or np.ptp(values[known]) == 0 or np.ptp(distance[known]) < 50.0:
        return 0.0
    first, second = (np.argsort(np.argsort(part[known])).astype(np.float64) for part in (values, distance))
    return float(np.corrcoef(first, second)[0, 1])


# (factor, degrees at which the counter wraps): as written; 0.01° in 16 bits, whole or a tenth; 10⁻⁴ rad in 16 bits
_COUNTERS = ((1.0, 360.0), (1.0, 655.36), (10.0, 655.36), (1.0, 6.5536 * units.DEG_PER_RAD))


def _direction(field: Field, values: Floats, flown: Flown, source: Source) -> Floats | None:
    """A course or heading in [0, 360), its counter's wrap undone where the course made good shows one."""
    speed, made_good = flown.made_good()
    judged = np.isfinite(made_good) & np.isfinite(values[flown.rows]) & (np.nan_to_num(speed) > 4.0)
    if judged.sum() < 60:
        return angles.course(values)
    wanted = made_good[judged]
    misses = []
    for factor, period in _COUNTERS:
        turned = (values[flown.rows][judged] * factor) % period
        misses.append(float(np.quantile(np.abs((turned - wanted + 180.0) % 360.0 - 180.0), 0.7)))
    best = int(np.argmin(misses))
    if best and misses[best] < 0.85 * misses[0] and (values < 0).any() and misses[best] < 45.0:
        factor, period = _COUNTERS[best]
        source.note(
            f"{field.header!r} wraps at its counter's {period:.2f}° (× {factor:g}): unwrapped by the course made good"
        )
        return angles.course((values * factor) % period)
    if misses[0] > 75.0 and field.column == "course_deg":
        _leave_out(source, field, "disagrees with the course made good")
        return None
    return angles.course(values)


def _speed_unit(field: Field, values: Floats, flown: Flown) -> str:
    """The unit that makes a ground speed agree with the positions, empty when none does."""
    if field.column == "vertical_speed_mps":
        return "m/s" if _largest(values, 0.99) < 30 else ""
    if field.column != "ground_speed_mps":
        return ""
    speed, _ = flown.made_good()
    logged = values[flown.rows]
    judged = np.isfinite(logged) & (np.nan_to_num(speed) > 3.0)
    if judged.sum() < 20:
        return ""
    ratio = float(np.median(logged[judged] / speed[judged]))
    near = [unit for unit, factor in _SPEED_UNITS.items() if abs(ratio / factor - 1) < 0.05]
    return near[0] if len(near) == 1 else ""


def _usual_unit(field: Field, values: Floats, speed_unit: str) -> str:
    """The unit that a column without one is all but always in, empty where custom differs."""
    usual = {"length": "m", "current": "A", "charge": "mAh", "voltage": "V"}[field.quantity]
    if usual == "m" and speed_unit in ("kt", "mph"):
        return ""  # a log in knots counts its heights in feet as a rule, not always
    if usual == "V" and _largest(values) > 120:
        return ""
    return usual


def _attitude_unit(columns: Sequence[Floats]) -> str:
    """Degrees when any angle is beyond a full circle in radians; radians when headings span a circle of them."""
    largest = max((_largest(values) for values in columns), default=0.0)
    if largest > 6.6:
        return "deg"
    return "rad" if largest > 2.5 and any(np.nanstd(values) > 0.5 for values in columns) else ""


def _largest(values: Floats, quantile: float = 1.0) -> float:
    known = np.abs(values[np.isfinite(values)])
    return float(np.quantile(known, quantile)) if len(known) else 0.0


def _is_whole(values: Floats) -> bool:
    known = values[np.isfinite(values)]
    return bool(np.all(known == np.round(known)))


def _is_degrees_minutes(values: Floats) -> bool:
    known = np.abs(values[np.isfinite(values)])
    return bool(np.all((known % 100 < 60) & (known < 18060)))


def agrees_with_positions(column: str, values: Floats, flown: Flown) -> bool:
    """Whether a ground speed (m/s) or course (deg) fits the positions; True where there is too little to tell."""
    speed, course = flown.made_good()
    logged = values[flown.rows]
    judged = np.isfinite(logged) & np.isfinite(course) & (np.nan_to_num(speed) > 4.0)
    if judged.sum() < 30:
        return True
    if column == "ground_speed_mps":
        return bool(0.8 < np.median(logged[judged] / speed[judged]) < 1.25)
    miss = np.abs((logged[judged] - course[judged] + 180.0) % 360.0 - 180.0)
    return bool(np.median(miss) < 30.0)
