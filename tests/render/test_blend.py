"""Blending against a float reference, and colours against an independent library."""

from __future__ import annotations

import av
import colour
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from overlay.errors import UsageError
from overlay.render.blend import blend, plane_views
from overlay.render.colour import LUMA_COEFFICIENTS, Encoding, encoding_of, planar
from overlay.render.compositor import changed

FORMATS = ["yuv420p", "yuvj420p", "yuv422p", "yuv444p", "nv12", "yuv420p10le", "yuv422p10le", "yuv444p10le"]
BT709, BT601, BT2020 = 1, 6, 9


def random_frame(pixel_format: str, width: int, height: int, seed: int) -> av.VideoFrame:
    frame = av.VideoFrame(width, height, pixel_format)
    rng = np.random.default_rng(seed)
    encoding = encoding_of(pixel_format, BT709, False, height, 1)
    frame.make_writable()
    for view in plane_views(frame, encoding):
        view[...] = rng.integers(0, 1 << encoding.bits, view.shape)
    return frame


def random_patch(width: int, height: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    straight = rng.integers(0, 256, (height, width, 4)).astype(np.uint8)
    straight[: height // 2, :, 3] = 255
    straight[:, : width // 4, 3] = 0
    alpha = straight[..., 3:].astype(float) / 255
    return np.concatenate([np.rint(straight[..., :3] * alpha), straight[..., 3:]], axis=2).astype(np.uint8)


def exact_blend(old: list[np.ndarray], patch: np.ndarray, x: int, y: int, encoding: Encoding) -> list[np.ndarray]:
    """The same blend in float64, written from the standards' equations and with no shared code."""
    rgb, alpha = patch[..., :3] / 255.0, patch[..., 3] / 255.0
    kr, kb = {BT709: (0.2126, 0.0722), BT601: (0.299, 0.114), BT2020: (0.2627, 0.0593)}[encoding.matrix]
    luma = kr * rgb[..., 0] + (1 - kr - kb) * rgb[..., 1] + kb * rgb[..., 2]
    cb, cr = (rgb[..., 2] - luma) / (2 - 2 * kb), (rgb[..., 0] - luma) / (2 - 2 * kr)
    top = 2**encoding.bits - 1
    step = 2 ** (encoding.bits - 8)
    y_low, y_span, c_span = (0, top, top) if encoding.full_range else (16 * step, 219 * step, 224 * step)
    sx, sy = 1 << encoding.subsampling[0], 1 << encoding.subsampling[1]

    def shrink(plane: np.ndarray) -> np.ndarray:
        height, width = plane.shape
        return plane.reshape(height // sy, sy, width // sx, sx).mean(axis=(1, 3))

    result = []
    for number, plane in enumerate(old):
        new = plane.astype(float)
        if number == 0:
            add, keep, left, up = y_low * alpha + y_span * luma, 1 - alpha, x, y
        else:
            add = shrink(128 * step * alpha + c_span * (cb if number == 1 else cr))
            keep, left, up = 1 - shrink(alpha), x // sx, y // sy
        window = new[up : up + add.shape[0], left : left + add.shape[1]]
        window[...] = window * keep + add
        result.append(new)
    return result


@pytest.mark.parametrize("matrix", sorted({BT601, BT709, BT2020}))
@pytest.mark.parametrize("full", [False, True])
@pytest.mark.parametrize("pixel_format", FORMATS)
def test_blend_is_within_one_code_value_of_the_exact_one(pixel_format: str, full: bool, matrix: int) -> None:
    frame = random_frame(pixel_format, 130, 74, seed=3)
    encoding = encoding_of(pixel_format, matrix, full, 74, 1)
    views = plane_views(frame, encoding)
    before = [view.copy() for view in views]
    patch = random_patch(48, 32, seed=4)
    blend(views, planar(patch, encoding), 22, 10, encoding)
    wanted = exact_blend(before, patch, 22, 10, encoding)
    top = 2**encoding.bits - 1
    for number, (got, exact) in enumerate(zip(plane_views(frame, encoding), wanted, strict=True)):
        assert np.abs(got - np.clip(exact, 0, top)).max() <= 1.0
        touched = np.zeros(got.shape, bool)
        sx, sy = encoding.subsampling if number else (0, 0)
        touched[10 >> sy : 42 >> sy, 22 >> sx : 70 >> sx] = True
        assert np.array_equal(got[~touched], before[number][~touched]), "the frame outside the patch is untouched"


@settings(max_examples=30, deadline=None)
@given(
    x=st.integers(0, 40),
    y=st.integers(0, 20),
    width=st.integers(1, 20),
    height=st.integers(1, 15),
    seed=st.integers(0, 99),
)
def test_any_even_rectangle_is_blended_where_it_lies(x: int, y: int, width: int, height: int, seed: int) -> None:
    x, y, width, height = 2 * x, 2 * y, 2 * width, 2 * height
    frame = random_frame("yuv420p", 130, 74, seed)
    encoding = encoding_of("yuv420p", BT709, False, 74, 1)
    before = [view.copy() for view in plane_views(frame, encoding)]
    patch = random_patch(width, height, seed + 1)
    blend(plane_views(frame, encoding), planar(patch, encoding), x, y, encoding)
    for got, exact in zip(plane_views(frame, encoding), exact_blend(before, patch, x, y, encoding), strict=True):
        assert np.abs(got - np.clip(exact, 0, 255)).max() <= 1.0


@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuv422p", "yuv444p", "yuv420p10le"])
def test_a_patch_of_which_only_a_part_was_converted_is_the_same_to_the_bit(pixel_format: str) -> None:
    """Else what is drawn would depend on what was drawn before it, and on where a run was interrupted."""
    encoding = encoding_of(pixel_format, BT709, False, 720, 1)
    rng = np.random.default_rng(6)
    for seed in range(40):
        old = random_patch(98, 62, seed)
        new, other = old.copy(), random_patch(98, 62, seed + 100)
        top, left = rng.integers(0, 60), rng.integers(0, 90)
        bottom, right = top + rng.integers(1, 62 - top + 1), left + rng.integers(1, 98 - left + 1)
        new[top:bottom, left:right] = other[top:bottom, left:right]
        new[top, left] ^= 1
        x, y, width, height = changed(old, new)
        kept = planar(old, encoding)
        kept.take(planar(np.ascontiguousarray(new[y : y + height, x : x + width]), encoding), x, y, encoding)
        whole = planar(new, encoding)
        for got, wanted in zip((*kept.add, kept.keep, *kept.luma), (*whole.add, whole.keep, *whole.luma), strict=True):
            assert np.array_equal(got, wanted)


def test_what_changed_is_the_smallest_even_rectangle() -> None:
    old = random_patch(20, 16, 1)
    new = old.copy()
    assert changed(old, new).width == 0
    new[5, 7, 0] ^= 1
    assert changed(old, new) == (6, 4, 2, 2)
    new[12, 3, 3] ^= 1
    assert changed(old, new) == (2, 4, 6, 10)


@pytest.mark.parametrize(
    ("matrix", "name"), [(BT601, "ITU-R BT.601"), (BT709, "ITU-R BT.709"), (BT2020, "ITU-R BT.2020")]
)
@pytest.mark.parametrize("bits", [8, 10])
@pytest.mark.parametrize("full", [False, True])
def test_colours_equal_those_of_colour_science(matrix: int, name: str, bits: int, full: bool) -> None:
    """colour-science's RGB_to_YCbCr with its own weights of the three recommendations."""
    encoding = Encoding(matrix, full, bits, (0, 0))
    values = np.random.default_rng(1).integers(0, 256, (40, 3)).astype(np.uint8)
    patch = np.concatenate([values, np.full((40, 1), 255, np.uint8)], axis=1)[None].repeat(2, 0)
    got = np.stack([plane[0] for plane in planar(patch, encoding).add], axis=1)
    wanted = colour.RGB_to_YCbCr(
        values / 255, K=colour.WEIGHTS_YCBCR[name], out_bits=bits, out_legal=not full, out_int=True
    )
    assert np.abs(np.rint(got) - wanted).max() <= 1 if full else np.array_equal(np.rint(got), wanted)


def test_luma_coefficients_are_those_of_the_recommendations() -> None:
    """BT.601-7 §2.5.1, BT.709-6 §3.2, BT.2020-2 table 4, as colour-science holds them."""
    for matrix, name in ((1, "ITU-R BT.709"), (5, "ITU-R BT.601"), (6, "ITU-R BT.601"), (9, "ITU-R BT.2020")):
        assert LUMA_COEFFICIENTS[matrix] == pytest.approx(tuple(colour.WEIGHTS_YCBCR[name]))


def test_full_red_at_75_percent_is_the_bar_of_the_handbook() -> None:
    """75 % red of EBU colour bars in BT.601 8 bit: Y 65, Cb 100, Cr 212 (EBU Tech 3325 values, from memory)."""
    patch = np.array([[[191, 0, 0, 255]] * 2] * 2, np.uint8)
    y, cb, cr = (plane[0, 0] for plane in planar(patch, Encoding(BT601, False, 8, (1, 1))).add)
    assert (round(float(y)), round(float(cb)), round(float(cr))) == (65, 100, 212)


def test_high_dynamic_range_is_refused_by_name() -> None:
    with pytest.raises(UsageError, match="ST 2084"):
        encoding_of("yuv420p10le", 9, False, 2160, 16)


def test_unknown_pixel_format_names_the_known_ones() -> None:
    with pytest.raises(UsageError, match="yuv420p10le"):
        encoding_of("gbrp", 1, False, 1080, 1)
