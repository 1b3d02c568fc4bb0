"""Bands lost on a coded link are told while they last; cuts, light and what flies past are none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from overlay.picture.bands import Bands
from overlay.picture.breakups import find_breakups
from overlay.picture.features import FeatureExtractor, Features
from overlay.picture.sampling import COLOUR_LINES

Bytes = NDArray[np.uint8]
WIDTH, HEIGHT, RATE = 352, 288, 30


def land(seed: int) -> NDArray[np.float64]:
    """A coloured texture (3, H + 200, W + 200) as Y, U, V, sky above and ground below."""
    rng = np.random.default_rng(seed)
    shape = HEIGHT + 200, WIDTH + 200
    rough = np.kron(rng.normal(size=(shape[0] // 8 + 1, shape[1] // 8 + 1)), np.ones((8, 8)))[: shape[0], : shape[1]]
    sky = (np.arange(shape[0]) < shape[0] // 2)[:, None]
    base = np.where(sky, 150.0, 90.0) + np.where(sky, 6.0, 18.0) * rough
    return np.stack([base, np.where(sky, 142.0, 112.0) + 0 * rough, np.where(sky, 116.0, 138.0) + 3 * rough])


def frame(scene: NDArray[np.float64], number: int, gain: float = 1.0) -> tuple[Bytes, Bytes, Bytes]:
    """The scene after so many frames' slow motion, 4:2:0."""
    x, y = 20 + number, 60 + round(30 * np.sin(number / 25))
    part = scene[:, y : y + HEIGHT, x % 200 : x % 200 + WIDTH]
    luma = np.clip(part[0] * gain, 16, 235).astype(np.uint8)
    u, v = (np.clip(128 + gain * (plane[::2, ::2] - 128), 16, 240).astype(np.uint8) for plane in part[1:])
    return luma, u.copy(), v.copy()


def measured(frames: list[tuple[Bytes, Bytes, Bytes]]) -> Features:
    extractor = FeatureExtractor()
    for number, planes in enumerate(frames):
        extractor.push(number / RATE, *planes)
    return extractor.result()


def lines(seed: int, count: int) -> NDArray[np.float64]:
    """What thirty lines of U and of V show (count, 60, 90) while a coloured texture drifts by."""
    rng = np.random.default_rng(seed)
    rough = rng.normal(0.0, 4.0, (2 * COLOUR_LINES, 90)) + rng.uniform(100, 150, (2 * COLOUR_LINES, 1))
    drift = np.cumsum(rng.normal(0.0, 0.3, (count, 2 * COLOUR_LINES, 1)), axis=0)
    return np.asarray(rough + drift)


def shares(shown: NDArray[np.float64]) -> NDArray[np.float64]:
    bands, times = Bands(), np.arange(len(shown)) / RATE
    parts = np.array_split(np.arange(len(shown)), len(shown) // 16 + 1)
    seen = np.clip(np.rint(shown), 0, 255).astype(np.uint8)
    return np.concatenate([bands.shares(seen[part], np.full(len(part), 1.5), times[part]) for part in parts])


def shifted(shown: NDArray[np.float64], frames: slice, top: int, count: int, by: float) -> None:
    """Lines of a band, U and V, away from what stands next to them."""
    for plane in (0, COLOUR_LINES):
        shown[frames, plane + top : plane + top + count] = shown[0, plane + top, 0] + by


@given(
    st.integers(0, 99), st.integers(2, 40), st.integers(1, 110), st.integers(0, 24), st.integers(2, 6),
    st.sampled_from([-70.0, 70.0]),
)  # fmt: skip
def test_a_band_is_told_from_its_first_frame_to_its_last(
    seed: int, first: int, lasts: int, top: int, count: int, by: float
) -> None:
    shown = lines(seed, first + lasts + 20)
    shifted(shown, slice(first, first + lasts), top, count, by)
    expected = np.zeros(len(shown))
    expected[first : first + lasts] = count / COLOUR_LINES
    assert shares(shown) == pytest.approx(expected)


def test_a_band_is_told_in_a_file_that_repeats_its_pictures() -> None:
    scene, frames = land(6), []
    for number in range(40):
        y, u, v = frame(scene, 3 * number)
        if 15 <= number < 25:
            u[104:128], v[104:128] = 90, 110
        frames += [(y, u, v)] * (2 + number % 2)  # 24 a second as 60
    told = measured(frames).banded > 0
    assert np.flatnonzero(told).tolist() == list(range(37, 62))


def test_a_band_that_never_heals_is_told_for_four_seconds_only() -> None:
    shown = lines(1, 200)
    shifted(shown, slice(20, None), 5, 3, 60.0)
    assert np.flatnonzero(shares(shown) > 0).tolist() == list(range(20, 20 + 4 * RATE + 1))


def test_a_horizon_that_moves_on_is_no_band() -> None:
    shown = np.full((60, 2 * COLOUR_LINES, 90), 110.0)
    for number in range(60):
        row = number // 4
        shown[number, :row] = shown[number, COLOUR_LINES : COLOUR_LINES + row] = 150.0
    assert not shares(shown).any()


def test_cuts_light_and_a_bird_are_no_bands() -> None:
    one, other, frames = land(3), land(4), []
    other[:, : other.shape[1] // 2 - 60] = one[:, : one.shape[1] // 2 - 60]  # the same sky, another ground
    other[1:, other.shape[1] // 2 :] += 14.0
    for number in range(160):
        scene = other if 40 <= number < 80 else one
        y, u, v = frame(scene, number, 0.6 if 100 <= number < 120 else 1.0)
        if number >= 130:
            at = 8 * (number - 130)
            y[90:110, at : at + 30], u[45:55, at // 2 : at // 2 + 15] = 30, 90
        frames.append((y, u, v))
    assert not measured(frames).banded.any()


def test_a_lost_band_is_a_break_up_though_no_figures_are_burned_in() -> None:
    scene, frames = land(5), []
    for number in range(110):
        y, u, v = frame(scene, number)
        if 40 <= number < 80:
            y[208:256] = frames[39][0][208:256] - 20
            u[104:128], v[104:128] = 90, 110
        frames.append((y, u, v))
    events = find_breakups(measured(frames), frame_rate=RATE).events
    assert [(event.kind, event.onset_frame, event.end_frame) for event in events] == [("blocks", 40, 80)]
    assert events[0].worst_grade < 2.5
