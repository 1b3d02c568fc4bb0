"""Motion told by a track, against closed forms of flight mechanics and scipy's rotations."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from overlay.motion.air_heading import inferred_bank, wind_from_velocities
from overlay.motion.from_track import motion_from_track
from overlay.motion.ground_velocity import ground_velocity
from overlay.motion.series import MotionSeries
from overlay.tracks.track import Fix, Track

Floats = NDArray[np.float64]

G = 9.80665  # standard gravity, CGPM 1901
EPOCH = 1_777_800_000.0
EARTH_M = 6_371_008.8  # mean radius, IUGG


def places(east_m: Floats, north_m: Floats, latitude: float = 47.0, longitude: float = 8.0) -> dict[str, Floats]:
    return {
        "latitude_deg": latitude + np.degrees(north_m / EARTH_M),
        "longitude_deg": (longitude + np.degrees(east_m / EARTH_M / np.cos(np.radians(latitude))) + 180) % 360 - 180,
    }


def circling(rate_Hz: float, speed: float, bank_deg: float, wind: tuple[float, float], seconds: float = 90.0) -> Track:
    """Positions in a steady turn: ω = g·tan φ / V through the air, which moves with the wind."""
    time = np.arange(0, seconds, 1 / rate_Hz)
    omega = G * np.tan(np.radians(bank_deg)) / speed
    east = -speed / omega * np.cos(omega * time) + wind[0] * time
    north = speed / omega * np.sin(omega * time) + wind[1] * time
    return Track(EPOCH + time, {**places(east, north), "height_m": np.full(len(time), 120.0)})


@pytest.mark.parametrize("rate_Hz", [1.0, 5.0, 10.0])
@pytest.mark.parametrize("bank_deg", [25.0, -40.0])
def test_a_coordinated_turn_in_calm_air(rate_Hz: float, bank_deg: float) -> None:
    motion = motion_from_track(circling(rate_Hz, 18.0, bank_deg, (0.0, 0.0)), wind=(0.0, 0.0))
    omega, bank = G * np.tan(np.radians(bank_deg)) / 18.0, np.radians(bank_deg)
    inner = slice(3, -3)
    roll, pitch, yaw = motion.rate_radps[inner].T
    np.testing.assert_allclose(motion.bank_rad[inner], bank, atol=np.radians(1.5))
    # Body rates of a level turn, any flight mechanics textbook: p = 0, q = ω·sin φ, r = ω·cos φ.
    np.testing.assert_allclose(roll, 0.0, atol=0.01)
    np.testing.assert_allclose(pitch, omega * np.sin(bank), rtol=0.03)
    np.testing.assert_allclose(yaw, omega * np.cos(bank), rtol=0.03)
    assert motion.inferred


@pytest.mark.parametrize("wind", [(6.0, 0.0), (-3.0, 5.0)])
def test_under_wind_the_air_heading_turns_steadily(wind: tuple[float, float]) -> None:
    track = circling(5.0, 18.0, 30.0, wind)
    omega = G * np.tan(np.radians(30.0)) / 18.0
    velocity = ground_velocity(track)
    course_rate = np.diff(np.unwrap(np.arctan2(velocity.east_mps, velocity.north_mps))) * 5.0
    assert np.ptp(course_rate) > 0.3 * omega  # over the ground it swings once a turn
    motion = motion_from_track(track)
    turn = np.hypot(motion.rate_radps[:, 1], motion.rate_radps[:, 2])[3:-3]
    np.testing.assert_allclose(turn, omega, rtol=0.03)


@settings(max_examples=40)
@given(st.floats(-8, 8), st.floats(-8, 8), st.floats(12, 25), st.integers(0, 50))
def test_the_wind_is_the_centre_of_the_circle(east: float, north: float, speed: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    course = rng.uniform(0, 2 * np.pi, 300)
    found = wind_from_velocities(
        east + speed * np.sin(course) + rng.normal(0, 0.3, 300),
        north + speed * np.cos(course) + rng.normal(0, 0.3, 300),
    )
    assert np.hypot(found.east_mps - east, found.north_mps - north) < 0.35
    assert found.sigma_mps < 1.0


def test_courses_of_less_than_half_a_circle_tell_no_wind() -> None:
    course = np.radians(np.linspace(0, 120, 200))
    found = wind_from_velocities(4 + 18 * np.sin(course), 18 * np.cos(course))
    assert found.sigma_mps == np.inf
    assert (found.east_mps, found.north_mps) == (0.0, 0.0)


@given(st.floats(-1.2, 1.2), st.floats(8, 40))
def test_bank_and_turn_rate_are_each_others_inverse(bank: float, speed: float) -> None:
    omega = G * np.tan(bank) / speed
    assert inferred_bank(np.array([omega]), np.array([speed]))[0] == pytest.approx(bank, abs=1e-9)


def attitude_track(rotations: Rotation, rate_Hz: float) -> Track:
    heading, pitch, bank = rotations.as_euler("ZYX", degrees=True).T
    columns = {"bank_deg": bank, "pitch_deg": pitch, "heading_deg": heading % 360}
    return Track(EPOCH + np.arange(len(bank)) / rate_Hz, columns)


def sinking_turn(height_step_m: float, noise_m: float, rate_Hz: float = 5.0) -> tuple[MotionSeries, Floats, Floats]:
    """Rolled to 40° and back, the lift raised only within a second: (motion told by the places, then time and true bank)."""
    fine = np.arange(0.0, 120.0, 0.01)
    bank = np.radians(40.0) * np.clip(np.interp(fine % 20, [0, 5, 6, 12, 13, 20], [0, 0, 1, 1, 0, 0]), 0, 1)
    load, lift = 1 / np.cos(bank), np.ones_like(fine)
    for k in range(1, len(fine)):
        lift[k] = lift[k - 1] + 0.01 / 0.7 * (load[k] - lift[k - 1])
    # Newton's second law: the lift's two parts; the height is held by nobody, so its trend is taken off as by a trim.
    course = np.cumsum(9.80665 * lift * np.sin(bank) / 20.0) * 0.01
    upward = 9.80665 * (lift * np.cos(bank) - 1)
    climb = np.cumsum(upward - upward.mean()) * 0.01
    east, north, up = (np.cumsum(v) * 0.01 for v in (20 * np.sin(course), 20 * np.cos(course), climb - climb.mean()))
    time = np.arange(0.0, 119.9, 1 / rate_Hz)
    rng = np.random.default_rng(3)
    e, n, h = (np.interp(time, fine, v) + noise_m * rng.standard_normal(len(time)) for v in (east, north, up))
    heights = np.round(h / height_step_m) * height_step_m if height_step_m else h
    columns = {"latitude_deg": np.degrees(n / EARTH_M), "longitude_deg": np.degrees(e / EARTH_M), "height_m": heights}
    motion = motion_from_track(Track(time, columns), wind=(0.0, 0.0))
    return motion, fine, bank


def late_s(height_step_m: float, noise_m: float) -> float:
    """How late the inferred bank is: the shift at which it fits the true one best."""
    motion, fine, bank = sinking_turn(height_step_m, noise_m)
    known = np.isfinite(motion.bank_rad)
    lags = np.arange(-0.1, 0.3, 0.005)
    misfit = [((motion.bank_rad - np.interp(motion.time_s - lag, fine, bank))[known] ** 2).sum() for lag in lags]
    return float(lags[int(np.argmin(misfit))])


def test_heights_tell_the_pull_and_with_it_when_the_aircraft_banked() -> None:
    """Lift stands on the wings: the part of it that is missing upwards is missing sideways too."""
    level = late_s(1e9, 0.03)
    assert level >= 0.025
    assert abs(late_s(0.1, 0.03)) < level / 3


@pytest.mark.parametrize("height_step_m", [5.0, 1e9])
def test_heights_too_coarse_to_tell_the_pull_tell_nothing(height_step_m: float) -> None:
    """Heights that stand still for the most part are not a flight without sinking."""
    motion, _, _ = sinking_turn(height_step_m, 0.03)
    assert np.isnan(motion.upward_mps2).all()


def test_heights_good_to_a_tenth_are_used() -> None:
    motion, _, _ = sinking_turn(0.1, 0.03)
    assert np.isfinite(motion.upward_mps2[5:-5]).all()


@settings(max_examples=60)
@given(
    st.floats(-2, 2), st.floats(-2, 2), st.floats(-2, 2), st.floats(0, 360), st.floats(-60, 60), st.floats(-170, 170)
)
def test_rates_from_attitude_are_those_composed(
    p: float, q: float, r: float, heading: float, pitch: float, bank: float
) -> None:
    """Turning at constant body rates, composed by scipy: through north, over the top and through the vertical alike."""
    if np.linalg.norm([p, q, r]) < 1e-3:
        return
    begin = Rotation.from_euler("ZYX", [heading, pitch, bank], degrees=True)
    rotations = begin * Rotation.from_rotvec(np.arange(40)[:, None] / 10 * np.array([p, q, r]))
    motion = motion_from_track(attitude_track(rotations, 10.0))
    np.testing.assert_allclose(motion.rate_radps, np.broadcast_to((p, q, r), (39, 3)), atol=1e-5)
    np.testing.assert_allclose(motion.time_s, EPOCH + (np.arange(39) + 0.5) / 10, atol=1e-6)
    assert not motion.inferred


def test_logged_bank_passes_by_half_a_turn_without_a_jump_through_nothing() -> None:
    rotations = Rotation.from_euler(
        "ZYX", np.column_stack([np.zeros(40), np.zeros(40), np.arange(40) * 12.0]), degrees=True
    )
    motion = motion_from_track(attitude_track(rotations, 10.0))
    true = np.arange(39) * 12.0 + 6.0
    away = np.abs((np.degrees(motion.bank_rad) - true + 180) % 360 - 180)
    assert away.max() < 0.5


def test_gyros_are_taken_as_they_are() -> None:
    rng, time = np.random.default_rng(0), EPOCH + np.arange(100) / 20
    gyros = {name: rng.normal(0, 20, 100) for name in ("roll_rate_dps", "pitch_rate_dps", "yaw_rate_dps")}
    motion = motion_from_track(Track(time, gyros))
    np.testing.assert_allclose(motion.rate_radps, np.radians(np.column_stack(list(gyros.values()))))
    np.testing.assert_allclose(motion.time_s, time)


def test_gyros_too_seldom_to_tell_give_way_to_attitude() -> None:
    time = EPOCH + np.arange(100) * 1.0
    gyros = {name: np.full(100, 5.0) for name in ("roll_rate_dps", "pitch_rate_dps", "yaw_rate_dps")}
    angles = {"bank_deg": np.zeros(100), "pitch_deg": np.zeros(100), "heading_deg": (np.arange(100) * 3.0) % 360}
    motion = motion_from_track(Track(time, {**gyros, **angles}))
    np.testing.assert_allclose(np.degrees(motion.rate_radps[:, 2]), 3.0, atol=1e-6)


def test_gyros_that_were_left_at_nought_give_way_to_attitude() -> None:
    gyros = {name: np.zeros(40) for name in ("roll_rate_dps", "pitch_rate_dps", "yaw_rate_dps")}
    turning = attitude_track(Rotation.from_rotvec(np.arange(40)[:, None] / 10 * np.array([0.1, 0.0, 0.2])), 10.0)
    columns = {name: turning[name] for name in turning.columns}
    motion = motion_from_track(Track(turning.time_s, {**columns, **gyros}))
    np.testing.assert_allclose(motion.rate_radps, np.broadcast_to((0.1, 0.0, 0.2), (39, 3)), atol=1e-5)


@pytest.mark.parametrize("attitude", [True, False])
def test_across_a_gap_no_rate_is_told(attitude: bool) -> None:
    track = circling(5.0, 18.0, 30.0, (0.0, 0.0))
    if attitude:
        track = attitude_track(Rotation.from_rotvec(np.arange(450)[:, None] / 5 * np.array([0.1, 0, 0.2])), 5.0)
    kept = (track.time_s < EPOCH + 30) | (track.time_s > EPOCH + 41)
    gappy = Track(track.time_s[kept], {name: track[name][kept] for name in track.columns})
    motion = motion_from_track(gappy)
    across = (motion.time_s > EPOCH + 31) & (motion.time_s < EPOCH + 40)
    assert not np.isfinite(motion.rate_radps[across]).any()
    assert np.isfinite(motion.rate_radps).all(axis=1).mean() > 0.9


def test_stale_fixes_are_not_a_standstill() -> None:
    track = circling(5.0, 18.0, 30.0, (0.0, 0.0))
    columns = {name: track[name].copy() for name in track.columns}
    repeated = np.arange(len(track.time_s)) % 5 == 3
    for values in columns.values():
        values[repeated] = values[np.flatnonzero(repeated) - 1]
    fix = np.where(repeated, Fix.STALE, Fix.GOOD).astype(np.uint8)
    speed = ground_velocity(Track(track.time_s, columns, fix=fix)).speed_mps
    np.testing.assert_allclose(speed, 18.0, rtol=0.02)


def on_a_grid(rate_Hz: float, every: int = 1) -> tuple[Floats, Floats, Floats]:
    """(time, east, north velocity) of a weaving flight whose places are written in thousandths of a minute, as IGC does.

    The receiver has a new place only on each of `every` rows.
    """
    time = np.arange(0, 300, 1 / rate_Hz)
    held = time[np.arange(len(time)) // every * every]
    fine = np.arange(0, 300.1, 0.01)
    course = 0.1 * fine + 1.1 * np.sin(0.4 * fine)
    east, north = (np.interp(held, fine, np.cumsum(17 * part(course)) * 0.01) for part in (np.sin, np.cos))
    columns = {name: np.round(value * 60e3) / 60e3 for name, value in places(east, north).items()}
    velocity = ground_velocity(Track(EPOCH + time, columns))
    return velocity.time_s - EPOCH, velocity.east_mps, velocity.north_mps


def off_course(time: Floats, east: Floats, north: Floats, late_s: float = 0.0) -> float:
    """Median angle (rad) between a velocity and the true course of `on_a_grid`, taken to be late."""
    heading = 0.1 * (time - late_s) + 1.1 * np.sin(0.4 * (time - late_s))
    return float(np.median(np.abs((np.arctan2(east, north) - heading + np.pi) % (2 * np.pi) - np.pi)))


@pytest.mark.parametrize("rate_Hz", [5.0, 10.0, 20.0, 50.0])
def test_more_rows_on_a_coarse_grid_tell_more(rate_Hz: float) -> None:
    sparse, dense = on_a_grid(1.0), on_a_grid(rate_Hz)
    assert off_course(*dense) < off_course(*sparse)
    late = np.arange(-0.3, 0.31, 0.02)
    off = [off_course(*dense, late_s=late_s) for late_s in late]
    assert abs(late[int(np.argmin(off))]) < 0.05  # half a step of the grid is flown in 0.05 s


def test_a_slow_receiver_on_a_coarse_grid_is_still_told_by_its_jumps() -> None:
    """Places that stand for four of 20 rows a second and then jump by steps are the receiver's, at 5 Hz."""
    time, east, north = on_a_grid(20.0, every=4)
    np.testing.assert_allclose(np.hypot(east, north)[2:-2], 17.0, atol=3.0)
    assert off_course(time, east, north) < 0.06


def test_the_date_line_is_no_jump() -> None:
    time = np.arange(0, 60, 0.2)
    track = Track(EPOCH + time, places(18 * time - 300, 0 * time, latitude=5.0, longitude=180.0))
    np.testing.assert_allclose(ground_velocity(track).east_mps, 18.0, rtol=1e-3)


def test_standing_and_flying() -> None:
    speed = np.concatenate((np.zeros(100), np.full(200, 18.0), np.zeros(100)))
    time = EPOCH + np.arange(400) / 5
    motion = motion_from_track(
        Track(
            time, {"ground_speed_mps": speed, "course_deg": np.linspace(0, 400, 400) % 360, "height_m": np.zeros(400)}
        )
    )
    at = np.searchsorted(time, motion.time_s) - 1
    assert np.all(motion.stillness[(at > 2) & (at < 95)] == 1.0)
    assert np.all(motion.stillness[(at > 105) & (at < 295)] == 0.0)
    assert not np.isfinite(motion.rate_radps[(at > 2) & (at < 95)]).any()  # standing, a course is noise


def test_a_track_that_tells_nothing_is_refused() -> None:
    time = EPOCH + np.arange(50) / 5
    with pytest.raises(ValueError, match="fewer than four"):
        motion_from_track(Track(time, {"voltage_V": np.full(50, 12.0)}))
    with pytest.raises(ValueError, match="never changes"):
        motion_from_track(Track(time, {name: np.zeros(50) for name in ("bank_deg", "pitch_deg", "heading_deg")}))


@settings(max_examples=30)
@given(st.floats(0, 360), st.sampled_from([1.0, 5.0, 10.0]), st.integers(0, 30))
def test_flying_in_another_direction_turns_just_as_fast(turned_deg: float, rate_Hz: float, seed: int) -> None:
    """Motion is the same whichever way north is: rotate the whole path."""
    rng = np.random.default_rng(seed)
    time = np.arange(0, 60, 1 / rate_Hz)
    course = np.cumsum(np.interp(time, np.linspace(0, 60, 13), rng.normal(0, 0.3, 13))) / rate_Hz

    def flown(first: float) -> Floats:
        track = Track(
            EPOCH + time, {"ground_speed_mps": np.full(len(time), 18.0), "course_deg": np.degrees(course + first) % 360}
        )
        return motion_from_track(track, wind=(0.0, 0.0)).rate_radps

    np.testing.assert_allclose(flown(np.radians(turned_deg)), flown(0.0), atol=1e-6)
