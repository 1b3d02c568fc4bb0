"""From the numbers of a log to columns in the project's units: units not named are found from the flight, or refused.

A speed without a unit is measured against the positions; an angle by its spread; a link strength without a sign by
whether it grows with the distance. What stays unclear is left out, and the damage says how to name it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from overlay.tracks import angles, terms, unit_evidence, units
from overlay.tracks.flown import Flown
from overlay.tracks.samples import Floats
from overlay.tracks.source import Source
from overlay.tracks.terms import Field
from overlay.tracks.unnamed_units import HEIGHTS, PLACES, UnnamedUnits, largest, named_unit

_TURNED = ("course_deg", "heading_deg", "wind_from_deg", "aerial_bearing_deg")
_FULL_BYTE = 255.0  # stands for "not known" where a byte counts to 100
_STICK_COUNTS = 1024.0  # full stick on hobby radios; common practice, no source


def places(fields: Sequence[Field], raw: Mapping[str, Floats], source: Source) -> dict[str, Floats]:
    """Latitude and longitude in degrees; integers of 10⁻⁷ degree and NMEA's degrees and minutes told by their size."""
    pair = {field.column: field for field in fields if field.column in PLACES}
    result = {}
    size = max((largest(raw[field.header]) for field in pair.values() if not named_unit(field)), default=0.0)
    whole = all(_is_whole(raw[field.header]) for field in pair.values())
    for column, field in pair.items():
        values = raw[field.header]
        if named_unit(field):
            result[column] = units.convert(values, "angle", field.unit)
        elif size > 36000 and whole:
            result[column] = values * 1e-7
        elif size > 360 and not whole and all(_is_degrees_minutes(raw[f.header]) for f in pair.values()):
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
    wanted = [f for f in fields if f.column not in PLACES and np.isfinite(raw[f.header]).any()]
    guess = UnnamedUnits({field: raw[field.header] for field in wanted}, flown, source, si=si)
    for field in wanted:
        unit = guess.of(field)
        if unit is None:
            hint = f'{field.column} = "{terms.without_unit(field.header)} (unit)"'
            lacks = "does not say what it counts" if field.unclear else "carries no unit known here"
            source.note(f"column {field.header!r} {lacks}: left out; name it by a mapping such as {hint}")
            continue
        converted = units.convert(raw[field.header], field.quantity, unit)
        settled = _settled(field, converted, flown, source)
        if settled is not None:
            earlier = result.get(field.column)
            result[field.column] = settled if earlier is None else np.fmax(earlier, settled)
    if "bank_deg" in result and not si:
        result["bank_deg"] = leaning_inwards(result["bank_deg"], flown, source)
    height = next((result[name] for name in HEIGHTS if name in result), None)
    climb = result.get("vertical_speed_mps")
    if climb is not None and height is not None and unit_evidence.counts_down(climb, height, flown):
        source.note("vertical speed as logged is positive where the aircraft sinks: its sign turned")
        result["vertical_speed_mps"] = -climb
    return result


def _settled(field: Field, values: Floats, flown: Flown, source: Source) -> Floats | None:
    """Values with their sign, wrap and range put right; None when that cannot be done."""
    column = field.column
    if column in ("control_rssi_dBm", "telemetry_rssi_dBm"):
        return _received_power(field, values, flown, source)
    if column == "ground_speed_mps":
        return _unless_contradicted(field, values, flown, source)
    if column in ("course_deg", "heading_deg"):
        return _direction(field, values, flown, source)
    if column in _TURNED:
        return angles.course(values)
    if field.quantity == "percent":
        return _percentage(field, values, source)
    if column in ("bank_deg", "pitch_deg"):
        return (values + 180.0) % 360.0 - 180.0
    return values


def _unless_contradicted(field: Field, values: Floats, flown: Flown, source: Source) -> Floats | None:
    """A ground speed, unless the positions say that it is none: in another unit than the header's, or through the air."""
    speed, logged = flown.straight_mps(), values[flown.rows]
    judged = np.isfinite(logged) & (np.nan_to_num(speed) > 4.0)
    if judged.sum() < 30:
        return values
    ratio = float(np.median(logged[judged] / speed[judged]))
    if 0.75 < ratio < 1.33:
        return values
    source.note(f"column {field.header!r} is {ratio:.2g} times the speed over the positions: left out")
    return None


def _percentage(field: Field, values: Floats, source: Source) -> Floats | None:
    """Percent from what logs call so: sticks go below nothing, fractions never above one, counts beyond a hundred."""
    known = values[np.isfinite(values)]
    if field.column == "throttle_pct" and len(known) and (known.min() < -20 or largest(values) > 150):
        full = 100.0 if largest(values) <= 150 else _STICK_COUNTS
        if largest(values) <= 1.2 * full:
            return np.clip((values + full) / (2 * full), 0.0, 1.0) * 100.0
    elif not named_unit(field) and len(known) and 0 < known.max() <= 1.0 and known.min() >= 0:
        if not np.any(known % 1.0):
            source.note(f"column {field.header!r} holds 0 and 1 alone: left out")
            return None
        source.note(f"{field.header!r} goes from 0 to 1: read as a fraction")
        return values * 100.0
    elif named_unit(field) or np.mean((known > 100) & (known != _FULL_BYTE)) < 0.01:
        return np.where((values >= 0) & (values <= 100), values, np.nan)
    source.note(f"column {field.header!r} is no percentage: left out")
    return None


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
    source.note(f"column {field.header!r} does not say what it counts: left out")
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
    if best and misses[best] < min(0.85 * misses[0], 25.0) and (values < 0).any():
        factor, period = _COUNTERS[best]
        source.note(
            f"{field.header!r} wraps at its counter's {period:.2f}° (× {factor:g}): unwrapped by the course made good"
        )
        return angles.course((values * factor) % period)
    if misses[0] > 75.0 and field.column == "course_deg":
        source.note(f"column {field.header!r} disagrees with the course made good: left out")
        return None
    return angles.course(values)


def _is_whole(values: Floats) -> bool:
    known = values[np.isfinite(values)]
    return bool(np.all(known == np.round(known)))


def _is_degrees_minutes(values: Floats) -> bool:
    known = np.abs(values[np.isfinite(values)])
    return bool(np.all((known % 100 < 60) & (known < 18060)))


def leaning_inwards(bank: Floats, flown: Flown, source: Source) -> Floats:
    """Bank positive to the right: in turns an aircraft leans inwards, and a log that says otherwise counts the other way."""
    turning, leaning = flown.turning_dps(), bank[flown.rows]
    judged = (np.abs(np.nan_to_num(turning)) > 3.0) & (np.abs(np.nan_to_num(leaning)) > 8.0)
    if judged.sum() < 60 or np.mean(turning[judged] * leaning[judged] > 0) > 0.15:
        return bank
    source.note("bank as logged leans out of the turns: its sign turned")
    return -bank
