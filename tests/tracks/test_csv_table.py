from __future__ import annotations

import math

import numpy as np
import pytest

from overlay.errors import TrackError, UsageError
from overlay.tracks import read_log, sniff
from overlay.tracks.terms import Field, assign, split
from tests.tracks.tables import STEP_DEG, latitude, table


@pytest.mark.parametrize(
    ("header", "column", "unit"),
    [
        ("GSpd(kmh)", "ground_speed_mps", "kmh"),
        ("Ground Speed [km/h]", "ground_speed_mps", "km/h"),
        ("ground_speed_kts", "ground_speed_mps", "kts"),
        ("Speed m/s", "ground_speed_mps", "m/s"),
        ("VSpd(m/s)", "vertical_speed_mps", "m/s"),
        ("Alt(ft)", "height_m", "ft"),
        ("altitude_m", "height_m", "m"),
        ("Bat_(%)", "pack_remaining_pct", "%"),
        ("Battery (V)", "voltage_V", "V"),
        ("Curr(A)", "current_A", "A"),
        ("Capa(mAh)", "charge_used_mAh", "mAh"),
        ("RQly(%)", "control_link_pct", "%"),
        ("RSSI (dBm)", "control_rssi_dBm", "dBm"),
        ("RSSI (%)", "control_link_pct", "%"),
        ("TPWR(mW)", "control_power_mW", "mW"),
        ("Roll(rad)", "bank_deg", "rad"),
        ("Yaw [°]", "heading_deg", "°"),
        ("Hdg(@)", "heading_deg", "@"),
        ("lat_degE7", "latitude_deg", "degE7"),
        ("Accel X [g]", "acceleration_x_mps2", "g"),
        ("gyro_z_rad/s", "yaw_rate_dps", "rad/s"),
    ],
)
def test_headers_of_the_trade(header, column, unit):
    assert assign([header]) == {header: Field(header, column, unit)}


def test_headers_that_say_nothing():
    assert assign(["SA", "LSW", "Rud", "TxBat(V)", "VOX", ""]) == {}


def test_the_clearer_term_wins_and_yaw_leaves_heading_to_the_course():
    fields = assign(["Speed (km/h)", "GPS Speed (km/h)", "Heading (deg)", "Yaw (deg)"])
    assert {f.header: f.column for f in fields.values()} == {
        "GPS Speed (km/h)": "ground_speed_mps", "Yaw (deg)": "heading_deg", "Heading (deg)": "course_deg",
    }  # fmt: skip


def test_split_takes_a_unit_only_where_it_measures_the_term():
    assert split("height_ft") == ("height", "ft")
    assert split("Sats") == ("sats", "")
    assert split("flight mode a") == ("flightmodea", "")


@pytest.mark.parametrize(
    ("cells", "header"),
    [
        (lambda i: (f"{latitude(i):.7f}", "-12.2500000"), "lat,lon"),
        (lambda i: (f"{latitude(i) * 1e7:.0f}", "-122500000"), "lat,lon"),
        (lambda i: (f"{latitude(i) * 1e7:.0f}", "-122500000"), "lat (degE7),lon (degE7)"),
        (lambda i: (f"46{(latitude(i) - 46) * 60:010.7f}", "-1215.0"), "lat,lon"),
        (lambda i: (f"46°{(latitude(i) - 46) * 60:010.7f}'N", "12°15.0'W"), "lat,lon"),
        (lambda i: (f"{latitude(i):.7f}N", "12.25W"), "LATITUDE N/S,LONGITUDE E/W"),
        (lambda i: (f"{math.radians(latitude(i)):.10f}", f"{math.radians(-12.25):.10f}"), "lat (rad),lon (rad)"),
        (lambda i: (f"{latitude(i):.7f} -12.25",), "GPS"),
        (lambda i: (f'"{latitude(i):.7f}, -12.25"',), "Position"),
    ],
)
def test_places_as_logs_write_them(only, cells, header):
    flight = only(table(f"time (s),{header}", lambda i: (i, *cells(i))))
    assert np.allclose(flight["latitude_deg"], [latitude(i) for i in range(120)], atol=2e-7)
    assert np.allclose(flight["longitude_deg"], -12.25, atol=2e-7)


def test_longitudes_counted_all_round(only):
    flight = only(table("time (s),lat,lon", lambda i: (i, latitude(i), 289.4)))
    assert np.allclose(flight["longitude_deg"], -70.6)


@pytest.mark.parametrize(
    ("unit", "factor"), [("km/h", 3.6), ("kt", 3600 / 1852), ("mph", 3600 / 1609.344), ("m/s", 1.0)]
)
def test_a_speed_without_a_unit_is_measured_against_the_positions(only, unit, factor):
    flight = only(table("time (s),lat,lon,speed", lambda i: (i, f"{latitude(i):.7f}", -12.25, f"{20 * factor:.2f}")))
    assert np.allclose(flight["ground_speed_mps"], 20, atol=0.05)


def test_a_speed_that_fits_no_unit_is_left_out_and_the_mend_named(saved):
    log = read_log(saved(table("time (s),lat,lon,speed", lambda i: (i, f"{latitude(i):.7f}", -12.25, 9))))
    assert not log.flights[0].has("ground_speed_mps")
    assert any('ground_speed_mps = "speed (unit)"' in line.what for line in log.damage)


def test_heights_beside_speeds_in_knots_are_not_guessed(saved):
    data = table("time (s),lat,lon,speed,altitude", lambda i: (i, f"{latitude(i):.7f}", -12.25, 20 * 3600 / 1852, 300))
    log = read_log(saved(data))
    assert not log.flights[0].has("height_m")
    flight = read_log(saved(data), columns={"height_m": "altitude (ft)"}).flights[0]
    assert flight["height_m"][0] == pytest.approx(300 * 0.3048)


def test_units_of_every_kind(only):
    header = "time (ms),lat,lon,alt (ft),climb (ft/min),Volt (mV),Curr (mA),Used (Ah),roll (rad),power,TPWR (dBm),thr"
    flight = only(
        table(
            header,
            lambda i: (
                i * 1000,
                latitude(i),
                -12.25,
                328.084,
                196.85,
                12600,
                7000,
                1.5,
                0.1,
                9,
                20,
                -1024 if i else 1024,
            ),
        )
    )
    expected = {
        "height_m": 100.0, "vertical_speed_mps": 1.0, "voltage_V": 12.6, "current_A": 7.0, "charge_used_mAh": 1500.0,
        "bank_deg": 5.7296, "control_power_mW": 100.0,
    }  # fmt: skip
    for name, value in expected.items():
        assert flight[name][5] == pytest.approx(value, rel=1e-4), name
    assert flight["throttle_pct"][:2].tolist() == [100.0, 0.0]


def test_angles_without_a_unit(only):
    row = lambda i: (i, latitude(i), -12.25, 0.2 * math.sin(i / 9), (i / 9) % 6.28)  # noqa: E731
    assert only(table("time (s),lat,lon,roll,yaw", row))["bank_deg"].max() == pytest.approx(11.46, abs=0.1)
    row = lambda i: (i, latitude(i), -12.25, 11.46 * math.sin(i / 9), (i * 6) % 360)  # noqa: E731
    assert only(table("time (s),lat,lon,roll,yaw", row))["bank_deg"].max() == pytest.approx(11.46, abs=0.1)


def test_bank_counted_the_other_way_is_turned(saved):
    """A circle to the right, 8° a second at 20 m/s: the aircraft leans 16° to the right, whatever the log's sign."""

    def row(sign):
        def cells(i):
            a = math.radians(4.0 * i)
            north, east = 143 * math.sin(2 * a), 143 * (1 - math.cos(2 * a))
            return (
                i,
                46.5 + north * STEP_DEG,
                -12.25 + east * STEP_DEG / math.cos(math.radians(46.5)),
                sign * 16.0,
                (8 * i) % 360,
            )

        return cells  # fmt: skip

    for sign in (1, -1):
        log = read_log(saved(table("time (s),lat,lon,roll (deg),yaw (deg)", row(sign))))
        assert np.allclose(log.flights[0]["bank_deg"], 16.0)
        assert any("sign turned" in line.what for line in log.damage) == (sign < 0)


def out_and_back(i: int) -> float:
    return 46.5 + 20 * min(i, 400 - i) * STEP_DEG


def test_link_strength_logged_without_its_sign(saved):
    """The figure grows with the distance, so it is the size of a negative dBm."""
    data = table("time (s),lat,lon,RSS (dB),1RSS(dB),2RSS(dB)", lambda i: (
        i, f"{out_and_back(i):.7f}", -12.25, 9, round(50 + 20 * math.log10(10 + min(i, 400 - i))), 99), count=400)  # fmt: skip
    flight = read_log(saved(data)).flights[0]
    assert flight["control_rssi_dBm"][0] == -70
    assert flight["control_rssi_dBm"][200] == pytest.approx(-96, abs=1)


def test_link_strength_that_does_not_say_what_it_counts_is_left_out(saved):
    log = read_log(
        saved(table("time (s),lat,lon,RSSI", lambda i: (i, f"{out_and_back(i):.7f}", -12.25, 70), count=400))
    )
    assert not log.flights[0].has("control_rssi_dBm")


def test_the_better_of_two_receivers_counts(only):
    data = table("time (s),lat,lon,1RSS(dBm),2RSS(dBm)", lambda i: (i, latitude(i), -12.25, -90 + i % 2 * 20, -80))
    assert only(data)["control_rssi_dBm"][:4].tolist() == [-80, -70, -80, -70]


def test_a_heading_whose_counter_wraps(saved):
    """Hundredths of a degree in 16 bits, printed a tenth: 330.00° comes out as −32.536."""

    def row(i):
        course = math.radians(3 * i)
        north, east = 300 * math.sin(course), 300 * (1 - math.cos(course))
        raw = round((3 * i) % 360 * 100)
        raw = raw - 65536 if raw > 32767 else raw
        return i, 46.5 + north * STEP_DEG, -12.25 + east * STEP_DEG / math.cos(math.radians(46.5)), raw / 1000  # fmt: skip

    log = read_log(saved(table("time (s),lat,lon,Hdg (deg)", row, count=240)))
    assert np.allclose(log.flights[0]["heading_deg"], np.arange(240) * 3 % 360, atol=0.02)
    assert any("unwrapped" in line.what for line in log.damage)


@pytest.mark.parametrize("delimiter", [";", "\t", "|"])
def test_delimiters_and_decimal_commas(only, delimiter):
    data = table(delimiter.join(("time (s)", "lat", "lon")), lambda i: (
        f"{i},5", f"{latitude(i):.7f}".replace(".", ","), "-12,25"), delimiter=delimiter)  # fmt: skip
    assert np.allclose(only(data)["latitude_deg"], [latitude(i) for i in range(120)], atol=1e-6)


def test_a_preamble_a_row_of_units_and_another_encoding(only):
    text = "Recorder 7\nPilot: none\n\nTime,Lat,Lon,Alt,Kurs\ns,°,°,ft,°\n"
    rows = "\n".join(f"{i},{latitude(i):.7f},-12.25,1000,90" for i in range(120))
    for encoding in ("latin-1", "utf-8", "utf-8-sig", "utf-16"):
        assert only((text + rows).encode(encoding))["height_m"][0] == pytest.approx(304.8)


def test_rows_of_another_width_and_header_rows_between_are_dropped(saved):
    lines = table("time (s),lat,lon,sats", lambda i: (i, latitude(i), -12.25, 9)).decode().splitlines()
    lines[10] = "garbage"
    lines.insert(20, lines[0])
    lines[-1] = lines[-1][:4]
    log = read_log(saved("\n".join(lines).encode()))
    assert len(log.flights[0]) == 118
    assert any(line.what.startswith("3 rows of another width") for line in log.damage)


def test_a_second_header_of_other_columns_ends_the_table(saved):
    first = table("time (s),lat,lon,height (m),speed (m/s)", lambda i: (i, latitude(i), "7", "90", "20"))
    swapped = table("time (s),lat,lon,speed (m/s),height (m)", lambda i: (120 + i, latitude(120 + i), "7", "20", "90"))
    log = read_log(saved(first + swapped))
    assert np.all(log.flights[0]["height_m"] == 90)
    assert len(log.flights[0]) == 120
    assert any("second header" in damage.what for damage in log.damage)


@pytest.mark.parametrize(
    ("header", "cell", "column", "value"),
    [
        ("Altitude", "328 ft", "height_m", 328 * 0.3048),
        ("Altitude (m)", "328 ft", "height_m", 328 * 0.3048),
        ("Alt", "0.1 km", "height_m", 100.0),
        ("Speed", "72 km/h", "ground_speed_mps", 20.0),
        ("Vario", "196.85 ft/min", "vertical_speed_mps", 1.0),
        ("Battery", "15.2V", "voltage_V", 15.2),
        ("Current", "1520 mA", "current_A", 1.52),
        ("Alt", "120 fathoms", "height_m", None),  # not known here, and not metres
    ],
)
def test_units_behind_the_numbers(only, header, cell, column, value):
    flight = only(table(f"time (s),lat,lon,{header}", lambda i: (i, latitude(i), "7", cell)))
    assert flight.has(column) == (value is not None)
    if value is not None:
        assert np.allclose(flight[column], value, rtol=1e-5)


def test_units_that_change_from_cell_to_cell(only):
    def cells(i):
        height = 900 + i
        return i, latitude(i), "7", f"{height} m" if height < 1000 else f"{height / 1000} km" if i % 2 else f"{height}"

    flight = only(table("time (s),lat,lon,Alt", cells, count=200))
    bare = (np.arange(200) >= 100) & (np.arange(200) % 2 == 0)
    assert np.isnan(flight["height_m"][bare]).all()
    assert np.allclose(flight["height_m"][~bare], 900 + np.arange(200)[~bare])


@pytest.mark.parametrize("places", ["degrees", "minutes"])
@pytest.mark.parametrize("between", [True, False])
def test_hemispheres_in_columns_of_their_own(only, places, between):
    """NMEA 0183 keeps the letter in a field of its own; without it the flight is on another continent."""

    def cells(i):
        north = f"{latitude(i):.7f}" if places == "degrees" else f"46{(latitude(i) - 46) * 60:010.7f}"
        east = "71.5000000" if places == "degrees" else "07130.0000001"
        return (i, north, "S", east, "W") if between else (i, north, east, "S", "W")

    header = "Latitude,N/S,Longitude,E/W" if between else "Latitude,Longitude,NS,EW"
    flight = only(table(f"time (s),{header}", cells))
    assert np.allclose(flight["latitude_deg"], [-latitude(i) for i in range(120)], atol=2e-7)
    assert np.allclose(flight["longitude_deg"], -71.5, atol=2e-7)


def test_decimal_commas_between_quotes(only):
    def cells(i):
        return tuple(
            f'"{number}"'.replace(".", ",") for number in (f"{i}.0", f"{latitude(i):.7f}", "7.25", f"{90 + i / 8:.3f}")
        )

    flight = only(table("time (s),lat,lon,height (m)", cells))
    assert np.allclose(flight["height_m"], 90 + np.arange(120) / 8)
    assert np.allclose(np.diff(flight.time_s), 1.0)


def test_decimal_commas_that_part_the_cells_are_refused(saved):
    data = table(
        "time (s),lat,lon,height (m)", lambda i: (f"{i},0", f"{latitude(i):.7f}".replace(".", ","), "7,25", "90,0")
    )
    with pytest.raises(TrackError, match="without a row of its width"):
        read_log(saved(data))


def test_modes_by_name(only):
    flight = only(table("time (s),lat,lon,FM", lambda i: (i, latitude(i), -12.25, "CRUISE" if i < 60 else "RTH")))
    assert [flight.modes[int(code)] for code in flight["mode"][[0, 119]]] == ["CRUISE", "RTH"]


def test_columns_of_the_user(saved):
    data = table("Wann,Breite,Laenge,Tempo", lambda i: (i, f"{latitude(i):.7f}", -12.25, 72))
    path = saved(data)
    assert sniff(path) is None
    columns = {
        "time_s": "Wann (s)",
        "latitude_deg": "Breite",
        "longitude_deg": "Laenge",
        "ground_speed_mps": "Tempo (km/h)",
    }
    assert read_log(path, columns=columns).flights[0]["ground_speed_mps"][0] == pytest.approx(20)
    with pytest.raises(TrackError, match="map to one of its headers: Wann, Breite, Laenge, Tempo"):
        read_log(path, columns=columns | {"height_m": "Hoehe"})
    with pytest.raises(UsageError, match="no column of a track"):
        read_log(path, columns={"speed": "Tempo"})
    with pytest.raises(UsageError, match="does not measure speed"):
        read_log(path, columns=columns | {"ground_speed_mps": "Tempo (V)"})
