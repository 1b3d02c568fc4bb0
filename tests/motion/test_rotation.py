"""Rotation from moved points, against points moved by scipy's rotations."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from overlay.motion.rotation import turn_between

Floats = NDArray[np.float64]

TOLERANCE = 1e-3  # a tenth of a pixel of a picture 320 wide
small = st.floats(-0.06, 0.06)


def points(count: int, seed: int) -> Floats:
    """Spread over a picture of 95° by 65°."""
    return np.random.default_rng(seed).uniform((-1.09, -0.61), (1.09, 0.61), (count, 2))


def after(before: Floats, turned: Rotation, moved: Floats | None = None, depth: Floats | None = None) -> Floats:
    """Where far points, or points `depth` away, stand after the camera turned, and moved by `moved`, in focal lengths."""
    rays = np.column_stack((np.ones(len(before)), before))
    if moved is not None and depth is not None:
        rays = rays * depth[:, None] - moved
    rays = turned.inv().apply(rays)
    return np.asarray(rays[:, 1:] / rays[:, :1])


@given(small, small, small, st.integers(0, 100))
def test_far_points_tell_the_rotation_vector(roll: float, pitch: float, yaw: float, seed: int) -> None:
    before = points(80, seed)
    turn = turn_between(
        before, after(before, Rotation.from_rotvec([roll, pitch, yaw])), np.random.default_rng(0), tolerance=TOLERANCE
    )
    assert turn is not None
    size = np.linalg.norm([roll, pitch, yaw])
    np.testing.assert_allclose(turn.angles_rad, [roll, pitch, yaw], atol=1e-5 + 2 * size**3)
    assert turn.fitting > 0.95


@given(small, small, small)
def test_turning_back_is_the_negative(roll: float, pitch: float, yaw: float) -> None:
    before = points(80, 1)
    end = after(before, Rotation.from_rotvec([roll, pitch, yaw]))
    there, back = (
        turn_between(*pair, np.random.default_rng(0), tolerance=TOLERANCE) for pair in ((before, end), (end, before))
    )
    assert there is not None
    assert back is not None
    np.testing.assert_allclose(there.angles_rad, -back.angles_rad, atol=1e-9)


@pytest.mark.parametrize("wrong", [0.0, 0.2, 0.4])
def test_points_that_move_on_their_own_are_left_out(wrong: float) -> None:
    rng = np.random.default_rng(4)
    before, true = points(150, 3), np.array([0.02, -0.01, 0.03])
    end = after(before, Rotation.from_rotvec(true)) + rng.normal(0, TOLERANCE / 2, (150, 2))
    stray = rng.random(150) < wrong
    end[stray] += rng.uniform(-0.2, 0.2, (int(stray.sum()), 2))
    turn = turn_between(before, end, rng, tolerance=TOLERANCE)
    assert turn is not None
    np.testing.assert_allclose(turn.angles_rad, true, atol=8e-4)
    assert turn.fitting == pytest.approx(1 - stray.mean(), abs=0.08)


def test_marks_that_stand_still_do_not_outvote_the_scene() -> None:
    before, true = points(150, 5), np.array([0.01, 0.02, -0.02])
    end = after(before, Rotation.from_rotvec(true))
    end[:55] = before[:55]  # burned-in figures
    turn = turn_between(before, end, np.random.default_rng(0), tolerance=TOLERANCE)
    assert turn is not None
    np.testing.assert_allclose(turn.angles_rad, true, atol=8e-4)


@pytest.mark.parametrize("height_m", [30.0, 120.0])
def test_the_ground_streaming_by_is_no_rotation(height_m: float) -> None:
    before = points(200, 6)
    before = before[before[:, 1] > 0.03]
    depth = height_m / before[:, 1]
    forward = np.array([17 / 30, 0.0, 0.0])  # 17 m/s at 30 pictures a second
    true = np.array([0.01, 0.004, -0.006])
    end = after(before, Rotation.from_rotvec(true), forward, depth)
    turn = turn_between(before, end, np.random.default_rng(0), tolerance=TOLERANCE)
    assert turn is not None
    np.testing.assert_allclose(turn.angles_rad, true, atol=5e-4)


def test_the_stated_sigma_is_the_scatter() -> None:
    rng, true = np.random.default_rng(8), np.array([0.01, -0.02, 0.015])
    errors = []
    for trial in range(120):
        before = points(60, 100 + trial)
        end = after(before, Rotation.from_rotvec(true)) + rng.normal(0, 1.5 * TOLERANCE, (60, 2))
        turn = turn_between(before, end, rng, tolerance=TOLERANCE)
        assert turn is not None
        errors.append((turn.angles_rad - true) / turn.sigma_rad)
    scatter = np.sqrt(np.mean(np.square(errors), axis=0))
    assert np.all(scatter > 0.6)
    assert np.all(scatter < 1.5)


def test_seven_points_are_too_few() -> None:
    before = points(7, 0)
    assert turn_between(before, before, np.random.default_rng(0), tolerance=TOLERANCE) is None


def test_noise_alone_fits_badly() -> None:
    rng = np.random.default_rng(2)
    turn = turn_between(points(150, 1), points(150, 2), rng, tolerance=TOLERANCE)
    assert turn is None or turn.fitting < 0.5 or turn.sigma_rad.max() > 0.02
