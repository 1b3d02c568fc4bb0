"""GeoJSON, KML and GPX read back by other readers, and against their standards."""

from __future__ import annotations

import io
import json
import re
from dataclasses import replace
from datetime import datetime
from importlib.resources import as_file, files
from itertools import pairwise
from xml.etree import ElementTree

import gpxpy
import numpy as np
import pyproj
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.exports.geojson import write_geojson
from overlay.exports.gpx import write_gpx
from overlay.exports.kml import write_kml
from overlay.exports.privacy import outside_circle
from overlay.exports.stretches import stretches, unbroken
from overlay.readings import Readings

GEOD = pyproj.Geod(ellps="WGS84")
KML = "{http://www.opengis.net/kml/2.2}"
# Of a feature's children those that are written here, in the order of OGC 07-147r2's schema (AbstractFeatureGroup,
# then the geometry); the schema itself is asked where fastkml, which carries it, is installed.
PLACEMARK_ORDER = ["name", "description", "TimeSpan", "styleUrl", "Point", "LineString"]
LINE_ORDER = ["tessellate", "altitudeMode", "coordinates"]


def text_of(write, readings: Readings, circle_m: float = 0.0, **more) -> str:
    text = io.StringIO()
    write(outside_circle(readings, circle_m), text, **more)
    return text.getvalue()


def geojson(readings: Readings, circle_m: float = 0.0) -> dict:
    return json.loads(text_of(write_geojson, readings, circle_m))


def kml(readings: Readings, circle_m: float = 0.0, **more) -> str:
    return text_of(write_kml, readings, circle_m, **{"title": "Moor & <sea>", "home_height_m": 31.0, **more})


def gpx(readings: Readings, circle_m: float = 0.0, **more) -> str:
    return text_of(write_gpx, readings, circle_m, **{"title": "Moor & <sea>", "home_height_m": 31.0, **more})


def lines(collection: dict) -> list[list[list[float]]]:
    found = []
    for feature in collection["features"]:
        shape = feature["geometry"]
        if shape["type"] == "LineString":
            found.append(shape["coordinates"])
        if shape["type"] == "MultiLineString":
            found += shape["coordinates"]
    return found


def test_geojson_is_what_rfc_7946_asks(flight: Readings) -> None:
    collection = geojson(flight)
    assert collection["type"] == "FeatureCollection"
    assert set(collection) == {"type", "features"}  # no "crs": section 4
    for feature in collection["features"]:
        assert set(feature) == {"type", "geometry", "properties"}
        assert feature["type"] == "Feature"
    for line in lines(collection):
        assert len(line) >= 2  # section 3.1.4
        for longitude, latitude in line:  # section 3.1.1: longitude first
            assert -180 <= longitude <= 180
            assert -90 <= latitude <= 90


def test_geojson_holds_every_position_with_its_time_and_height(flight: Readings) -> None:
    told = {}
    for feature in geojson(flight)["features"]:
        about = feature["properties"]
        if feature["geometry"]["type"] == "LineString":
            rows = zip(feature["geometry"]["coordinates"], about["time_s"], about["height_m"], strict=True)
            told |= {time: (*place, height) for place, time, height in rows}
    known = np.flatnonzero(np.isfinite(flight["latitude_deg"]))
    assert sorted(told) == flight.time_s[known].tolist()
    for row in known:
        longitude, latitude, height = told[float(flight.time_s[row])]
        assert longitude == pytest.approx(flight["longitude_deg"][row], abs=5.1e-8)
        assert latitude == pytest.approx(flight["latitude_deg"][row], abs=5.1e-8)
        assert height == pytest.approx(flight["height_m"][row], abs=0.0051)


def test_stretches_are_of_one_grade_and_leg_and_join(flight: Readings) -> None:
    stretches = [f for f in geojson(flight)["features"] if f["geometry"]["type"] == "LineString"]
    for stretch in stretches:
        about = stretch["properties"]
        rows = np.searchsorted(flight.time_s, about["time_s"][:-1])  # the last is the next one's first
        grades = np.clip(np.round(flight["picture_grade"][rows]), 1, 5)
        assert set(grades) == {about["picture_grade"]}
        assert {flight.leg_at(time) for time in about["time_s"][:-1]} == {about["leg"]}
    silent = 0
    for before, after in pairwise(stretches):
        gap = after["properties"]["time_s"][0] - before["properties"]["time_s"][-1]
        assert gap == 0 or gap > 2.0
        silent += gap > 0
    assert silent == 1


@given(circle=st.floats(10.0, 3500.0))
def test_no_path_enters_the_circle(flight: Readings, circle: float) -> None:
    places = [place for line in lines(geojson(flight, circle)) for place in line]
    root = ElementTree.fromstring(kml(flight, circle))
    for coordinates in root.iter(f"{KML}coordinates"):
        places += [[float(v) for v in each.split(",")[:2]] for each in coordinates.text.split()]
    read = gpxpy.parse(gpx(flight, circle))
    places += [[p.longitude, p.latitude] for p, *_ in read.walk()] if read.tracks else []
    places += [[p.longitude, p.latitude] for p in read.waypoints]
    east, north = np.array(places).T
    _, _, far = GEOD.inv(np.full(len(east), -33.9), np.full(len(east), 47.3), east, north)
    assert far.min() >= circle - 0.02  # what the rounding to seven decimals may take
    assert "range" not in text_of(write_geojson, flight, circle)


@given(longitude=st.floats(-180.0, 179.999), course=st.sampled_from([60.0, 90.0, 270.0]))
def test_lines_are_cut_at_the_antimeridian(flight_at, longitude: float, course: float) -> None:
    readings = flight_at((10.0, longitude), course)
    for line in lines(geojson(readings)):
        steps = np.abs(np.diff([place[0] for place in line]))
        assert len(steps) == 0 or steps.max() < 1.0


def test_no_line_is_drawn_over_rows_that_are_not_there(flight: Readings) -> None:
    """A log's hole may be rows of nothing, or no rows at all."""
    kept = (flight.time_s < flight.time_s[0] + 60.0) | (flight.time_s > flight.time_s[0] + 90.0)
    columns = {name: values[kept] for name, values in flight.columns.items()}
    holed = outside_circle(replace(flight, time_s=flight.time_s[kept], columns=columns), 0.0)
    for rows in (*unbroken(holed), *(stretch.rows for stretch in stretches(holed))):
        assert np.diff(holed.readings.time_s[rows]).max(initial=0.0) <= 2.0


def test_the_cut_lies_on_the_line(flight_at) -> None:
    readings = flight_at((10.0, 179.99), 90.0)
    parts = [
        f["geometry"]["coordinates"]
        for f in geojson(readings)["features"]
        if f["geometry"]["type"] == "MultiLineString"
    ]
    assert len(parts) == 2  # out over it and back
    west, east = parts[0]
    assert west[-1][0] == 180.0
    assert east[0][0] == -180.0
    assert west[-1][1] == east[0][1] == pytest.approx(10.0, abs=1e-4)


def test_kml_has_the_order_of_its_schema(flight: Readings) -> None:
    root = ElementTree.fromstring(kml(flight))
    assert root.tag == f"{KML}kml"
    children = [child.tag.removeprefix(KML) for child in root[0]]
    assert children == ["name", *["Style"] * 6, "Folder", "Folder"]
    for placemark in root.iter(f"{KML}Placemark"):
        names = [child.tag.removeprefix(KML) for child in placemark]
        assert names == [name for name in PLACEMARK_ORDER if name in names]
        assert len(set(names)) == len(names)
    for line in root.iter(f"{KML}LineString"):
        assert [child.tag.removeprefix(KML) for child in line] == LINE_ORDER
    styles = {style.get("id") for style in root.iter(f"{KML}Style")}
    assert {url.text for url in root.iter(f"{KML}styleUrl")} <= {f"#{style}" for style in styles}
    assert root[0][0].text == "Moor & <sea>"


def test_kml_is_valid_by_the_schema(flight: Readings, flight_at) -> None:
    pytest.importorskip("fastkml", reason="fastkml carries the schema of OGC 07-147r2")
    from lxml import etree

    with as_file(files("fastkml") / "schema") as folder:
        schema = etree.XMLSchema(etree.parse(folder / "ogckml22.xsd"))
    for text in (kml(flight), kml(flight, 300.0), kml(flight_at(keeps_utc=False), home_height_m=float("nan"))):
        schema.assertValid(etree.fromstring(text.encode()))


def test_kml_is_timed_and_tinted_by_grade(flight: Readings) -> None:
    root = ElementTree.fromstring(kml(flight))
    lost = []
    for placemark in root.iter(f"{KML}Placemark"):
        begin, end = (
            datetime.fromisoformat(placemark.find(f"{KML}TimeSpan/{KML}{which}").text).timestamp()
            for which in ("begin", "end")
        )
        style = placemark.find(f"{KML}styleUrl")
        if style is None:
            continue
        assert 0 < end - begin <= 10.0
        if style.text == "#grade-1":
            lost.append((begin - flight.time_s[0], end - flight.time_s[0]))
    assert min(begin for begin, _ in lost) == 120.0
    assert max(end for _, end in lost) == 131.0


def test_kml_heights_are_over_the_sea(flight: Readings) -> None:
    root = ElementTree.fromstring(kml(flight))
    assert {mode.text for mode in root.iter(f"{KML}altitudeMode")} == {"absolute"}  # else a viewer ignores them
    heights = [float(c.split(",")[2]) for line in root.iter(f"{KML}LineString") for c in line[-1].text.split()]
    assert max(heights) == pytest.approx(151.0)
    assert min(heights) == pytest.approx(31.0)
    flat = ElementTree.fromstring(kml(flight, home_height_m=float("nan")))
    assert {mode.text for mode in flat.iter(f"{KML}altitudeMode")} == {"clampToGround"}


def test_gpx_is_read_by_another_reader(flight: Readings) -> None:
    read = gpxpy.parse(gpx(flight))
    assert read.version == "1.1"
    assert read.tracks[0].name == "Moor & <sea>"
    assert len(read.tracks[0].segments) == 2  # parted by the silence
    points = [point for segment in read.tracks[0].segments for point in segment.points]
    known = np.isfinite(flight["latitude_deg"])
    np.testing.assert_allclose([p.latitude for p in points], flight["latitude_deg"][known], atol=5.1e-8)
    np.testing.assert_allclose([p.longitude for p in points], flight["longitude_deg"][known], atol=5.1e-8)
    np.testing.assert_allclose([p.elevation for p in points], flight["height_m"][known] + 31.0, atol=0.0051)
    np.testing.assert_allclose([p.time.timestamp() for p in points], flight.time_s[known], atol=0.0005)
    assert [w.name for w in read.waypoints] == ["Break-up 1", "Break-up 2"]


def test_gpx_children_stand_in_the_schemas_order(flight: Readings) -> None:
    space = "{http://www.topografix.com/GPX/1/1}"  # gpx.xsd 1.1: metadata, wpt, rte, trk; ele, time, …, name, …, desc
    root = ElementTree.fromstring(gpx(flight))
    assert [child.tag.removeprefix(space) for child in root] == ["metadata", "wpt", "wpt", "trk"]
    for point in root.iter(f"{space}trkpt"):
        assert [child.tag.removeprefix(space) for child in point] == ["ele", "time"]
    for point in root.iter(f"{space}wpt"):
        assert [child.tag.removeprefix(space) for child in point] == ["time", "name", "desc"]


def test_a_day_that_is_not_known_is_not_invented(flight_at) -> None:
    readings = flight_at(keeps_utc=False)
    assert "<time>" not in gpx(readings)
    assert "<TimeSpan>" not in kml(readings)
    assert "utc" not in text_of(write_geojson, readings)
    assert not re.search(r"19[67]\d-", gpx(readings) + kml(readings) + text_of(write_geojson, readings))


@given(title=st.text(max_size=30))
def test_any_title_makes_well_formed_files(flight: Readings, title: str) -> None:
    small = outside_circle(flight, 3600.0)
    for write in (write_kml, write_gpx):
        text = io.StringIO()
        write(small, text, title=title, home_height_m=31.0)
        ElementTree.fromstring(text.getvalue().encode("utf-8"))
