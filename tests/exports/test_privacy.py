from __future__ import annotations

from dataclasses import replace

import numpy as np
import pyproj
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.errors import NoAnswerError, UsageError
from overlay.exports.privacy import ASKEW_M, FROM_HOME, PLACE, outside_circle, retold, without_places
from overlay.readings import Event, Readings

GEOD = pyproj.Geod(ellps="WGS84")
HOME = (47.3, -33.9)


@given(circle=st.floats(1.0, 3600.0))
def test_no_position_lies_in_the_circle(flight: Readings, circle: float) -> None:
    told = outside_circle(flight, circle)
    table = told.table
    count = np.ones(len(table))
    _, _, far = GEOD.inv(HOME[1] * count, HOME[0] * count, table["longitude_deg"], table["latitude_deg"])
    assert far.min() >= circle - 1e-3
    # and no more was taken than hides where in the hole home is
    assert len(table) >= np.sum(flight["range_m"] >= circle + 2 * ASKEW_M)


def test_the_rim_of_the_hole_does_not_tell_home(flight_at) -> None:
    """A path that runs through the hole six times leaves twelve points on its rim: a circle through them misses home.

    The circle is fitted by least squares (Kasa's form, x² + y² + ax + by + c = 0), as anybody would who wants to know.
    """
    misses = []
    for seed in range(40):
        legs = [flight_at(course_deg=60.0 * k + seed, rate_Hz=10.0) for k in range(3)]
        columns = {name: np.concatenate([leg[name] for leg in legs]) for name in legs[0].columns}
        star = replace(legs[0], time_s=np.arange(len(columns["range_m"])) / 10.0, columns=columns)
        told = outside_circle(star, 300.0)
        edge = np.flatnonzero(np.diff(told.visible.astype(int)) != 0)
        rim = np.where(told.visible[edge], edge, edge + 1)
        rim = rim[star["range_m"][rim] < 1000.0]
        east, north = star["east_m"][rim], star["north_m"][rim]
        equations = np.column_stack([east, north, np.ones(len(rim))])
        found, *_ = np.linalg.lstsq(equations, -(east**2 + north**2), rcond=None)
        misses.append(float(np.hypot(*found[:2]) / 2))
    assert np.median(misses) > 80.0
    assert max(misses) < 1.2 * ASKEW_M


def test_the_hole_is_the_same_for_every_radius_and_every_time(flight: Readings) -> None:
    """Two holes of one flight about two middles would narrow down where home is."""
    once, again, wider = (outside_circle(flight, radius).visible for radius in (300.0, 300.0, 800.0))
    assert np.array_equal(once, again)
    assert not np.any(wider & ~once)
    out = np.nan_to_num(flight["range_m"], nan=0.0)
    assert out[wider].min() - out[once].min() == pytest.approx(500.0, abs=30.0)


def test_nothing_that_would_lead_home_is_told_beside_a_place(flight: Readings) -> None:
    told = outside_circle(flight, 500.0)
    assert not set(FROM_HOME) & set(told.readings.columns)
    assert not told.tells_home
    assert told.readings.home is None
    # speeds and courses inside the circle would be a way home by dead reckoning
    assert not np.isin(flight.time_s[flight["range_m"] < 500.0], told.table.time_s).any()


def test_zero_leaves_nothing_out(flight: Readings) -> None:
    told = outside_circle(flight, 0.0)
    assert told.tells_home
    assert told.table is flight
    assert told.visible.sum() == np.isfinite(flight["latitude_deg"]).sum()


def test_without_places_keeps_the_rest(flight: Readings) -> None:
    told = without_places(flight)
    assert not set(PLACE) & set(told.columns)
    assert "range_m" in told
    assert told.home is None


def test_what_cannot_be_done_is_refused(flight: Readings) -> None:
    with pytest.raises(UsageError, match="-5 m"):
        outside_circle(flight, -5.0)
    with pytest.raises(UsageError):
        outside_circle(flight, float("nan"))
    with pytest.raises(NoAnswerError, match="within 5000 m"):
        outside_circle(flight, 5000.0)
    with pytest.raises(NoAnswerError, match="no positions"):
        outside_circle(Readings(flight.time_s), 0.0)
    homeless = Readings(flight.time_s, {name: flight[name] for name in PLACE})
    with pytest.raises(NoAnswerError, match="home is not known"):
        outside_circle(homeless, 300.0)
    assert outside_circle(homeless, 0.0).visible.any()


def test_a_moment_in_the_circle_has_no_place(flight: Readings) -> None:
    told = outside_circle(flight, 500.0)
    start = flight.time_s[0]
    assert told.place_at(start + 30.0) is None
    assert told.place_at(start + 253.0) is None  # silent
    assert told.place_at(start - 1.0) is None
    latitude, longitude = told.place_at(start + 120.3)
    _, _, far = GEOD.inv(HOME[1], HOME[0], longitude, latitude)
    assert far == pytest.approx(float(flight.at("range_m", start + 120.3)[0]), abs=0.5)


def test_captions_tell_nothing_counted_from_home_beside_a_path(flight: Readings) -> None:
    """Places of three break-ups beside three distances would give home: captions then tell none."""
    from overlay.instruments.captions import captions
    from overlay.instruments.quantities import UNITS

    whole = [c.sentence for c in captions(retold(flight, None), UNITS["metric"])]
    assert any("km" in sentence for sentence in whole)
    assert retold(flight, 0.0) is flight
    told = captions(retold(flight, 500.0), UNITS["metric"])
    assert told
    assert not any("km" in c.sentence or "from home" in c.sentence for c in told)
    assert not any("Take-off" in c.sentence or "landing" in c.sentence for c in told), "inside the circle"
    far = np.interp([c.start_s for c in told], flight.time_s, np.nan_to_num(flight["range_m"], nan=4000.0))
    assert far.min() >= 500.0


def test_the_farthest_point_is_not_told_beside_a_path(flight: Readings) -> None:
    """It is a distance from home, whatever its caption says."""
    moment = flight.time_s[0] + 199.0
    told = replace(flight, events=(Event("farthest", moment), Event("turn-back", moment)))
    assert [event.kind for event in retold(told, 300.0).events] == ["turn-back"]
    assert len(retold(told, None).events) == 2


def test_a_table_without_places_has_no_profile_of_the_ground_either(flight: Readings) -> None:
    ground = replace(flight, columns={**flight.columns, "terrain_m": np.zeros(len(flight))})
    assert "terrain_m" not in without_places(ground).columns
    assert "terrain_m" in outside_circle(ground, 300.0).table.columns
