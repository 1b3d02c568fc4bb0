"""One contract for every reader: the same flight comes back from each format, within that format's rounding."""

from __future__ import annotations

import numpy as np
import pytest

from overlay.tracks import Fix, Log, Track, read_log, sniff, track
from overlay.tracks.terms import QUANTITY

EARTH_M = 6371008.8


def read_one(path) -> tuple[Log, Track]:
    log = read_log(path)
    assert len(log.flights) == 1
    return log, log.flights[0]


@pytest.fixture
def flown(writer, aloft):
    return aloft(writer.rate_hz)


@pytest.fixture
def path(writer, flown, saved):
    return saved(writer.write(flown))


def test_format_is_told_by_content(writer, path):
    assert sniff(path) == writer.name
    assert read_log(path).format.startswith(writer.name)


def test_positions_come_back_within_the_rounding(writer, path, flown):
    _, flight = read_one(path)
    time, latitude, longitude = flight.position()
    stale = (flight.fix & Fix.STALE != 0) & np.isfinite(flight["latitude_deg"])
    assert len(time) + stale.sum() == len(flown)
    truth = np.searchsorted(flown.time_s, time + 0.5 / writer.rate_hz) - 1
    assert np.abs(time - flown.time_s[truth]).max() < writer.time_s
    north = np.radians(latitude - flown.latitude_deg[truth]) * EARTH_M
    east = np.radians(longitude - flown.longitude_deg[truth]) * EARTH_M * np.cos(np.radians(latitude))
    assert np.hypot(north, east).max() < writer.place_m


def test_heights_and_speeds_come_back(writer, path, flown):
    _, flight = read_one(path)
    times, height = flight.series("height_m")
    assert np.abs(height - np.interp(times, flown.time_s, flown.height_m)).max() < writer.height_m + 0.2
    if flight.has("ground_speed_mps"):
        times, speed = flight.series("ground_speed_mps")
        truth = flown.speed_mps[np.searchsorted(flown.time_s, times + 0.1) - 1]
        assert np.abs(speed - truth).max() < writer.speed_mps


def test_bank_and_direction_come_back(path, flown):
    _, flight = read_one(path)
    if flight.has("bank_deg"):
        times, bank = flight.series("bank_deg")
        miss = np.abs(bank - np.interp(times, flown.time_s, flown.bank_deg))
        assert np.median(miss) < 0.02
        assert miss.max() < 2.5  # the bank steps by 15° between two rows: 30 ms of late stamps make 2.3°
    for name in ("course_deg", "heading_deg"):
        if flight.has(name):
            times, values = flight.series(name)
            moving = np.interp(times, flown.time_s, flown.speed_mps) > 3
            truth = np.interp(times, flown.time_s, np.unwrap(flown.course_deg, period=360))
            assert np.abs((values - truth + 180) % 360 - 180)[moving].max() < 1.0


def test_the_track_keeps_its_contract(path):
    log, flight = read_one(path)
    assert log.path == str(path)
    assert flight.keeps_utc
    assert not flight.gaps
    assert flight.fix.dtype == np.uint8
    assert flight.fix.shape == flight.time_s.shape
    assert np.all(np.diff(flight.time_s) > 0)
    assert not np.any(flight.fix & Fix.JUMP)
    assert set(flight.columns) <= set(QUANTITY)
    for name, low in (("course_deg", 0), ("heading_deg", 0)):
        values = flight[name][np.isfinite(flight[name])]
        assert np.all((values >= low) & (values < 360))


def test_every_column_is_documented():
    documented = (
        track.__doc__.replace("{x,y,z}", "x")
        + track.__doc__.replace("{x,y,z}", "y")
        + track.__doc__.replace("{x,y,z}", "z")
    )
    assert [name for name in QUANTITY if name not in documented] == []


def test_every_row_is_judged_alone(writer, flown, saved):
    """A fix thrown a kilometre off is a jump; its neighbours stay good."""
    flown.latitude_deg[len(flown) // 2] += 0.01
    flight = read_log(saved(writer.write(flown))).flights[0]
    assert (flight.fix & Fix.JUMP != 0).sum() == 1


def test_a_lost_link_is_a_gap_and_not_two_flights(writer, flown, saved):
    keep = (flown.time_s < flown.time_s[0] + 80) | (flown.time_s > flown.time_s[0] + 115)
    for name, values in vars(flown).items():
        setattr(flown, name, values[keep])
    _, flight = read_one(saved(writer.write(flown)))
    assert len(flight.gaps) == 1
    start, end = flight.gaps[0]
    assert end - start == pytest.approx(35, abs=2.5)
