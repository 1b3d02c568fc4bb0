"""What a recording says of itself is said by the review of it: reopened and compared."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import imageio_ffmpeg
import numpy as np
import pytest

from overlay.clock import AffineClock, parse_utc
from overlay.recordings import open_recording
from overlay.render.footage import Whole
from overlay.render.pipeline import Review, render

Recorded = Callable[..., Path]
BEGUN = parse_utc("2026-05-03T10:15:44.25Z")


@pytest.mark.parametrize("suffix", [".mp4", ".mov", ".mkv"])
@pytest.mark.parametrize(("start_s", "label"), [(None, "10:00:58:20"), (1.0, "10:00:59:20"), (2.2, "10:01:01:00")])
def test_creation_time_and_time_code_are_those_of_the_first_frame(
    tmp_path: Path, recorded: Recorded, suffix: str, start_s: float | None, label: str
) -> None:
    footage = Whole(open_recording([recorded(tmp_path / "in.mp4", frames=75, rate=25)]))
    review = Review(footage, AffineClock(0.0), created_utc=BEGUN, timecode="10:00:58:20")
    render(review, tmp_path / f"out{suffix}", start_s=start_s)
    found = open_recording([tmp_path / f"out{suffix}"]).chapters[0]
    assert found.timecode == label
    assert found.created_utc == pytest.approx(BEGUN + (start_s or 0.0), abs=1.0 if suffix != ".mkv" else 1e-5)


def test_a_recorder_that_says_nothing_is_not_spoken_for(tmp_path: Path, recorded: Recorded) -> None:
    footage = Whole(open_recording([recorded(tmp_path / "in.mp4")]))
    render(Review(footage, AffineClock(0.0)), tmp_path / "out.mp4")
    found = open_recording([tmp_path / "out.mp4"]).chapters[0]
    assert (found.timecode, found.created_utc) == (None, None)


@pytest.mark.parametrize("suffix", [".mp4", ".mov", ".mkv"])
@pytest.mark.parametrize(
    ("tags", "codes", "pixel_format"),
    [
        ("colorprim=bt709:transfer=bt709:colormatrix=bt709", (1, 1, 1, False), "yuv420p"),
        ("colorprim=bt470bg:transfer=bt470bg:colormatrix=bt470bg", (5, 5, 5, False), "yuv422p"),
        ("colorprim=smpte170m:transfer=smpte170m:colormatrix=smpte170m:fullrange=on", (6, 6, 6, True), "yuv420p"),
        ("colorprim=bt2020:transfer=bt2020-10:colormatrix=bt2020nc", (9, 14, 9, False), "yuv420p10le"),
    ],
)
def test_colours_are_told_as_they_were(
    tmp_path: Path,
    recorded: Recorded,
    suffix: str,
    tags: str,
    codes: tuple[int, int, int, bool],
    pixel_format: str,
) -> None:
    """Codes of ITU-T H.273; asked of the frames, whose tags every player goes by."""
    source = recorded(tmp_path / "in.mp4", pixel_format=pixel_format, options={"x264-params": tags})
    render(Review(Whole(open_recording([source])), AffineClock(0.0)), tmp_path / f"out{suffix}")
    found = open_recording([tmp_path / f"out{suffix}"]).chapters[0]
    colour = found.colour
    assert (colour.primaries, colour.transfer, colour.matrix, bool(colour.full_range)) == codes
    assert found.pixel_format in (pixel_format, pixel_format.replace("yuv420p", "yuvj420p"))


@pytest.mark.parametrize("suffix", [".mp4", ".mkv"])
@pytest.mark.parametrize("aspect", [Fraction(4, 3), Fraction(16, 15), Fraction(64, 45)])
def test_the_shape_of_pixels_is_carried(tmp_path: Path, recorded: Recorded, suffix: str, aspect: Fraction) -> None:
    source = recorded(tmp_path / "in.mp4", sample_aspect=aspect)
    render(Review(Whole(open_recording([source])), AffineClock(0.0)), tmp_path / f"out{suffix}")
    assert open_recording([tmp_path / f"out{suffix}"]).chapters[0].sample_aspect == aspect


def interlaced(path: Path, first: str, turn: int = 0) -> Path:
    """A bar that moves by a field's way, 50 fields a second; shown turned clockwise by `turn`."""
    program = imageio_ffmpeg.get_ffmpeg_exe()
    picture = "testsrc2=size=320x240:rate=50,interlace=scan={}:lowpass=0,setfield={}".format(
        *(("tff", "tff") if first == "top" else ("bff", "bff"))
    )
    order = [program, "-v", "error", "-f", "lavfi", "-i", picture, "-t", "1", "-pix_fmt", "yuv420p", "-c:v", "libx264"]
    subprocess.run([*order, "-flags", "+ildct+ilme", str(path)], check=True, timeout=60)
    if not turn:
        return path
    turned = path.with_name("turned.mp4")
    order = [program, "-v", "error", "-display_rotation", str(-turn), "-i", str(path), "-c", "copy", str(turned)]
    subprocess.run(order, check=True, stdin=subprocess.DEVNULL, timeout=60)
    return turned


@pytest.mark.parametrize("first", ["top", "bottom"])
def test_fields_stay_fields_in_their_order(tmp_path: Path, first: str) -> None:
    source = open_recording([interlaced(tmp_path / "in.mp4", first)])
    assert source.chapters[0].interlaced == first
    render(Review(Whole(source), AffineClock(0.0)), tmp_path / "out.mp4")
    assert open_recording([tmp_path / "out.mp4"]).chapters[0].interlaced == first


@pytest.mark.parametrize("turn", [90, 180])
def test_turned_fields_become_whole_pictures(tmp_path: Path, turn: int) -> None:
    source = open_recording([interlaced(tmp_path / "in.mp4", "top", turn)])
    assert (source.chapters[0].interlaced, source.chapters[0].rotation_deg) == ("top", turn)
    done = render(Review(Whole(source), AffineClock(0.0)), tmp_path / "out.mp4")
    assert done.frames == source.frames
    found = open_recording([tmp_path / "out.mp4"])
    assert found.chapters[0].interlaced is None
    assert found.pts_index == pytest.approx(source.pts_index)
    with av.open(str(tmp_path / "out.mp4")) as out:
        luma = [frame.to_ndarray()[: frame.height].astype(float) for frame in out.decode(video=0)][12]
    if turn == 90:
        luma = luma.T
    comb = np.abs(luma[1:-1:2] - (luma[:-2:2] + luma[2::2]) / 2)
    even = np.abs(luma[2:-1:2] - (luma[1:-2:2] + luma[3::2]) / 2)[:-1]
    assert comb.mean() < 3
    assert even.mean() < 3
