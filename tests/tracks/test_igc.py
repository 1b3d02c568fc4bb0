from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from overlay.tracks import Fix, read_log

HEAD = "AXYZ123\nHFDTE030526\n"


def record(
    i: int, *, start: int = 36000, valid: str = "A", gnss: int = 150, pressure: int = 120, more: str = ""
) -> str:
    t = (start + i) % 86400
    minutes = 30000 + 10 * i
    return f"B{t // 3600:02d}{t // 60 % 60:02d}{t % 60:02d}46{minutes:05d}N01215000W{valid}{pressure:05d}{gnss:05d}{more}\n"


def read(saved, text: str):
    return read_log(saved(text.encode()))


def posix(*parts: int) -> float:
    return datetime(*parts, tzinfo=UTC).timestamp()


@pytest.mark.parametrize("date", ["HFDTE030526", "HFDTEDATE:030526", "HFDTEDATE:030526,01", "HFDTE: 030526"])
def test_both_forms_of_the_date(saved, date):
    log = read(saved, f"AXYZ123\n{date}\n" + "".join(map(record, range(60))))
    assert log.flights[0].time_s[0] == posix(2026, 5, 3, 10)


def test_heights_of_both_kinds(saved):
    (flight,) = read(saved, HEAD + "".join(record(i, pressure=-12) for i in range(60))).flights
    assert flight["height_m"][0] == 150
    assert flight["pressure_height_m"][0] == -12
    (flight,) = read(saved, HEAD + "".join(record(i, gnss=0) for i in range(60))).flights
    assert flight["height_m"][0] == 120


def test_midnight_and_a_later_date_record(saved):
    (flight,) = read(saved, HEAD + "".join(record(i, start=86370) for i in range(60))).flights
    assert flight.time_s[-1] == posix(2026, 5, 4, 0, 0, 29)
    text = HEAD + "".join(record(i, start=86370) for i in range(30))
    text += "HFDTE040526\n" + "".join(record(i, start=86370) for i in range(30, 60))
    (flight,) = read(saved, text).flights
    assert np.allclose(np.diff(flight.time_s), 1)


def test_fixes_marked_v(saved):
    (flight,) = read(saved, HEAD + "".join(record(i, valid="V" if i < 7 else "A") for i in range(60))).flights
    assert np.flatnonzero(flight.fix & Fix.NOT_VALID).tolist() == list(range(7))
    log = read(saved, HEAD + "".join(record(i, valid="V") for i in range(60)))
    assert not (log.flights[0].fix & Fix.NOT_VALID).any()
    assert any("marked V" in line.what for line in log.damage)


def test_extensions(saved):
    """Fractions of a second, finer minutes, accuracy and satellites behind each fix, where the I record says."""
    head = HEAD + "I053636TDS3738LAD3940LOD4143FXA4445SIU\n"
    text = head + "".join(record(i // 2, more=f"{5 * (i % 2)}{12 + 50 * (i % 2):02d}0000509") for i in range(120))
    (flight,) = read(saved, text).flights
    assert np.allclose(np.diff(flight.time_s), 0.5)
    assert flight["latitude_deg"][0] == pytest.approx(46 + 30.00012 / 60, abs=1e-9)
    assert flight["accuracy_m"][0] == 5
    assert flight["satellites"][0] == 9


def test_a_speed_that_contradicts_the_positions_is_left_out(saved):
    """18.5 m/s over the ground; 066 km/h agrees, 300 km/h does not."""
    head = HEAD + "I013638GSP\n"
    (flight,) = read(saved, head + "".join(record(i, more="067") for i in range(60))).flights
    assert flight["ground_speed_mps"][0] == pytest.approx(67 / 3.6)
    log = read(saved, head + "".join(record(i, more="300") for i in range(60)))
    assert not log.flights[0].has("ground_speed_mps")


def test_records_that_cannot_be_read(saved):
    lines = [record(i) for i in range(60)]
    lines[5] = lines[5][:20] + "\n"
    lines[6] = lines[6].replace("B10", "B77")
    lines[7] = "LXYZ a comment\n"
    log = read(saved, HEAD + "".join(lines) + "GABCDEF0123\n")
    assert len(log.flights[0]) == 57
    assert any(line.what.startswith("2 fix records") and line.where == "first at line 8" for line in log.damage)


def test_no_date_names_no_utc(saved):
    assert not read(saved, "AXYZ123\n" + "".join(map(record, range(60)))).flights[0].keeps_utc


def test_a_silence_of_half_an_hour_in_the_air(saved):
    text = HEAD + "".join(record(i) for i in range(120)) + "".join(record(i) for i in range(1900, 2000))
    log = read(saved, text)
    assert len(log.flights) == 1
    assert log.flights[0].gaps == (
        (pytest.approx(posix(2026, 5, 3, 10, 1, 59)), pytest.approx(posix(2026, 5, 3, 10, 31, 40))),
    )
