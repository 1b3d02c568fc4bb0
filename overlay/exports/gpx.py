"""The path as GPX 1.1: one track with a segment for each unbroken piece, break-ups as waypoints."""

from __future__ import annotations

import math
from typing import TextIO

from overlay.clock import format_utc
from overlay.exports.markup import character_data
from overlay.exports.privacy import Disclosure
from overlay.exports.stretches import unbroken
from overlay.readings import BrokenPicture


def write_gpx(told: Disclosure, file: TextIO, *, title: str, home_height_m: float) -> None:
    """Write one file; heights over mean sea level where `home_height_m` is known, times where the log keeps UTC."""
    file.write(
        '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="overlay" '
        'xmlns="http://www.topografix.com/GPX/1/1">\n'
    )
    file.write(f"<metadata><name>{character_data(title)}</name></metadata>\n")
    for number, broken in enumerate(told.readings.breakups, 1):
        file.write(_waypoint(told, number, broken))
    file.write(f"<trk><name>{character_data(title)}</name>\n")
    readings = told.readings
    for rows in unbroken(told):
        file.write("<trkseg>\n")
        columns = (readings["latitude_deg"], readings["longitude_deg"], readings["height_m"] + home_height_m)
        values = (column[rows].tolist() for column in (*columns, readings.time_s))
        file.writelines(_point(*row, keeps_utc=readings.keeps_utc) for row in zip(*values, strict=True))
        file.write("</trkseg>\n")
    file.write("</trk>\n</gpx>\n")


def _point(latitude: float, longitude: float, height_m: float, time_s: float, *, keeps_utc: bool) -> str:
    height = f"<ele>{height_m:.2f}</ele>" if math.isfinite(height_m) else ""
    time = f"<time>{format_utc(time_s)}</time>" if keeps_utc else ""
    return f'<trkpt lat="{latitude:.7f}" lon="{longitude:.7f}">{height}{time}</trkpt>\n'


def _waypoint(told: Disclosure, number: int, broken: BrokenPicture) -> str:
    place = told.place_at(broken.onset_s)
    if place is None:
        return ""
    time = f"<time>{format_utc(broken.onset_s)}</time>" if told.readings.keeps_utc else ""
    words = f"{broken.kind}, {broken.end_s - broken.onset_s:.1f} s, worst grade {broken.worst_grade:.1f}"
    at = f'lat="{place[0]:.7f}" lon="{place[1]:.7f}"'
    return f"<wpt {at}>{time}<name>Break-up {number}</name><desc>{character_data(words)}</desc></wpt>\n"
