"""Logs against what is published about their formats, and against files that other libraries write."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from overlay.clock import gps_minus_utc, posix_from_gps
from overlay.tracks import read_log
from overlay.tracks.angles import from_degrees_minutes
from overlay.tracks.nmea import checksum
from overlay.tracks.units import FOOT_M, KNOT_MPS, MILE_M

# Sentences printed in the public descriptions of NMEA 0183 (P. Bennett's NMEA-0183 FAQ; D. DePriest's "NMEA data")
SENTENCES = [
    "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
    "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
    "$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39",
    "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48",
    "$GPGLL,4916.45,N,12311.12,W,225444,A,*1D",
    "$GPRMB,A,0.66,L,003,004,4917.24,N,12309.57,W,001.3,052.5,000.5,V*20",
    "$GPRTE,2,1,c,0,W3IWI,DRIVWY,32CEDR,32-29,32BKLD,32-I95,32-US1,BW-32,BW-198*69",
]


@pytest.mark.parametrize("sentence", SENTENCES)
def test_checksums_of_published_sentences(sentence):
    body, _, check = sentence[1:].partition("*")
    assert checksum(body.encode()) == int(check, 16)


def test_a_published_fix(tmp_path):
    """48°07.038' N, 11°31.000' E, 545.4 m, 22.4 kt, course 84.4°, 23 March 1994 12:35:19, as the descriptions say."""
    later = ["GPGGA,123520,4807.038,N,01131.010,E,1,08,0.9,545.4,M,46.9,M,,"]
    lines = [*SENTENCES[:2], *(f"${body}*{checksum(body.encode()):02X}" for body in later)]
    (tmp_path / "log").write_text("\n".join(lines))
    log = read_log(tmp_path / "log")
    flight = log.flights[0]
    assert flight["latitude_deg"][0] == pytest.approx(48.1173)
    assert flight["longitude_deg"][0] == pytest.approx(11 + 31 / 60)
    assert flight["height_m"][0] == 545.4
    assert flight["satellites"][0] == 8
    assert flight["ground_speed_mps"][0] == pytest.approx(22.4 * 1852 / 3600)
    assert flight["course_deg"][0] == 84.4
    assert not flight.keeps_utc  # 1994 may be 2013: the receiver's week counter cannot tell
    assert any("1994-03-23" in line.what and "2013-11-06" in line.what for line in log.damage)


def test_degrees_and_minutes():
    assert from_degrees_minutes(np.array([4916.45, -12311.12])).tolist() == pytest.approx(
        [49.274167, -123.185333], abs=1e-6
    )


def test_units_by_definition():
    """International yard and pound agreement of 1959; international nautical mile of 1929."""
    assert FOOT_M == 0.3048
    assert MILE_M == 5280 * FOOT_M
    assert pytest.approx(1852 / 3600) == KNOT_MPS


@pytest.mark.parametrize(
    ("day", "leaps"),
    [
        ("1999-01-01", 13),
        ("2006-01-01", 14),
        ("2009-01-01", 15),
        ("2012-07-01", 16),
        ("2015-07-01", 17),
        ("2017-01-01", 18),
    ],
)
def test_leap_seconds(day, leaps):
    """GPS − UTC from these days on (IERS Bulletin C; TAI − UTC less 19 s)."""
    posix = datetime.fromisoformat(day).replace(tzinfo=UTC).timestamp()
    assert gps_minus_utc(posix) == leaps
    assert gps_minus_utc(posix - 1) == leaps - 1


@pytest.mark.parametrize(("week", "utc"), [(1024, "1999-08-21T23:59:47"), (2048, "2019-04-06T23:59:42")])
def test_week_rollovers(week, utc):
    """The ten-bit week began again at midnight GPS time, 13 and 18 s before midnight UTC (USNO and CISA notices)."""
    assert posix_from_gps(week, 0.0) == datetime.fromisoformat(utc).replace(tzinfo=UTC).timestamp()


def test_an_igc_record_as_the_specification_explains_it(tmp_path):
    """B1101355206343N00006198WA0058700558 (FAI technical specification, appendix A, B record example).

    11:01:35 UTC, 52°06.343' N, 0°06.198' W, three-dimensional, pressure altitude 587 m, GNSS altitude 558 m.
    """
    lines = ["AXXXABC", "HFDTE160701", "B1101355206343N00006198WA0058700558", "B1101365206353N00006198WA0058700558"]
    (tmp_path / "log").write_text("\r\n".join(lines))
    flight = read_log(tmp_path / "log").flights[0]
    assert flight["latitude_deg"][0] == pytest.approx(52 + 6.343 / 60)
    assert flight["longitude_deg"][0] == pytest.approx(-6.198 / 60)
    assert flight["height_m"][0] == 558
    assert flight["pressure_height_m"][0] == 587


def test_the_track_of_the_kml_reference(tmp_path):
    """The gx:Track of the KML reference documentation (from memory): seven times, places and sets of angles."""
    times = ["02:02:09", "02:02:35", "02:02:44", "02:02:53", "02:02:54", "02:02:55", "02:02:56"]
    coords = [
        "-122.207881 37.371915 156.000000", "-122.205712 37.373288 152.000000", "-122.204678 37.373939 147.000000",
        "-122.203572 37.374630 142.199997", "-122.203451 37.374706 141.800003", "-122.203329 37.374780 141.199997",
        "-122.203207 37.374857 140.199997",
    ]  # fmt: skip
    body = "".join(f"<when>2010-05-28T{t}Z</when>" for t in times)
    body += "".join(f"<gx:coord>{c}</gx:coord>" for c in coords)
    body += "".join(f"<gx:angles>45.54676 {66 - i}.2342 77.0</gx:angles>" for i in range(7))
    head = '<kml xmlns="http://www.opengis.net/kml/2.2" xmlns:gx="http://www.google.com/kml/ext/2.2"><Placemark>'
    (tmp_path / "log").write_text(f"{head}<gx:Track>{body}</gx:Track></Placemark></kml>")
    flight = read_log(tmp_path / "log").flights[0]
    assert len(flight) == 7
    assert flight.time_s[0] == datetime(2010, 5, 28, 2, 2, 9, tzinfo=UTC).timestamp()
    assert flight["longitude_deg"][3] == -122.203572
    assert flight["height_m"][6] == pytest.approx(140.2)
    assert flight["pitch_deg"][1] == pytest.approx(65.2342)


def test_a_gpx_that_gpxpy_writes(tmp_path):
    gpxpy = pytest.importorskip("gpxpy.gpx")
    start = datetime(2026, 5, 3, 10, tzinfo=UTC)
    for version in ("1.0", "1.1"):
        document = gpxpy.GPX()
        document.tracks.append(gpxpy.GPXTrack())
        segment = gpxpy.GPXTrackSegment()
        document.tracks[0].segments.append(segment)
        for i in range(60):
            point = gpxpy.GPXTrackPoint(46.5 + i * 1.5e-4, -12.25, 100 + i, start + timedelta(seconds=i), speed=16.7)
            point.satellites, point.horizontal_dilution, point.type_of_gpx_fix = 9, 1.25, "3d"
            segment.points.append(point)
        (tmp_path / "log").write_text(document.to_xml(version))
        flight = read_log(tmp_path / "log").flights[0]
        assert flight.time_s[0] == start.timestamp()
        assert np.allclose(flight["latitude_deg"], 46.5 + np.arange(60) * 1.5e-4)
        assert np.allclose(flight["height_m"], 100 + np.arange(60))
        assert flight["satellites"][0] == 9
        assert flight["hdop"][0] == 1.25
        if version == "1.0":
            assert flight["ground_speed_mps"][0] == pytest.approx(16.7)


def test_sentences_that_pynmea2_writes(tmp_path):
    pynmea2 = pytest.importorskip("pynmea2")
    lines = []
    for i in range(60):
        place = (f"46{30 + i * 0.009:07.4f}", "N", "01215.0000", "W")
        lines.append(
            str(
                pynmea2.GGA(
                    "GP", "GGA", (f"1000{i:02d}.00", *place, "1", "09", "1.1", "120.5", "M", "47.0", "M", "", "")
                )
            )
        )
        lines.append(str(pynmea2.RMC("GP", "RMC", (f"1000{i:02d}.00", "A", *place, "32.4", "0.0", "030526", "", ""))))
    (tmp_path / "log").write_text("\r\n".join(lines))
    flight = read_log(tmp_path / "log").flights[0]
    assert len(flight) == 60
    assert flight.time_s[0] == datetime(2026, 5, 3, 10, tzinfo=UTC).timestamp()
    assert flight["latitude_deg"][59] == pytest.approx(46 + (30 + 59 * 0.009) / 60, abs=1e-6)
