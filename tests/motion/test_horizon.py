"""The horizon found in drawn pictures: bank, pitch, and above all when there is none to be told."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from overlay.motion.horizon import find_horizon

Turned = Callable[..., Rotation]


def apart_deg(one: float, other: float) -> float:
    return abs((one - other + 180) % 360 - 180)


@settings(max_examples=60)
@given(st.floats(-180, 180), st.floats(-12, 12), st.floats(0, 360))
def test_bank_and_pitch_at_any_attitude(scene: Any, turned: Turned, bank: float, pitch: float, heading: float) -> None:
    found = find_horizon(scene.picture(turned(heading, pitch, bank)), 95.0)
    assert found is not None
    assert apart_deg(np.degrees(found.bank_rad), bank) < 3.0
    assert np.degrees(found.pitch_rad) == pytest.approx(pitch, abs=3.0)


@pytest.mark.parametrize("visible_m", [4000.0, 1500.0, 600.0])
@pytest.mark.parametrize("bank", [-35.0, 0.0, 20.0])
def test_in_haze_the_edge_seen_is_parallel_to_the_horizon(
    scene: Any, turned: Turned, visible_m: float, bank: float
) -> None:
    found = find_horizon(scene.but(visible_m=visible_m).picture(turned(40, 0, bank)), 95.0)
    assert found is not None
    assert apart_deg(np.degrees(found.bank_rad), bank) < 4.0


@pytest.mark.parametrize(
    ("changed", "least"),
    [
        ({}, 1.0),
        ({"ground": 30, "texture": 12, "sky": 190, "cloud": 10}, 1.0),
        ({"ground": 22, "texture": 8, "sky": 55}, 0.9),
        ({"ground": 150, "texture": 30, "sky": 235, "cloud": 18}, 0.5),
    ],
    ids=["plain", "dark ground", "dusk", "bright cloud over bright ground"],
)
def test_the_line_lies_where_the_sky_begins_not_where_texture_ends(
    scene: Any, turned: Turned, changed: dict[str, float], least: float
) -> None:
    off, count = [], 16
    for k in range(count):
        bank, pitch = -45.0 + 6 * k, -8.0 + k
        found = find_horizon(scene.but(**changed).picture(turned(15 * k, pitch, bank), seed=k), 95.0)
        if found is not None:
            assert apart_deg(np.degrees(found.bank_rad), bank) < 2.0
            off.append(np.degrees(found.pitch_rad) - pitch)
    assert len(off) >= least * count
    assert np.abs(np.median(off)) < 1.0
    assert np.abs(off).max() < 2.5


def test_the_border_of_two_fields_is_hardly_ever_a_horizon(scene: Any, turned: Turned) -> None:
    """Nose down over fields, one 1.8 times as bright as the other, with furrows in proportion."""
    x, y = np.meshgrid(np.arange(320) - 160, np.arange(180) - 90)
    told = 0
    for k in range(24):
        ground = scene.but(texture=8).picture(turned(15 * k, -60, 15 * k), seed=k)
        across = x * np.cos(np.radians(37 * k)) + y * np.sin(np.radians(37 * k))
        fields = np.clip(ground * np.where(across > 20 * np.sin(k), 1.8, 1.0), 0, 255).astype(np.uint8)
        told += find_horizon(fields, 95.0) is not None
    assert told <= 4


@pytest.mark.parametrize("bank", [-50.0, -10.0, 30.0, 170.0])
def test_at_dusk(scene: Any, turned: Turned, bank: float) -> None:
    found = find_horizon(scene.but(ground=25, texture=8, sky=60, cloud=2).picture(turned(10, 3, bank)), 95.0)
    assert found is not None
    assert apart_deg(np.degrees(found.bank_rad), bank) < 3.0


@pytest.mark.parametrize("bank", [-60.0, 0.0, 25.0])
def test_a_lens_that_bends_lines(scene: Any, turned: Turned, bank: float) -> None:
    found = find_horizon(scene.but(barrel=0.2).picture(turned(10, -4, bank)), 95.0)
    assert found is not None
    assert apart_deg(np.degrees(found.bank_rad), bank) < 4.0


@pytest.mark.parametrize("bank", [-30.0, 0.0, 15.0])
def test_snow_brighter_than_the_sky_is_still_below(scene: Any, turned: Turned, bank: float) -> None:
    found = find_horizon(scene.but(ground=200, texture=25, sky=120).picture(turned(10, 0, bank)), 95.0)
    assert found is None or apart_deg(np.degrees(found.bank_rad), bank) < 4.0


@pytest.mark.parametrize("bank", [-30.0, 0.0, 15.0])
def test_smooth_water_is_told_by_its_darkness(scene: Any, turned: Turned, bank: float) -> None:
    found = find_horizon(scene.but(texture=3).picture(turned(10, 0, bank)), 95.0)
    assert found is not None
    assert apart_deg(np.degrees(found.bank_rad), bank) < 4.0


@pytest.mark.parametrize(
    ("name", "changed", "pitch"),
    [
        ("white-out", {"visible_m": 12.0, "cloud": 1.0}, 0.0),
        ("night", {"ground": 3, "texture": 1, "sky": 4, "cloud": 1}, 0.0),
        ("nose in the ground", {}, -60.0),
        ("nothing but sky", {"cloud": 8}, 60.0),
    ],
)
def test_no_horizon_is_no_number(
    scene: Any, turned: Turned, name: str, changed: dict[str, float], pitch: float
) -> None:
    invented = 0
    for k in range(24):
        found = find_horizon(scene.but(**changed).picture(turned(15 * k, pitch, 15 * k), seed=k), 95.0)
        invented += found is not None
    assert invented == 0, f"{name}: {invented} of 24"


def test_confidence_falls_as_cloud_swallows_the_picture(scene: Any, turned: Turned) -> None:
    told = []
    for visible_m in (4000.0, 500.0, 250.0, 120.0, 60.0, 30.0):
        found = find_horizon(scene.but(visible_m=visible_m, cloud=1.0).picture(turned(0, 0, 10)), 95.0)
        told.append(found.confidence if found is not None else 0.0)
    assert told[0] > 0.6
    assert told[-1] == 0.0


def test_noise_has_no_horizon() -> None:
    rng = np.random.default_rng(0)
    assert all(find_horizon(rng.integers(0, 255, (180, 320), np.uint8)) is None for _ in range(10))


@settings(max_examples=25)
@given(st.floats(-80, 80), st.floats(-8, 8))
def test_a_mirrored_picture_banks_the_other_way(scene: Any, turned: Turned, bank: float, pitch: float) -> None:
    picture = scene.picture(turned(0, pitch, bank))
    one, other = find_horizon(picture), find_horizon(np.ascontiguousarray(picture[:, ::-1]))
    assert one is not None
    assert other is not None
    assert apart_deg(np.degrees(one.bank_rad), -np.degrees(other.bank_rad)) < 2.0
    assert one.pitch_rad == pytest.approx(other.pitch_rad, abs=np.radians(2.0))


@settings(max_examples=60)
@given(
    st.floats(40, 220),
    st.floats(2, 30),
    st.floats(40, 220),
    st.floats(0.5, 10),
    st.floats(-180, 180),
    st.integers(0, 9),
)
def test_sky_is_not_taken_for_ground(
    scene: Any, turned: Turned, ground: float, texture: float, sky: float, cloud: float, bank: float, seed: int
) -> None:
    """Upside down is an answer only when it is so. Left out: ground that outshines the sky and is smooth, or does by far."""
    if sky < 1.2 * ground and (texture < 12 or ground > 1.5 * sky):
        return
    view = scene.but(ground=ground, texture=min(texture, 0.4 * ground), sky=sky, cloud=cloud)
    found = find_horizon(view.picture(turned(36 * seed, 0, bank), seed=seed))
    assert found is None or apart_deg(np.degrees(found.bank_rad), bank) < 90
