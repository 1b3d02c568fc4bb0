"""The way home: navigation's safe return, a hand-made aircraft whose cost is known, facts of the trade."""

from dataclasses import replace

import numpy as np
import pytest

from overlay.errors import NoAnswerError
from overlay.mechanics.events import find_events
from overlay.mechanics.findings import findings_of
from overlay.mechanics.flight import readings_of
from overlay.mechanics.power import Blocks, PowerFit, discharge, fit_power
from overlay.mechanics.reach import Homeward, ground_speed_along, radius_of_action, safe_return_point, turn_back
from overlay.readings import Event, Leg, Pack, Readings
from overlay.tracks.track import Track


def test_safe_return_in_still_air_and_in_wind():
    # Airline pilot's training sheet on the point of safe return: 500 nm in still air becomes 375 nm once the wind is
    # half the airspeed; D = E·O·H/(O + H).
    hours, knots = 5.0, 200.0
    _, still = safe_return_point(hours, knots, knots)
    time, windy = safe_return_point(hours, knots - 100.0, knots + 100.0)
    assert (still, windy) == pytest.approx((500.0, 375.0))
    assert time == pytest.approx(3.75)


@pytest.mark.parametrize("wind", [5.0, -5.0, 40.0, -40.0])
def test_any_wind_along_the_track_shortens_the_radius(wind):
    # A rule of air navigation: head- or tailwind, the radius of action is greatest in still air.
    assert safe_return_point(3600.0, 50.0 - wind, 50.0 + wind)[1] < safe_return_point(3600.0, 50.0, 50.0)[1]


def test_wind_triangle():
    # 3-4-5: 5 m/s through the air, 3 across, leaves 4 along.
    assert ground_speed_along(5.0, 0.0, 3.0) == pytest.approx(4.0)
    assert ground_speed_along(5.0, 2.0, 3.0) == pytest.approx(6.0)
    assert ground_speed_along(5.0, -9.0, 0.0) == 1.0  # blown away
    assert ground_speed_along(5.0, 0.0, 7.0) == 1.0


def calm(power_W=160.0, speed=18.0, sigma_W=0.0, volts=16.0, wind=(0.0, 0.0), wind_sigma=0.0, speed_sigma=0.0):
    fit = PowerFit(speed, power_W, 1.5, 0.0, np.diag([sigma_W**2, 0.0, 0.0]), 20)
    home = Homeward(speed, fit, fit, (volts, 0.0), (volts, 0.0), *wind, "by hand")
    moved = [
        (replace(home, power=up, homeward=up), replace(home, power=down, homeward=down)) for up, down in fit.moved()
    ]
    blown = [replace(home, wind_east_mps=wind[0] + way * wind_sigma) for way in (1.0, -1.0)]
    faster = [replace(home, airspeed_mps=speed + way * speed_sigma) for way in (1.0, -1.0)]
    return replace(home, moved=(*moved, tuple(blown), tuple(faster)))


def test_hand_worked_charge_home():
    # 160 W at 16 V is 10 A; 18 m/s covers 9 km in 500 s; 10 A · 500 s = 5 000 A·s = 1 388.9 mAh.
    one = np.array([9000.0]), np.array([0.0]), np.array([0.0]), np.array([0.0])
    assert calm().charge_mAh(*one) == pytest.approx([1388.89], rel=1e-4)
    assert calm(wind=(0.0, 6.0)).charge_mAh(*one) == pytest.approx([1388.89 * 18 / 24], rel=1e-4)
    assert calm(wind=(0.0, -6.0)).charge_mAh(*one) == pytest.approx([1388.89 * 18 / 12], rel=1e-4)


def test_trade_figures_of_a_long_flight():
    # Common practice, no source: 173 mAh/km and a 10 Ah pack landed with 20 % left bound the path near 46 km.
    home = calm(power_W=173.0 * 3.6 * 16.0 * 18.0 / 1000.0)
    radius = radius_of_action(home, Pack(10_000.0), 40.0)
    assert 2 * radius.range_m == pytest.approx(46_200.0, rel=5e-3)


def test_radius_interval_is_the_spread_of_the_radius():
    rng = np.random.default_rng(0)
    home, pack = calm(sigma_W=4.0, wind=(-6.0, 0.0), wind_sigma=0.5), Pack(5000.0)
    found = radius_of_action(home, pack, 90.0)
    radii = [
        radius_of_action(calm(160.0 + 4.0 * rng.normal(), wind=(-6.0 + 0.5 * rng.normal(), 0.0)), pack, 90.0).range_m
        for _ in range(4000)
    ]
    assert found.interval95_m == pytest.approx(np.quantile(radii, [0.025, 0.975]), rel=0.01)
    still = radius_of_action(home, pack, 90.0, still_air=True)
    assert still.range_m > found.range_m


def test_a_range_in_still_air_is_no_surer_than_its_airspeed():
    # 160 W at 16 V is 10 A: 4 Ah fly 1 440 s, half of it out. The power's 1σ of 2.5 % and the airspeed's of 1 m/s, of which
    # a power that grows with V^1.5 takes back more than all: d ln R = (1 − 1.5) d ln V − d ln P.
    home, pack = calm(sigma_W=4.0, wind=(-6.0, 0.0), wind_sigma=0.5, speed_sigma=1.0), Pack(5000.0)
    still = radius_of_action(home, pack, 90.0, still_air=True)
    assert still.range_m == pytest.approx(720.0 * 18.0)
    half = (still.interval95_m[1] - still.interval95_m[0]) / 2
    assert half == pytest.approx(1.96 * still.range_m * np.hypot(4.0 / 160.0, 0.5 * 1.0 / 18.0), rel=0.01)


def steady(way, seconds, rng, wind, believed, airspeed, watts):
    """Blocks of a leg flown `way` (±1 along the wind), as an airspeed worked out from a believed wind sees them."""
    count = int(seconds // 20.0)
    speed = airspeed + 0.2 * rng.normal(size=count) + way * (wind - believed)
    power = watts + 0.01 * watts * rng.normal(size=count)
    return np.column_stack([speed, speed**3, np.zeros(count), power / 15.0, np.full(count, float(way < 0))])


@pytest.mark.parametrize("error", [-1.5, 1.5])
def test_a_wrong_wind_does_not_spoil_the_power_of_the_way_home(error):
    # Truth by hand: 14 m/s and 100 W both ways, so that ±1.5 m/s of wind look like ±1.5 m/s of airspeed at the same power.
    rng = np.random.default_rng(3)
    rows = [steady(way, 600.0, rng, 4.0, 4.0 + error, 14.0, 100.0) for way in (1.0, -1.0)]
    speed, cubed, climb, current, home = np.vstack(rows).T
    blocks = Blocks(np.arange(60.0), speed, cubed, climb, current, np.full(60, 15.0), np.arange(60.0), home)
    fit = fit_power(blocks, 1.5)
    assert fit.at(14.0 + error) == pytest.approx(100.0, rel=0.03)


def test_where_nothing_climbed_the_glide_ratio_tells_what_height_is_worth():
    # L/D of small aeroplanes 8 ± 4 (common practice, no source): 100 W at 12.5 m/s are 8 J a metre, 64 J a metre of height.
    rng = np.random.default_rng(4)
    speed = 12.5 + 0.5 * rng.normal(size=40)
    flat = np.zeros(40)
    blocks = Blocks(np.arange(40.0), speed, speed**3, flat, np.full(40, 100.0 / 15.0), flat + 15.0, flat, flat)
    fit = fit_power(blocks)
    assert fit.climb_J_per_m == pytest.approx(64.0, rel=0.02)
    assert np.sqrt(fit.covariance[2, 2]) == pytest.approx(32.0, rel=0.02)


def test_what_height_is_worth_is_not_read_off_the_sensors_noise():
    # By hand: 50 J a metre of height, paid in one block of climbing at 1.5 m/s; 0.08 m/s of noise on the level ones.
    rng = np.random.default_rng(8)
    speed = 12.5 + 0.2 * rng.normal(size=150)
    true = np.r_[1.5, np.zeros(149)]
    power = 100.0 + 50.0 * true + 0.5 * rng.normal(size=150)
    flat = np.zeros(150)
    climb = true + 0.08 * np.clip(rng.normal(size=150), -2.4, 2.4)
    fit = fit_power(Blocks(np.arange(150.0), speed, speed**3, climb, power / 15.0, flat + 15.0, flat, flat))
    assert fit.climb_J_per_m == pytest.approx(50.0, rel=0.1)


def test_volts_that_sag_under_current_are_not_taken_for_an_empty_pack():
    # Ohm's law by hand: 16.4 V, 0.4 mV a mAh and 20 mΩ; flown home with 3 A less the pack looks as if it had filled up.
    charge = np.linspace(20.0, 1200.0, 60)
    current = np.where(charge < 700.0, 9.0, 6.0)
    volts = np.round(16.4 - 0.0004 * charge - 0.020 * current, 1)
    flat = np.zeros(60)
    (start, slope), (_, steeper) = discharge(Blocks(charge, flat, flat, flat, current, volts, charge, flat))
    assert start + slope * 3200.0 == pytest.approx(16.4 - 0.0004 * 3200.0 - 0.020 * 9.0, abs=0.06)
    assert abs(slope + 0.0004) < 1.96 * (slope - steeper)
    naive = np.polyval(np.polyfit(charge, volts, 1), 3200.0)
    assert naive > start + slope * 3200.0 + 0.08
    full = discharge(Blocks(charge, flat, flat, flat, current, volts + 0.001 * charge, charge, flat))
    assert full[0][1] == 0.0  # volts that rise are no discharge


def power_of(airspeed):
    """Watts of a made aircraft: a parabolic polar."""
    return 10.0 + 0.0145 * airspeed**3 + 900.0 / airspeed


def logged(made):
    """What exact sensors say of a flight in a 4 m/s westerly whose power is known at every moment."""
    east, north = np.gradient(made.east_m, 0.1), np.gradient(made.north_m, 0.1)
    flying = np.hypot(east, north) > 8.0
    airspeed = np.where(flying, np.hypot(east - 4.0, north), 0.0)
    watts = np.where(flying, power_of(np.maximum(airspeed, 5.0)), 5.0)
    current = watts / 15.0
    used = np.concatenate([[0.0], np.cumsum(current[1:] * 0.1 / 3.6)])
    volts = np.full(len(used), 15.0)
    return {"airspeed_mps": airspeed, "current_A": current, "voltage_V": volts, "charge_used_mAh": used}


@pytest.fixture(scope="module")
def known(there_and_back):
    """The flight, and its readings with a pack of 6 Ah."""
    return there_and_back, readings_of(there_and_back.track(**logged(there_and_back)), pack=Pack(6000.0, 4))


def test_charge_home_against_the_integral(known):
    _, readings = known
    at = 1.7e9 + np.array([300.0, 500.0, 650.0, 900.0])
    need, distance = readings.at("charge_home_mAh", at), readings.at("range_m", at)
    bearing = np.radians(readings.at("bearing_deg", at) + 180.0)
    speed = float(
        np.median(readings["airspeed_mps"][(readings.time_s > 1.7e9 + 800) & (readings.time_s < 1.7e9 + 1300)])
    )
    tail, cross = 4.0 * np.sin(bearing), 4.0 * np.cos(bearing)
    along = np.sqrt(speed**2 - cross**2) + tail
    expected = power_of(speed) / 15.0 * distance / along / 3.6
    assert need == pytest.approx(expected, rel=0.03)


def test_spare_reach_and_reserve_hang_together(known):
    _, readings = known
    rows = (readings.time_s > 1.7e9 + 100) & (readings.time_s < 1.7e9 + 1300)
    whole = sum(
        readings[name] for name in ("charge_used_mAh", "charge_home_mAh", "charge_spare_mAh", "charge_reserve_mAh")
    )
    assert whole[rows] == pytest.approx(6000.0)
    assert readings["charge_reserve_mAh"][rows] == pytest.approx(1200.0)  # common practice, no source: 20 % stay in
    farther = readings["reach_m"] > readings["range_m"]
    assert np.array_equal(farther[rows], (readings["charge_spare_mAh"] > 0)[rows])


def test_turn_back_early_and_late(known):
    _, readings = known
    found = findings_of(readings)
    assert found.turn_back.range_m == pytest.approx(np.nanmax(readings["range_m"]))
    assert found.turn_back.early_m > 0
    assert found.turn_back.interval95_m[0] < found.turn_back.latest_range_m < found.turn_back.interval95_m[1]
    small = findings_of(readings_of_small(readings))
    assert small.turn_back.early_m < 0
    assert "too little" in str(small.turn_back)
    assert found.this_wind.range_m < found.still_air.range_m
    # Flying out to the last safe turn and home empties the pack to the reserve.
    cost = (found.turn_back.latest_range_m - found.turn_back.range_m) / found.turn_back.spare_mAh
    assert cost > 0


def readings_of_small(readings):
    from overlay.mechanics.reach import add_reach, homeward
    from overlay.mechanics.velocity import wind_of

    small = replace(readings, pack=Pack(float(np.nanmax(readings["charge_used_mAh"])) + 50.0))
    return add_reach(small, homeward(small, wind_of(small)))


def test_cost_of_the_legs(known):
    _, readings = known
    found = findings_of(readings)
    for cost, start in ((found.out, 200.0), (found.home, 900.0)):
        span = readings.between(1.7e9 + start, 1.7e9 + start + 300.0)
        per_km = np.ptp(span["charge_used_mAh"]) / np.ptp(span["distance_m"]) * 1000.0
        assert cost.per_km_mAh == pytest.approx(per_km, rel=0.05)
    assert found.refusals == {}
    assert found.wind.airspeed_scale == pytest.approx(1.0, abs=0.01)


def test_without_wind_or_pack_the_reason_is_told(straight_back, known):
    lost = findings_of(readings_of(straight_back.track()))
    assert lost.homeward is None
    assert "wind" in lost.refusals["way home"]
    _, readings = known
    bare = Readings(
        readings.time_s, {k: v for k, v in readings.columns.items() if "spare" not in k}, legs=readings.legs
    )
    found = findings_of(bare)
    assert "capacity" in found.refusals["last safe turn"]
    assert "capacity" in found.refusals["range in still air"]
    with pytest.raises(NoAnswerError):
        turn_back(Readings(np.zeros(0)), calm())


def test_a_pack_that_gave_more_than_it_holds_tells_no_range(known):
    made, readings = known
    used = float(np.nanmax(readings["charge_used_mAh"]))
    overdrawn = readings_of(made.track(**logged(made)), pack=Pack(used - 200.0, 4))
    told = findings_of(overdrawn)
    assert (told.turn_back, told.still_air, told.this_wind) == (None, None, None)
    assert "mend the pack's capacity" in told.refusals["last safe turn"]
    assert told.homeward is not None
    assert overdrawn.has("charge_home_mAh")
    assert not any(overdrawn.has(name) for name in ("reach_m", "charge_spare_mAh", "charge_reserve_mAh"))


def test_what_was_drawn_before_a_log_that_begins_in_the_air_is_not_guessed(known):
    made, _ = known
    columns = logged(made)
    counted = readings_of(made.track(start_s=300.0, **columns), pack=Pack(6000.0, 4))
    assert counted.charge_from_start
    assert counted.has("reach_m")
    del columns["charge_used_mAh"]
    integrated = readings_of(made.track(start_s=300.0, **columns), pack=Pack(6000.0, 4))
    assert not integrated.charge_from_start
    assert integrated.has("charge_home_mAh")
    assert not integrated.has("reach_m")
    told = findings_of(integrated)
    assert told.turn_back is None
    assert "drawn before is not known" in told.refusals["charge left"]
    assert told.this_wind is not None  # asks the pack's capacity alone
    assert readings_of(made.track(**columns), pack=Pack(6000.0, 4)).charge_from_start


def test_what_a_log_lacks_for_the_cost_of_flying_is_named(known):
    made, _ = known
    for name, lacking in (("voltage_V", "no volts"), ("charge_used_mAh", "no charge or current")):
        columns = {column: values for column, values in logged(made).items() if column not in (name, "current_A")}
        assert lacking in findings_of(readings_of(made.track(**columns), pack=Pack(6000.0, 4))).refusals["way home"]


def test_events_in_order(known):
    _, readings = known
    kinds = [event.kind for event in readings.events]
    assert kinds in (["launch", "farthest", "turn-back", "landing"], ["launch", "turn-back", "farthest", "landing"])
    launch, landing = readings.events[0], readings.events[-1]
    assert launch.time_s - 1.7e9 == pytest.approx(40.0, abs=3.0)
    assert landing.time_s - 1.7e9 == pytest.approx(1400.0, abs=3.0)


def test_automatic_return_where_the_log_names_its_modes():
    track = Track(
        np.arange(8.0),
        {"mode": np.array([0.0, 0, 11, 11, 11, 5, 5, 5]), "latitude_deg": np.ones(8), "longitude_deg": np.ones(8)},
        modes={0: "MANUAL", 11: "RTL", 5: "FBWA"},
    )
    readings = Readings(track.time_s, {}, legs=(Leg("out", 0.0, 7.0),))
    found = find_events(readings, track)
    assert found == (Event("automatic return", 2.0), Event("automatic return ends", 5.0))
    unnamed = Track(track.time_s, dict(track.columns))
    assert find_events(readings, unnamed) == ()
