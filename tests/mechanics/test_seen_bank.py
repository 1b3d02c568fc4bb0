"""A bank seen at the horizon against one that is known: made here, with mounts askew, panning, and rough turns."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from overlay.mechanics.seen_bank import seen_bank

Floats = NDArray[np.float64]

TIME = np.arange(0.0, 300.0, 0.1)
SEEN = np.arange(3.0, 290.0, 0.4)


def bank_at(time: Floats) -> Floats:
    """Turns of half a minute, one way and the other, up to 45° of bank."""
    return np.asarray(45.0 * np.sin(2 * np.pi * time / 37.0) ** 3)


def rough(rng: np.random.Generator) -> Floats:
    """Bank as rough positions tell it: 7° of scatter from second to second, a quarter of a second late."""
    noise = np.interp(TIME, np.arange(0.0, 301.0), rng.normal(0.0, 7.0, 301))
    return np.asarray(bank_at(TIME - 0.25) + noise)


def wrapped(angle: Floats) -> Floats:
    return np.asarray((angle + 180.0) % 360.0 - 180.0)


@given(st.floats(-180.0, 180.0), st.integers(0, 20))
def test_any_lean_of_the_mount_is_taken_out(mount: float, seed: int) -> None:
    rng = np.random.default_rng(seed)
    inferred, seen = rough(rng), wrapped(bank_at(SEEN) + mount + rng.normal(0.0, 0.5, len(SEEN)))
    found = seen_bank(TIME, inferred, SEEN, seen)
    assert found is not None
    assert abs(wrapped(np.array(found.mount_deg - mount))) < 2.0
    inside = (SEEN[0] <= TIME) & (SEEN[-1] >= TIME)
    assert np.array_equal(np.isfinite(found.bank_deg), inside)
    error = np.abs(found.bank_deg[inside] - bank_at(TIME[inside]))
    assert np.median(error) < 2.0 < np.median(np.abs(inferred[inside] - bank_at(TIME[inside])))


def test_no_bank_is_told_where_no_horizon_was_seen() -> None:
    seen = bank_at(SEEN)
    seen[(SEEN > 100) & (SEEN < 140)] = np.nan
    found = seen_bank(TIME, rough(np.random.default_rng(1)), SEEN, seen)
    assert found is not None
    assert np.isnan(found.bank_deg[(TIME > 100.5) & (TIME < 139.5)]).all()
    assert np.isfinite(found.bank_deg[(TIME > 141) & (TIME < 280)]).all()


def test_a_pan_is_no_bank() -> None:
    """For forty seconds the camera looks aside: what leans there is left out."""
    panned = (SEEN > 150) & (SEEN < 190)
    seen = bank_at(SEEN) + np.where(panned, 50.0, 0.0)
    found = seen_bank(TIME, rough(np.random.default_rng(2)), SEEN, seen)
    assert found is not None
    known = np.isfinite(found.bank_deg)
    assert np.abs(found.bank_deg - bank_at(TIME))[known].max() < 6.0
    assert not known[(TIME > 165) & (TIME < 175)].any()
    assert known[(TIME > 10) & (TIME < 140)].all()


def test_a_camera_that_keeps_moving_or_sees_too_little_tells_nothing() -> None:
    rng = np.random.default_rng(3)
    inferred = rough(rng)
    assert seen_bank(TIME, inferred, SEEN, bank_at(SEEN) + 60.0 * np.sin(SEEN / 9.0)) is None
    assert seen_bank(TIME, inferred, SEEN[:39], bank_at(SEEN[:39])) is None
    assert seen_bank(TIME, np.full(len(TIME), np.nan), SEEN, bank_at(SEEN)) is None
    assert seen_bank(TIME, inferred, SEEN, np.full(len(SEEN), np.nan)) is None


def test_a_gap_in_the_log_is_flown_by_sight() -> None:
    """Ten seconds without positions in the midst of a turn: there is nothing to check by, and the camera sees on."""
    inferred = rough(np.random.default_rng(4))
    inferred[(TIME > 120) & (TIME < 130)] = np.nan
    found = seen_bank(TIME, inferred, SEEN, bank_at(SEEN))
    assert found is not None
    gone = (TIME > 120) & (TIME < 130)
    assert np.abs(found.bank_deg - bank_at(TIME))[gone].max() < 4.0


def test_what_a_camera_does_in_a_gap_that_it_leaves_panned_is_not_believed() -> None:
    inferred = rough(np.random.default_rng(5))
    inferred[(TIME > 120) & (TIME < 130)] = np.nan
    seen = bank_at(SEEN) + np.where((SEEN > 124) & (SEEN < 160), 50.0, 0.0)
    found = seen_bank(TIME, inferred, SEEN, seen)
    assert found is not None
    assert np.isnan(found.bank_deg[(TIME > 124.5) & (TIME < 155)]).all()


def test_a_roll_past_the_vertical_keeps_its_sense() -> None:
    """A slow roll all the way round: 179° goes on to −179°, not back through level."""
    roll = np.where((SEEN > 200) & (SEEN < 210), (SEEN - 200) * 36.0, 0.0)
    found = seen_bank(TIME, np.zeros(len(TIME)), SEEN, wrapped(roll))
    assert found is not None
    at = found.bank_deg[np.searchsorted(TIME, 205.0)]
    assert abs(abs(at) - 180.0) < 15.0 or np.isnan(at)
    assert found.bank_deg[np.searchsorted(TIME, 100.0)] == pytest.approx(0.0, abs=1e-6)
