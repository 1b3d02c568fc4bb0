"""Where a ground aerial pointed that nobody wrote down: found where the flight tells, and not guessed where it does not."""

import numpy as np
import pytest

from overlay.radio.aerials import aerial_of
from overlay.radio.explain import explain_picture
from overlay.radio.link import Link

PATCH = Link(2400.0, aerial_of("crossed"), aerial_of("8 dBi patch, right-hand circular"), ground_height_m=30.0)


def swung(making, seed, fixed):
    """Out north, sweeping 80° to the east and back; a fixed aerial loses as a cosine's power, −3 dB 33° off its axis."""
    made = making(seed=seed, spread_dB=1.0)
    made.bearing = 80.0 * np.sin(2 * np.pi * (made.time - 120.0) / 160.0) * ((made.time > 120) & (made.time < 520))
    made.margin += 8.0
    if fixed:
        cosine = np.maximum(np.cos(np.radians(made.bearing)), 0.05)
        made.margin += 10 * np.log10(np.maximum(cosine, 0.04)) * np.log(0.5) / np.log(np.cos(np.radians(33.0)))
    return made


@pytest.mark.parametrize("seed", [30, 31, 32])
def test_an_aerial_that_stood_fixed_is_found(making, seed):
    told = explain_picture(swung(making, seed, fixed=True).readings(), PATCH)
    assert "inferred from the flight: the ground aerial stood fixed near" in told.notes[0]
    off = (told.fit.link.ground_bearing_deg + 180.0) % 360.0 - 180.0
    assert abs(off) < 15.0
    aside = [event for event in told.events if event.end_s - event.onset_s > 3.0]
    assert aside
    assert all(event.top.cause == "ground aerial off axis" for event in aside)


@pytest.mark.parametrize("seed", [33, 34, 35])
def test_an_aerial_that_was_tracked_is_not_said_to_have_stood(making, seed):
    told = explain_picture(swung(making, seed, fixed=False).readings(), PATCH)
    assert told.fit.link.ground_bearing_deg is None
    assert "pointed at the aircraft" in told.notes[0]
    assert all(event.top.cause != "ground aerial off axis" for event in told.events)


def test_a_straight_flight_does_not_tell(making):
    told = explain_picture(making(seed=36).readings(), PATCH)
    assert told.notes[0].startswith("it is assumed that the ground aerial was pointed")
    assert told.fit.link == PATCH


def test_what_is_described_or_logged_is_not_inferred(making):
    made = swung(making, 37, fixed=True)
    from dataclasses import replace

    described = explain_picture(made.readings(), replace(PATCH, ground_bearing_deg=20.0))
    assert described.notes[0] == "the ground aerial stood fixed at 20°, as described"
    logged = explain_picture(made.readings(aerial_off_axis_deg=np.abs(made.bearing)), PATCH)
    assert not any("ground aerial" in note for note in logged.notes)
