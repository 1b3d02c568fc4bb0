from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from skimage import data

from overlay.picture.noise import bend, change_noise, colour_noise, fine_noise, line_noise, tile_means, usable_tiles

PHOTOGRAPHS = {"camera": data.camera, "coins": data.coins, "moon": data.moon, "page": data.page}


def noisy(picture: NDArray[np.float64], sigma: float, seed: int = 0) -> NDArray[np.uint8]:
    rng = np.random.default_rng(seed)
    return np.clip(np.rint(picture + rng.normal(0, sigma, picture.shape)), 0, 255).astype(np.uint8)


def lines(image: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], ...]:
    return tuple(image[None, k : len(image) - 2 + k] for k in range(3))


def estimates(image: NDArray[np.uint8]) -> tuple[float, float]:
    above, row, below = lines(image)
    bends, usable = bend(above, row, below), usable_tiles(tile_means(row))
    return float(line_noise(bends, usable)[0]), float(fine_noise(bends, usable)[0])


@pytest.mark.parametrize("sigma", [1.0, 3.0, 8.0, 20.0])
def test_known_noise_on_a_ramp(sigma: float) -> None:
    ramp = np.add.outer(np.linspace(60, 140, 288), np.linspace(0, 50, 720))
    for estimate in estimates(noisy(ramp, sigma)):
        assert estimate == pytest.approx(sigma, rel=0.1)


@pytest.mark.parametrize("name", PHOTOGRAPHS)
def test_immerkaers_operator_on_photographs(name: str) -> None:
    picture = PHOTOGRAPHS[name]().astype(np.float64)
    own = estimates(noisy(picture, 0.0))[1]
    for sigma in (6.0, 12.0):
        image = noisy(picture * 0.7 + 40, sigma)
        found = estimates(image)[1]
        assert found == pytest.approx(np.hypot(sigma, 0.7 * own), rel=0.12)


def test_texture_in_half_the_picture_does_not_count() -> None:
    picture = np.full((288, 720), 128.0)
    picture[144:] += 60 * np.sign(np.random.default_rng(1).normal(size=(144, 720)))
    for estimate in estimates(noisy(picture, 2.0)):
        assert estimate == pytest.approx(2.0, rel=0.15)


def test_clipped_tiles_do_not_hide_noise() -> None:
    picture = np.full((288, 720), 250.0)
    picture[:, 360:] = 120
    assert estimates(noisy(picture, 5.0))[0] == pytest.approx(5.0, rel=0.1)
    assert np.isnan(estimates(noisy(np.full((288, 720), 252.0), 5.0))[0])


def test_noise_smooth_along_the_line_is_read_in_full_across_lines() -> None:
    rng = np.random.default_rng(2)
    white = rng.normal(0, 10, (288, 724))
    smooth = sum(white[:, k : k + 720] for k in range(4)) / 2.0  # variance kept, neighbours alike
    image = np.clip(128 + smooth, 0, 255).astype(np.uint8)
    across, fine = estimates(image)
    assert across == pytest.approx(10.0, rel=0.1)
    assert fine < 0.6 * across


def test_coarse_noise_in_colour_is_read_in_full_where_luminance_is_not_clipped() -> None:
    rng = np.random.default_rng(3)
    white = rng.normal(0, 1, (1, 60, 363))
    smooth = sum(white[..., k : k + 360] for k in range(4)) / 2.0  # variance kept, neighbours alike
    colour = np.clip(np.rint(128 + smooth * np.repeat([6.0, 8.0], 30)[None, :, None]), 0, 255).astype(np.uint8)
    usable = np.ones((1, 48), bool)
    assert float(colour_noise(colour, usable)[0]) == pytest.approx(10.0, rel=0.15)
    colour[..., :180] = 128
    right = np.tile(np.arange(8) >= 4, 6)[None]
    assert float(colour_noise(colour, right)[0]) == pytest.approx(10.0, rel=0.15)
    assert np.isnan(colour_noise(colour, ~usable)[0])


def test_rows_of_two_blended_fields_are_half_as_rough_as_lines_of_one() -> None:
    field_noise = np.random.default_rng(4).normal(128, 10, (578, 720))
    blended = (field_noise[:-2] + 2 * field_noise[1:-1] + field_noise[2:]) / 4
    ratios = []
    for frame in (np.rint(field_noise[1:-1]).astype(np.uint8)[None], np.rint(blended).astype(np.uint8)[None]):
        usable = np.ones((1, 48), bool)
        near, line = (line_noise(bend(*(frame[:, k * s : 572 + k * s] for k in range(3))), usable)[0] for s in (1, 2))
        ratios.append(float(near / line))
    kernel = np.array([1.0, 2.0, 1.0])
    rough = [float(np.sum(np.convolve(kernel, bent) ** 2)) for bent in ([1, -2, 1], [1, 0, -2, 0, 1])]
    assert ratios == pytest.approx([1.0, np.sqrt(rough[0] / rough[1])], abs=0.03)


def test_change_reads_noise_of_a_still_scene() -> None:
    flat = np.full((288, 720), 120.0)
    pair = [noisy(flat, 4.0, seed) for seed in (1, 2)]
    change = np.abs(pair[0].astype(int) - pair[1])[None].astype(np.uint8)
    usable = usable_tiles(tile_means(pair[0][None]))
    assert float(change_noise(tile_means(change), usable)[0]) == pytest.approx(4.0, rel=0.1)


@settings(max_examples=30, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(-0.4, 0.4), st.floats(-0.1, 0.1))
def test_planes_have_no_noise(seed: int, down: float, across: float) -> None:
    base = float(np.random.default_rng(seed).uniform(90, 160))
    plane = base + np.add.outer(np.arange(96) * down, np.arange(200) * across)
    assert max(estimates(np.rint(plane).astype(np.uint8))) < 0.6  # rounding alone


@settings(max_examples=30, deadline=None)
@given(st.integers(6, 130), st.integers(8, 90), st.integers(1, 12), st.booleans(), st.integers(0, 2**32 - 1))
def test_tile_means_are_those_of_numpy_however_many_lines(
    lines_high: int, wide: int, down: int, bent: bool, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    most = np.int16(8 * 255) if bent else np.uint8(255)  # the steepest bend of `fine_noise`; white
    rows = np.where(rng.random((2, lines_high, wide)) < 0.9, most, 0).astype(most.dtype)
    down = min(down, lines_high)
    height, width = lines_high // down, wide // 8
    whole = rows[:, : height * down, : width * 8].astype(np.float64).reshape(2, down, height, 8, width)
    assert tile_means(rows, down) == pytest.approx(whole.mean(axis=(2, 4)).reshape(2, -1), rel=1e-6)
