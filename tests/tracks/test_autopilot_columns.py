"""What autopilots' messages mean, field by field: units, signs, and where a wind comes from.

By the published definitions: DataFlash's XKF2 and ULog's wind are the velocity of the air toward north and east, and
MAVLink's WIND (from the autopilots' own dialect) names the direction it comes from; velocities down are positive in all
three; SYS_STATUS counts millivolts and hundredths of an ampere; RC_CHANNELS' rssi goes to 254.
"""

from __future__ import annotations

import struct
from itertools import pairwise

import numpy as np
import pytest

from overlay.tracks import read_log
from tests.tracks.conftest import dataflash_text, fly

FLOWN = fly(rate_hz=1.0)
NORTH, EAST = 3.0, 4.0  # the air moves that way, so that the wind comes from 180° + atan(4/3)
FROM_DEG = 180.0 + np.degrees(np.arctan2(EAST, NORTH))


def values(flight, column):
    _, found = flight.series(column)
    assert len(found), column
    return found


def test_dataflash(saved):
    formats = {
        "XKF2": ("QBff", "TimeUS,C,VWN,VWE"), "RSSI": ("Qf", "TimeUS,RXRSSI"), "BARO": ("Qf", "TimeUS,Alt"),
        "ARSP": ("Qf", "TimeUS,Airspeed"), "IMU": ("Qffffff", "TimeUS,GyrX,GyrY,GyrZ,AccX,AccY,AccZ"),
        "CTUN": ("Qf", "TimeUS,ThO"),
    }  # fmt: skip
    told = {
        "XKF2": f"0, {NORTH}, {EAST}", "RSSI": "0.75", "BARO": "80.5", "ARSP": "18.2", "IMU": "0.1, 0.2, -0.3, 0.5, 0.6, -9.7",
        "CTUN": "55",
    }  # fmt: skip
    lines = [f"FMT, {140 + i}, 40, {name}, {f}, {columns}" for i, (name, (f, columns)) in enumerate(formats.items())]
    for line in dataflash_text(FLOWN).decode().splitlines():
        cells = line.split(", ")
        if cells[0] == "GPS":
            cells[-1] = "-2.5"  # climbing
            lines += [f"{name}, {int(cells[1]) + 300}, {text}" for name, text in told.items()]
        lines.append(", ".join(cells))
    (flight,) = read_log(saved("\n".join(lines).encode())).flights
    expected = {
        "vertical_speed_mps": 2.5, "wind_speed_mps": 5.0, "wind_from_deg": FROM_DEG, "control_link_pct": 75.0,
        "height_over_home_m": 80.5, "airspeed_mps": 18.2, "roll_rate_dps": np.degrees(0.1), "throttle_pct": 55.0,
        "pitch_rate_dps": np.degrees(0.2), "yaw_rate_dps": np.degrees(-0.3), "acceleration_x_mps2": 0.5,
        "acceleration_y_mps2": 0.6, "acceleration_z_mps2": -9.7, "voltage_V": 12.1, "current_A": 6.5,
    }  # fmt: skip
    for column, truth in expected.items():
        assert np.allclose(values(flight, column), truth, atol=1e-4), column


def test_a_throttle_that_is_a_fraction(saved):
    lines = ["FMT, 145, 40, CTUN, Qf, TimeUS,ThO"]
    for line in dataflash_text(FLOWN).decode().splitlines():
        lines.append(line)
        if line.startswith("GPS"):
            lines.append(f"CTUN, {int(line.split(', ')[1]) + 300}, 0.55")
    (flight,) = read_log(saved("\n".join(lines).encode())).flights
    assert np.allclose(values(flight, "throttle_pct"), 55.0)


def test_mavlink(saved):
    dialect = pytest.importorskip("pymavlink.dialects.v20.ardupilotmega")
    sender = dialect.MAVLink(None, srcSystem=1, srcComponent=1)
    data = bytearray()
    for i, t in enumerate(FLOWN.time_s):
        boot = round((31.7 + t - FLOWN.time_s[0]) * 1000)
        place = round(FLOWN.latitude_deg[i] * 1e7), round(FLOWN.longitude_deg[i] * 1e7), round(FLOWN.height_m[i] * 1000)
        for message in (
            dialect.MAVLink_global_position_int_message(boot, *place, place[2] - 20000, 300, 400, 0, 0),
            dialect.MAVLink_sys_status_message(0, 0, 0, 0, 15200, 1520, 60, 0, 0, 0, 0, 0, 0),
            dialect.MAVLink_wind_message(float(FROM_DEG) - 360.0, 5.0, 0.0),
            dialect.MAVLink_vfr_hud_message(18.2, 17.0, 0, 55, 0.0, 2.5),
            dialect.MAVLink_rc_channels_message(boot, 8, *[1500] * 18, 127),
            dialect.MAVLink_battery_status_message(0, 0, 0, 0, [3800] * 10, 1520, 300 + i, -1, 60),
        ):
            data += struct.pack(">Q", round(t * 1e6)) + message.pack(sender)
    (flight,) = read_log(saved(bytes(data))).flights
    expected = {
        "voltage_V": 15.2, "current_A": 15.2, "pack_remaining_pct": 60.0, "wind_speed_mps": 5.0, "wind_from_deg": FROM_DEG,
        "airspeed_mps": 18.2, "throttle_pct": 55.0, "control_link_pct": 50.0,
    }  # fmt: skip
    for column, truth in expected.items():
        assert np.allclose(values(flight, column), truth, atol=1e-3), column
    assert np.allclose(values(flight, "charge_used_mAh"), 300 + np.arange(len(FLOWN)))
    assert np.allclose(values(flight, "height_over_home_m"), FLOWN.height_m - 20.0, atol=2e-3)


@pytest.mark.parametrize("down_cmps", [-250, 130])
def test_mavlinks_velocity_down_is_a_climb_below_zero(saved, down_cmps):
    dialect = pytest.importorskip("pymavlink.dialects.v20.ardupilotmega")
    sender = dialect.MAVLink(None, srcSystem=1, srcComponent=1)
    data = bytearray()
    for i, t in enumerate(FLOWN.time_s):
        place = round(FLOWN.latitude_deg[i] * 1e7), round(FLOWN.longitude_deg[i] * 1e7), round(FLOWN.height_m[i] * 1000)
        message = dialect.MAVLink_global_position_int_message(1000 * i, *place, place[2], 300, 400, down_cmps, 0)
        data += struct.pack(">Q", round(t * 1e6)) + message.pack(sender)
    (flight,) = read_log(saved(bytes(data))).flights
    assert np.allclose(values(flight, "vertical_speed_mps"), -down_cmps / 100.0)
    assert np.allclose(values(flight, "course_deg"), np.degrees(np.arctan2(4, 3)))
    assert np.allclose(values(flight, "ground_speed_mps"), 5.0)


def test_ulog(saved):
    def message(kind: bytes, body: bytes) -> bytes:
        return struct.pack("<Hc", len(body), kind) + body

    topics = {
        "vehicle_gps_position": ("uint64_t timestamp;uint64_t time_utc_usec;int32_t lat;int32_t lon;int32_t alt;"
                                 "float vel_m_s;float vel_d_m_s;uint8_t fix_type;", "<QQiiiffB"),
        "wind": ("uint64_t timestamp;float windspeed_north;float windspeed_east;", "<Qff"),
        "battery_status": ("uint64_t timestamp;float voltage_v;float current_a;float discharged_mah;float remaining;",
                           "<Qffff"),
        "input_rc": ("uint64_t timestamp;int32_t rssi;", "<Qi"),
        "sensor_combined": ("uint64_t timestamp;float[3] gyro_rad;float[3] accelerometer_m_s2;", "<Q6f"),
    }  # fmt: skip
    out = bytearray(b"ULog\x01\x12\x35\x01" + bytes(8)) + message(b"B", bytes(40))
    for name, (fields, _) in topics.items():
        out += message(b"F", f"{name}:{fields}".encode())
    for number, name in enumerate(topics):
        out += message(b"A", struct.pack("<BH", 0, number) + name.encode())
    for i, t in enumerate(FLOWN.time_s):
        at = round((1.0 + t - FLOWN.time_s[0]) * 1e6)
        place = round(FLOWN.latitude_deg[i] * 1e7), round(FLOWN.longitude_deg[i] * 1e7), round(FLOWN.height_m[i] * 1000)
        told = [(round(t * 1e6), *place, 17.0, -2.5, 3), (NORTH, EAST), (15.2, 12.5, 321.0, 0.6), (80,),
                (0.1, 0.2, -0.3, 0.5, 0.6, -9.7)]  # fmt: skip
        for number, ((_, layout), fields) in enumerate(zip(topics.values(), told, strict=True)):
            out += message(b"D", struct.pack("<H", number) + struct.pack(layout, at, *fields))
    (flight,) = read_log(saved(bytes(out))).flights
    expected = {
        "vertical_speed_mps": 2.5, "wind_speed_mps": 5.0, "wind_from_deg": FROM_DEG, "voltage_V": 15.2, "current_A": 12.5,
        "charge_used_mAh": 321.0, "pack_remaining_pct": 60.0, "control_link_pct": 80.0, "roll_rate_dps": np.degrees(0.1),
        "yaw_rate_dps": np.degrees(-0.3), "acceleration_z_mps2": -9.7,
    }  # fmt: skip
    for column, truth in expected.items():
        assert np.allclose(values(flight, column), truth, atol=1e-4), column
    assert all(b > a for a, b in pairwise(flight.time_s))
