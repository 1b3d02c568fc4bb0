"""One contract, every container and codec: counts, times and pictures are exactly those that were written."""

from __future__ import annotations

import gc
import re
from fractions import Fraction
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from av.video.frame import VideoFrame
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from overlay.recordings import decode, grey, open_recording, planes

FRAMES = 60
WINDOWS = [(0, 5), (11, 14), (12, 13), (13, 40), (23, 25), (24, 26), (35, 37), (59, 60), (30, 30)]


@pytest.fixture
def recording(clip: Any) -> Any:
    return open_recording([clip.path])


def bounds(recording: Any, begin: int, end: int) -> tuple[float, float | None]:
    index = recording.pts_index
    return float(index[begin]), float(index[end]) if end < len(index) else None


def test_every_frame_is_counted_and_timed_exactly(clip: Any, recording: Any) -> None:
    chapter = recording.chapters[0]
    assert recording.frames == chapter.frames == FRAMES
    assert [chapter.time_of(int(pts)) for pts in chapter.pts] == list(clip.times)
    np.testing.assert_allclose(recording.pts_index, [float(time) for time in clip.times], rtol=0, atol=1e-12)
    assert recording.duration_s == Fraction(FRAMES, clip.recipe.rate)
    assert recording.frame_rate == clip.recipe.rate
    assert not chapter.variable_rate


def test_what_the_file_is_agrees_with_how_it_was_written(clip: Any, recording: Any) -> None:
    chapter = recording.chapters[0]
    codecs = {"libx264": "h264", "libx265": "hevc", "libvpx-vp9": "vp9", "prores_ks": "prores"}
    assert chapter.codec == codecs.get(clip.recipe.codec, clip.recipe.codec)
    assert (chapter.width, chapter.height) == (recording.width, recording.height) == clip.recipe.size
    assert chapter.pixel_format == clip.recipe.pixel_format
    assert chapter.bit_depth == (10 if "10" in clip.recipe.pixel_format else 8)
    assert (chapter.audio is not None) == clip.recipe.sound
    assert (chapter.rotation_deg, chapter.hflip, chapter.interlaced, chapter.sample_aspect) == (0, False, None, 1)
    assert bool(chapter.colour.full_range) == clip.recipe.pixel_format.startswith("yuvj")


def test_opening_and_looking_leave_no_picture_behind(clip: Any) -> None:
    # a picture in a ring of references stays until the collector comes by, and with it all of its decoder's pictures
    gc.collect()
    gc.set_debug(gc.DEBUG_SAVEALL)
    try:
        for _ in decode(open_recording([clip.path])):
            pass
        gc.collect()
        assert not [one for one in gc.garbage if isinstance(one, VideoFrame)]
    finally:
        gc.set_debug(0)
        gc.garbage.clear()


def test_the_pictures_come_in_order_with_their_own_times(clip: Any, recording: Any, number_in: Any) -> None:
    damage: list[Any] = []
    seen = [(p.number, number_in(p.y), p.time_s, p.corrupt) for p in planes(recording, damage=damage)]
    assert seen == [(k, k, pytest.approx(float(time), abs=1e-9), False) for k, time in enumerate(clip.times)]
    assert damage == []


@pytest.mark.parametrize(("begin", "end"), WINDOWS)
def test_a_window_is_the_slice_of_the_whole(recording: Any, number_in: Any, begin: int, end: int) -> None:
    window = list(decode(recording, *bounds(recording, begin, end)))
    assert [picture.number for picture in window] == list(range(begin, end))
    numbers = [number_in(luma) for _, luma in grey(recording, 96, *bounds(recording, begin, end))]
    assert numbers == list(range(begin, end))


def test_key_pictures_alone_are_some_of_the_whole(clip: Any, recording: Any, number_in: Any) -> None:
    keys = [picture.number for picture in decode(recording, keyframes_only=True)]
    assert keys[0] == 0
    if "mjpeg" in clip.recipe.codec or "prores" in clip.recipe.codec:
        assert keys == list(range(FRAMES))
    elif "refresh" not in clip.path.name:
        assert [later - earlier for earlier, later in pairwise(keys)][:4] == [clip.recipe.gop] * 4
    shown = [(time, number_in(luma)) for time, luma in grey(recording, 96, keyframes_only=True)]
    assert shown == [(pytest.approx(recording.pts_index[key]), key) for key in keys]
    late = [picture.number for picture in decode(recording, float(clip.times[20]), keyframes_only=True)]
    assert late == [key for key in keys if key >= 20]


def test_the_ffmpeg_program_sees_the_same_frames(clip: Any, recording: Any, ffmpeg: Any) -> None:
    # Independent reader: its list of decoded frames, as it times them itself.
    as_they_are = ["-fps_mode", "passthrough", "-copyts", "-enc_time_base", "demux"]
    lines = ffmpeg("-i", str(clip.path), "-map", "0:v:0", *as_they_are, "-f", "framecrc", "-").splitlines()
    base = Fraction(next(line for line in lines if line.startswith("#tb 0:")).split(":")[1].strip())
    stamps = [int(line.split(",")[2]) for line in lines if not line.startswith("#")]
    assert len(stamps) == recording.frames
    if not recording.chapters[0].stamped:
        return  # no times of showing in the file: the two readers invent them in different ways
    np.testing.assert_allclose(
        [float((stamp - stamps[0]) * base) for stamp in stamps], recording.pts_index, rtol=0, atol=float(base)
    )


def test_the_luma_is_the_decoders_own(clip: Any, recording: Any, ffmpeg: Any, tmp_path: Any) -> None:
    # Independent reader: raw planes of the first frames from the ffmpeg program.
    raw = tmp_path / "frames.gray"
    pixels = "gray10le" if recording.chapters[0].bit_depth == 10 else "gray"
    plane = ["-vf", "extractplanes=y", "-fps_mode", "passthrough"]
    ffmpeg("-i", str(clip.path), "-map", "0:v:0", "-frames:v", "3", *plane, "-pix_fmt", pixels, "-f", "rawvideo",
           str(raw))  # fmt: skip
    sample = np.dtype("<u2" if pixels == "gray10le" else np.uint8)
    theirs = np.frombuffer(raw.read_bytes(), sample).reshape(3, 64, 96)
    theirs = (theirs >> 2).astype(np.uint8) if sample.itemsize == 2 else theirs
    for ours, reference in zip(planes(recording), theirs, strict=False):
        np.testing.assert_array_equal(ours.y, reference)


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(which=st.integers(0, 99), start=st.floats(-1, 3), length=st.floats(0, 1))
def test_any_window_at_all(clips: dict[str, Any], number_in: Any, which: int, start: float, length: float) -> None:
    clip = clips[sorted(clips)[which % len(clips)]]
    recording = open_recording([clip.path])
    inside = [k for k, time in enumerate(recording.pts_index) if start - 1e-7 <= time < start + length - 1e-7]
    pictures = list(planes(recording, start, start + length))
    assert [picture.number for picture in pictures] == inside
    numbers = [number_in(p.y) for p in planes(recording, start, start + length)]
    assert numbers == inside


def test_text_of_a_time_base_is_never_a_float(recording: Any) -> None:
    assert all(isinstance(picture.time, Fraction) for picture in decode(recording, 0, 0.1))
    assert re.fullmatch(r"\d+(/\d+)?", str(recording.chapters[0].time_base))
