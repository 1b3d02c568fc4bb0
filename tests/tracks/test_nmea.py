from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from overlay.tracks import Fix, read_log, sniff
from overlay.tracks.nmea import KNOT_MPS, clock_ms
from tests.tracks.conftest import fly, nmea


def posix(*parts: int) -> float:
    return datetime(*parts, tzinfo=UTC).timestamp()


@pytest.fixture
def receiver(nmea_sentence):
    """Sentences of a flight north at 15 m/s: `receiver(i)` of the i-th second from 10:00:00."""

    class Receiver:
        talker = "GN"

        def place(self, i: float) -> str:
            return f"46{30 + i * 15 / 1852:010.7f},N,01215.0000000,W"

        def clock(self, i: float, start: int = 36000) -> str:
            t = (start + i) % 86400
            return f"{int(t // 3600):02d}{int(t // 60 % 60):02d}{t % 60:05.2f}"

        def gga(self, i: float, quality: int = 1, **more: int) -> str:
            return nmea_sentence(
                f"{self.talker}GGA,{self.clock(i, **more)},{self.place(i)},{quality},09,1.1,{100 + i:.1f},M,47.0,M,,"
            )

        def rmc(self, i: float, status: str = "A", date: str = "030526", **more: int) -> str:
            return nmea_sentence(
                f"{self.talker}RMC,{self.clock(i, **more)},{status},{self.place(i)},29.16,0.0,{date},,,A"
            )

        def sentence(self, body: str) -> str:
            return nmea_sentence(body)

    return Receiver()


def read(saved, text: str | bytes):
    return read_log(saved(text if isinstance(text, bytes) else text.encode()))


def test_differing_rates_share_rows(receiver, saved):
    """RMC at 1 Hz beside GGA at 10 Hz: one row an epoch, speed where RMC came."""
    text = "".join(receiver.gga(i / 10) + (receiver.rmc(i / 10) if i % 10 == 0 else "") for i in range(600))
    (flight,) = read(saved, text).flights
    assert len(flight) == 600
    assert flight.keeps_utc
    assert flight.time_s[0] == posix(2026, 5, 3, 10, 0, 0)
    assert len(flight.series("ground_speed_mps")[0]) == 60
    assert flight["ground_speed_mps"][0] == pytest.approx(29.16 * KNOT_MPS)


def test_two_talkers_an_epoch_are_one_row_and_the_combined_fix_counts(receiver, saved):
    text = ""
    for i in range(60):
        for talker, off in (("GP", 0.5), ("GL", 0.9), ("GN", 0.0)):
            receiver.talker = talker
            text += receiver.sentence(
                f"{talker}GGA,{receiver.clock(i)},46{30 + (i * 15 + off) / 1852:010.7f},N,01215.0,W,1,09,1.1,100.0,M,47.0,M,,"
            )
    (flight,) = read(saved, text).flights
    assert len(flight) == 60
    assert np.allclose(flight["latitude_deg"], 46.5 + np.arange(60) * 15 / 1852 / 60, atol=1e-8)


def test_sentences_out_of_order_find_their_epoch(receiver, saved):
    text = "".join(receiver.gga(i + 1) + receiver.rmc(i) for i in range(60))
    (flight,) = read(saved, text).flights
    assert len(flight) == 61
    assert np.isfinite(flight["ground_speed_mps"][:60]).all()


def test_midnight_without_dates_between(receiver, saved):
    text = receiver.rmc(0, start=86370) + "".join(receiver.gga(i, start=86370) for i in range(60))
    (flight,) = read(saved, text).flights
    assert flight.time_s[0] == posix(2026, 5, 3, 23, 59, 30)
    assert flight.time_s[-1] == posix(2026, 5, 4, 0, 0, 29)


def test_the_date_rolls_with_a_late_date_at_midnight(receiver, saved):
    """One RMC right after midnight still names the old day, as some receivers do."""
    dates = ["030526"] * 31 + ["040526"] * 29
    text = "".join(receiver.gga(i, start=86370) + receiver.rmc(i, date=dates[i], start=86370) for i in range(60))
    (flight,) = read(saved, text).flights
    assert np.allclose(np.diff(flight.time_s), 1.0)
    assert flight.time_s[-1] == posix(2026, 5, 4, 0, 0, 29)


def test_a_date_from_zda_alone(receiver, saved):
    text = receiver.sentence("GPZDA,100000.00,03,05,2026,00,00") + "".join(receiver.gga(i) for i in range(30))
    (flight,) = read(saved, text).flights
    assert flight.time_s[0] == posix(2026, 5, 3, 10, 0, 0)


def test_no_date_names_no_utc(receiver, saved):
    log = read(saved, "".join(receiver.gga(i) for i in range(30)))
    assert not log.flights[0].keeps_utc
    assert log.flights[0].time_s[0] == 0
    assert any("no date" in line.what for line in log.damage)


def test_utf16_and_binary_between_and_no_suffix(receiver, saved):
    text = "".join(receiver.gga(i) + receiver.rmc(i) for i in range(30))
    for data in (text.encode("utf-16"), text.encode("utf-16-le"), text.encode("utf-16-be")):
        assert len(read(saved, data).flights[0]) == 30
    noise = np.random.default_rng(0).integers(0, 256, 3_000_000).astype(np.uint8).tobytes()
    parts = text.encode().splitlines(keepends=True)
    data = noise + b"\n" + b"\xb5\x62\x01\x07".join(parts[:20]) + noise[:1_000_000] + b"".join(parts[20:])
    path = saved(data)
    assert sniff(path) == "NMEA 0183"
    assert len(read_log(path).flights[0]) == 30


def test_wrong_checksums_and_cut_sentences_are_dropped_and_said(receiver, saved):
    lines = [receiver.gga(i) for i in range(30)]
    lines[3] = lines[3].replace("46", "47", 1)
    lines[4] = lines[4][:30] + "\r\n"
    log = read(saved, "# a comment\r\n\r\n" + "".join(lines))
    assert len(log.flights[0]) == 28
    assert {line.what for line in log.damage} >= {
        "1 sentences with a wrong checksum dropped", "1 sentences cut short, without a checksum, dropped",
    }  # fmt: skip


def test_sentences_all_without_checksums_are_read_and_said(receiver, saved):
    text = "".join(receiver.gga(i).split("*")[0] + "\n" for i in range(30))
    log = read(saved, text)
    assert len(log.flights[0]) == 30
    assert any("without checksums" in line.what for line in log.damage)


def test_a_receiver_without_a_fix_is_not_valid(receiver, saved):
    text = "".join(
        receiver.gga(i, quality=0 if i < 10 else 1) + receiver.rmc(i, "V" if i < 12 else "A") for i in range(40)
    )
    (flight,) = read(saved, text).flights
    assert np.flatnonzero(flight.fix & Fix.NOT_VALID).tolist() == list(range(12))


def test_a_receiver_that_always_warns_beside_its_fix_is_believed_by_gga(receiver, saved):
    log = read(saved, "".join(receiver.gga(i) + receiver.rmc(i, "V") for i in range(40)))
    assert not (log.flights[0].fix & Fix.NOT_VALID).any()
    assert any("always warns" in line.what for line in log.damage)


def test_a_date_1024_weeks_back_is_not_believed(receiver, saved):
    """17 September 2006 may be 3 May 2026, and no one can tell from the sentences alone."""
    log = read(saved, "".join(receiver.gga(i) + receiver.rmc(i, date="170906") for i in range(40)))
    assert not log.flights[0].keeps_utc
    assert any("2026-05-03" in line.what for line in log.damage)


def test_a_rollover_seen_within_the_file_is_put_right(receiver, saved):
    zda = receiver.sentence("GPZDA,100000.00,03,05,2026,00,00")
    log = read(saved, zda + "".join(receiver.gga(i) + receiver.rmc(i, date="170906") for i in range(40)))
    assert log.flights[0].keeps_utc
    assert log.flights[0].time_s[0] == posix(2026, 5, 3, 10, 0, 0)


def test_positions_at_null_island_are_dropped(receiver, saved):
    zero = "".join(
        receiver.sentence(f"GPGGA,{receiver.clock(i - 20)},0000.0000,N,00000.0000,E,1,03,9.9,0.0,M,0.0,M,,")
        for i in range(20)
    )
    log = read(saved, zero + "".join(receiver.gga(i) for i in range(30)))
    (flight,) = log.flights
    assert flight.position()[1].min() > 46
    assert any("latitude 0" in line.what for line in log.damage)


def test_times_of_day():
    assert clock_ms("235959.999") == 86399999
    for text in ("", "12", "246060", "12a456", "-10101", "１２３４５６"):
        assert clock_ms(text) is None


@pytest.mark.parametrize("rate_hz", [1.0, 5.0])
@pytest.mark.parametrize("first", [True, False])
def test_speed_and_course_that_carry_no_time_belong_to_their_own_epoch(saved, nmea_sentence, first, rate_hz):
    """VTG has no time (NMEA 0183): before the GGA of its epoch it would be taken for the one before, a second off."""
    flown = fly(rate_hz=rate_hz)
    text = ""
    for sentence in nmea(flown).decode().splitlines(keepends=True):
        kind, fields = sentence[3:6], sentence.split(",")
        if kind == "GGA":
            place = sentence
        elif kind == "RMC":
            vtg = nmea_sentence(f"GNVTG,{fields[8]},T,,M,{fields[7]},N,{float(fields[7]) * 1.852:.3f},K,A")
            text += vtg + place if first else place + vtg
    flight = read(saved, text).flights[0]
    turning = slice(int(85 * rate_hz), int(145 * rate_hz))
    known = np.isfinite(flight["course_deg"][turning])
    apart = (flight["course_deg"] - flown.course_deg + 180.0) % 360.0 - 180.0
    assert known.mean() > 0.95
    assert np.nanmax(np.abs(apart[turning])) < 0.1
    assert np.nanmax(np.abs(flight["ground_speed_mps"] - flown.speed_mps)) < 0.01


def test_a_height_in_another_unit_than_the_standards_metres_is_none(receiver, saved):
    text = "".join(receiver.rmc(i) for i in range(60))
    feet = "".join(
        receiver.sentence(f"GNGGA,{receiver.clock(i)},{receiver.place(i)},1,09,1.1,328.1,F,47.0,M,,") for i in range(60)
    )
    assert not read(saved, text + feet).flights[0].has("height_m")


def test_the_same_time_of_day_on_another_day_is_another_epoch(receiver, saved):
    """A minute apart or a day: two short stretches at one time of day must not be laid over each other."""
    first = "".join(receiver.rmc(i) + receiver.gga(i) for i in range(20))
    other = "".join(receiver.rmc(i, start=36100) for i in range(5))
    again = "".join(receiver.rmc(i, date="040526") + receiver.gga(i) for i in range(20))
    flights = read(saved, first + other + again).flights
    days = sorted({datetime.fromtimestamp(t, UTC).day for flight in flights for t in flight.time_s})
    assert days == [3, 4]
    assert sum(len(flight) for flight in flights) == 45
