from __future__ import annotations

import numpy as np
import pyproj
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.errors import NoAnswerError, UsageError
from overlay.exports.privacy import FROM_HOME, PLACE, outside_circle, retold, without_places
from overlay.readings import Readings

GEOD = pyproj.Geod(ellps="WGS84")
HOME = (47.3, -33.9)


@given(circle=st.floats(1.0, 3900.0))
def test_no_position_lies_in_the_circle(flight: Readings, circle: float) -> None:
    told = outside_circle(flight, circle)
    table = told.table
    count = np.ones(len(table))
    _, _, far = GEOD.inv(HOME[1] * count, HOME[0] * count, table["longitude_deg"], table["latitude_deg"])
    assert far.min() >= circle - 1e-3
    # and no more was taken than that
    assert len(table) == np.sum(flight["range_m"] >= circle)


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


def test_a_table_without_places_has_no_profile_of_the_ground_either(flight: Readings) -> None:
    from dataclasses import replace

    ground = replace(flight, columns={**flight.columns, "terrain_m": np.zeros(len(flight))})
    assert "terrain_m" not in without_places(ground).columns
    assert "terrain_m" in outside_circle(ground, 300.0).table.columns
