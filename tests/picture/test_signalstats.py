"""The same frames through FFmpeg's signalstats filter, an independent implementation of kindred measures."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest
from numpy.typing import NDArray

Image = NDArray[np.uint8]
Planes = tuple[Image, Image, Image]


def sprinkled(flight, k: int, count: int) -> Planes:  # type: ignore[no-untyped-def]
    """A frame with `count` streaks of three pixels, black and white, on lines of the whole picture."""
    luma, u, v = flight.frame(k)
    rng = np.random.default_rng([k, count])
    for _ in range(count):
        row, column = rng.integers(4, luma.shape[0] - 4), rng.integers(8, luma.shape[1] - 12)
        luma[row, column : column + 3] = rng.choice([16, 235])
    return luma, u, v


def test_streaks_rise_with_FFmpegs_temporal_outliers(flight, measure: Callable, signalstats: Callable) -> None:  # type: ignore[no-untyped-def,type-arg]
    counts = [0, 40, 150, 600, 2000]
    frames = [flight.frame(0), *(sprinkled(flight, k, count) for k, count in enumerate(counts, start=1))]
    ours = measure(iter(frames)).clicks_per_line[1:]  # told by what changed since the frame before
    theirs = signalstats(frames)["TOUT"][1:]
    assert np.all(np.diff(theirs) > 0)
    assert np.all(np.diff(ours) >= 0)
    assert ours[0] < 0.1  # a figure that counts on is seen
    true = np.array(counts) / 288 * 64 / 52  # a whole line is longer than its visible part
    assert ours[2:] == pytest.approx(true[2:], rel=0.45)  # those on like ground and next to others are not seen


def test_level_change_and_colour_agree(flight, measure: Callable, signalstats: Callable) -> None:  # type: ignore[no-untyped-def,type-arg]
    frames = [flight.frame(k) for k in range(20)]
    ours, theirs = measure(iter(frames)), signalstats(frames)
    assert ours.brightness == pytest.approx(theirs["YAVG"], abs=4.0)
    assert ours.change[1:] == pytest.approx(theirs["YDIF"][1:], rel=0.25)
    assert ours.blue == pytest.approx(theirs["UAVG"] - theirs["VAVG"], abs=0.3)


def test_repeated_rows_mean_a_blank_picture(flight, measure: Callable, signalstats: Callable) -> None:  # type: ignore[no-untyped-def,type-arg]
    u, v = np.full((144, 180), 212, np.uint8), np.full((144, 180), 114, np.uint8)
    blue = (np.full((288, 360), 34, np.uint8), u, v)
    frames = [flight.frame(0), blue, flight.frame(2)]
    ours, theirs = measure(iter(frames)), signalstats(frames)
    assert theirs["VREP"][1] > 0.9 > theirs["VREP"][0]
    assert ours.spread[1] < 1 < ours.spread[0]
    assert ours.line_noise[1] == 0


def test_out_of_range_share_stays_small_in_clean_pictures_only(
    flight, measure: Callable, signalstats: Callable
) -> None:  # type: ignore[no-untyped-def,type-arg]
    rng = np.random.default_rng(0)

    def wild(k: int) -> Planes:
        luma, u, v = flight.frame(k)
        noisy = [np.clip(p + rng.normal(0, 45, p.shape), 0, 255).astype(np.uint8) for p in (luma, u, v)]
        return noisy[0], noisy[1], noisy[2]

    frames = [flight.frame(0), wild(1)]
    ours, theirs = measure(iter(frames)), signalstats(frames)
    assert theirs["BRNG"][1] > 5 * theirs["BRNG"][0]
    assert ours.line_noise[1] > 5 * ours.line_noise[0]
    assert ours.colour_noise[1] > 5 * ours.colour_noise[0]
