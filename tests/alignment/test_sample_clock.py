"""The clock of cameras with known mounts on tracks of generated flights: truth from the sample generator, not from here."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from overlay.alignment import align, reconciled
from overlay.motion import MotionSeries
from overlay.motion.from_track import motion_from_track
from overlay.tracks import Track
from overlay_samples.flight import Flight, fly
from overlay_samples.logs import receive
from overlay_samples.scenario import DEFAULT

MOUNT_PITCH_DEG = -7.0
OFFSET_S = 3.25  # after the flight's own beginning
DRIFT = 30e-6


@pytest.fixture(scope="module")
def flight() -> Flight:
    return fly(DEFAULT)


def camera(flight: Flight, noise_dps: float = 1.0, seed: int = 1) -> MotionSeries:
    """What a camera tilted down would see at 15 pictures a second, with noise, on a clock of its own."""
    shown = np.arange(0.0, flight.duration_s - OFFSET_S - 1.0, 1 / 15)
    moment = flight.time_s[0] + OFFSET_S + (1 + DRIFT) * shown
    body = np.column_stack([np.interp(moment, flight.time_s, column) for column in flight.rate_radps.T])
    seen = Rotation.from_euler("y", MOUNT_PITCH_DEG, degrees=True).inv().apply(body)
    seen = seen + np.radians(noise_dps) * np.random.default_rng(seed).standard_normal(seen.shape)
    return MotionSeries(shown, seen, interval_s=np.full(len(shown), 1 / 15))


def positions(flight: Flight, rate_Hz: float) -> MotionSeries:
    fixes = receive(flight, rate_Hz, lag_s=0.0, velocity_lag_s=0.0)
    columns = {"latitude_deg": fixes.latitude_deg, "longitude_deg": fixes.longitude_deg, "height_m": fixes.height_m}
    return motion_from_track(Track(fixes.time_s, columns))


@pytest.fixture(scope="module", params=[DEFAULT.seed, 1, 2, 3])
def any_flight(request: pytest.FixtureRequest) -> Flight:
    return fly(replace(DEFAULT, seed=request.param, distance_out_m=2200.0, loiter_turns=1.5))


@pytest.mark.parametrize("rate_Hz", [1.0, 5.0, 10.0])
def test_positions_alone_place_a_tilted_camera_within_a_tenth(any_flight: Flight, rate_Hz: float) -> None:
    flight = any_flight
    found = align(camera(flight), positions(flight, rate_Hz), keeps_utc=True)
    if rate_Hz == 5.0:
        assert found.verdict == "sure", found.reasons
    elif found.verdict != "sure":
        return  # four minutes may not be enough, and are then not called so
    assert found.best is not None
    middle = found.mid_recording_s
    error = found.best.to_reference(middle) - (flight.time_s[0] + OFFSET_S + (1 + DRIFT) * middle)
    assert abs(error) <= 0.1
    assert found.half_interval_s >= abs(error)


def test_attitude_places_it_within_a_hundredth(flight: Flight) -> None:
    time_s = flight.time_s[::10]
    columns = {
        "bank_deg": np.degrees(flight.bank_rad[::10]),
        "pitch_deg": np.degrees(flight.pitch_rad[::10]),
        "heading_deg": np.degrees(flight.heading_rad[::10]) % 360,
    }
    found = align(camera(flight), motion_from_track(Track(time_s, columns)))
    assert found.verdict == "sure", found.reasons
    assert found.best is not None
    middle = found.mid_recording_s
    error = found.best.to_reference(middle) - (flight.time_s[0] + OFFSET_S + (1 + DRIFT) * middle)
    assert abs(error) <= 0.01
    assert 0 < found.scatter_s <= found.sigma_s


def test_three_measured_clocks_close_and_are_solved_together(flight: Flight) -> None:
    """Two cameras of one flight against its attitude: what `align` hands on is all that the joint solution needs."""
    time_s = flight.time_s[::10]
    columns = {
        "bank_deg": np.degrees(flight.bank_rad[::10]),
        "pitch_deg": np.degrees(flight.pitch_rad[::10]),
        "heading_deg": np.degrees(flight.heading_rad[::10]) % 360,
    }
    track, one, other = motion_from_track(Track(time_s, columns)), camera(flight), camera(flight, 1.5, seed=2)
    other = replace(other, time_s=other.time_s + 20.0)
    found = reconciled(
        align(one, track),
        align(other, one, recording_name="ground", reference_name="camera"),
        align(other, track, recording_name="ground"),
    )
    assert [each.verdict for each in found] == ["sure"] * 3
    onboard, between, ground = (each.clock for each in found)
    assert ground.to_reference(60.0) == pytest.approx(onboard.to_reference(between.to_reference(60.0)), abs=1e-6)
    wanted = flight.time_s[0] + OFFSET_S + (1 + DRIFT) * 40.0
    assert ground.to_reference(60.0) == pytest.approx(wanted, abs=0.01)
    assert all(abs(each.evidence["closure_s"]) < 0.02 for each in found)


@pytest.mark.parametrize("seed", range(4))
def test_a_strangers_track_is_never_sure(flight: Flight, seed: int) -> None:
    other = fly(replace(DEFAULT, seed=900 + seed, outbound_deg=40.0 + 70 * seed, wind_from_deg=90.0 * seed))
    found = align(camera(flight), positions(other, 5.0))
    assert found.verdict in ("ambiguous", "none")
