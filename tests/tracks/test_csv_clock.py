"""Times as tables write them: running numbers, clocks, dates, zones."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest

from overlay.errors import TrackError
from overlay.tracks import read_log
from tests.tracks.tables import NOON, latitude, table


@pytest.mark.parametrize(
    ("header", "cells", "start"),
    [
        ("time (s)", lambda i: (f"{i}",), None),
        ("Time", lambda i: (f"{i * 1000}",), None),  # milliseconds by the distance flown
        ("TimeUS", lambda i: (f"{123_000_000 + i * 1_000_000}",), None),
        ("timestamp", lambda i: (f"{NOON + i:.0f}",), NOON),
        ("timestamp", lambda i: (f"{(NOON + i) * 1000:.0f}",), NOON),
        ("timestamp", lambda i: (f"{(NOON + i) * 1e6:.0f}",), NOON),
        ("UTC", lambda i: (f"2026-07-01T12:{i // 60:02d}:{i % 60:02d}Z",), NOON),
        ("Time", lambda i: (f"2026-07-01 12:{i // 60:02d}:{i % 60:02d}+00:00",), NOON),
        ("Time", lambda i: (f"2026-07-01 14:{i // 60:02d}:{i % 60:02d}+02:00",), NOON),
        ("Date (UTC),Time", lambda i: ("01.07.2026", f"12:{i // 60:02d}:{i % 60:02d}.000"), NOON),
        ("Date UTC,Time UTC", lambda i: ("2026/07/01", f"12{i // 60:02d}{i % 60:02d}.00"), NOON),
        ("Date,Time", lambda i: ("2026-07-01", f"12:{i // 60:02d}:{i % 60:02d}"), None),
        ("Time", lambda i: (f"12:{i // 60:02d}:{i % 60:02d}",), None),
        ("Date (UTC),Time", lambda i: ("03/02/26", f"12:{i // 60:02d}:{i % 60:02d}"), None),  # February or March
    ],
)
def test_times_as_logs_write_them(only, header, cells, start):
    flight = only(table(f"{header},lat,lon", lambda i: (*cells(i), f"{latitude(i):.7f}", "-12.25")))
    assert flight.keeps_utc == (start is not None)
    assert np.allclose(flight.time_s, (start or 0.0) + np.arange(120), atol=1e-3)


def test_local_times_with_their_zone(only):
    data = table("Date,Time,lat,lon", lambda i: ("2026-07-01", f"14:{i // 60:02d}:{i % 60:02d}", latitude(i), -12.25))
    for zone in ("Europe/Oslo", "+02:00"):
        flight = only(data, time_zone=zone)
        assert flight.keeps_utc
        assert flight.time_s[0] == NOON


def test_the_repeated_hour_of_october_names_no_utc(saved):
    data = table("Date,Time,lat,lon", lambda i: ("2026-10-25", f"02:{i // 60:02d}:{i % 60:02d}", latitude(i), -12.25))
    log = read_log(saved(data), time_zone="Europe/Oslo")
    assert not log.flights[0].keeps_utc
    assert any("clocks change" in line.what for line in log.damage)


@pytest.mark.parametrize(
    ("header", "stamp", "start"),
    [
        ("Time (UTC+2)", "2026-07-01 14:{m:02d}:{s:02d}", NOON),
        ("Local time (GMT-05:30)", "2026-07-01T06:30:{s:02d}", NOON),
        ("Time UTC", "20260701T12{m:02d}{s:02d}", NOON),
        ("Time", "20260701T12{m:02d}{s:02d}Z", NOON),
        ("Time", "20260701T12{m:02d}{s:02d}", None),  # local, of an unknown zone: ISO 8601 without a designator
    ],
)
def test_zones_told_in_headers_and_basic_forms_of_iso_8601(only, header, stamp, start):
    flight = only(table(f"{header},lat,lon", lambda i: (stamp.format(m=i // 60, s=i % 60), latitude(i), "7"), count=59))
    assert flight.keeps_utc == (start is not None)
    assert flight.time_s[0] == (start or 0.0)
    assert np.allclose(np.diff(flight.time_s), 1.0)


@pytest.mark.parametrize(
    "stamp",
    [
        lambda i: f"{10 + (50 + i // 60) // 60}{(50 + i // 60) % 60:02d}{i % 60:02d}.00",
        lambda i: f"{10 + (50 + i // 60) // 60}{(50 + i // 60) % 60:02d}{i % 60:02d}000",  # thousandths behind
        lambda i: f"{58 + i // 60}:{i % 60:02d}",  # minutes and seconds, on past the hour
        lambda i: f"{50 + i // 60}:{i % 60:02d}.5",
    ],
)
def test_clock_numbers_and_minutes_without_a_date_run_evenly(only, stamp):
    """Read as plain numbers, each minute would be followed by a gap of forty seconds; as hours, each second by a minute."""
    flight = only(table("time,lat,lon", lambda i: (stamp(i), latitude(i), "7"), count=900))
    assert not flight.keeps_utc
    assert np.allclose(np.diff(flight.time_s), 1.0)


def test_hours_and_minutes_that_repeat_are_a_clock(only):
    flight = only(table("time,lat,lon", lambda i: (f"10:{i // 60:02d}", latitude(i), "7"), count=600))
    assert flight.time_s[-1] - flight.time_s[0] == 540.0


def test_gps_seconds_name_no_utc_since_they_may_count_from_1980(only):
    gps_epoch = datetime(1980, 1, 6, tzinfo=UTC).timestamp()  # IS-GPS-200
    data = table("GPS time (s),lat,lon", lambda i: (NOON - gps_epoch + 18 + i, latitude(i), "7"))
    assert not only(data).keeps_utc
    assert only(table("GPS time (s),lat,lon", lambda i: (NOON + i, latitude(i), "7"))).keeps_utc


@pytest.mark.parametrize("late", [-4, 0, 1, 7])
def test_a_date_that_changes_late_or_early_at_midnight(only, late):
    start = NOON + 12 * 3600 - 60

    def cells(i):
        day = datetime.fromtimestamp(start + i - late, UTC)
        return f"{day:%Y-%m-%d}", f"{datetime.fromtimestamp(start + i, UTC):%H:%M:%S}", latitude(i), "7"

    assert np.array_equal(only(table("Date (UTC),Time (UTC),lat,lon", cells)).time_s, start + np.arange(120))


def test_seconds_beside_a_date_are_no_time_of_day(only):
    """Fifty seconds from power-up are not fifty seconds past midnight."""
    flight = only(
        table("Date,Time (s),lat,lon", lambda i: ("2026-07-01", f"{i / 2:.1f}", latitude(i / 2), "7"), count=100)
    )
    assert not flight.keeps_utc
    assert np.allclose(np.diff(flight.time_s), 0.5)


def test_midnight_with_clock_times_alone(only):
    data = table(
        "Time,lat,lon", lambda i: (f"{23 if i < 60 else 0}:{59 if i < 60 else 0:02d}:{i % 60:02d}", latitude(i), -12)
    )
    assert only(data).time_s[-1] == 119


def test_a_time_whose_unit_is_not_clear_is_refused(saved):
    """Steps of 10 with the aircraft standing: milliseconds or seconds?"""
    data = table("time,lat,lon,sats", lambda i: (i * 10, 46.5, -12.25, 9))
    with pytest.raises(TrackError, match="whose unit is not clear"):
        read_log(saved(data))


def test_no_times_need_an_interval(saved):
    path = saved(table("lat,lon,sats", lambda i: (latitude(i), -12.25, 9)))
    with pytest.raises(TrackError, match="interval_s"):
        read_log(path)
    flight = read_log(path, interval_s=0.5).flights[0]
    assert not flight.keeps_utc
    assert flight.time_s[-1] == 59.5
