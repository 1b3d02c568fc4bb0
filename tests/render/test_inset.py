"""The inset shows the picture of the same moment, exactly where frames coincide, whole where its fields are interlaced."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import imageio_ffmpeg
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from overlay.clock import AffineClock
from overlay.instruments.panel import Rect
from overlay.recordings import decode, open_recording
from overlay.render.blend import plane_views
from overlay.render.colour import Encoding
from overlay.render.filtering import deinterlacing, filtered
from overlay.render.inset import Inset
from overlay.render.raster import Raster
from overlay.render.stage import blank

Recorded = Callable[..., Path]
CANVAS = Encoding(1, False, 8, (1, 1))
RECT = Rect(20, 10, 80, 48)


def shown(inset: Inset, flight_s: float, size: tuple[int, int] = (160, 96)) -> np.ndarray:
    """The luma in the inset's place at a moment of the flight clock."""
    canvas = blank(*size)
    views = plane_views(canvas, CANVAS)
    inset.paste(views, flight_s, CANVAS, Raster(*size))
    x, y, width, height = inset.rect
    return views[0][y : y + height, x : x + width].astype(float)


@pytest.mark.parametrize(
    ("rate", "time_base"), [(30, Fraction(1, 15360)), (25, Fraction(1, 90000)), (50, Fraction(1, 1000))]
)
@pytest.mark.parametrize("posix", [0.0, 1_777_803_344.2, 1_777_803_344.777])
@pytest.mark.parametrize("drift", [0.0, 37e-6])
def test_frames_that_coincide_are_shown_together(
    tmp_path: Path, recorded: Recorded, rate: int, time_base: Fraction, posix: float, drift: float
) -> None:
    """Two recordings of one rate, begun at one moment: frame n goes with frame n, never with the one before it."""
    path = recorded(tmp_path / "ground.mp4", frames=100, rate=rate, time_base=time_base, sound=False)
    clock = AffineClock(posix, drift)
    by_way_of_another = AffineClock(-3.1, drift).then(AffineClock(posix + 3.1))  # the same clock, rounded otherwise
    recording = open_recording([path])
    for follower in (clock, by_way_of_another):
        inset = Inset(recording, follower, RECT)
        for number, time_s in enumerate(recording.pts_index):
            luma = shown(inset, clock.to_reference(float(time_s))).mean()
            assert luma == pytest.approx(40 + number, abs=0.6), f"frame {number}"


def test_the_picture_changes_at_its_own_moment_and_not_before(tmp_path: Path, recorded: Recorded) -> None:
    path = recorded(tmp_path / "ground.mp4", frames=30, rate=25, sound=False)
    inset = Inset(open_recording([path]), AffineClock(1_777_803_344.2), RECT)
    for number in range(1, 30):
        before = shown(inset, 1_777_803_344.2 + number / 25 - 0.0005).mean()
        after = shown(inset, 1_777_803_344.2 + number / 25 + 0.0005).mean()
        assert (before, after) == (pytest.approx(39 + number, abs=0.6), pytest.approx(40 + number, abs=0.6))


def test_where_there_is_no_picture_a_plate_says_so(tmp_path: Path, recorded: Recorded) -> None:
    """Before the recording begins, from its last frame's end on, and in a gap longer than a second."""
    ticks = [n * 600 for n in range(30)] + [15360 * 4 + n * 600 for n in range(30)]
    path = recorded(tmp_path / "ground.mp4", times=ticks, sound=False)
    recording = open_recording([path])
    inset, end = Inset(recording, AffineClock(100.0), RECT), float(recording.duration_s)
    plate = shown(inset, 99.9)
    assert np.ptp(plate) > 60, "there are words on it"
    assert np.median(plate) < 40
    moments = {
        100.0: 40,
        101.5: 69,
        102.2: None,
        103.9: None,
        104.0: 70,
        100 + end - 0.001: 99,
        100 + end + 0.001: None,
    }
    for flight_s, luma in moments.items():
        picture = shown(inset, flight_s)
        if luma is None:
            assert np.array_equal(picture, plate), flight_s
        else:
            assert picture.mean() == pytest.approx(luma, abs=0.6), flight_s


@given(st.integers(16, 80), st.integers(16, 46))
def test_the_plate_fits_every_place(width: int, height: int) -> None:
    from overlay.instruments.palette import PALETTES
    from overlay.instruments.unseen import unseen

    for palette in PALETTES.values():
        plate = unseen(2 * width, 2 * height, palette)
        assert plate.shape == (2 * height, 2 * width, 4)
        assert (plate[..., 3] == 255).all(), "nothing shines through"
        assert len(np.unique(plate[..., 0])) > 1, "there are words on it"
        assert (plate[:, :2] == plate[0, 0]).all(), "and they do not reach the edge"
        assert (plate[:, -2:] == plate[0, 0]).all()


def interlaced(path: Path, *, first: str, frames: int = 24, size: tuple[int, int] = (320, 240)) -> Path:
    """A bar that moves 4 pixels a field, 50 fields a second, H.264 with the field that comes `first`."""
    width, height = size
    fields = np.full((2 * frames, height, width), 60, np.uint8)
    for number, field in enumerate(fields):
        field[:, 20 + 4 * number : 60 + 4 * number] = 200
    top, bottom = (0, 1) if first == "top" else (1, 0)
    woven = np.empty((frames, height, width), np.uint8)
    woven[:, top::2], woven[:, bottom::2] = fields[0::2, top::2], fields[1::2, bottom::2]
    order = [imageio_ffmpeg.get_ffmpeg_exe(), "-v", "error", "-f", "rawvideo", "-pix_fmt", "gray", "-r", "25"]
    order += ["-s", f"{width}x{height}", "-i", "-", "-pix_fmt", "yuv420p", "-c:v", "libx264", "-qp", "4"]
    order += ["-vf", f"setfield={'tff' if first == 'top' else 'bff'}", "-flags", "+ildct+ilme", str(path)]
    subprocess.run(order, input=woven.tobytes(), check=True, timeout=60)
    return path


@pytest.mark.parametrize("first", ["top", "bottom"])
def test_fields_become_whole_pictures_of_their_own_moment(tmp_path: Path, first: str) -> None:
    recording = open_recording([interlaced(tmp_path / "in.mp4", first=first)])
    assert recording.chapters[0].interlaced == first
    whole = list(filtered(decode(recording), deinterlacing(recording)))
    coded = list(decode(recording))
    assert [(p.time, p.number) for p in whole] == [(p.time, p.number) for p in coded]
    for number, picture in enumerate(whole):
        luma = plane_views(picture.frame, CANVAS)[0].astype(float)[40:200]
        ragged = np.abs(luma[1:-1] - (luma[:-2] + luma[2:]) / 2).mean()
        assert ragged < 0.5, "no comb is left"
        middle = np.flatnonzero(luma.mean(axis=0) > 130)
        assert middle.min() == pytest.approx(20 + 8 * number, abs=1), "the picture is its first field's"
    combed = plane_views(coded[5].frame, CANVAS)[0].astype(float)[40:200]
    assert np.abs(combed[1:-1] - (combed[:-2] + combed[2:]) / 2).mean() > 2, "there was one before"


def test_an_interlaced_inset_is_whole_and_in_step(tmp_path: Path) -> None:
    recording = open_recording([interlaced(tmp_path / "in.mp4", first="top")])
    inset = Inset(recording, AffineClock(50.0), Rect(0, 0, 320, 240))
    for number in range(24):
        luma = shown(inset, 50.0 + number / 25, (320, 240))
        assert np.flatnonzero(luma[100] > 130).min() == pytest.approx(20 + 8 * number, abs=1)
        assert np.abs(luma[41:199] - (luma[40:198] + luma[42:200]) / 2).mean() < 0.5


@pytest.mark.parametrize(("matrix", "full"), [(9, False), (1, True), (6, False), (5, True)])
def test_the_inset_keeps_its_colours_in_another_matrix_and_range(
    tmp_path: Path, recorded: Recorded, matrix: int, full: bool
) -> None:
    """colour-science carries the coded colour from one recommendation's Y'CbCr to the other's."""
    import colour

    names = {1: "ITU-R BT.709", 5: "ITU-R BT.601", 6: "ITU-R BT.601", 9: "ITU-R BT.2020"}
    codes = {1: "bt709", 5: "bt470bg", 6: "smpte170m", 9: "bt2020nc"}
    params = f"colormatrix={codes[matrix]}:fullrange={'on' if full else 'off'}"
    values = (120, 100, 160)
    path = recorded(
        tmp_path / "in.mp4", frames=5, sound=False, options={"qp": "0", "x264-params": params}, planes=values
    )
    inset, canvas = Inset(open_recording([path]), AffineClock(0.0), RECT), blank(160, 96)
    views = plane_views(canvas, CANVAS)
    inset.paste(views, 0.0, CANVAS, Raster(160, 96))
    got = [float(view[(30 >> (n > 0)), (50 >> (n > 0))]) for n, view in enumerate(views)]
    rgb = colour.YCbCr_to_RGB(
        values, K=colour.WEIGHTS_YCBCR[names[matrix]], in_bits=8, in_legal=not full, in_int=True, clamp_int=False
    )
    wanted = colour.RGB_to_YCbCr(
        rgb, K=colour.WEIGHTS_YCBCR["ITU-R BT.709"], out_bits=8, out_legal=True, out_int=True, clamp_int=False
    )
    assert np.abs(np.array(got) - wanted).max() <= 1
