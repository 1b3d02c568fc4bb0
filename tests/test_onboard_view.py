"""What the onboard recording shows, joined with the readings; and looked at in drawn pictures of a known flight."""

from __future__ import annotations

import re
import shutil
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from overlay.clock import AffineClock
from overlay.flight import Flight
from overlay.flight_file import load_flight
from overlay.motion import MotionSeries
from overlay.onboard_view import with_seen_bank
from overlay.readings import Readings
from overlay_samples.flight import Flight as Flown
from overlay_samples.flight import fly
from overlay_samples.logs import receive, write_gpx
from overlay_samples.radio_log import write_csv
from overlay_samples.recordings import write_camera
from overlay_samples.scenario import SHORT
from overlay_samples.timing import Timing

TIME = np.arange(1000.0, 1200.0, 0.1)
BANK = 40.0 * np.sin(TIME / 5.0)


def leaning(time_s: np.ndarray, bank_deg: np.ndarray) -> MotionSeries:
    return MotionSeries(time_s, np.zeros((len(time_s), 3)), bank_rad=np.radians(bank_deg))


def readings(inferred: np.ndarray) -> Readings:
    return Readings(TIME, {"bank_deg": inferred}, derived={"bank_deg": "bank of a coordinated turn"})


def test_the_seen_bank_stands_for_the_inferred_one_where_it_was_seen() -> None:
    """The camera's clock began at 990 s of the flight's and leans by 95°; from 100 s on it saw nothing."""
    seen_s = np.arange(12.0, 100.0, 0.4)
    seen = leaning(seen_s, np.interp(seen_s + 990.0, TIME, BANK) + 95.0)
    inferred = BANK + np.random.default_rng(1).normal(0.0, 6.0, len(TIME))
    told = with_seen_bank(readings(inferred), AffineClock(990.0), seen)
    part = (TIME > 1003) & (TIME < 1089)
    assert np.median(np.abs(told["bank_deg"] - BANK)[part]) < 1.0
    assert np.array_equal(told["bank_deg"][TIME > 1091], inferred[TIME > 1091])
    lean = re.search(r"mount's lean of (\d+)° by", told.derived["bank_deg"])
    assert lean is not None
    assert abs(int(lean[1]) - 95) <= 2
    assert told.derived["bank_deg"].endswith("elsewhere bank of a coordinated turn")


def test_a_camera_that_tells_nothing_leaves_the_readings_as_they_are() -> None:
    bare = readings(BANK)
    nothing = leaning(np.arange(50.0), np.full(50, np.nan))
    assert with_seen_bank(bare, AffineClock(1000.0), nothing) is bare


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> tuple[Flown, Timing, Path]:
    folder = tmp_path_factory.mktemp("view")
    small = SHORT.camera.replace(size=(320, 180), frame_rate=Fraction(16))
    flown = fly(SHORT.replace(camera=small, seed=61, distance_out_m=600.0))
    timing = write_camera([folder / "nose.mp4"], flown)
    write_gpx(folder / "track.gpx", receive(flown, 1.0))
    flight = 'version = 1\n[camera]\nfiles = ["nose.mp4"]\n[track]\nfile = "track.gpx"\n'
    (folder / "flight.toml").write_text(flight, encoding="utf-8")
    return flown, timing, folder


def test_positions_alone_and_a_camera_tell_the_bank(
    drawn: tuple[Flown, Timing, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """In two commands: the first, as one that aligns, watches the recording and keeps what it saw; the second has the rest."""
    flown, timing, folder = drawn
    Flight(load_flight(folder)).camera_motion  # noqa: B018  # kept beside the flight
    flight = Flight(load_flight(folder))
    # the clock is the generator's: what is tried here is the bank
    monkeypatch.setattr(flight, "clock", lambda _name: AffineClock(timing.start_s, timing.drift))
    low, high = flown.span("flying")
    inferred, told = flight._bare_readings, flight.readings
    rows = (told.time_s > low + 3) & (told.time_s < high - 3)
    truth = np.degrees(flown.at(flown.bank_rad, told.time_s[rows]))
    seen_off, turned_off = (np.abs(each["bank_deg"][rows] - truth) for each in (told, inferred))
    assert np.nanquantile(seen_off, 0.8) < 3.0
    assert np.nanmedian(seen_off) < 0.5 * np.nanmedian(turned_off)


def test_a_log_that_tells_the_bank_is_believed(drawn: tuple[Flown, Timing, Path], tmp_path: Path) -> None:
    flown, _, folder = drawn
    write_csv(tmp_path / "radio.csv", flown)
    shutil.copy(folder / "nose.mp4", tmp_path)
    flight = 'version = 1\n[camera]\nfiles = ["nose.mp4"]\n[track]\nfile = "radio.csv"\n'
    (tmp_path / "flight.toml").write_text(flight, encoding="utf-8")
    watched = Flight(load_flight(tmp_path))
    assert not np.isfinite(watched.camera_motion.bank_rad).any()  # nor looked for
    assert "bank_deg" not in watched._bare_readings.derived
