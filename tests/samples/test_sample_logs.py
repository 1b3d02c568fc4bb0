"""The logs read back by readers that are not ours."""

import csv
from datetime import datetime
from itertools import pairwise
from xml.etree import ElementTree

import gpxpy
import numpy as np
import pynmea2
import pytest

from overlay_samples.flight import PHASES, fly
from overlay_samples.logs import nmea_checksum, receive, write_gpx, write_igc, write_kml, write_nmea
from overlay_samples.radio_log import HEADER, write_csv
from overlay_samples.scenario import SHORT


@pytest.fixture(scope="module")
def fixes(short_flight):
    return receive(short_flight, 5.0)


def test_fixes_scatter_as_asked_and_lag_as_asked(short_flight):
    f = short_flight
    clean = receive(f, 5.0, noise_m=0.0, velocity_lag_s=0.2, lag_s=0.3)
    latitude, _, height = f.geodetic
    np.testing.assert_allclose(clean.height_m[5:], f.at(height, clean.time_s - 0.3)[5:], atol=1e-6)
    np.testing.assert_allclose(clean.latitude_deg[5:], f.at(latitude, clean.time_s - 0.3)[5:], atol=1e-8)
    climb = f.at(f.velocity_mps[:, 2], clean.time_s - 0.2)
    np.testing.assert_allclose(clean.climb_mps[5:], climb[5:], atol=1e-9)
    noisy = receive(f, 5.0, noise_m=2.0)
    off_m = (noisy.latitude_deg - f.at(latitude, noisy.time_s)) * 111_200
    assert 0.3 < off_m.std() < 3.0


def test_gpx_as_gpxpy_reads_it(tmp_path, fixes):
    with write_gpx(tmp_path / "t.gpx", fixes, name="a < b & c").open() as file:
        gpx = gpxpy.parse(file)
    (segment,) = gpx.tracks[0].segments
    assert gpx.tracks[0].name == "a < b & c"
    assert len(segment.points) == len(fixes)
    assert [p.time.timestamp() for p in segment.points] == pytest.approx(list(fixes.time_s), abs=1e-3)
    assert [p.latitude for p in segment.points] == pytest.approx(list(fixes.latitude_deg), abs=1e-7)
    assert [p.elevation for p in segment.points] == pytest.approx(list(fixes.height_m), abs=0.051)
    step = fixes.kept(slice(100, 150))
    path_m = sum(a.distance_2d(b) for a, b in zip(segment.points[100:149], segment.points[101:150], strict=True))
    assert path_m == pytest.approx(np.sum(step.ground_speed_mps[1:]) / 5.0, rel=0.05)


def test_nmea_as_pynmea2_reads_it(tmp_path, fixes):
    lines = write_nmea(tmp_path / "t.nmea", fixes).read_text().splitlines()
    assert len(lines) == 3 * len(fixes)
    for row in range(0, len(fixes), 37):
        gga, rmc, vtg = (pynmea2.parse(line, check=True) for line in lines[3 * row : 3 * row + 3])
        assert gga.latitude == pytest.approx(fixes.latitude_deg[row], abs=1e-7)
        assert rmc.longitude == pytest.approx(fixes.longitude_deg[row], abs=1e-7)
        assert rmc.datetime.timestamp() == pytest.approx(fixes.time_s[row], abs=0.006)
        assert vtg.spd_over_grnd_kmph == pytest.approx(fixes.ground_speed_mps[row] * 3.6, abs=0.02)


def test_nmea_checksum_of_a_known_sentence():
    """The GGA example found in receivers' handbooks everywhere (from memory): checksum 47."""
    assert nmea_checksum("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,") == "47"


def test_minutes_never_read_sixty(tmp_path, fixes):
    edge = fixes.kept(slice(0, 1))
    edge = type(edge)(**{**vars(edge), "latitude_deg": np.array([46.999999999]), "longitude_deg": np.array([-0.5])})
    text = write_nmea(tmp_path / "edge.nmea", edge).read_text()
    assert "4700.00000,N,00030.00000,W" in text


def test_igc_records_have_their_columns(tmp_path, fixes):
    lines = write_igc(tmp_path / "t.igc", fixes).read_text().splitlines()
    records = [line for line in lines if line.startswith("B")]
    assert (lines[0][0], lines[1][:5]) == ("A", "HFDTE")
    assert all(len(line) == 35 and line[24] == "A" for line in records)  # FAI IGC GNSS FR specification, B record
    first = records[0]
    latitude = int(first[7:9]) + int(first[9:14]) / 60_000
    assert latitude == pytest.approx(fixes.latitude_deg[0], abs=2e-4)
    assert (first[14], first[23]) == ("N", "W")


def test_kml_has_as_many_times_as_places(tmp_path, fixes):
    root = ElementTree.parse(write_kml(tmp_path / "t.kml", fixes)).getroot()
    kml, gx = "{http://www.opengis.net/kml/2.2}", "{http://www.google.com/kml/ext/2.2}"
    when = [datetime.fromisoformat(e.text).timestamp() for e in root.iter(f"{kml}when")]
    coord = [list(map(float, e.text.split())) for e in root.iter(f"{gx}coord")]
    assert when == pytest.approx(list(fixes.time_s), abs=1e-3)
    assert [c[1] for c in coord] == pytest.approx(list(fixes.latitude_deg), abs=1e-7)


def _rows(path):
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


def test_radio_log_follows_the_flight(tmp_path, short_flight):
    f = short_flight
    rows = _rows(write_csv(tmp_path / "r.csv", f))
    assert tuple(rows[0]) == HEADER
    times = np.array([datetime.fromisoformat(f"{r['Date']}T{r['Time (UTC)']}+00:00").timestamp() for r in rows])
    assert np.all(np.diff(times) > 0)
    roll = np.array([float(r["Roll (rad)"]) for r in rows])
    assert np.std(roll - f.at(f.bank_rad, times - 0.03)) < 0.01
    speed = np.array([float(r["Ground speed (km/h)"]) for r in rows])
    truth = f.at(np.hypot(f.velocity_mps[:, 0], f.velocity_mps[:, 1]) * 3.6, times - 0.28)
    flown = f.at(f.phase.astype(float), times) == PHASES.index("flying")
    assert np.percentile(np.abs(speed - truth)[flown][30:-30], 90) < 3.0
    charge = np.array([float(r["Charge used (mAh)"]) for r in rows])
    assert np.all(np.diff(charge) >= 0)
    assert charge[-1] == pytest.approx(f.charge_used_mAh[-1], abs=2)


def test_radio_log_repeats_positions_between_fixes_and_has_gaps(tmp_path, short_flight):
    rows = _rows(write_csv(tmp_path / "r.csv", short_flight))
    places = [(r["Latitude (deg)"], r["Longitude (deg)"]) for r in rows]
    repeats = np.mean([a == b for a, b in pairwise(places)])
    assert 0.4 < repeats < 0.65  # 10 rows to 5 fixes a second
    times = np.array([datetime.fromisoformat(f"{r['Date']}T{r['Time (UTC)']}+00:00").timestamp() for r in rows])
    assert np.sum(np.diff(times) > 1.0) == SHORT.log_gaps


def test_radio_log_holds_its_last_row_while_the_link_is_lost(tmp_path):
    weak = SHORT.replace(log_gaps=0, control_link=SHORT.control_link.__class__(power_mW=1.0, sensitivity_dBm=-86.0))
    flight = fly(weak)
    rows = _rows(write_csv(tmp_path / "r.csv", flight))
    rolls = [r["Roll (rad)"] + r["Yaw (rad)"] for r in rows]
    longest = current = 0
    for a, b in pairwise(rolls):
        current = current + 1 if a == b else 0
        longest = max(longest, current)
    assert longest > 10


def test_radio_log_without_airspeed_has_no_such_column(tmp_path):
    flight = fly(SHORT.replace(log_airspeed=False))
    rows = _rows(write_csv(tmp_path / "r.csv", flight, rate_Hz=2.0))
    assert "Airspeed (km/h)" not in rows[0]
    assert 1.8 < len(rows) / flight.duration_s < 2.1
