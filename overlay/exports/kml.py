"""The path as KML 2.2 (OGC 07-147r2): timed stretches tinted by the live picture's grade, break-ups as placemarks.

Elements stand in the order of the standard's schema. Heights are over mean sea level where the log gives them.
"""

from __future__ import annotations

from typing import TextIO

import numpy as np

from overlay.clock import format_utc
from overlay.exports.markup import character_data
from overlay.exports.privacy import Disclosure
from overlay.exports.stretches import Stretch, stretches
from overlay.readings import BrokenPicture

# aabbggrr, Okabe and Ito's colours from blue for a clean picture to vermilion for a lost one; wider where it is worse.
_STYLES = {
    "grade-5": ("ffb27200", 2),
    "grade-4": ("ffe9b456", 3),
    "grade-3": ("ff948f8a", 4),
    "grade-2": ("ff009fe6", 5),
    "grade-1": ("ff005ed5", 6),
    "ungraded": ("ffd6d0c9", 2),
}


def write_kml(told: Disclosure, file: TextIO, *, title: str, home_height_m: float) -> None:
    """Write one document; `home_height_m` over mean sea level, NaN where unknown: then the path lies on the ground."""
    file.write('<?xml version="1.0" encoding="UTF-8"?>\n<kml xmlns="http://www.opengis.net/kml/2.2">\n<Document>\n')
    file.write(f"<name>{character_data(title)}</name>\n")
    for name, (colour, width) in _STYLES.items():
        line = f"<LineStyle><color>{colour}</color><width>{width}</width></LineStyle>"
        file.write(f'<Style id="{name}">{line}</Style>\n')
    file.write("<Folder>\n<name>Path by grade of the live picture</name>\n")
    for stretch in stretches(told, longest_s=10.0):
        file.write(_line(told, stretch, home_height_m))
    file.write("</Folder>\n<Folder>\n<name>Break-ups of the live picture</name>\n")
    for number, broken in enumerate(told.readings.breakups, 1):
        file.write(_point(told, number, broken))
    file.write("</Folder>\n</Document>\n</kml>\n")


def _line(told: Disclosure, stretch: Stretch, home_height_m: float) -> str:
    readings, rows = told.readings, stretch.rows
    height = readings["height_m"][rows] + home_height_m
    absolute = bool(np.isfinite(height).all())
    places = zip(readings["longitude_deg"][rows].tolist(), readings["latitude_deg"][rows].tolist(), strict=True)
    if absolute:
        coordinates = [f"{x:.7f},{y:.7f},{z:.2f}" for (x, y), z in zip(places, height.tolist(), strict=True)]
    else:
        coordinates = [f"{x:.7f},{y:.7f}" for x, y in places]
    grade = "not graded" if stretch.grade is None else f"grade {stretch.grade}"
    style = "ungraded" if stretch.grade is None else f"grade-{stretch.grade}"
    mode = "absolute" if absolute else "clampToGround"
    return (
        f"<Placemark><name>{character_data(stretch.leg or 'path')}, {grade}</name>"
        f"{_span(told, float(readings.time_s[rows[0]]), float(readings.time_s[rows[-1]]))}"
        f"<styleUrl>#{style}</styleUrl><LineString><tessellate>1</tessellate><altitudeMode>{mode}</altitudeMode>"
        f"<coordinates>{' '.join(coordinates)}</coordinates></LineString></Placemark>\n"
    )


def _point(told: Disclosure, number: int, broken: BrokenPicture) -> str:
    place = told.place_at(broken.onset_s)
    if place is None:
        return ""
    words = f"{broken.kind}, {broken.end_s - broken.onset_s:.1f} s, worst grade {broken.worst_grade:.1f}"
    return (
        f"<Placemark><name>{number}</name><description>{character_data(words)}</description>"
        f"{_span(told, broken.onset_s, broken.end_s)}"
        f"<Point><coordinates>{place[1]:.7f},{place[0]:.7f}</coordinates></Point></Placemark>\n"
    )


def _span(told: Disclosure, start_s: float, end_s: float) -> str:
    """TimeSpan where the log keeps UTC; a time of no known day is not invented."""
    if not told.readings.keeps_utc:
        return ""
    return f"<TimeSpan><begin>{format_utc(start_s)}</begin><end>{format_utc(end_s)}</end></TimeSpan>"
