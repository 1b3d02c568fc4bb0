"""Geometry of a link worked by hand, and its terms one at a time."""

import numpy as np
import pytest

from overlay.radio.aerials import aerial_of
from overlay.radio.evidence import control_evidence, picture_evidence
from overlay.radio.geometry import body_to_earth, sight
from overlay.radio.ground import Ground
from overlay.radio.link import TERMS, Link, link_terms, weather_dB_per_km
from overlay.readings import Leg, Readings


def at(range_m=1000.0, bearing=0.0, height=100.0, bank=0.0, pitch=0.0, heading=0.0, **columns):
    one = {"range_m": range_m, "bearing_deg": bearing, "height_m": height, "bank_deg": bank, "pitch_deg": pitch,
           "heading_deg": heading, **columns}  # fmt: skip
    return Readings(np.zeros(1), {name: np.array([float(value)]) for name, value in one.items()})


def rods(MHz=1280.0, **more):
    return Link(MHz, aerial_of("dipole"), aerial_of("dipole"), **more)


def term(readings, link, name):
    return float(link_terms(readings, link).dB[name][0])


def test_where_the_station_is_in_the_aircrafts_axes():
    # North of home, flying north: the station lies behind. Flying east: it lies to the right. Below, when high.
    behind = sight(at(heading=0.0, height=2.0), 2.0).body[0]
    assert behind == pytest.approx([-1.0, 0.0, 0.0], abs=1e-9)
    right = sight(at(heading=90.0, height=2.0), 2.0).body[0]
    assert right == pytest.approx([0.0, 1.0, 0.0], abs=1e-9)
    below = sight(at(range_m=0.0, height=50.0), 2.0).body[0]
    assert below == pytest.approx([0.0, 0.0, 1.0], abs=1e-9)
    # Banked 90° right, the right wing points at the ground and the back of the aircraft at what lay to the right.
    banked = sight(at(heading=90.0, height=2.0, bank=90.0), 2.0).body[0]
    assert banked == pytest.approx([0.0, 0.0, -1.0], abs=1e-9)


def test_rotation_matrices_are_rotations():
    rng = np.random.default_rng(0)
    turns = body_to_earth(*(rng.uniform(-180, 180, 50) for _ in range(3)))
    assert np.einsum("nij,nkj->nik", turns, turns) == pytest.approx(np.broadcast_to(np.eye(3), (50, 3, 3)), abs=1e-12)
    assert np.linalg.det(turns) == pytest.approx(1.0)


@pytest.mark.parametrize(("bank", "loss"), [(30, 1.2), (45, 3.0), (60, 6.0)])
def test_bank_side_on_costs_the_handbooks_polarisation_loss(bank, loss):
    # Tail to the station, rods leaned by the bank: −20·log cos bank, the pattern unchanged.
    found = term(at(range_m=5000.0, height=2.0, heading=0.0, bank=bank), rods(), "banking")
    assert -found == pytest.approx(loss, abs=0.05)
    crossed = Link(1280.0, aerial_of("crossed"), aerial_of("crossed"))
    assert term(at(range_m=5000.0, height=2.0, bank=bank), crossed, "banking") == pytest.approx(0.0, abs=0.02)


def test_bank_toward_the_station_points_the_rods_null_at_it():
    broadside = term(at(range_m=5000.0, height=2.0, heading=90.0, bank=70.0), rods(), "banking")
    assert broadside < -8.0  # the rod's pattern 20° off its end: cos(π/2·cos 20°)/sin 20° is −13.9 dB at most


def test_overhead_null():
    assert term(at(range_m=30.0, height=300.0), rods(), "overhead") < -15.0
    assert term(at(range_m=3000.0, height=100.0), rods(), "overhead") == pytest.approx(0.0, abs=0.1)


def test_fixed_aerial_loses_what_its_pattern_says():
    patch = Link(1280.0, aerial_of("dipole"), aerial_of("8 dBi patch"), ground_bearing_deg=40.0)
    half = patch.ground.beamwidth_deg / 2
    assert term(at(bearing=40.0 + half, height=2.0), patch, "ground aerial off axis") == pytest.approx(-3.0, abs=0.01)
    assert term(at(bearing=40.0, height=2.0), patch, "ground aerial off axis") == pytest.approx(0.0, abs=1e-6)
    tracked = Link(1280.0, aerial_of("dipole"), aerial_of("8 dBi patch"))
    assert term(at(bearing=200.0), tracked, "ground aerial off axis") == 0.0
    logged = at(bearing=200.0, aerial_off_axis_deg=half)
    assert term(logged, tracked, "ground aerial off axis") == pytest.approx(-3.0, abs=0.01)


def test_range_is_free_space_beyond_a_kilometre():
    assert term(at(range_m=2000.0, height=2.0), rods(), "range") == pytest.approx(-20 * np.log10(2), abs=1e-6)


def test_shadows_of_the_airframe():
    away, toward = at(height=2.0, heading=0.0), at(height=2.0, heading=180.0)
    assert term(away, rods(), "tail toward the station") == pytest.approx(-1.0)
    assert term(toward, rods(), "nose toward the station") == pytest.approx(-1.0)
    assert term(at(height=2.0, heading=90.0), rods(), "nose toward the station") > -0.001


def test_a_ridge_in_the_profile():
    link = rods()
    ground = Ground(np.zeros(1), np.array([1000.0]), np.zeros((1, 101)))
    assert float(link_terms(at(), link, ground).dB["horizon or hill"][0]) == pytest.approx(0.0, abs=0.05)
    ground.profiles_m[0, 50] = 80.0
    assert float(link_terms(at(), link, ground).dB["horizon or hill"][0]) < -10.0


def test_weather_per_kilometre_is_reported_or_the_worst():
    assert weather_dB_per_km(rods(5800.0)) > 0.15  # heavy rain
    assert weather_dB_per_km(rods(5800.0, rain_mm_h=0.0)) == 0.0
    assert weather_dB_per_km(rods(1280.0, rain_mm_h=0.0, cloud_g_m3=1.0)) == pytest.approx(0.0011, abs=1e-4)


def test_unknown_places_stay_unknown():
    terms = link_terms(at(range_m=np.nan), rods())
    assert all(np.isnan(terms.dB[name][0]) for name in TERMS)


def test_evidence_of_grades_and_of_break_ups(making):
    made = making(seed=1)
    graded = picture_evidence(made.readings())
    margin = np.interp(graded.time_s, made.time, made.margin)
    clear = np.abs(margin) > 3.0
    assert np.all(graded.low_dB[clear] - 3.0 <= margin[clear])
    assert np.all(graded.high_dB[clear] + 3.0 >= margin[clear])
    spans = picture_evidence(made.readings(grade=False))
    assert set(np.unique(spans.low_dB)) <= {-np.inf, 0.0}
    assert np.mean(spans.broken == (np.interp(spans.time_s, made.time, made.margin) < 0)) > 0.9


def test_evidence_of_the_control_link():
    time = np.arange(0.0, 60.0, 0.5)
    strength = -60.0 - time / 3.0
    readings = Readings(time, {"control_rssi_dBm": strength, "range_m": 100.0 + time}, legs=(Leg("out", 0.0, 99.0),))
    found = control_evidence(readings, -90.0)
    assert (found.low_dB + found.high_dB) / 2 == pytest.approx(30.0 - found.time_s / 3.0, abs=0.1)
    from overlay.errors import NoAnswerError

    with pytest.raises(NoAnswerError, match="dBm"):
        control_evidence(Readings(time, {"range_m": time}), -90.0)


def test_a_rod_along_the_wing_loses_its_null_to_a_station_off_the_wing():
    link = rods(aircraft_tilt_deg=90.0, aircraft_toward_deg=90.0)
    off_wing = at(range_m=5000.0, height=2.0, heading=90.0)
    assert term(off_wing, link, "overhead") < -15.0
    assert term(off_wing, link, "banking") == pytest.approx(0.0, abs=1e-9)
    # Nose to the station and banked 90°, the rod stands upright: 20 dB of crossed polarisation come back.
    assert term(at(range_m=5000.0, height=2.0, heading=180.0, bank=90.0), link, "banking") == pytest.approx(
        20.0, abs=0.1
    )


def test_a_rod_leaned_forward_is_as_a_rod_pitched_down():
    # The same geometry by two ways: a mount tilted 40° forward in level flight, and an upright one pitched 40° down.
    place = {"range_m": 4000.0, "bearing": 30.0, "heading": 75.0, "height": 60.0}
    leaned = rods(aircraft_tilt_deg=40.0)
    tilted, pitched = at(**place), at(**place, pitch=-40.0)
    upright = link_terms(pitched, rods())
    total = float(upright.dB["overhead"][0] + upright.dB["banking"][0])
    from overlay.radio.geometry import body_axis
    from overlay.radio.link import _at_attitude

    seen = link_terms(tilted, leaned).seen
    pattern, mismatch = _at_attitude(seen, leaned, body_axis(40.0, 0.0), seen.level)
    assert float(pattern[0] + mismatch[0]) == pytest.approx(total, abs=1e-6)


def test_a_patch_under_the_aircraft_sees_the_station_below_it():
    patch = Link(1280.0, aerial_of("6 dBi patch"), aerial_of("dipole"))
    assert term(at(range_m=1.0, height=300.0), patch, "overhead") == pytest.approx(0.0, abs=0.1)
    assert term(at(range_m=3000.0, height=100.0), patch, "overhead") < -10.0


def test_a_tracker_that_turns_too_slowly_falls_behind():
    # Passing 50 m abeam at 20 m/s the bearing turns at up to 23°/s (v/d); a mount of 5°/s is left far behind.
    time = np.arange(0.0, 60.0, 0.1)
    along = 20.0 * (time - 30.0)
    bearing = np.degrees(np.arctan2(along, 50.0)) % 360.0
    columns = {"range_m": np.hypot(along, 50.0), "bearing_deg": bearing, "height_m": np.full(600, 5.0),
               "heading_deg": np.full(600, 90.0)}  # fmt: skip
    readings = Readings(time, columns)
    lost = {}
    for rate in (5.0, 60.0):
        link = Link(2400.0, aerial_of("crossed"), aerial_of("12 dBi beam"), ground_turn_rate_deg_s=rate)
        lost[rate] = -link_terms(readings, link).dB["ground aerial off axis"]
    assert lost[60.0].max() < 0.1
    assert lost[5.0].max() > 15.0
    assert lost[5.0][-1] < 0.1  # caught up when the bearing has come to rest
