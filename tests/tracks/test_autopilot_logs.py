"""DataFlash, MAVLink and ULog: one clock for everything, several power-ups, other systems, damage."""

from __future__ import annotations

import builtins
import math
import struct
from datetime import UTC, datetime

import numpy as np
import pytest

from overlay.errors import TrackError
from overlay.tracks import Fix, read_log
from overlay.tracks.mavlink import checksum


@pytest.fixture
def writer_module(writers):
    """The functions that write the formats, by name."""
    return {name: writer.write for name, writer in writers.items()}


@pytest.fixture
def dataflash(writer_module):
    return writer_module["dataflash"]


class TestDataFlash:
    def test_a_slow_vehicle_clock_puts_nothing_on_two_clocks(self, dataflash, aloft, saved):
        """The vehicle ticks 0.92 s a second: bank and positions must still agree with the truth at one time."""
        flown = aloft()
        log = read_log(saved(dataflash(flown, 0.92)))
        (flight,) = log.flights
        for name, truth in (("bank_deg", flown.bank_deg), ("latitude_deg", flown.latitude_deg)):
            times, values = flight.series(name)
            assert np.abs(times - flown.time_s).max() < 0.005, name
            assert np.allclose(values, truth, atol=0.01)
        assert any("runs at 1.087" in line.what for line in log.damage)

    def test_leap_seconds_are_those_of_the_date(self, dataflash, aloft, saved):
        """The writer counts 18 s, as since 2017; in 2014 they were 16, so the same weeks read two seconds later."""
        flown = aloft(1.0, datetime(2014, 6, 15, 9, tzinfo=UTC))
        (flight,) = read_log(saved(dataflash(flown))).flights
        assert flight.time_s[0] == pytest.approx(flown.time_s[0] + 2, abs=0.01)

    def test_week_zero_names_no_utc(self, writer_module, aloft, saved):
        text = writer_module["dataflash_text"](aloft(1.0)).decode()
        lines = [line.split(", ") for line in text.splitlines()]
        for cells in lines:
            if cells[0] == "GPS":
                cells[4] = "0"
        log = read_log(saved("\n".join(map(", ".join, lines)).encode()))
        assert not log.flights[0].keeps_utc
        assert any("no UTC" in line.what for line in log.damage)

    def test_wandering_fixes_before_the_first_real_one_are_not_valid(self, writer_module, aloft, saved):
        lines = writer_module["dataflash_text"](aloft(5.0)).decode().splitlines()
        wild, n = [], 0
        for line in lines:
            cells = line.split(", ")
            if cells[0] == "GPS" and n < 300:
                cells[2] = "1"
                cells[7], cells[8] = str(-30 + 0.1 * n), str(100 + 0.2 * n)
                n += 1
            wild.append(", ".join(cells))
        (flight,) = read_log(saved("\n".join(wild).encode())).flights
        time, latitude, _ = flight.position()
        assert len(time) == 900
        assert np.ptp(latitude) < 0.1

    def test_repeated_messages_are_stale_or_one(self, writer_module, aloft, saved):
        doubled = []
        for line in writer_module["dataflash_text"](aloft(5.0)).decode().splitlines():
            doubled.append(line)
            if line.startswith("GPS"):
                cells = line.split(", ")
                doubled.append(", ".join([cells[0], str(int(cells[1]) + 90_000), *cells[2:]]))
        (flight,) = read_log(saved("\n".join(doubled).encode())).flights
        moving = flight["ground_speed_mps"] > 5
        good = (flight.fix == Fix.GOOD) & moving
        assert good.sum() == pytest.approx((flight.fix[moving] & Fix.STALE != 0).sum(), abs=2)

    def test_early_firmware(self, saved):
        """Milliseconds, status 2 for a fix, pack in hundredths of a volt, time of the vehicle in T."""
        lines = [
            "FMT, 130, 45, GPS, BIHBcLLeeEefI, Status,TimeMS,Week,NSats,HDop,Lat,Lng,RelAlt,Alt,Spd,GCrs,VZ,T",
            "FMT, 131, 20, ATT, IccccCC, TimeMS,DesRoll,Roll,DesPitch,Pitch,DesYaw,Yaw",
            "FMT, 132, 20, CURR, IhIhhhf, TimeMS,ThrOut,ThrInt,Volt,Curr,Vcc,CurrTot",
        ]
        for i in range(200):
            lines.append(
                f"GPS, 2, {216000000 + i * 200}, 1796, 9, 1.1, {46.5 + i * 3e-5:.7f}, -12.25, 0, 100, 17.0, 1, 0, {i * 200}"
            )
            lines.append(f"ATT, {i * 200 + 10}, 0, 10.5, 0, 2, 0, 1")
            lines.append(f"CURR, {i * 200 + 20}, 500, 0, 1180, 650, 5000, {i}")
        (flight,) = read_log(saved("\n".join(lines).encode())).flights
        assert flight.keeps_utc
        assert flight.time_s[0] == pytest.approx(1402185600 + 216000 - 16, abs=0.05)
        assert flight.series("bank_deg")[1][0] == 10.5
        assert flight.series("voltage_V")[1][0] == pytest.approx(11.8)
        assert flight.series("current_A")[1][0] == pytest.approx(6.5)

    def test_a_format_that_names_a_field_twice_is_no_format(self, writer_module, aloft, saved):
        text = writer_module["dataflash_text"](aloft(1.0)).decode().replace("Inst,Volt,Curr", "Volt,Volt,Curr")
        assert not read_log(saved(text.encode())).flights[0].has("voltage_V")

    def test_two_power_ups_in_one_file(self, dataflash, aloft, saved):
        later = aloft(5.0, datetime(2026, 5, 3, 11, tzinfo=UTC))
        log = read_log(saved(dataflash(aloft()) + dataflash(later)))
        assert len(log.flights) == 2
        assert log.flights[1].time_s[0] == pytest.approx(later.time_s[0], abs=0.01)

    def test_one_wild_stamp_is_no_power_up(self, writer_module, aloft, saved):
        lines = writer_module["dataflash_text"](aloft(5.0)).decode().splitlines()
        lines[500] = lines[500].replace(lines[500].split(", ")[1], "99999999999", 1)
        assert len(read_log(saved("\n".join(lines).encode())).flights) == 1

    def test_a_stretch_of_damage_is_passed_over_and_said(self, dataflash, aloft, saved):
        data = dataflash(aloft())
        hole = len(data) // 2
        log = read_log(saved(data[:hole] + bytes(500) + data[hole + 700 :]))
        assert len(log.flights) == 1
        assert any("bytes between messages passed over" in line.what for line in log.damage)
        assert len(log.flights[0].position()[0]) > 1150

    def test_vibration_does_not_alias_into_the_rates(self, saved):
        """A gyro logged at 1 kHz that shakes at 410 Hz around a steady 20°/s."""
        columns = "TimeUS,GyrX,GyrY,GyrZ,AccX,AccY,AccZ"
        lines = [f"FMT, 133, 40, IMU, Qffffff, {columns}"]
        for i in range(4000):
            shake = math.radians(300) * math.sin(2 * math.pi * 0.410 * i)
            lines.append(f"IMU, {1000 * i}, 0, 0, {math.radians(20) + shake:.6f}, 0, 0, -9.81")
        (flight,) = read_log(saved("\n".join(lines).encode())).flights
        assert 40 <= len(flight) / 4.0 <= 51
        assert np.abs(flight["yaw_rate_dps"] - 20).max() < 25
        assert flight["yaw_rate_dps"].mean() == pytest.approx(20, abs=0.5)
        assert not flight.position()[0].size


class TestMavlink:
    def test_checksum_of_the_catalogue(self):
        """CRC-16/MCRF4XX of "123456789" is 6F91 (catalogue of parametrised CRC algorithms)."""
        assert checksum(b"123456789") == 0x6F91

    def test_only_the_vehicle_counts(self, writer_module, aloft, saved):
        log = read_log(saved(writer_module["tlog"](aloft())))
        assert any("system 255 left out" in line.what for line in log.damage)
        assert log.flights[0].modes == {10: "auto"}

    def test_the_links_jitter_is_taken_out_by_time_since_power_up(self, writer_module, aloft, saved):
        flown = aloft()
        (flight,) = read_log(saved(writer_module["tlog"](flown))).flights
        times, _ = flight.series("bank_deg")
        assert np.std(times - flown.time_s) < 0.002  # the stamps themselves jitter by 14 ms

    def test_a_replay_names_no_utc_and_keeps_the_flights_own_pace(self, writer_module, aloft, saved):
        flown = aloft()
        data = bytearray(writer_module["tlog"](flown))
        at, first = 0, None
        while at < len(data):
            (stamp,) = struct.unpack_from(">Q", data, at)
            first = first or stamp
            struct.pack_into(">Q", data, at, first + (stamp - first) // 4)
            at += 8 + 12 + data[at + 9]
        log = read_log(saved(bytes(data)))
        (flight,) = log.flights
        assert not flight.keeps_utc
        assert flight.time_s[-1] == pytest.approx(flown.time_s[-1] - flown.time_s[0], abs=0.1)
        assert any("replay at 4.00 times" in line.what for line in log.damage)

    def test_frames_with_a_wrong_checksum_are_dropped_and_said(self, writer_module, aloft, saved):
        data = bytearray(writer_module["tlog"](aloft(1.0)))
        data[8 + 12] ^= 0x55  # payload of the first
        log = read_log(saved(bytes(data)))
        assert any("1 frames with a wrong checksum" in line.what for line in log.damage)

    def test_garbage_between_frames_is_passed_over(self, writer_module, aloft, saved):
        data = writer_module["tlog"](aloft(1.0))
        log = read_log(saved(b"\xfe" * 20 + data + b"\xfd\xfe" * 100))
        assert len(log.flights[0].position()[0]) == 240
        assert any("passed over" in line.what for line in log.damage)

    def test_a_tracking_aerial_is_heard(self, writer_module, aloft, saved):
        from pymavlink.dialects.v20 import ardupilotmega as dialect

        flown = aloft(1.0)
        tracker = dialect.MAVLink(None, srcSystem=2, srcComponent=1)
        data = bytearray(writer_module["tlog"](flown))
        for t in flown.time_s:
            for message in (
                dialect.MAVLink_heartbeat_message(5, 3, 0, 0, 0, 3),
                dialect.MAVLink_attitude_message(round((t - flown.time_s[0]) * 1000), 0, 0, math.radians(-90), 0, 0, 0),
            ):
                data += struct.pack(">Q", round(t * 1e6)) + message.pack(tracker)
        flight = read_log(saved(bytes(data))).flights[0]
        assert np.allclose(flight.series("aerial_bearing_deg")[1], 270)

    def test_a_missing_library_is_named_with_its_mend(self, writer_module, aloft, saved, monkeypatch):
        path = saved(writer_module["tlog"](aloft(1.0)))
        real = builtins.__import__

        def without(name, *rest):
            if name.startswith("pymavlink"):
                raise ImportError(name)
            return real(name, *rest)

        monkeypatch.setattr(builtins, "__import__", without)
        with pytest.raises(TrackError, match=r"pip install 'overlay\[autopilot\]'"):
            read_log(path)


class TestULog:
    def test_attitude_of_the_quaternion(self, writer_module, aloft, saved):
        flown = aloft()
        (flight,) = read_log(saved(writer_module["ulog"](flown))).flights
        _, bank = flight.series("bank_deg")
        assert np.allclose(bank, flown.bank_deg, atol=1e-4)
        _, heading = flight.series("heading_deg")
        assert np.allclose((heading - flown.course_deg + 180) % 360, 180, atol=1e-4)

    def test_a_stretch_of_damage_is_passed_over(self, writer_module, aloft, saved):
        data = writer_module["ulog"](aloft())
        hole = len(data) // 2
        log = read_log(saved(data[:hole] + bytes(range(256)) * 4 + data[hole + 300 :]))
        assert len(log.flights[0].position()[0]) > 1150
        assert any("passed over" in line.what for line in log.damage)

    def test_topics_within_themselves_end(self, saved):
        fields = b"a:" + b";".join(b"a[99] f%d" % i for i in range(9)) + b";"
        body = struct.pack("<Hc", len(fields), b"F") + fields
        add = struct.pack("<BH", 0, 0) + b"vehicle_gps_position"
        fields = b"vehicle_gps_position:uint64_t timestamp;a x;"
        body += struct.pack("<Hc", len(fields), b"F") + fields + struct.pack("<Hc", len(add), b"A") + add
        body += struct.pack("<Hc", 10, b"D") + bytes(10)
        with pytest.raises(TrackError):
            read_log(saved(b"ULog\x01\x12\x35\x01" + bytes(8) + body))
