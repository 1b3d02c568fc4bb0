"""Reduced luma: averages over areas, whatever the factor, and only of what is wanted."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from overlay.recordings import grey, open_recording, planes


def averages(luma: NDArray[np.uint8], width: int, height: int) -> NDArray[np.float64]:
    """Exact area averages by the integral of the picture, a way of its own to the same numbers."""
    tall, wide = luma.shape
    integral = np.zeros((tall + 1, wide + 1))
    integral[1:, 1:] = luma.astype(float).cumsum(0).cumsum(1)
    columns, rows = np.linspace(0, wide, width + 1), np.linspace(0, tall, height + 1)
    across = np.array([np.interp(columns, np.arange(wide + 1), line) for line in integral])
    corners = np.array([np.interp(rows, np.arange(tall + 1), line) for line in across.T]).T
    return np.asarray(np.diff(np.diff(corners, axis=0), axis=1) / (wide / width) / (tall / height))


@pytest.mark.parametrize("size", [(640, 480), (848, 480), (1280, 720), (2704, 1520)])
@pytest.mark.parametrize("width", [64, 100, 160, 320])
def test_reduction_averages_areas(tmp_path: Path, recipes: Any, write: Any, size: tuple[int, int], width: int) -> None:
    recipe = replace(recipes["avi mjpeg"], size=size)
    recording = open_recording([write(tmp_path / "clip.avi", recipe, 2).path])
    for picture, (_, small) in zip(planes(recording), grey(recording, width), strict=True):
        height = max(2, round(width * size[1] / size[0]))
        assert small.shape == (height, width)
        whole = size[0] % width == 0 and size[1] % height == 0
        stray = small - averages(picture.y, width, height)
        # Where areas share pixels, a hard edge of 150 between two of them may move by a fifteenth of a pixel.
        assert np.abs(stray).max() <= (1.3 if whole else 10)
        assert np.sqrt(np.mean(stray**2)) <= 1.0


def test_deep_pictures_are_averaged_before_they_are_cut_to_eight_bits(clips: Any) -> None:
    recording = open_recording([clips["mov h264 10"].path])
    for picture, (_, small) in zip(planes(recording), grey(recording, 48), strict=True):
        assert picture.y.dtype == small.dtype == np.uint8
        np.testing.assert_allclose(small, averages(picture.y, 48, 32) + 0.4, rtol=0, atol=1.4)


def test_the_range_stays_as_coded(clips: Any) -> None:
    # Drawn between 50 and 200 of 0 … 255: full range keeps that, limited range (BT.601: 219 steps from 16) does not.
    full = np.concatenate([p.y.ravel() for p in planes(open_recording([clips["avi mjpeg"].path]))])
    limited = np.concatenate([p.y.ravel() for p in planes(open_recording([clips["mp4 h264"].path]))])
    assert np.percentile(full, [1, 99]) == pytest.approx([50, 200], abs=4)
    assert np.percentile(limited, [1, 99]) == pytest.approx([16 + 50 * 219 / 255, 16 + 200 * 219 / 255], abs=4)


def test_chroma_planes_have_the_coded_shape(clips: Any) -> None:
    shapes = {"mp4 h264": (32, 48), "mov prores": (64, 48), "avi mjpeg": (64, 48)}
    for name, shape in shapes.items():
        picture = next(planes(open_recording([clips[name].path])))
        assert picture.u.shape == picture.v.shape == shape
        assert np.abs(picture.u.astype(int) - 128).max() <= 3  # the pictures are grey


def test_grey_frames_are_the_callers_to_keep(clips: Any, number_in: Any) -> None:
    recording = open_recording([clips["mp4 h264"].path])
    kept = [small for _, small in grey(recording, 96)]
    assert [number_in(small) for small in kept] == list(range(60))
