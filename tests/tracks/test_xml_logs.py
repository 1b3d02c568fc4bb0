"""GPX, KML and KMZ."""

from __future__ import annotations

import io
import zipfile
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from overlay.errors import TrackError
from overlay.tracks import Fix, read_log, sniff
from tests.tracks.conftest import fly, kml

NOON = datetime(2026, 7, 1, 12, 0, tzinfo=UTC).timestamp()
KML = '<kml xmlns="http://www.opengis.net/kml/2.2" xmlns:gx="http://www.google.com/kml/ext/2.2"><Document>'


def latitude(i: float) -> float:
    return 46.5 + 20 * i / 111_195


def when(i: int) -> str:
    return f"2026-07-01T{12 + i // 3600:02d}:{i // 60 % 60:02d}:{i % 60:02d}Z"


def point(i: int, inner: str = "", at: int | None = None) -> str:
    time = f"<time>{when(i if at is None else at)}</time>"
    return f'<trkpt lat="{latitude(i):.7f}" lon="-12.25"><ele>{100 + i}</ele>{time}{inner}</trkpt>'


def gpx(*tracks: str, version: str = "1.1") -> bytes:
    body = "".join(f"<trk><trkseg>{points}</trkseg></trk>" for points in tracks)
    return f'<?xml version="1.0"?><gpx version="{version}" xmlns="http://www.topografix.com/GPX/{version[0]}/{version[2]}">{body}</gpx>'.encode()


class TestGpx:
    def test_version_1_0_with_speed_course_and_quality(self, saved):
        """GPX 1.0 has speed (m/s), course, fix, sat and hdop as elements of the point itself."""
        inner = "<course>361.5</course><speed>20.0</speed><fix>3d</fix><sat>9</sat><hdop>1.1</hdop>"
        (flight,) = read_log(saved(gpx("".join(point(i, inner) for i in range(60)), version="1.0"))).flights
        assert flight["ground_speed_mps"][3] == 20
        assert flight["course_deg"][3] == 1.5
        assert flight["satellites"][3] == 9
        assert flight["hdop"][3] == pytest.approx(1.1)
        assert flight["height_m"][3] == 103

    def test_extensions_by_their_local_name_and_waypoints_left_out(self, saved):
        inner = "<extensions><a:TrackPointExtension xmlns:a='http://example.org/1'><a:speed>20</a:speed>"
        inner += "<a:voltage_V>12.5</a:voltage_V><a:hr>80</a:hr></a:TrackPointExtension></extensions>"
        way = f'<wpt lat="10" lon="10"><time>{when(0)}</time><speed>99</speed></wpt>'
        data = gpx("".join(point(i, inner) for i in range(60))).replace(b"<trk>", way.encode() + b"<trk>", 1)
        (flight,) = read_log(saved(data)).flights
        assert set(flight.columns) == {"latitude_deg", "longitude_deg", "height_m", "ground_speed_mps", "voltage_V"}
        assert len(flight) == 60

    def test_a_speed_in_kilometres_an_hour_is_seen_by_the_positions(self, saved):
        log = read_log(saved(gpx("".join(point(i, "<speed>72</speed>") for i in range(60)))))
        assert log.flights[0]["ground_speed_mps"][3] == pytest.approx(20)
        assert any("km/h" in line.what for line in log.damage)

    def test_a_point_without_a_fix(self, saved):
        points = "".join(point(i, "<fix>none</fix>" if i < 5 else "<fix>3d</fix>") for i in range(60))
        (flight,) = read_log(saved(gpx(points))).flights
        assert np.flatnonzero(flight.fix & Fix.NOT_VALID).tolist() == [0, 1, 2, 3, 4]

    def test_several_trips(self, saved):
        trips = ["".join(point(i, at=i + day * 86400 // 24) for i in range(60)) for day in (0, 5, 9)]
        assert [len(flight) for flight in read_log(saved(gpx(*trips))).flights] == [60, 60, 60]

    def test_few_points_timed(self, saved):
        points = "".join(point(i) if i % 3 == 0 else f'<trkpt lat="{latitude(i)}" lon="-12.25"/>' for i in range(90))
        log = read_log(saved(gpx(points)))
        assert len(log.flights[0]) == 30
        assert any(line.what == "60 rows without a time dropped" for line in log.damage)

    def test_untimed_points_need_an_interval(self, saved):
        path = saved(gpx("".join(f'<trkpt lat="{latitude(i)}" lon="-12.25"/>' for i in range(90))))
        with pytest.raises(TrackError, match="interval_s"):
            read_log(path)
        assert read_log(path, interval_s=0.2).flights[0].time_s[-1] == pytest.approx(17.8)

    def test_the_good_part_of_a_cut_file_is_kept(self, saved):
        data = gpx("".join(point(i) for i in range(100)))
        log = read_log(saved(data[: len(data) // 2]))
        assert 40 < len(log.flights[0]) < 55
        assert any("read up to there" in line.what for line in log.damage)

    def test_cdata_comments_and_other_encodings(self, saved):
        data = gpx("".join(point(i) for i in range(60)))
        data = data.replace(b"<ele>103</ele>", b"<ele>1<!-- x -->0<![CDATA[3]]></ele>")
        assert read_log(saved(data)).flights[0]["height_m"][3] == 103
        wide = data.decode().replace('version="1.0"?', 'version="1.0" encoding="UTF-16"?').encode("utf-16")
        path = saved(wide)
        assert sniff(path) == "GPX"
        assert len(read_log(path).flights[0]) == 60

    def test_the_elevation_of_the_standard_goes_before_an_extension_s_altitude(self, saved):
        inner = "<extensions><x:altitude xmlns:x='http://example.org/x'>3</x:altitude></extensions>"
        flight = read_log(saved(gpx("".join(point(i, inner) for i in range(60))))).flights[0]
        assert np.array_equal(flight["height_m"], 100.0 + np.arange(60))

    def test_gpx_of_before_the_rollover_is_not_believed(self, saved):
        data = gpx("".join(point(i) for i in range(60))).replace(b"2026-07-01", b"2006-11-15")
        assert not read_log(saved(data)).flights[0].keeps_utc


def kml_track(count: int = 60, more: str = "") -> str:
    times = "".join(f"<when>{when(i)}</when>" for i in range(count))
    places = "".join(f"<gx:coord>-12.25 {latitude(i):.7f} {100 + i}</gx:coord>" for i in range(count))
    return f"<Placemark><gx:Track>{times}{places}{more}</gx:Track></Placemark>"


def kmz(entries: dict[str, bytes]) -> bytes:
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries.items():
            archive.writestr(name, data)
    return out.getvalue()


class TestKml:
    def test_angles_and_arrays(self, saved):
        angles = "".join("<gx:angles>15 5 -20</gx:angles>" for _ in range(60))
        values = "".join(f"<gx:value>{12 - i / 60:.2f}</gx:value>" for i in range(60))
        more = f'{angles}<ExtendedData><SchemaData><gx:SimpleArrayData name="Voltage">{values}</gx:SimpleArrayData>'
        (flight,) = read_log(saved((KML + kml_track(60, more + "</SchemaData></ExtendedData>")).encode())).flights
        assert flight["bank_deg"][0] == -20
        assert flight["pitch_deg"][0] == 5
        assert flight["heading_deg"][0] == 15
        assert flight["voltage_V"][0] == 12

    def test_angles_that_would_lean_out_of_the_turns_are_turned(self, saved):
        flown = fly()
        logged = replace(flown, bank_deg=-flown.bank_deg)
        tilted = kml(logged).replace(b" 0 ", b" 7 ")
        flight = read_log(saved(tilted)).flights[0]
        assert np.allclose(flight["bank_deg"], flown.bank_deg, atol=0.01)
        assert np.all(flight["pitch_deg"] == -7)
        assert np.all(read_log(saved(kml(flown).replace(b" 0 ", b" 7 "))).flights[0]["pitch_deg"] == 7)

    def test_heights_over_the_ground_are_not_over_the_sea(self, saved):
        """OGC 07-147r2, 9.20: relativeToGround counts from the terrain, absolute from the vertical datum."""
        track = kml_track().replace("<gx:Track>", "<gx:Track><altitudeMode>relativeToGround</altitudeMode>")
        log = read_log(saved(f"{KML}{track}</Document></kml>".encode()))
        assert log.flights[0]["height_over_home_m"][0] == 100
        assert not log.flights[0].has("height_m")
        assert any("relativeToGround" in damage.what for damage in log.damage)

    def test_the_name_that_a_schema_shows_for_an_array_holds_its_unit(self, saved):
        field = (
            '<gx:SimpleArrayField name="a1" type="float"><displayName>Altitude (ft)</displayName></gx:SimpleArrayField>'
        )
        wind = '<gx:SimpleArrayField name="w" type="float"><displayName>Wind speed (mph)</displayName></gx:SimpleArrayField>'
        arrays = "".join(
            f'<gx:SimpleArrayData name="{name}">{"<gx:value>10</gx:value>" * 60}</gx:SimpleArrayData>'
            for name in ("a1", "w")
        )
        more = f"<ExtendedData><SchemaData>{arrays}</SchemaData></ExtendedData>"
        data = f"{KML}<Schema>{field}{wind}</Schema>{kml_track(60, more)}</Document></kml>"
        flight = read_log(saved(data.encode())).flights[0]
        assert flight["wind_speed_mps"][0] == pytest.approx(4.4704)  # the mile is 1609.344 m
        assert flight["height_m"][0] == 100  # of the places, before an array's

    def test_a_multi_track_and_the_name_space_of_2_3(self, saved):
        """OGC KML 2.3 took Track and coord into the standard's own name space."""
        data = (KML + f"<gx:MultiTrack>{kml_track()}</gx:MultiTrack></Document></kml>").replace("gx:", "")
        assert len(read_log(saved(data.encode())).flights[0]) == 60

    def test_timed_placemarks(self, saved):
        marks = "".join(
            f"<Placemark><TimeStamp><when>{when(i)}</when></TimeStamp><Point><coordinates>-12.25,{latitude(i):.7f},{100 + i}"
            "</coordinates></Point></Placemark>"
            for i in range(60)
        )
        (flight,) = read_log(saved(f"{KML}{marks}</Document></kml>".encode())).flights
        assert flight.time_s[0] == NOON
        assert flight["height_m"][5] == 105

    def test_an_untimed_line_is_refused_and_read_at_an_interval(self, saved):
        places = " ".join(f"-12.25,{latitude(i):.7f},{100 + i}" for i in range(60))
        line = f"<LineString><coordinates><!-- made by hand -->{places}</coordinates></LineString>"
        path = saved(f"{KML}<Placemark>{line}</Placemark></Document></kml>".encode())
        with pytest.raises(TrackError, match="give the seconds between its points as interval_s"):
            read_log(path)
        flight = read_log(path, interval_s=1.0).flights[0]
        assert len(flight) == 60
        assert not flight.keeps_utc

    def test_a_time_span_names_utc_where_the_interval_agrees_with_it(self, saved):
        places = " ".join(f"-12.25,{latitude(i):.7f},{100 + i}" for i in range(61))
        span = f"<TimeSpan><begin>{when(0)}</begin><end>{when(60)}</end></TimeSpan>"
        data = f"{KML}<Placemark>{span}<LineString><coordinates>{places}</coordinates></LineString></Placemark>"
        with pytest.raises(TrackError):
            read_log(saved(data.encode()))
        assert read_log(saved(data.encode()), interval_s=1.0).flights[0].time_s[-1] == NOON + 60
        assert not read_log(saved(data.encode()), interval_s=3.0).flights[0].keeps_utc

    def test_the_same_flight_twice(self, saved):
        twice = kml_track() + kml_track().replace(" 100<", " 90<")
        log = read_log(saved((KML + twice + "</Document></kml>").encode()))
        assert len(log.flights) == 1
        assert any("the same flight again" in line.what for line in log.damage)

    def test_times_and_places_of_unequal_number(self, saved):
        data = (KML + kml_track()).encode()
        log = read_log(saved(data[: data.rindex(b"<gx:coord>")]))
        assert len(log.flights[0]) == 59
        assert any("as far as both go" in line.what for line in log.damage)

    def test_a_kmz_that_unpacks_to_absurdly_much_is_refused(self, saved):
        data = (KML + kml_track() + " " * 8_000_000 + "</Document></kml>").encode()
        with pytest.raises(TrackError, match="absurd size"):
            read_log(saved(kmz({"doc.kml": data})))

    def test_kmz(self, saved):
        data = (KML + kml_track() + "</Document></kml>").encode()
        path = saved(kmz({"files/icon.png": b"x", "doc.kml": data}))
        assert sniff(path) == "KML"
        assert len(read_log(path).flights[0]) == 60

    @pytest.mark.parametrize(
        "entries",
        [
            {"doc.kml": b"0" * 30_000_000},  # packs 1000 to 1
            {f"{i}.kml": b"<kml/>" for i in range(65)},
            {"../doc.kml": b"<kml/>"},
            {"/doc.kml": b"<kml/>"},
        ],
    )
    def test_archives_that_attack_are_refused(self, saved, entries):
        with pytest.raises(TrackError):
            read_log(saved(kmz(entries)))

    def test_a_cut_archive_is_refused(self, saved):
        data = kmz({"doc.kml": (KML + kml_track() + "</Document></kml>").encode()})
        with pytest.raises(TrackError):
            read_log(saved(data[:-30]))

    def test_an_archive_whose_document_lies_about_its_size(self, saved):
        data = bytearray(kmz({"doc.kml": (KML + kml_track() + "</Document></kml>").encode()}))
        directory = data.rindex(b"PK\x01\x02")
        data[directory + 24 : directory + 28] = (100).to_bytes(4, "little")
        with pytest.raises(TrackError):
            read_log(saved(bytes(data)))


class TestHostileXml:
    LAUGHS = '<!DOCTYPE gpx [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;">]>'

    def test_a_document_type_is_refused(self, saved):
        data = gpx("".join(point(i) for i in range(60))).replace(b"<gpx", self.LAUGHS.encode() + b"<gpx", 1)
        with pytest.raises(TrackError, match="document type"):
            read_log(saved(data))

    def test_a_file_of_the_machine_is_not_read_through_an_entity(self, saved):
        evil = '<!DOCTYPE gpx SYSTEM "file:///etc/passwd">'
        data = gpx(point(1) + point(2)).replace(b"<gpx", evil.encode() + b"<gpx", 1)
        with pytest.raises(TrackError, match="document type"):
            read_log(saved(data))

    def test_nesting_is_bounded(self, saved):
        with pytest.raises(TrackError, match="nested more than 64 deep"):
            read_log(saved(b"<gpx>" + b"<a>" * 200_000))

    def test_html_is_no_log(self, saved):
        path = saved(b"<html><body>not found</body></html>")
        assert sniff(path) is None
        with pytest.raises(TrackError, match="XML or HTML"):
            read_log(path)

    def test_an_unknown_encoding(self, saved):
        with pytest.raises(TrackError):
            read_log(saved(b'<?xml version="1.0" encoding="klingon"?><gpx></gpx>'))
