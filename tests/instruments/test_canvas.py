"""Shapes against their areas, and laying colours against the float formula of Porter and Duff's "over"."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from overlay.instruments.canvas import Canvas, arc
from overlay.instruments.palette import WHITE, Colour

channel = st.integers(0, 255)
colours = st.builds(Colour, channel, channel, channel, channel)


def covered(canvas: Canvas) -> float:
    return float(canvas.pixels[:, :, 3].sum()) / 255.0


@given(st.floats(20, 30), st.floats(20, 30), st.floats(2, 18))
def test_a_disc_has_its_area(x: float, y: float, radius: float) -> None:
    canvas = Canvas(50, 50, 1.0)
    canvas.disc(x, y, radius, WHITE)
    assert covered(canvas) == pytest.approx(math.pi * radius**2, abs=2 * math.pi * radius / 8)  # an eighth of a pixel


@given(st.floats(0, math.pi), st.sampled_from([1.0, 1.5, 2.5, 4.0, 7.0]))
def test_a_line_has_its_width_whatever_its_direction(angle: float, width: float) -> None:
    canvas = Canvas(120, 120, 1.0)
    way = np.array([math.cos(angle), math.sin(angle)])
    canvas.line([60 - 40 * way, 60 + 40 * way], width, WHITE)
    rows, columns = np.mgrid[0:120, 0:120] + 0.5
    middle = np.abs((columns - 60) * way[0] + (rows - 60) * way[1]) < 25
    # OpenCV grows thick lines in steps of half a pixel and a little less aslant: a quarter off as a rule, half at the worst
    assert canvas.pixels[middle, 3].sum() / 255 / 50 == pytest.approx(width, abs=0.52)


@given(st.floats(0, 20), st.floats(0, 20), st.floats(1, 20), st.floats(1, 20))
def test_a_box_is_crisp(x: float, y: float, width: float, height: float) -> None:
    canvas = Canvas(40, 40, 1.0)
    canvas.box(x, y, width, height, WHITE)
    assert set(np.unique(canvas.pixels)) <= {0, 255}
    assert covered(canvas) == (round(x + width) - round(x)) * (round(y + height) - round(y)) or min(width, height) < 1.5


@settings(max_examples=60)
@given(st.lists(colours, min_size=1, max_size=5))
def test_laying_colours_is_porter_and_duffs_over(layers: list[Colour]) -> None:
    canvas = Canvas(4, 4, 1.0)
    expected = np.zeros(4)
    for colour in layers:
        canvas.box(0, 0, 4, 4, colour)
        alpha = colour.alpha / 255
        expected = np.array([*(np.array(colour[:3]) * alpha), 255 * alpha]) + expected * (1 - alpha)
    assert np.abs(canvas.pixels[1, 1].astype(float) - expected).max() <= 0.5 + 0.7 * len(layers)
    assert (canvas.pixels[..., :3] <= canvas.pixels[..., 3:]).all()


@given(colours, colours)
def test_a_shape_lays_colour_as_a_box_does(under: Colour, over: Colour) -> None:
    by_box, by_shape = Canvas(8, 8, 1.0), Canvas(8, 8, 1.0)
    for canvas in (by_box, by_shape):
        canvas.box(0, 0, 8, 8, under)
    by_box.box(2, 2, 4, 4, over)
    by_shape.polygon([(2, 2), (6, 2), (6, 6), (2, 6)], over)
    inside = (slice(3, 5), slice(3, 5))
    difference = by_box.pixels[inside].astype(int) - by_shape.pixels[inside].astype(int)
    assert np.abs(difference).max() <= 1


def test_round_corners_are_round() -> None:
    canvas = Canvas(60, 40, 1.0)
    canvas.box(0, 0, 60, 40, WHITE, 12.0)
    assert covered(canvas) == pytest.approx(60 * 40 - (4 - math.pi) * 12**2, abs=0.1 * 2 * math.pi * 12)
    assert np.array_equal(canvas.pixels, canvas.pixels[:, ::-1])
    assert np.array_equal(canvas.pixels, canvas.pixels[::-1])


@given(st.integers(4, 30), st.integers(4, 30), st.sampled_from([2, 4]), st.integers(0, 12))
def test_a_frame_is_the_edge_of_its_rectangle(width: int, height: int, line: int, radius: int) -> None:
    canvas = Canvas(60, 60, 1.0)
    canvas.frame(10, 12, width, height, line, WHITE, radius)
    alpha = canvas.pixels[..., 3]
    rows, columns = np.mgrid[0:60, 0:60] + 0.5
    outside = (columns < 9) | (columns > 11 + width) | (rows < 11) | (rows > 13 + height)  # edges are anti-aliased
    assert not alpha[outside].any()
    inner = (np.abs(columns - 10 - width / 2) < width / 2 - line - 1) & (
        np.abs(rows - 12 - height / 2) < height / 2 - line - 1
    )
    if not radius:
        assert not alpha[inner].any()
    assert alpha[12 + height // 2, 10:13].max() == alpha[12:15, 10 + width // 2].max() == 255
    drawn = alpha[12 : 12 + height, 10 : 10 + width].astype(int)
    assert np.abs(drawn - drawn[::-1]).mean() < 32  # the four corners are alike
    assert np.abs(drawn - drawn[:, ::-1]).mean() < 32


def test_hatching_is_half_ink_and_half_ground() -> None:
    canvas = Canvas(200, 200, 1.0)
    canvas.hatch([(0, 0), (200, 0), (200, 200), (0, 200)], WHITE, Colour(0, 0, 0))
    assert canvas.pixels[:, :, 0].mean() == pytest.approx(127.5, abs=8)
    assert (canvas.pixels[:, :, 3] == 255).all()


def test_the_phase_carries_stripes_along() -> None:
    square = [(0, 0), (60, 0), (60, 20), (0, 20)]
    still, moved = Canvas(60, 20, 1.0), Canvas(60, 20, 1.0)
    still.hatch(square, WHITE, Colour(0, 0, 0))
    moved.hatch(square, WHITE, Colour(0, 0, 0), phase=5.0)
    assert np.array_equal(still.pixels[2:-2, 2:40], moved.pixels[2:-2, 7:45])


def test_drawing_outside_the_sheet_does_nothing_and_raises_nothing() -> None:
    canvas = Canvas(20, 20, 1.0)
    canvas.disc(-100, 5, 10, WHITE)
    canvas.line([(50, 50), (1e7, 1e7)], 3, WHITE)
    canvas.text(500, 500, "far", 20, WHITE)
    canvas.box(30, 30, 5, 5, WHITE)
    assert covered(canvas) == 0


def test_angles_run_as_on_a_compass() -> None:
    quarter = arc(0, 0, 1, 0, 90)
    assert quarter[0] == pytest.approx((0, -1))
    assert quarter[-1] == pytest.approx((1, 0))
