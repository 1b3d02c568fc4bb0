"""The flight in numbers: each with its 95 % interval where one is known, and with its source."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import NamedTuple

import numpy as np

from overlay.alignment.result import Alignment
from overlay.clock import format_utc
from overlay.debrief.story import Story
from overlay.debrief.wording import NO_DATA, between, distance, lasting, number, quantity
from overlay.mechanics.findings import Cost
from overlay.mechanics.reach import Radius
from overlay.radio.explain import Explanation
from overlay.readings import Readings

_UNKNOWN = "not known"


class Row(NamedTuple):
    """A quantity as the table shows it; `interval` holds it with 95 %."""

    name: str
    value: str
    interval: str
    source: str


def rows(story: Story) -> tuple[Row, ...]:
    """Every row of the table; "no data" where there is none, with the reason as its source."""
    tables = (_path, _wind, _energy, _margin, _picture, _link, _control, _clocks)
    return tuple(row for table in tables for row in table(story))


def _path(story: Story) -> Iterator[Row]:
    found, readings = story.findings, story.readings
    where = (
        f"geodesic on WGS 84 from home; home is {readings.home.found}" if readings.home else "the log has no positions"
    )
    yield Row("Farthest from home", distance(found.farthest_m), _unless(found.farthest_m), where)
    how = _source(readings, "distance_m", "not in the data")
    yield Row("Flown over the ground", distance(found.distance_m), _unless(found.distance_m), how)
    flown = [leg for leg in readings.legs if leg.name != "on the ground"]
    airborne = sum(leg.end_s - leg.start_s for leg in flown)
    yield Row(
        "In the air", lasting(airborne) if flown else NO_DATA, _unless(flown or None), "speed and height of the log"
    )
    if flown and readings.keeps_utc:
        yield Row("Launch", format_utc(flown[0].start_s, 0), _UNKNOWN, "the log's UTC")
    yield _greatest(readings, "Greatest height over home", "height_m", "m")
    yield _greatest(readings, "Fastest over the ground", "ground_speed_mps", "km/h", 3.6)
    yield _greatest(readings, "Fastest through the air", "airspeed_mps", "km/h", 3.6)


def _greatest(readings: Readings, name: str, column: str, unit: str, scale: float = 1.0) -> Row:
    _, values = readings.series(column)
    value = float(values.max()) * scale if len(values) else None
    return Row(name, quantity(value, unit), _unless(value), _source(readings, column, "not in the log"))


def _wind(story: Story) -> Iterator[Row]:
    wind = story.findings.wind
    if wind is None:
        yield Row("Wind", NO_DATA, "–", story.findings.refusals.get("wind", "not in the data"))
        return
    low, high = wind.speed_interval95_mps
    yield Row("Wind", quantity(wind.speed_mps, "m/s", 1), between(low, high, "m/s", 1), wind.method)
    spread = wind.from_spread95_deg
    told = f"± {spread:.0f}°" if spread < 180.0 else "any direction"
    yield Row("Wind from", f"{wind.from_deg:.0f}°", told, f"as the wind, from {wind.arc_deg:.0f}° of courses flown")
    if wind.airspeed_scale is not None and wind.airspeed_scale_sigma is not None:
        off, spread = 100.0 * (wind.airspeed_scale - 1.0), 196.0 * wind.airspeed_scale_sigma
        interval = between(off - spread, off + spread, "%", 1)
        yield Row("Airspeed sensor reads too high by", quantity(off, "%", 1), interval, "fitted with the wind")


def _energy(story: Story) -> Iterator[Row]:
    found, readings = story.findings, story.readings
    charge = _source(readings, "charge_used_mAh", "no charge or current in the log")
    yield Row("Charge used", quantity(found.charge_used_mAh, "mAh"), _unless(found.charge_used_mAh), charge)
    energy = _source(readings, "energy_used_Wh", "no volts and amperes in the log")
    yield Row("Energy used", quantity(found.energy_used_Wh, "Wh", 1), _unless(found.energy_used_Wh), energy)
    if found.homeward is not None:
        power = found.homeward.power
        spread = 1.96 * power.sigma_W
        source = (
            f"in level flight at {quantity(power.airspeed_mps, 'm/s', 1)}, from {power.blocks} stretches of this flight"
        )
        interval = between(power.power_W - spread, power.power_W + spread, "W")
        yield Row("Power to fly level", quantity(power.power_W, "W"), interval, source)
    for name, cost in (("outbound", found.out), ("homebound", found.home)):
        yield _cost(f"Charge per kilometre, {name}", cost)


def _cost(name: str, cost: Cost | None) -> Row:
    if cost is None:
        return Row(name, NO_DATA, "–", "needs 500 m of such a leg with its charge")
    source = f"{quantity(cost.charge_mAh, 'mAh')} over {distance(cost.distance_m)} of path"
    return Row(name, quantity(cost.per_km_mAh, "mAh/km"), _UNKNOWN, source)


def _margin(story: Story) -> Iterator[Row]:
    found = story.findings
    turn, how = found.turn_back, found.homeward.how if found.homeward else ""
    refused = found.refusals.get("way home") or found.refusals.get("charge left", "not in the data")
    if turn is None:
        yield Row("Last safe turn", NO_DATA, "–", found.refusals.get("last safe turn", refused))
    else:
        low, high = (bound / 1000.0 for bound in turn.interval95_m)
        yield Row("Last safe turn", distance(turn.latest_range_m), between(low, high, "km", 1), how)
    for name, radius, key in (
        ("Out and back, still air", found.still_air, "range in still air"),
        ("Out and back, this wind", found.this_wind, "range in this wind"),
    ):
        yield _radius(name, radius, found.refusals.get(key, refused))


def _radius(name: str, radius: Radius | None, refused: str) -> Row:
    if radius is None:
        return Row(name, NO_DATA, "–", refused)
    low, high = (bound / 1000.0 for bound in radius.interval95_m)
    source = "the usable charge, on the course flown out, at the power of the last safe turn"
    return Row(name, distance(radius.range_m), between(low, high, "km", 1), source)


def _picture(story: Story) -> Iterator[Row]:
    name, source = "Picture broken up", "graded frame by frame, five grades of ITU-R BT.500"
    if story.diagnosis is None:
        yield Row(name, NO_DATA, "–", "no recording of the live picture")
        return
    lost = sum(event.end_s - event.onset_s for event in story.events)
    frames = 1.0 / float(story.diagnosis.frame_rate)
    spread = sum(np.ptp(event.onset_interval_s) / 2 for event in story.events)
    yield Row(name, lasting(lost), f"± {number(max(spread, frames), 2)} s (onsets)", source)


def _link(story: Story) -> Iterator[Row]:
    """How far the picture's link would reach, as it was and changed."""
    found = story.explanation
    if found is None:
        reason = story.not_explained or "the live picture's link is not described or was not seen"
        yield Row("Range of the live picture", NO_DATA, "–", reason)
        return
    yield _constant("Margin of the live picture at 1 km", found)
    yield from _ranges("Range at grade 3", found, "half of the time")


def _control(story: Story) -> Iterator[Row]:
    """How far the control link would reach, as it was and changed; nothing where the log holds nothing of it."""
    if story.control is not None:
        yield _constant("Margin of the control link at 1 km", story.control)
        level = f"to a {story.control.fit.evidence.level}, half of the time"
        yield from _ranges("Range of the control link", story.control, level)
    elif story.readings.has("control_rssi_dBm"):
        yield Row("Range of the control link", NO_DATA, "–", story.control_not_explained or "not modelled")


def _constant(name: str, found: Explanation) -> Row:
    """The one constant that is fitted to a link."""
    mean, (low, high) = found.fit.constant_dB()
    source = f"fitted, with nothing lost but range, over a {found.fit.evidence.level}"
    return Row(name, quantity(mean, "dB", 1), between(low, high, "dB", 1), source)


def _ranges(what: str, found: Explanation, level: str) -> Iterator[Row]:
    for each in found.next_flight:
        low, high = (bound / 1000.0 for bound in each.interval95_m)
        interval = between(low, high, "km", 1) + ("" if each.bounded else " or more")
        name = f"{what}, {each.change.name[0].lower()}{each.change.name[1:]}"
        yield Row(name, distance(each.range_m), interval, f"{level}, {each.assumption}")


def _clocks(story: Story) -> Iterator[Row]:
    for found in story.alignments:
        yield _offset(found)
        if found.drift_ppm is not None and (found.verdict == "sure" or found.pin is not None):
            spread = f"± {number(1.96 * found.drift_sigma_ppm, 1)} ppm"
            yield Row(f"Drift, {found.recording}", quantity(found.drift_ppm, "ppm", 1), spread, "the same")


def _offset(found: Alignment) -> Row:
    name = f"Clock of {found.recording} against {found.reference}"
    if found.best is None or (found.verdict != "sure" and found.pin is None):
        return Row(name, NO_DATA, "–", "; ".join(found.reasons) or "no trustworthy answer")
    begins = format_utc(found.best.offset_s) if found.keeps_utc else f"{number(found.best.offset_s, 3)} s"
    half_s = found.half_interval_at(0.0)
    spread = f"± {number(1000.0 * half_s)} ms" if math.isfinite(half_s) else _UNKNOWN
    source = "set by hand" if found.pin is not None else f"motion compared over {lasting(found.overlap_s)}"
    return Row(name, f"begins {begins}", spread, source)


def _source(readings: Readings, column: str, otherwise: str) -> str:
    if not readings.has(column):
        return otherwise
    return readings.derived.get(column, "as logged")


def _unless(value: object) -> str:
    return "–" if value is None else _UNKNOWN
