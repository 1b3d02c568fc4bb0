"""Units that a log does not name: the flight tells them, or the column is left out and the mend is named.

The truth is the flight of conftest; what a counter makes of it is written down here, by the definitions of the units
(the foot is 0.3048 m, the turn of a coordinated bank is g tan(bank) / speed).
"""

from __future__ import annotations

import numpy as np
import pytest

from overlay.tracks import read_log
from tests.tracks.conftest import fly

FLOWN = fly()
SECONDS = FLOWN.time_s - FLOWN.time_s[0]
CLIMB = np.gradient(FLOWN.height_m, SECONDS)
CURRENT = 9.0 + 4.0 * np.sin(SECONDS / 11.0)
CHARGE = np.cumsum(CURRENT * np.gradient(SECONDS)) / 3.6
FOOT = 0.3048


@pytest.fixture
def log_of(saved):
    """The log of a table of the flight with further columns (header -> numbers or texts)."""

    def read(further, **options):
        cells = [SECONDS, FLOWN.latitude_deg, FLOWN.longitude_deg, *further.values()]
        rows = (",".join(str(value) for value in row) for row in zip(*cells, strict=True))
        return read_log(saved("\n".join([",".join(["Time (s)", "Lat", "Lon", *further]), *rows]).encode()), **options)

    return read


def told(log):
    return "; ".join(damage.what for damage in log.damage)


@pytest.mark.parametrize(
    ("columns", "heights", "climbs"),
    [
        ({"Alt (m)": FLOWN.height_m, "Vario": CLIMB}, True, True),
        ({"Alt (ft)": FLOWN.height_m / FOOT, "Vario": CLIMB / FOOT}, True, True),
        ({"Alt (ft)": FLOWN.height_m / FOOT, "Vario": CLIMB / FOOT * 60}, True, True),
        ({"Alt": FLOWN.height_m / FOOT, "Vario (ft/s)": CLIMB / FOOT}, True, True),
        ({"Alt": FLOWN.height_m / FOOT, "Vario (m/s)": CLIMB}, True, True),
        ({"Alt": FLOWN.height_m, "Vario": CLIMB / FOOT * 60}, True, True),
        ({"Alt": FLOWN.height_m / FOOT, "Vario": CLIMB, "Speed (kt)": FLOWN.speed_mps * 3600 / 1852}, True, True),
        # both in feet look as both in metres do: a log in knots does not say which
        ({"Alt": FLOWN.height_m, "Vario": CLIMB, "Speed (kt)": FLOWN.speed_mps * 3600 / 1852}, False, False),
    ],
)
def test_climb_and_height_tell_one_another_s_unit(log_of, columns, heights, climbs):
    flight = log_of(columns).flights[0]
    assert flight.has("height_m") == heights
    assert flight.has("vertical_speed_mps") == climbs
    if heights:
        assert np.allclose(flight["height_m"], FLOWN.height_m, atol=0.01)
    if climbs:
        assert np.allclose(flight["vertical_speed_mps"], CLIMB, atol=0.01)


@pytest.mark.parametrize(
    "columns", [{"Alt (m)": FLOWN.height_m, "vz (m/s)": -CLIMB}, {"vz (m/s)": -CLIMB, "Baro alt (m)": FLOWN.height_m}]
)
def test_a_vertical_speed_that_counts_downward_is_turned(log_of, columns):
    log = log_of(columns)
    assert np.allclose(log.flights[0]["vertical_speed_mps"], CLIMB, atol=0.01)
    assert "its sign turned" in told(log)


def test_an_azimuth_is_not_the_nose_s_heading(log_of):
    """A ground station's azimuth is where the aircraft is, not where it points."""
    assert not log_of({"Azimuth (deg)": FLOWN.course_deg}).flights[0].has("heading_deg")


@pytest.mark.parametrize("header", ["Alt (ft AGL)", "Alt (feet MSL)", "Altitude [ft, baro]"])
def test_a_unit_beside_other_words_in_the_brackets(log_of, header):
    assert np.allclose(log_of({header: FLOWN.height_m / FOOT}).flights[0]["height_m"], FLOWN.height_m, atol=0.01)


@pytest.mark.parametrize("header", ["Alt (f)", "Alt (fathom)", "Vario (f/s)", "Volt (dV)", "Wind speed (bft)"])
def test_a_unit_not_known_here_is_not_taken_for_none(log_of, header):
    log = log_of({header: FLOWN.height_m / 10})
    assert set(log.flights[0].columns) == {"latitude_deg", "longitude_deg"}
    assert f"{header!r} carries no unit known here: left out" in told(log)


@pytest.mark.parametrize("scale", [1.0, 10.0, 100.0])
def test_bank_in_tenths_and_hundredths_of_a_degree_is_told_by_the_turns(log_of, scale):
    log = log_of({"Roll": FLOWN.bank_deg * scale, "Yaw": FLOWN.course_deg * scale})
    assert np.allclose(log.flights[0]["bank_deg"], FLOWN.bank_deg, atol=0.01)
    assert np.allclose(log.flights[0]["heading_deg"], FLOWN.course_deg, atol=0.01)


@pytest.mark.parametrize(("header", "factor"), [("Speed (km/h)", 1.0), ("Speed (m/s)", 3.6), ("Speed (kt)", 3.6)])
def test_a_speed_in_another_unit_than_its_header_says_is_left_out(log_of, header, factor):
    log = log_of({header: FLOWN.speed_mps * factor})
    assert not log.flights[0].has("ground_speed_mps")
    assert "times the speed over the positions" in told(log)


def test_a_stick_named_roll_is_no_bank(log_of):
    """A stick is moved to enter and to leave a turn and rests in between, where an aircraft is banked."""
    stick = 400 * np.gradient(np.radians(FLOWN.bank_deg), SECONDS)
    assert set(log_of({"Roll": stick, "Pitch": stick / 3}).flights[0].columns) == {"latitude_deg", "longitude_deg"}


def test_the_elevator_stick_is_no_elevation(log_of):
    columns = {name: 1000 * np.sin(SECONDS / k) for k, name in enumerate(("Rud", "Ele", "Ail"), 3)}
    assert not log_of(columns).flights[0].has("height_m")
    assert log_of({"ele": FLOWN.height_m}).flights[0].has("height_m")


def test_angles_that_cannot_be_degrees_are_left_out_without_turns_to_tell_their_unit(log_of):
    log = log_of({"Pitch": np.linspace(-900, 900, len(FLOWN)), "Yaw": FLOWN.course_deg * 10})
    assert set(log.flights[0].columns) == {"latitude_deg", "longitude_deg"}


@pytest.mark.parametrize(
    ("current", "charge"),
    [
        ({"Curr": CURRENT}, {"Capa": CHARGE}),
        ({"Curr": CURRENT * 10}, {"Capa": CHARGE}),
        ({"Curr": CURRENT * 1000}, {"Capa": CHARGE}),
        ({"Curr": CURRENT}, {"Capa": CHARGE / 1000}),
        ({"Curr (A)": CURRENT}, {"Capa": CHARGE / 1000}),
        ({"Curr": CURRENT * 100}, {"Capa (mAh)": CHARGE}),
        ({"Curr": CURRENT}, {}),
        ({}, {"Capa": CHARGE}),
    ],
)
def test_current_and_charge_tell_one_another_s_unit(log_of, current, charge):
    flight = log_of({**current, **charge}).flights[0]
    if current:
        assert np.allclose(flight["current_A"], CURRENT, rtol=1e-6)
    if charge:
        assert np.allclose(flight["charge_used_mAh"], CHARGE, rtol=1e-6)


@pytest.mark.parametrize("columns", [{"Curr": CURRENT * 1000}, {"Capa": CHARGE / 1000}])
def test_a_current_or_charge_too_large_or_small_for_its_usual_unit_is_left_out(log_of, columns):
    assert set(log_of(columns).flights[0].columns) == {"latitude_deg", "longitude_deg"}


SHARE = 0.5 + 0.5 * np.cos(SECONDS / 40.0)


@pytest.mark.parametrize(
    ("header", "numbers", "column", "percent"),
    [
        ("Link quality", SHARE * 100, "control_link_pct", SHARE * 100),
        ("Link quality", SHARE, "control_link_pct", SHARE * 100),
        ("Link quality", np.where(SHARE > 0.9, 255, SHARE * 100), None, None),
        ("Link quality", SHARE * 255, None, None),
        ("Link quality", np.round(SHARE), None, None),
        ("Throttle", SHARE * 100, "throttle_pct", SHARE * 100),
        ("Throttle", SHARE, "throttle_pct", SHARE * 100),
        ("Throttle", SHARE * 200 - 100, "throttle_pct", SHARE * 100),
        ("Throttle", SHARE * 2048 - 1024, "throttle_pct", SHARE * 100),
        ("Throttle", 1000 + SHARE * 1000, None, None),
        ("Remaining", SHARE, "pack_remaining_pct", SHARE * 100),
    ],
)
def test_percentages_by_what_the_numbers_can_be(log_of, header, numbers, column, percent):
    log = log_of({header: numbers})
    if column is None:
        unknown = numbers == 255  # a byte's way of saying that it does not know
        if unknown.any() and np.all(numbers[~unknown] <= 100):
            assert np.isnan(log.flights[0]["control_link_pct"][unknown]).all()
        else:
            assert "left out" in told(log)
        return
    assert np.allclose(log.flights[0][column], percent, atol=1e-6)


@pytest.mark.parametrize("header", ["Battery", "Bat", "Capacity"])
def test_a_term_of_two_meanings_needs_its_unit(log_of, header):
    """98 on a pack of 24 cells, or per cent of any: a voltage would be wrong by a factor of six."""
    log = log_of({header: 98 - SECONDS / 10})
    assert set(log.flights[0].columns) == {"latitude_deg", "longitude_deg"}
    assert "does not say what it counts" in told(log)
    mapped = log_of({header: 98 - SECONDS / 10}, columns={"pack_remaining_pct": header})
    assert mapped.flights[0]["pack_remaining_pct"][0] == 98


def test_charge_that_remains_is_not_charge_used(log_of):
    assert not log_of({"Remaining (mAh)": 5000 - CHARGE}).flights[0].has("charge_used_mAh")


@pytest.mark.parametrize("sign", [1, -1])
def test_a_strength_of_nothing_is_no_reading(log_of, sign):
    """0 dBm would be a milliwatt received, the strongest of all; receivers write 0 where they heard nothing."""
    strength = np.where(np.arange(len(FLOWN)) % 10 == 0, 0, sign * (60 + 20 * SHARE))
    logged = log_of({"RSSI (dBm)": strength}).flights[0]["control_rssi_dBm"]
    assert np.array_equal(np.isnan(logged), strength == 0)
    assert np.allclose(logged[strength != 0], -np.abs(strength[strength != 0]))
