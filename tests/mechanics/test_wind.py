"""Wind from velocities made here: a circle, arcs, an out-and-back; with and without airspeed; its intervals scored."""

import numpy as np
import pytest

from overlay.errors import NoAnswerError
from overlay.mechanics.wind import _whitened, arc_flown_deg, estimate_wind


def wander(rng, count, tau_s, sigma):
    keep = np.exp(-1.0 / tau_s)
    steps = rng.normal(size=count) * sigma * np.sqrt(1 - keep**2)
    values = np.zeros(count)
    values[0] = rng.normal() * sigma
    for i in range(1, count):
        values[i] = keep * values[i - 1] + steps[i]
    return values


def fly(rng, heading_deg, wind, airspeed=17.0, unrest=1.0):
    """1 Hz ground velocity and true airspeed: pitching airspeed and gusts both wander."""
    count = len(heading_deg)
    speed = airspeed + wander(rng, count, 15.0, unrest)
    angle = np.radians(heading_deg + wander(rng, count, 8.0, 4.0 * unrest))
    east = speed * np.sin(angle) + wind[0] + wander(rng, count, 5.0, 0.3 * unrest)
    north = speed * np.cos(angle) + wind[1] + wander(rng, count, 5.0, 0.3 * unrest)
    return np.arange(float(count)), east, north, speed


CIRCLES = np.arange(240) * 12.0


def test_exact_without_unrest():
    time, east, north, airspeed = fly(np.random.default_rng(0), CIRCLES, (5.0, -2.0), unrest=0.0)
    for logged in (None, airspeed):
        wind = estimate_wind(time, east, north, logged)
        assert (wind.east_mps, wind.north_mps) == pytest.approx((5.0, -2.0), abs=1e-3)
        assert wind.speed_mps == pytest.approx(np.hypot(5, 2), abs=1e-3)
        assert wind.from_deg == pytest.approx(291.801, abs=0.05)  # blowing towards 111.8°
        assert wind.airspeed_mps == pytest.approx(17.0, abs=1e-2)


def test_airspeed_scale_is_found():
    time, east, north, airspeed = fly(np.random.default_rng(2), CIRCLES, (4.0, 4.0))
    wind = estimate_wind(time, east, north, airspeed * 1.08)
    assert wind.airspeed_scale == pytest.approx(1.08, abs=3 * wind.airspeed_scale_sigma)
    assert wind.airspeed_scale_sigma < 0.03
    assert (wind.east_mps, wind.north_mps) == pytest.approx((4.0, 4.0), abs=0.3)


def test_climb_is_taken_off_the_airspeed():
    time, east, north, airspeed = fly(np.random.default_rng(5), CIRCLES, (4.0, 0.0), unrest=0.0)
    along_path = np.hypot(airspeed, 5.0)
    wind = estimate_wind(time, east, north, along_path, np.full(len(time), 5.0))
    assert wind.airspeed_scale == pytest.approx(1.0, abs=1e-3)


@pytest.mark.parametrize("arc_deg", [60, 120, 165])
def test_ground_speed_alone_is_refused_below_half_a_circle(arc_deg):
    heading = 40.0 + np.linspace(0.0, arc_deg - 15.1, 100)
    time, east, north, _ = fly(np.random.default_rng(1), heading, (0.0, 0.0), unrest=0.0)
    with pytest.raises(NoAnswerError, match="180°"):
        estimate_wind(time, east, north)


def test_out_and_back_faster_home_is_not_taken_for_wind():
    # In still air, 15 m/s out and 19 m/s home look like a 2 m/s wind to anyone without an airspeed sensor.
    rng = np.random.default_rng(4)
    heading = np.concatenate([np.full(400, 60.0), np.linspace(60.0, 240.0, 20), np.full(400, 240.0)])
    speed = np.concatenate([np.full(410, 15.0), np.full(410, 19.0)])
    time, east, north, _ = fly(rng, heading, (0.0, 0.0), airspeed=speed)
    try:
        wind = estimate_wind(time, east, north)
    except NoAnswerError:
        return
    assert np.hypot(wind.east_mps, wind.north_mps) < 3 * wind.speed_sigma_mps


def test_straight_flight_with_airspeed_is_refused_across_the_course():
    time, east, north, airspeed = fly(np.random.default_rng(6), np.full(600, 30.0), (5.0, 0.0), unrest=0.0)
    with pytest.raises(NoAnswerError, match="worst axis"):
        estimate_wind(time, east, north, airspeed)


@pytest.mark.parametrize(
    ("with_airspeed", "arc_deg", "typical"), [(True, 360, 0.5), (True, 2880, 0.35), (False, 2880, 0.7)]
)
def test_error_and_coverage_over_forty_flights(with_airspeed, arc_deg, typical):
    heading, errors, inside = np.linspace(0.0, arc_deg, 240), [], 0
    for seed in range(40):
        rng = np.random.default_rng(seed)
        truth = rng.normal(size=2) * 4.0
        time, east, north, airspeed = fly(rng, heading, truth)
        found = estimate_wind(time, east, north, airspeed * 1.03 if with_airspeed else None)
        miss = np.array([found.east_mps, found.north_mps]) - truth
        errors.append(np.hypot(*miss))
        inside += miss @ np.linalg.solve(found.covariance, miss) < 5.99  # χ² with 2 degrees of freedom, 95 %
    assert np.quantile(errors, 0.95) < typical
    assert inside >= 34


@pytest.mark.parametrize("with_airspeed", [True, False])
def test_an_aircraft_carried_off_by_the_wind_is_not_told_to_hang_in_a_calm(with_airspeed):
    rng = np.random.default_rng(5)
    heading = 20.0 * np.sin(np.arange(900) / 8.0) + 5.0 * rng.normal(size=900)
    time, east, north, airspeed = fly(rng, heading, (0.0, -15.0), airspeed=np.full(900, 13.0))
    try:
        wind = estimate_wind(time, east, north, airspeed if with_airspeed else None)
    except NoAnswerError:
        return
    assert np.hypot(wind.east_mps, wind.north_mps + 15.0) < 3 * wind.speed_sigma_mps


def test_a_wind_that_takes_the_only_turn_for_a_jump_is_refused_or_right():
    # Out and home along one line in a cross wind of 6 m/s with gusts; one half circle of 20 s is all that tells across.
    for seed in range(12):
        rng = np.random.default_rng(seed)
        heading = np.concatenate([np.full(900, 238.0), np.linspace(238.0, 58.0, 20), np.full(400, 305.0)])
        gust = [wander(rng, len(heading), 10.0, 0.9) for _ in range(2)]
        time, east, north, airspeed = fly(rng, heading, (6.6, 1.2), airspeed=np.full(len(heading), 10.0))
        try:
            found = estimate_wind(time, east + gust[0], north + gust[1], airspeed)
        except NoAnswerError:
            continue
        miss = np.array([found.east_mps - 6.6, found.north_mps - 1.2])
        assert miss @ np.linalg.solve(found.covariance, miss) < 16.0  # 4σ


def test_hovering_on_the_spot_is_no_airspeed():
    rng = np.random.default_rng(6)
    east, north = (1.5 * trace for trace in rng.normal(size=(2, 900)))
    with pytest.raises(NoAnswerError, match="flying speed"):
        estimate_wind(np.arange(900.0), east, north - 3.0)


def test_a_noisy_sensor_does_not_shift_the_scale():
    # Errors in variables: 0.6 m/s of white noise at 5 Hz on 1 m/s of true wander would flatten the slope by a quarter.
    scales = []
    for seed in range(8):
        rng = np.random.default_rng(seed)
        time = np.arange(0.0, 1200.0, 0.2)
        heading = np.radians(np.where(time < 500, 40.0, np.where(time < 560, 40.0 + (time - 500) * 3.0, 220.0)))
        speed = 15.0 + np.sin(2 * np.pi * time / 47.0) * 1.4
        east, north = 5.0 + speed * np.sin(heading), -6.0 + speed * np.cos(heading)
        noisy = [trace + 0.1 * rng.normal(size=len(time)) for trace in (east, north)]
        found = estimate_wind(time, *noisy, speed + 0.6 * rng.normal(size=len(time)))
        scales.append(found.airspeed_scale)
    assert np.mean(scales) == pytest.approx(1.0, abs=0.01)


def test_too_little_and_hostile_data():
    nothing = np.full(100, np.nan)
    with pytest.raises(NoAnswerError, match="30 s"):
        estimate_wind(np.arange(100.0), nothing, nothing)
    time, east, north, airspeed = fly(np.random.default_rng(8), CIRCLES, (3.0, 3.0))
    east[::7] = 500.0  # jumps of a bad receiver
    wind = estimate_wind(time, east, north, airspeed)
    assert (wind.east_mps, wind.north_mps) == pytest.approx((3.0, 3.0), abs=0.6)


def test_arc_counts_directions_not_turns():
    angles = np.radians(np.tile(np.arange(0.0, 360.0, 5.0), 3))
    assert arc_flown_deg(10 * np.sin(angles), 10 * np.cos(angles)) == 360.0
    straight = np.full(50, 10.0)
    assert arc_flown_deg(straight, straight) == 15.0
    assert arc_flown_deg(straight * 0, straight * 0) == 0.0


def test_interval_of_a_wind_too_light_to_have_a_direction():
    time, east, north, _ = fly(np.random.default_rng(9), CIRCLES, (0.05, 0.0))
    wind = estimate_wind(time, east, north)
    assert wind.from_spread95_deg == 180.0
    assert wind.speed_interval95_mps[0] == 0.0
    assert "no direction" in str(wind)


def test_whitening_is_that_of_the_correlation_matrix():
    """Against numpy's Cholesky factor of exp(−|Δt| / τ), the textbook way (any on Gaussian processes), uneven times."""
    rng = np.random.default_rng(3)
    time = np.cumsum(rng.uniform(0.2, 3.0, 60))
    residual, slopes, tau_s = rng.normal(size=60), rng.normal(size=(60, 3)), 4.0
    y, X, sigma, log_det = _whitened(time, residual, slopes, tau_s)
    correlation = np.exp(-np.abs(time[:, None] - time[None, :]) / tau_s)
    factor = np.linalg.cholesky(correlation)
    expected_y, expected_X = np.linalg.solve(factor, residual), np.linalg.solve(factor, slopes)
    assert y == pytest.approx(expected_y, abs=1e-9)
    assert pytest.approx(expected_X, abs=1e-9) == X
    assert log_det == pytest.approx(np.linalg.slogdet(correlation)[1], abs=1e-9)
    assert sigma == pytest.approx(np.sqrt(expected_y @ expected_y / 56), abs=1e-9)
