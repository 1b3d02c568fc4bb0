"""Any flight at all comes back from each text format within that format's rounding."""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from overlay.tracks import Fix, read_log

STEP_DEG = 1 / 111_195
# (rounding of the place in degrees, of the height in metres, of the time in seconds)
ROUNDING = {
    "gpx": (6e-8, 0.006, 0.0011),
    "kml": (6e-8, 0.006, 0.0011),
    "nmea": (1e-9, 0.006, 0.0101),
    "csv": (6e-8, 0.002, 0.0011),
    "igc": (1e-5, 0.51, 0.51),
}


@st.composite
def flights(draw: st.DrawFn, rate_hz: float):
    """Speeds, turns and climbs at random, anywhere on the globe short of the poles, at any time of the last years."""
    count = draw(st.integers(30, 120))
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    step = 1 / rate_hz
    course = np.cumsum(rng.normal(0, 0.3, count))
    speed = 8 + 15 * rng.random(count)
    north, east = np.cumsum(speed * step * np.cos(course)), np.cumsum(speed * step * np.sin(course))
    latitude = draw(st.floats(-80, 80)) + north * STEP_DEG
    longitude = draw(st.floats(-179, 179)) + east * STEP_DEG / np.cos(np.radians(latitude))
    start = datetime(2012, 1, 1, tzinfo=UTC).timestamp() + draw(st.integers(0, 14 * 365 * 86400))
    height = draw(st.floats(-300, 4000)) + np.cumsum(rng.normal(0, 1, count))
    degrees = np.degrees(course) % 360
    return start + np.arange(count) * step, latitude, longitude, height, speed, degrees, np.zeros(count)


@pytest.mark.parametrize("name", list(ROUNDING))
@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_what_was_written_is_read(name, writers, aloft, tmp_path, data):
    writer = writers[name]
    flown = type(aloft(1.0))(*data.draw(flights(writer.rate_hz)))
    path = tmp_path / "log"
    path.write_bytes(writer.write(flown))
    log = read_log(path)
    assert len(log.flights) == 1, log.damage
    (flight,) = log.flights
    degrees, metres, seconds = ROUNDING[name]
    assert flight.keeps_utc
    assert len(flight) == len(flown)
    assert np.abs(flight.time_s - flown.time_s).max() < seconds
    assert np.abs(flight["latitude_deg"] - flown.latitude_deg).max() < degrees
    assert np.abs(flight["longitude_deg"] - flown.longitude_deg).max() < degrees
    if name != "igc":
        assert np.abs(flight["height_m"] - flown.height_m).max() < metres
    assert not (flight.fix & (Fix.JUMP | Fix.NOT_VALID)).any()
    assert not flight.gaps
