"""The path as GeoJSON (RFC 7946): a line for each stretch of one grade, a point for each break-up.

Places are longitude, latitude on WGS 84 to seven decimals; heights stand beside them in the properties, because the
standard's third ordinate is a height over the ellipsoid, which logs seldom give. Lines are cut at the antimeridian, as
the standard asks (section 3.1.9).
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from itertools import pairwise
from typing import Any, TextIO

import numpy as np
from numpy.typing import NDArray

from overlay.clock import format_utc
from overlay.exports.privacy import Disclosure
from overlay.exports.stretches import Stretch, stretches
from overlay.readings import BrokenPicture

Position = list[float]


def write_geojson(told: Disclosure, file: TextIO) -> None:
    """Write one FeatureCollection, a feature to a line."""
    file.write('{"type": "FeatureCollection", "features": [')
    for number, feature in enumerate(_features(told)):
        file.write(",\n" if number else "\n")
        json.dump(feature, file, allow_nan=False)
    file.write("\n]}\n")


def _features(told: Disclosure) -> Iterator[dict[str, Any]]:
    for stretch in stretches(told):
        yield _line(told, stretch)
    for number, broken in enumerate(told.readings.breakups, 1):
        place = told.place_at(broken.onset_s)
        if place is not None:
            yield _point(told, number, broken, place)


def _line(told: Disclosure, stretch: Stretch) -> dict[str, Any]:
    readings, rows = told.readings, stretch.rows
    parts = _cut_at_antimeridian(readings["longitude_deg"][rows], readings["latitude_deg"][rows])
    geometry: dict[str, Any] = {"type": "LineString", "coordinates": parts[0]}
    if len(parts) > 1:
        geometry = {"type": "MultiLineString", "coordinates": parts}
    properties = {
        **_span(told, float(readings.time_s[rows[0]]), float(readings.time_s[rows[-1]])),
        "leg": stretch.leg,
        "picture_grade": stretch.grade,
        "time_s": [round(value, 3) for value in readings.time_s[rows].tolist()],
        "height_m": [round(v, 2) if math.isfinite(v) else None for v in readings["height_m"][rows].tolist()],
    }
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def _point(told: Disclosure, number: int, broken: BrokenPicture, place: tuple[float, float]) -> dict[str, Any]:
    properties = {
        "breakup": number,
        **_span(told, broken.onset_s, broken.end_s),
        "kind": broken.kind,
        "worst_grade": round(broken.worst_grade, 2),
    }
    if told.tells_home:
        far = float(told.readings.at("range_m", broken.onset_s)[0])
        properties["range_m"] = round(far, 1) if math.isfinite(far) else None
    coordinates = [round(place[1], 7), round(place[0], 7)]
    return {"type": "Feature", "geometry": {"type": "Point", "coordinates": coordinates}, "properties": properties}


def _span(told: Disclosure, start_s: float, end_s: float) -> dict[str, Any]:
    if told.readings.keeps_utc:
        return {"start_utc": format_utc(start_s), "end_utc": format_utc(end_s)}
    return {"start_s": round(start_s, 3), "end_s": round(end_s, 3)}


def _cut_at_antimeridian(longitude: NDArray[np.float64], latitude: NDArray[np.float64]) -> list[list[Position]]:
    places = [[round(x, 7), round(y, 7)] for x, y in zip(longitude.tolist(), latitude.tolist(), strict=True)]
    parts = [[places[0]]]
    for before, after in pairwise(places):
        if abs(after[0] - before[0]) > 180.0:
            rim = math.copysign(180.0, before[0])
            there = after[0] + 2 * rim  # the same place, counted on from before
            share = (rim - before[0]) / (there - before[0]) if there != before[0] else 0.0
            crossing = round(before[1] + share * (after[1] - before[1]), 7)
            parts[-1].append([rim, crossing])
            parts.append([[-rim, crossing]])
        parts[-1].append(after)
    return parts
