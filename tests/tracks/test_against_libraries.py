"""Row by row against independent readers of the same files: pymavlink's DFReader and mavutil, pyulog, gpxpy, pynmea2."""

from __future__ import annotations

import numpy as np
import pytest

from overlay.tracks import read_log


@pytest.fixture
def flown(aloft):
    return aloft(5.0)


def rows_of(flight, *names: str) -> np.ndarray:
    """Rows that carry all of the columns."""
    table = np.column_stack([flight.time_s, *(flight[name] for name in names)])
    return table[np.isfinite(table).all(axis=1)]


@pytest.mark.parametrize("name", ["dataflash", "dataflash_text"])
def test_dataflash_against_pymavlink(name, writers, flown, saved):
    reader = pytest.importorskip("pymavlink.DFReader")
    path = saved(writers[name].write(flown))
    log = (reader.DFReader_binary if name == "dataflash" else reader.DFReader_text)(str(path))
    theirs: dict[str, list[tuple[float, ...]]] = {"GPS": [], "ATT": []}
    while (message := log.recv_match(type=["GPS", "ATT"])) is not None:
        fields = ("Lat", "Lng", "Alt", "Spd", "GCrs") if message.get_type() == "GPS" else ("Roll", "Pitch", "Yaw")
        theirs[message.get_type()].append((message._timestamp, *(getattr(message, f) for f in fields)))
    log.data_map.close()
    log.filehandle.close()
    (flight,) = read_log(path).flights
    gps = rows_of(flight, "latitude_deg", "longitude_deg", "height_m", "ground_speed_mps", "course_deg")
    assert gps.shape == (len(flown), 6)
    assert np.allclose(gps[:, 1:], np.array(theirs["GPS"])[:, 1:], atol=1e-6)
    assert np.abs(gps[:, 0] - np.array(theirs["GPS"])[:, 0]).max() < 0.01
    attitude = rows_of(flight, "bank_deg", "pitch_deg", "heading_deg")
    assert np.allclose(attitude[:, 1:], np.array(theirs["ATT"])[:, 1:], atol=1e-6)
    assert np.abs(attitude[:, 0] - np.array(theirs["ATT"])[:, 0]).max() < 0.01


def test_telemetry_log_against_pymavlink(writers, flown, saved):
    mavutil = pytest.importorskip("pymavlink.mavutil")
    path = saved(writers["tlog"].write(flown), "flight.tlog")
    log = mavutil.mavlink_connection(str(path))
    places, attitudes = [], []
    while (message := log.recv_match(type=["GLOBAL_POSITION_INT", "ATTITUDE"])) is not None:
        if message.get_type() == "ATTITUDE":
            attitudes.append((message._timestamp, *np.degrees([message.roll, message.pitch])))
        else:
            places.append(
                (
                    message._timestamp,
                    message.lat / 1e7,
                    message.lon / 1e7,
                    message.alt / 1e3,
                    message.relative_alt / 1e3,
                )
            )
    log.close()
    (flight,) = read_log(path).flights
    mine = rows_of(flight, "latitude_deg", "longitude_deg", "height_m", "height_over_home_m")
    assert np.allclose(mine[:, 1:], np.array(places)[:, 1:], atol=1e-9)
    assert np.abs(mine[:, 0] - np.array(places)[:, 0]).max() < 0.05
    assert np.allclose(rows_of(flight, "bank_deg", "pitch_deg")[:, 1:], np.array(attitudes)[:, 1:], atol=1e-4)


def test_ulog_against_pyulog(writers, flown, saved):
    pyulog = pytest.importorskip("pyulog")
    path = saved(writers["ulog"].write(flown))
    topics = {topic.name: topic.data for topic in pyulog.ULog(str(path)).data_list}
    gps, attitude = topics["vehicle_gps_position"], topics["vehicle_attitude"]
    (flight,) = read_log(path).flights
    mine = rows_of(flight, "latitude_deg", "longitude_deg", "height_m", "ground_speed_mps", "satellites")
    theirs = [gps["lat"] * 1e-7, gps["lon"] * 1e-7, gps["alt"] / 1e3, gps["vel_m_s"], gps["satellites_used"]]
    assert np.allclose(mine[:, 1:], np.column_stack(theirs), atol=1e-6)
    assert np.abs(mine[:, 0] - gps["time_utc_usec"] / 1e6).max() < 0.002
    _, bank = flight.series("bank_deg")
    w, x, y, z = (attitude[f"q[{i}]"].astype(float) for i in range(4))
    assert np.allclose(bank, np.degrees(np.arctan2(2 * (w * x + y * z), 1 - 2 * (x * x + y * y))), atol=1e-6)


def test_gpx_against_gpxpy(writers, flown, saved):
    gpxpy = pytest.importorskip("gpxpy")
    path = saved(writers["gpx"].write(flown))
    points = gpxpy.parse(path.read_text()).tracks[0].segments[0].points
    (flight,) = read_log(path).flights
    theirs = [(p.time.timestamp(), p.latitude, p.longitude, p.elevation) for p in points]
    assert np.allclose(rows_of(flight, "latitude_deg", "longitude_deg", "height_m"), theirs, rtol=0, atol=1e-6)
    speeds = [float(p.extensions[0].text) for p in points]
    assert np.allclose(flight["ground_speed_mps"], speeds)


def test_nmea_against_pynmea2(writers, flown, saved):
    pynmea2 = pytest.importorskip("pynmea2")
    path = saved(writers["nmea"].write(flown))
    sentences = [pynmea2.parse(line) for line in path.read_text().splitlines()]
    gga = [s for s in sentences if s.sentence_type == "GGA"]
    rmc = [s for s in sentences if s.sentence_type == "RMC"]
    (flight,) = read_log(path).flights
    theirs = [
        (r.datetime.timestamp(), g.latitude, g.longitude, g.altitude, r.spd_over_grnd * 1852 / 3600, r.true_course)
        for g, r in zip(gga, rmc, strict=True)
    ]
    names = ("latitude_deg", "longitude_deg", "height_m", "ground_speed_mps", "course_deg")
    assert np.allclose(rows_of(flight, *names), theirs, rtol=0, atol=1e-6)
