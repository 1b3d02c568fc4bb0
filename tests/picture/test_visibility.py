"""The contrast that haze takes, against the law it is blended by, and what must not be taken for haze."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from overlay.picture.visibility import Visibility, VisibilityMeter

Light = NDArray[np.float64]
Image = NDArray[np.uint8]

AIRLIGHT = 0.75


def ground(seed: int, shift: int = 0) -> Light:
    """Light (180, 320) of fields and roads below a band of sky, as it leaves them."""
    rng = np.random.default_rng(seed)
    fields = np.kron(rng.uniform(0.05, 0.5, (30, 80)), np.ones((8, 8)))
    rough = fields * rng.uniform(0.7, 1.3, fields.shape)
    scene = rough[: 180 - 40, shift : shift + 320]
    return np.concatenate([np.full((40, 320), AIRLIGHT), scene])


def hazed(scene: Light, transmission: float | Light) -> Light:
    """Koschmieder's law, in light: what is left of the scene, and airlight for the rest."""
    return scene * transmission + AIRLIGHT * (1.0 - transmission)


def camera(light: Light, gain: float = 1.0, noise: float = 0.0, seed: int = 0) -> Image:
    """Levels in limited range by the curve that ITU-R BT.709 gives for cameras (item 1.2)."""
    seen = np.clip(light * gain, 0.0, 1.0)
    signal = np.where(seen < 0.018, 4.5 * seen, 1.099 * seen**0.45 - 0.099)
    grain = np.random.default_rng(seed).normal(0, noise, seen.shape) if noise else 0.0
    return np.clip(np.rint(16 + 219 * signal + grain), 0, 255).astype(np.uint8)


def told(pictures: list[Image]) -> Visibility:
    meter = VisibilityMeter()
    for k, picture in enumerate(pictures):
        meter.push(0.5 * k, picture)
    return meter.result()


def shares(transmissions: list[float], **how: float) -> Light:
    """What is told of these, each seen for a while amid as much clear air, at the transmissions' places."""
    clear = [camera(ground(1, k), seed=k) for k in range(8)]
    return told([*clear, *(camera(hazed(ground(1, 4), t), **how) for t in transmissions)]).share[len(clear) :]


@pytest.mark.parametrize("visibility_m", [400.0, 1000.0, 3000.0, 10_000.0])
def test_share_is_what_koschmieders_law_leaves(visibility_m: float) -> None:
    # WMO-No. 8 (guide to instruments), chapter on visibility: contrast exp(−β·d), optical range P = 3/β at 5 %.
    distance_m = 600.0
    transmission = float(np.exp(-3.0 / visibility_m * distance_m))
    assert shares([transmission])[0] == pytest.approx(transmission, rel=0.12, abs=0.02)


def test_at_the_optical_range_a_twentieth_is_left() -> None:
    assert shares([np.exp(-3.0)])[0] == pytest.approx(0.05, abs=0.02)


def test_the_thicker_the_haze_the_smaller_the_share() -> None:
    found = shares(np.linspace(1.0, 0.0, 21).tolist(), noise=0.7)
    assert np.all(np.diff(found) < 0.01)
    assert found[0] > 0.9
    assert found[-1] < 0.03


@pytest.mark.parametrize("gain", [0.25, 0.5, 0.8, 1.25])
def test_exposure_is_no_haze(gain: float) -> None:
    assert shares([1.0], gain=gain)[0] > 0.9
    assert shares([0.3], gain=gain)[0] == pytest.approx(0.3, abs=0.06)


def test_far_ground_under_haze_counts_as_well_as_near() -> None:
    rows = np.arange(180.0)[:, None]
    distance_m = 100.0 * 140 / np.maximum(rows - 40, 1.0) + np.zeros((1, 320))
    seen = [told([camera(ground(2)), camera(ground(2, 9)), *[camera(hazed(ground(2, 4), np.exp(-3.0 / v * distance_m)))]])
            .share[-1] for v in (10_000.0, 3000.0, 1000.0, 300.0, 100.0)]  # fmt: skip
    assert np.all(np.diff(seen) < 0)


def test_in_cloud_nothing_is_seen() -> None:
    white = [camera(np.full((180, 320), 0.6), noise=1.0, seed=k) for k in range(4)]
    found = told([*(camera(ground(3, k)) for k in range(8)), *white]).share
    assert found[:8].min() > 0.8
    assert found[8:].max() < 0.05


def test_what_cannot_be_told_is_not() -> None:
    clear = [camera(ground(4, k)) for k in range(8)]
    night = [camera(ground(4, k), gain=0.01, noise=2.0, seed=k) for k in range(2)]
    clipped = [camera(ground(4, k), gain=40.0) for k in range(2)]
    black = [np.full((180, 320), 16, np.uint8)] * 2
    found = told([*clear, *night, *clipped, *black]).share
    assert np.isfinite(found[:8]).all()
    assert np.isnan(found[8:]).all()
    assert np.isnan(told([*night, *black]).share).all()
    assert len(told([]).share) == 0


def test_plain_ground_is_not_taken_for_haze() -> None:
    water = np.concatenate([np.full((60, 320), AIRLIGHT), np.full((120, 320), 0.04)])
    found = told(
        [*(camera(ground(5, k)) for k in range(8)), *(camera(water, noise=0.5, seed=k) for k in range(3))]
    ).share
    assert np.isnan(found[8:]).all()


def test_a_recording_that_never_shows_anything_has_no_share() -> None:
    assert np.isnan(told([camera(np.full((180, 320), 0.5), noise=0.8, seed=k) for k in range(9)]).share).all()


def test_between_looks_it_is_bridged_but_not_for_long() -> None:
    seen = Visibility(np.array([0.0, 10.0, 90.0]), np.ones(3), np.array([1.0, 0.5, 1.0]))
    assert seen.at(np.array([5.0, 10.0, 50.0, 95.0])) == pytest.approx([0.75, 0.5, np.nan, np.nan], nan_ok=True)


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_any_picture_has_a_share_or_none(seed: int) -> None:
    rng = np.random.default_rng(seed)
    pictures = [rng.integers(0, rng.integers(2, 257), (90, 160), dtype=np.uint8) for _ in range(3)]
    share = told(pictures).share
    assert np.all(np.isnan(share) | ((share >= 0) & (share <= 1)))
