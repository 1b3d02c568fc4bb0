"""The generated flight against textbook relations, computed here from its arrays alone."""

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from scipy.ndimage import uniform_filter1d

from overlay_samples import flight as flying
from overlay_samples.air import Air, dryden_low_altitude
from overlay_samples.earth import horizon_dip_rad, place_from_home
from overlay_samples.flight import PHASES, STEP_S, fly
from overlay_samples.propagation import free_space_dB, thermal_noise_dBm, two_ray_dB
from overlay_samples.scenario import DEFAULT, SHORT

G = 9.80665
FLYING = PHASES.index("flying")


def test_same_seed_same_flight_other_seed_another(short_flight):
    again, other = fly(SHORT), fly(SHORT.replace(seed=8))
    np.testing.assert_array_equal(again.east_m, short_flight.east_m)
    np.testing.assert_array_equal(again.carrier_to_noise_dB, short_flight.carrier_to_noise_dB)
    assert len(other.east_m) != len(short_flight.east_m) or not np.allclose(other.east_m, short_flight.east_m)


def test_phases_come_in_their_order(default_flight):
    changes = default_flight.phase[np.flatnonzero(np.diff(default_flight.phase.astype(int), prepend=-1))]
    assert list(changes) == list(range(len(PHASES)))


def test_default_flight_is_the_one_described(default_flight):
    s = default_flight.scenario
    away = np.hypot(default_flight.east_m, default_flight.north_m)
    assert 100 < default_flight.duration_s < 180
    assert away.max() == pytest.approx(s.distance_out_m, rel=0.02)
    assert away[-1] < 40
    assert default_flight.up_m.max() == pytest.approx(s.far_height_m, rel=0.12)


def test_turns_are_coordinated(default_flight):
    """ω = g·tan φ / V_air for a level coordinated turn (any textbook of flight mechanics), V the airspeed."""
    f = default_flight
    smooth = int(1.5 / STEP_S)
    steady = np.abs(f.bank_rad - uniform_filter1d(f.bank_rad, smooth)) < np.radians(2.5)
    turning = (f.phase == FLYING) & (np.abs(f.bank_rad) > np.radians(25)) & (f.up_m > 30) & steady
    rate = uniform_filter1d(np.gradient(f.heading_rad, STEP_S), smooth)[turning]
    textbook = uniform_filter1d(G * np.tan(f.bank_rad) / np.maximum(f.airspeed_mps, 5), smooth)[turning]
    assert turning.sum() > 1000
    assert np.median(rate / textbook) == pytest.approx(1, abs=0.07)
    # Not level to the last: with the load that is felt, ω = n·g·sin φ / V holds in each moment.
    felt = -f.specific_force_mps2[:, 2]
    pulled = uniform_filter1d(felt * np.sin(f.bank_rad) / np.maximum(f.airspeed_mps, 5), smooth)[turning]
    assert np.median(rate / pulled) == pytest.approx(1, abs=0.015)
    assert np.median(np.abs(rate / pulled - 1)) < 0.05


def test_load_factor_in_a_turn():
    """n = 1/cos φ in a level turn."""
    f = fly(DEFAULT.replace(distance_out_m=2200.0, loiter_turns=1.5))
    smooth = int(2.0 / STEP_S)
    felt = uniform_filter1d(-f.specific_force_mps2[:, 2], smooth) / G
    banked = uniform_filter1d(1 / np.cos(f.bank_rad), smooth)
    level = (f.phase == FLYING) & (np.abs(uniform_filter1d(f.velocity_mps[:, 2], smooth)) < 1.5) & (f.up_m > 30)
    steep = level & (banked > 1.25)
    assert steep.sum() > 500
    assert np.median(np.abs(felt[steep] / banked[steep] - 1)) < 0.04


def test_at_rest_the_accelerometer_feels_gravity_alone(default_flight):
    f = default_flight
    rest = f.phase == PHASES.index("standing")
    assert np.linalg.norm(f.specific_force_mps2[rest][:-50], axis=1) == pytest.approx(G, abs=1e-6)


def test_wind_triangle_closes(default_flight):
    """|ground velocity − wind| is the airspeed."""
    f = default_flight
    air = np.linalg.norm(f.velocity_mps - f.wind_mps, axis=1)[f.phase == FLYING]
    assert np.percentile(np.abs(air - f.airspeed_mps[f.phase == FLYING])[100:-100], 99) < 0.25


def test_charge_is_the_integral_of_current_and_power_the_product(default_flight):
    f = default_flight
    charge = np.cumsum(f.current_A) * STEP_S / 3.6
    assert charge[-1] == pytest.approx(f.charge_used_mAh[-1], rel=1e-6)
    flown = f.phase == FLYING
    np.testing.assert_allclose(f.power_W[flown], (f.voltage_V * f.current_A)[flown], rtol=1e-9)


def test_energy_of_flight_is_paid_by_the_battery(default_flight):
    """Work against drag and height gained never exceed electric energy; the whole chain yields 40 to 65 %."""
    f, s = default_flight, default_flight.scenario
    flown = (f.phase == FLYING) & (f.throttle > 0.3)
    a = s.airframe
    lift = a.mass_kg * -f.specific_force_mps2[:, 2]
    qs = 0.5 * 1.225 * np.maximum(f.airspeed_mps, 5) ** 2 * a.wing_m2
    drag = qs * (a.drag_zero_lift + a.drag_induced * (lift / qs) ** 2)
    velocity = np.linalg.norm(f.velocity_mps, axis=1)
    mechanical = a.mass_kg * (G * np.gradient(f.up_m, STEP_S) + velocity * np.gradient(velocity, STEP_S))
    useful = np.sum((drag * f.airspeed_mps + mechanical)[flown]) * STEP_S
    electric = np.sum(f.power_W[flown] - a.standby_W) * STEP_S
    assert 0.40 < useful / electric < 0.65


def test_body_rates_rebuild_the_attitude(short_flight):
    """Integrating the rates as quaternions ends at the attitude that the Euler angles give."""
    from scipy.spatial.transform import Rotation

    f = short_flight
    first, last = 700, 3200
    turn = Rotation.from_matrix(f.body_to_earth[first])
    for rate in (f.rate_radps[first:last] + f.rate_radps[first + 1 : last + 1]) / 2:
        turn = turn * Rotation.from_rotvec(rate * STEP_S)
    off = (turn.inv() * Rotation.from_matrix(f.body_to_earth[last])).magnitude()
    assert np.degrees(off) < 0.3


def test_places_agree_with_geographiclib(default_flight):
    """Range and bearing by C. F. F. Karney's GeographicLib, an independent implementation."""
    f, s = default_flight, default_flight.scenario
    latitude, longitude, _ = f.geodetic
    for i in range(0, len(f.time_s), 4001):
        line = Geodesic.WGS84.Inverse(s.latitude_deg, s.longitude_deg, latitude[i], longitude[i])
        assert line["s12"] == pytest.approx(np.hypot(f.east_m[i], f.north_m[i]), abs=1e-4)


@pytest.mark.parametrize("place", [(0.0, 0.0), (47.3, -33.9), (-61.0, 179.99), (72.0, 15.0)])
@pytest.mark.parametrize("offset", [(10_000.0, 0.0), (-7_000.0, 9_000.0), (0.0, -42_000.0)])
def test_vincenty_direct_agrees_with_geographiclib(place, offset):
    latitude, longitude = place_from_home(*place, np.array([offset[0]]), np.array([offset[1]]))
    azimuth, distance = np.degrees(np.arctan2(*offset)), np.hypot(*offset)
    truth = Geodesic.WGS84.Direct(*place, azimuth, distance)
    assert latitude[0] == pytest.approx(truth["lat2"], abs=2e-9)
    assert (longitude[0] - truth["lon2"] + 180) % 360 - 180 == pytest.approx(0, abs=4e-9)


def test_horizon_dip():
    """1.93′·√h (m), the geometric dip of the horizon without refraction: navigators' tables; constant from memory."""
    assert np.degrees(horizon_dip_rad(100.0)) * 60 == pytest.approx(1.926 * 10, rel=0.005)


def test_gusts_have_the_standards_intensity_and_length():
    """MIL-F-8785C low altitude: σ_w = 0.1·W20, L_w = h; the along-wind gust decorrelates over L_u."""
    scenario = SHORT.replace(wind_mps=8.0, wind_shear_exponent=0.0, wind_veer_deg_per_100m=0.0)
    steps, height, speed = 400_000, 15.0, 25.0
    air = Air(scenario, STEP_S, steps)
    mean = air.mean(height)
    wind = np.array([air.step(i, height, speed, 0.0) for i in range(steps)]) - [*mean, 0]
    length_u, length_w, sigma_u, sigma_w = dryden_low_altitude(height, 8.0)
    assert (length_w, sigma_w) == pytest.approx((15.0, 0.8))
    assert wind.std(axis=0) == pytest.approx([sigma_u, sigma_u, sigma_w], rel=0.1)
    lag = int(length_u / speed / STEP_S)
    along = wind[:, 0] - wind[:, 0].mean()
    assert np.mean(along[lag:] * along[:-lag]) / np.var(along) == pytest.approx(np.exp(-1), abs=0.08)


@pytest.mark.parametrize(("frequency", "loss"), [(433, 105.2), (1280, 114.6), (2400, 120.0), (5800, 127.7)])
def test_free_space_loss_at_ten_kilometres(frequency, loss):
    """ITU-R P.525-4, equation (4)."""
    assert free_space_dB(np.array([10_000.0]), frequency)[0] == pytest.approx(loss, abs=0.08)


def test_two_ray_null_lies_where_the_paths_differ_by_a_wave():
    """Farthest null at d = 2·h_t·h_r/λ (handbook relation for a plane)."""
    distance = np.arange(600.0, 6000.0, 1.0)
    gain = two_ray_dB(distance, np.full_like(distance, 100.0), 2.0, 1280.0)
    assert distance[np.argmin(gain)] == pytest.approx(2 * 100 * 2 / 0.2342, rel=0.01)
    assert gain.min() < -8


def test_thermal_noise():
    """kT at 290 K is −174 dBm/Hz."""
    assert thermal_noise_dBm(1.0, 0.0) == pytest.approx(-113.98, abs=0.01)


def test_live_picture_fails_far_out_and_is_clean_near_and_high(default_flight):
    f = default_flight
    away = np.hypot(f.east_m, f.north_m)
    far, near = away > 880, (away < 450) & (f.phase == FLYING) & (f.up_m > 50)
    assert np.mean(f.carrier_to_noise_dB[far] < 8) > 0.25
    assert np.mean(f.carrier_to_noise_dB[near] < 10) < 0.01


def test_scenario_that_cannot_return_says_so(monkeypatch):
    monkeypatch.setattr(flying, "_most_flight_s", lambda scenario: 20.0)
    with pytest.raises(RuntimeError, match="never came home"):
        fly(DEFAULT)
