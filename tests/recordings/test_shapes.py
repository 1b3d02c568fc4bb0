"""What cameras and recorders do: turned, interlaced, uneven, offset, edited, several files, odd pixel formats."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from itertools import pairwise
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from overlay.errors import RecordingError, UsageError
from overlay.recordings import decode, grey, open_recording, planes


@pytest.fixture
def plain(recipes: Any) -> Any:
    return replace(recipes["mp4 h264"], sound=False)


def turned(plain: Any, degrees: int, hflip: bool, vflip: bool, suffix: str) -> Any:
    return replace(plain, suffix=suffix, prepare=lambda stream: stream.set_display_rotation(degrees, hflip, vflip))


@pytest.mark.parametrize("suffix", [".mp4", ".mkv"])
@pytest.mark.parametrize(("degrees", "hflip", "vflip"), [
    (0, False, False), (90, False, False), (180, False, False), (270, False, False),
    (0, True, False), (0, False, True), (90, True, False), (270, False, True),
])  # fmt: skip
def test_grey_is_upright_as_the_ffmpeg_program_turns_it(
    tmp_path: Path, plain: Any, write: Any, ffmpeg: Any, degrees: int, hflip: bool, vflip: bool, suffix: str
) -> None:
    # Independent reader: the program turns by the display matrix before it writes raw frames.
    path = tmp_path / f"turned{suffix}"
    write(path, turned(plain, degrees, hflip, vflip, suffix), frames=3)
    raw = tmp_path / "upright.gray"
    ffmpeg("-i", str(path), "-vf", "format=gray", "-f", "rawvideo", str(raw))
    recording = open_recording([path])
    size = (recording.height, recording.width)
    assert size == ((96, 64) if degrees % 180 else (64, 96))
    theirs = np.frombuffer(raw.read_bytes(), np.uint8).reshape(3, *size).astype(int)
    for (_, ours), reference in zip(grey(recording, recording.width), theirs, strict=True):
        # the program stretches limited range to full when it makes grey
        stretched = np.clip((ours.astype(float) - 16) * 255 / 219, 0, 255)
        assert min(np.abs(ours - reference).max(), np.abs(stretched - reference).max()) <= 1.5


def test_a_quarter_turn_counts_clockwise(tmp_path: Path, plain: Any, write: Any) -> None:
    # PyAV counts the turn of the display matrix counter-clockwise.
    path = tmp_path / "turned.mp4"
    write(path, turned(plain, 90, False, False, ".mp4"), frames=3)
    chapter = open_recording([path]).chapters[0]
    assert (chapter.rotation_deg, chapter.hflip) == (270, False)
    assert (chapter.width, chapter.height) == (96, 64)
    assert chapter.display_size == (64, 96)


@pytest.mark.parametrize(("codec", "suffix", "field"), [
    (["libx264", "-x264-params", "tff=1"], ".mp4", "tff"),
    (["libx264", "-x264-params", "bff=1"], ".mkv", "bff"),
    (["mpeg2video", "-flags", "+ilme+ildct"], ".ts", "tff"),
    (["mpeg2video", "-flags", "+ilme+ildct"], ".ts", "bff"),
    (["mpeg4", "-flags", "+ilme+ildct"], ".avi", "tff"),
    (["mpeg4", "-flags", "+ilme+ildct"], ".avi", "bff"),
])  # fmt: skip
def test_interlaced_recordings_tell_their_first_field(
    tmp_path: Path, clips: Any, ffmpeg: Any, codec: list[str], suffix: str, field: str
) -> None:
    path = tmp_path / f"laced{suffix}"
    ffmpeg("-i", str(clips["mp4 h264"].path), "-vf", f"setfield={field}", "-an", "-c:v", *codec, str(path))
    recording = open_recording([path])
    assert recording.chapters[0].interlaced == {"tff": "top", "bff": "bottom"}[field]
    assert all(picture.interlaced for picture in planes(recording))
    first_row = 0 if field == "tff" else 1
    for (_, small), whole in zip(grey(recording, 96), planes(recording), strict=True):
        field_rows = cv2.resize(whole.y[first_row::2], (96, 64), interpolation=cv2.INTER_AREA)
        np.testing.assert_array_equal(small, field_rows)


UNEVEN = [0, 1, 2, 5, 6, 7, 8, 9, 10, 11, 20, 21, 22, 23, 24, 25, 26, 27, 28, 29]


@pytest.mark.parametrize("suffix", [".mp4", ".mkv", ".ts"])
def test_uneven_times_are_kept(tmp_path: Path, plain: Any, write: Any, suffix: str) -> None:
    clip = write(tmp_path / f"uneven{suffix}", replace(plain, suffix=suffix), pts=UNEVEN)
    recording = open_recording([clip.path])
    assert recording.chapters[0].variable_rate
    assert [picture.time for picture in decode(recording)] == list(clip.times)
    assert [p.number for p in decode(recording, 0.8, 0.9)] == [10, 11, 12]
    assert recording.duration_s == Fraction(30, 25)
    assert recording.frame_rate == Fraction(20) / recording.duration_s
    assert recording.frame_at(0.5) == 9  # on show since 0.44 s, until 0.80 s
    assert recording.frame_at(-1) == 0
    assert recording.frame_at(99) == 19


@pytest.mark.parametrize("slow_ms", [100, 200, 400])
def test_slow_first_pictures_keep_their_times_where_the_container_knows_only_those_of_showing(
    tmp_path: Path, recipes: Any, write: Any, slow_ms: int
) -> None:
    """Matroska: what runs ahead for being reordered, half a second and more here, is no clock that was reset."""
    times = [*range(0, 12 * slow_ms, slow_ms), *range(12 * slow_ms, 12 * slow_ms + 2000, 40)]
    path = tmp_path / "slow.mkv"
    write(path, replace(recipes["mkv h264"], sound=False), frames=len(times), pts=times, tick=Fraction(1, 1000))
    recording = open_recording([path])
    assert not recording.damage
    assert np.round(recording.pts_index * 1000).astype(int).tolist() == times


@pytest.mark.parametrize(("suffix", "tick"), [(".mkv", 1000), (".mp4", None), (".ts", 90000)])
def test_a_fractional_rate_survives_rounding_to_ticks(
    tmp_path: Path, plain: Any, write: Any, suffix: str, tick: int | None
) -> None:
    # 30000/1001 Hz is the 525-line field rate halved (SMPTE 170M); 1001/30000 s is no whole number of milliseconds.
    rate = Fraction(30000, 1001)
    clip = write(tmp_path / f"ntsc{suffix}", replace(plain, suffix=suffix, rate=rate), 60)
    recording = open_recording([clip.path])
    assert recording.frame_rate == rate
    assert not recording.chapters[0].variable_rate
    worst = Fraction(1, 2 * tick) if tick else 0
    assert all(abs(p.time - time) <= 2 * worst for p, time in zip(decode(recording), clip.times, strict=True))


@pytest.mark.parametrize("start", [30, 100_000])
def test_a_late_beginning_is_zero_on_the_recordings_clock(tmp_path: Path, plain: Any, write: Any, start: int) -> None:
    clip = write(tmp_path / "late.mkv", replace(plain, suffix=".mkv"), pts=range(start, start + 20))
    recording = open_recording([clip.path])
    assert recording.chapters[0].first_pts == start * 40
    assert [picture.time for picture in decode(recording)] == list(clip.times)


def test_an_edit_list_cuts_what_it_cuts(tmp_path: Path, clips: Any, ffmpeg: Any, number_in: Any) -> None:
    # Copied from 0.7 s on, the file begins with the key picture before; its edit list hides that stretch.
    path = tmp_path / "edited.mp4"
    ffmpeg("-ss", "0.7", "-i", str(clips["mp4 h264"].path), "-an", "-c", "copy", str(path))
    recording = open_recording([path])
    assert [number_in(picture.y) for picture in planes(recording)] == list(range(18, 60))
    assert recording.frames == 42
    assert recording.damage == ()
    late = [number_in(picture.y) for picture in planes(recording, recording.pts_index[10])]
    assert late == list(range(28, 60))


def test_frames_before_zero_are_kept_where_the_container_keeps_them(tmp_path: Path, clips: Any, ffmpeg: Any) -> None:
    path = tmp_path / "early.asf"
    ffmpeg("-itsoffset", "-0.2", "-i", str(clips["mp4 h264 no B"].path), "-an", "-c", "copy", "-copyts",
           "-avoid_negative_ts", "disabled", str(path))  # fmt: skip
    recording = open_recording([path])
    assert recording.chapters[0].first_pts < 0
    assert recording.frames == 60
    assert next(decode(recording)).time == 0


def test_non_square_pixels_are_squared(tmp_path: Path, plain: Any, write: Any) -> None:
    # Rec. ITU-R BT.601 576-line 4:3 pictures with 16:11 pixels when shown wide (MPEG-4 part 2, table 6-14).
    aspect = Fraction(16, 11)
    recipe = replace(plain, prepare=lambda s: setattr(s.codec_context, "sample_aspect_ratio", aspect))
    recording = open_recording([write(tmp_path / "wide.mp4", recipe, 3).path])
    assert recording.chapters[0].sample_aspect == aspect
    assert (recording.width, recording.height) == (140, 64)
    assert next(grey(recording, 70))[1].shape == (32, 70)


def test_colour_tags_are_h273_code_points(tmp_path: Path, plain: Any, write: Any) -> None:
    # ITU-T H.273 tables 2–4: 9 BT.2020 primaries, 16 SMPTE ST 2084, 9 BT.2020 non-constant luminance.
    def tag(stream: Any) -> None:
        context = stream.codec_context
        context.color_primaries, context.color_trc, context.colorspace, context.color_range = 9, 16, 9, 2

    colour = open_recording([write(tmp_path / "tagged.mp4", replace(plain, prepare=tag), 3).path]).chapters[0].colour
    assert (colour.primaries, colour.transfer, colour.matrix, colour.full_range) == (9, 16, 9, True)


@pytest.mark.parametrize(("stated", "believed"), [
    ("2024-05-03T10:15:44Z", datetime(2024, 5, 3, 10, 15, 44, tzinfo=UTC).timestamp()),
    ("1904-01-01T00:00:00Z", None), ("1970-01-01T00:00:00Z", None), ("2000-01-01T00:00:00Z", None),
])  # fmt: skip
def test_only_a_clock_that_was_set_is_believed(
    tmp_path: Path, plain: Any, write: Any, stated: str, believed: float | None
) -> None:
    clip = write(
        tmp_path / "dated.mov", replace(plain, metadata={"creation_time": stated, "timecode": "10:00:00:00"}), 3
    )
    chapter = open_recording([clip.path]).chapters[0]
    assert chapter.created_utc == believed
    assert chapter.timecode == "10:00:00:00"


def test_chapters_follow_one_another_on_one_clock(clips: Any, number_in: Any) -> None:
    names = ["mp4 h264", "ts h264", "avi mjpeg"]
    recording = open_recording([clips[name].path for name in names])
    step = Fraction(1, 25)
    assert [chapter.start_s for chapter in recording.chapters] == [0, 60 * step, 120 * step]
    assert (recording.frames, recording.duration_s) == (180, 180 * step)
    assert [picture.time for picture in decode(recording)] == [k * step for k in range(180)]
    across = [(p.number, number_in(p.y)) for p in planes(recording, recording.pts_index[55], recording.pts_index[125])]
    assert across == [(k, k % 60) for k in range(55, 125)]
    assert all(later - earlier == step for earlier, later in pairwise(p.time for p in decode(recording, 2.0, 5.0)))


def test_a_frames_own_time_is_where_a_window_on_it_begins(clips: Any) -> None:
    recording = open_recording([clips["mp4 h264"].path, clips["mkv h264"].path])
    for number in (0, 7, 59, 60, 61, 119):
        exact = next(decode(recording, float(recording.pts_index[number])))
        assert exact.number == number
        assert next(decode(recording, exact.time)).number == number
        assert [p.number for p in decode(recording, 0, exact.time)][-1:] == ([number - 1] if number else [])


def test_chapters_of_different_size_are_refused(tmp_path: Path, clips: Any, plain: Any, write: Any) -> None:
    other = write(tmp_path / "small.mp4", replace(plain, size=(64, 48)), 3)
    with pytest.raises(RecordingError, match=r"small\.mp4: 64×48, while the first chapter is 96×64; give only"):
        open_recording([clips["mp4 h264"].path, other.path])


def test_a_name_alone_is_not_a_list_of_chapters(clips: Any) -> None:
    for wrong in (clips["mp4 h264"].path, str(clips["mp4 h264"].path), []):
        with pytest.raises(UsageError):
            open_recording(wrong)


@pytest.mark.parametrize(("codec", "pixel_format", "suffix"), [
    ("rawvideo", "yuyv422", ".avi"), ("rawvideo", "rgb24", ".nut"), ("rawvideo", "bgr24", ".avi"),
    ("rawvideo", "nv12", ".nut"), ("rawvideo", "gray", ".nut"),
    ("ffv1", "yuv420p16le", ".mkv"), ("ffv1", "yuv422p12le", ".mkv"),
    ("libx264", "yuv444p", ".mp4"), ("libx264", "yuv422p10le", ".mp4"), ("libx264", "yuvj420p", ".mp4"),
])  # fmt: skip
def test_any_pixel_format_gives_eight_bit_luma(
    tmp_path: Path, plain: Any, write: Any, number_in: Any, codec: str, pixel_format: str, suffix: str
) -> None:
    options = plain.options if codec == "libx264" else {}
    recipe = replace(plain, codec=codec, pixel_format=pixel_format, suffix=suffix, options=options)
    recording = open_recording([write(tmp_path / f"clip{suffix}", recipe, 5).path])
    seen = [picture.y for picture in planes(recording)]
    assert [number_in(luma) for luma in seen] == [0, 1, 2, 3, 4]
    for luma, (_, small) in zip(seen, grey(recording, 96), strict=True):
        assert luma.dtype == small.dtype == np.uint8
        assert luma.shape == small.shape == (64, 96)
    # The last cell of picture 1 is bright: drawn at 200 of 0 … 255, which is 16 + 200·219/255 = 188 in limited range.
    assert np.median(seen[1][8:24, 87:93]) == pytest.approx(194, abs=8)
    assert np.median(seen[1][8:24, 3:80]) == pytest.approx(55, abs=8)


def test_a_recording_passes_between_processes(clips: Any) -> None:
    import pickle

    recording = open_recording([clips["mp4 h264"].path])
    again = pickle.loads(pickle.dumps(recording))
    assert again == recording
    np.testing.assert_array_equal(again.pts_index, recording.pts_index)
    assert [p.number for p in decode(again, 1.0, 1.1)] == [25, 26, 27]


def test_files_are_closed_even_when_the_iterator_is_dropped(clips: Any) -> None:
    recording = open_recording([clips["mp4 h264"].path])

    before = len(list(Path("/proc/self/fd").iterdir()))
    for make in (decode, grey, planes):
        pictures = make(recording)
        next(pictures)
        assert len(list(Path("/proc/self/fd").iterdir())) > before
        pictures.close()
        assert len(list(Path("/proc/self/fd").iterdir())) == before
    for _ in range(20):
        next(decode(recording))
    assert len(list(Path("/proc/self/fd").iterdir())) == before


def test_a_file_that_goes_away_is_one_clear_line(tmp_path: Path, plain: Any, write: Any) -> None:
    clip = write(tmp_path / "gone.mp4", plain, 5)
    recording = open_recording([clip.path])
    clip.path.unlink()
    with pytest.raises(RecordingError, match=r"gone\.mp4: no such file or directory; give"):
        next(decode(recording))
