"""What was rendered is reopened and measured: frames, times, colours, sound, marks; the target is all or nothing."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import imageio_ffmpeg
import numpy as np
import pytest

from overlay.clock import AffineClock
from overlay.errors import OutputError, UsageError
from overlay.instruments.panel import Rect
from overlay.recordings import open_recording
from overlay.render.encoder import Encoder
from overlay.render.footage import Whole
from overlay.render.inset import Inset
from overlay.render.pipeline import Mark, Review, render, still

Recorded = Callable[..., Path]
LOSSLESS = Encoder(options={"qp": "0", "preset": "ultrafast"})


def video_times(path: Path) -> list[Fraction]:
    with av.open(str(path)) as source:
        return [frame.pts * frame.time_base for frame in source.decode(video=0)]


def frames_of(path: Path) -> list[np.ndarray]:
    with av.open(str(path)) as source:
        return [frame.to_ndarray() for frame in source.decode(video=0)]


def review(path: Path, *panels: object, **more: object) -> Review:
    return Review(Whole(open_recording([path])), AffineClock(0.0), panels, **more)  # type: ignore[arg-type]


def test_every_frame_keeps_its_time(tmp_path: Path, recorded: Recorded, block: type) -> None:
    source = recorded(tmp_path / "in.mp4", frames=75)
    done = render(review(source, block(Rect(10, 10, 40, 30))), tmp_path / "out.mp4")
    assert done.frames == 75
    assert video_times(tmp_path / "out.mp4") == video_times(source)


def test_varying_intervals_are_kept(tmp_path: Path, recorded: Recorded, block: type) -> None:
    rng = np.random.default_rng(5)
    ticks = np.cumsum(rng.integers(200, 1400, 60)).tolist()
    ticks = [0, *ticks]
    source = recorded(tmp_path / "in.mp4", times=ticks, sound=False)
    render(review(source, block(Rect(0, 0, 40, 30))), tmp_path / "out.mkv")
    render(review(source, block(Rect(0, 0, 40, 30))), tmp_path / "out.mp4")
    wanted = video_times(source)
    assert video_times(tmp_path / "out.mp4") == wanted
    rounded = video_times(tmp_path / "out.mkv")  # Matroska counts milliseconds
    assert max(abs(a - b) for a, b in zip(rounded, wanted, strict=True)) <= Fraction(1, 1000)


@pytest.mark.parametrize("pixel_format", ["yuv420p", "yuv422p", "yuv420p10le"])
def test_untouched_area_is_bit_identical_at_lossless_settings(
    tmp_path: Path, recorded: Recorded, block: type, pixel_format: str
) -> None:
    source = recorded(tmp_path / "in.mp4", pixel_format=pixel_format, sound=False)
    panel = block(Rect(20, 20, 40, 30), (255, 255, 255, 255))
    render(review(source, panel, encoder=LOSSLESS), tmp_path / "out.mp4")
    pairs = list(zip(frames_of(source), frames_of(tmp_path / "out.mp4"), strict=True))
    assert len(pairs) == 30
    for before, after in pairs:
        luma_in, luma_out = before[:96].copy(), after[:96].copy()
        assert (luma_out[20:50, 20:60] >= 235 * (4 if "10" in pixel_format else 1)).all()
        luma_in[20:50, 20:60] = luma_out[20:50, 20:60] = 0
        assert np.array_equal(luma_in, luma_out)


def test_only_the_asked_window_is_written_and_begins_at_zero(tmp_path: Path, recorded: Recorded, block: type) -> None:
    source = recorded(tmp_path / "in.mp4", frames=90)
    done = render(review(source), tmp_path / "out.mp4", start_s=1.0, end_s=2.0)
    assert done.frames == 30
    assert video_times(tmp_path / "out.mp4") == video_times(source)[:30]
    first = frames_of(tmp_path / "out.mp4")[0][:96].mean()
    assert first == pytest.approx(40 + 30, abs=1.5)


def packets_of(path: Path) -> list[tuple[Fraction, bytes]]:
    with av.open(str(path)) as source:
        return [(p.pts * p.time_base, bytes(p)) for p in source.demux(audio=0) if p.pts is not None]


@pytest.mark.parametrize("suffix", [".mp4", ".mov", ".mkv"])
def test_sound_is_copied_packet_for_packet_in_step(tmp_path: Path, recorded: Recorded, suffix: str) -> None:
    source = recorded(tmp_path / "in.mp4", frames=90)
    out = tmp_path / f"out{suffix}"
    render(review(source), out)
    before, after = packets_of(source), packets_of(out)
    if suffix == ".mkv":  # which has no room for the codec's run-in before zero
        before = [packet for packet in before if packet[0] >= 0]
    assert [data for _, data in before] == [data for _, data in after]
    assert max(abs(a[0] - b[0]) for a, b in zip(before, after, strict=True)) <= Fraction(1, 1000)


def test_sound_of_a_window_stays_in_step(tmp_path: Path, recorded: Recorded) -> None:
    source = recorded(tmp_path / "in.mp4", frames=90)
    render(review(source), tmp_path / "out.mp4", start_s=1.0, end_s=2.0)
    by_content = {data: time for time, data in packets_of(source)}
    cut = packets_of(tmp_path / "out.mp4")
    assert len(cut) > 40
    shifts = [by_content[data] - time for time, data in cut]
    assert max(abs(shift - 1) for shift in shifts) <= Fraction(1, 1000)


def test_chapters_are_joined_on_one_clock_with_sound(tmp_path: Path, recorded: Recorded) -> None:
    paths = [recorded(tmp_path / f"in{n}.mp4", frames=30) for n in range(3)]
    recording = open_recording(paths)
    render(Review(Whole(recording), AffineClock(0.0)), tmp_path / "out.mp4")
    assert [float(t) for t in video_times(tmp_path / "out.mp4")] == pytest.approx(
        recording.pts_index.tolist(), abs=1e-4
    )
    assert len(packets_of(tmp_path / "out.mp4")) == sum(len(packets_of(path)) for path in paths)


def test_legs_become_chapter_marks(tmp_path: Path, recorded: Recorded) -> None:
    source = recorded(tmp_path / "in.mp4", frames=90)
    marks = [Mark("Out", 0.0, 1.5), Mark("Home", 1.5, 3.0), Mark("Later", 5.0, 6.0)]
    render(review(source, marks=marks, title="A flight"), tmp_path / "out.mp4")
    with av.open(str(tmp_path / "out.mp4")) as out:
        found = [
            (c["metadata"]["title"], c["start"] * c["time_base"], c["end"] * c["time_base"]) for c in out.chapters()
        ]
        assert out.metadata["title"] == "A flight"
    assert [(title, float(a), float(b)) for title, a, b in found] == [("Out", 0.0, 1.5), ("Home", 1.5, 3.0)]


def test_colour_description_and_pixel_shape_are_carried(tmp_path: Path, recorded: Recorded, block: type) -> None:
    source = recorded(
        tmp_path / "in.mp4",
        options={"x264-params": "colorprim=bt709:transfer=bt709:colormatrix=bt709:fullrange=on"},
        sample_aspect=Fraction(4, 3),
    )
    render(review(source, block(Rect(10, 10, 40, 30))), tmp_path / "out.mp4")
    with av.open(str(tmp_path / "out.mp4")) as out:
        context = out.streams.video[0].codec_context
        assert (context.color_primaries, context.color_trc, context.colorspace, context.color_range) == (1, 1, 1, 2)
        assert context.sample_aspect_ratio == Fraction(4, 3)


def turned(source: Path, target: Path, degrees: int) -> Path:
    """The same file with a display matrix, written by the ffmpeg program."""
    program = imageio_ffmpeg.get_ffmpeg_exe()
    order = [program, "-v", "error", "-display_rotation", str(-degrees), "-i", str(source), "-c", "copy", str(target)]
    subprocess.run(order, check=True, stdin=subprocess.DEVNULL, timeout=60)
    return target


@pytest.mark.parametrize(("degrees", "size"), [(90, (96, 160)), (180, (160, 96)), (270, (96, 160))])
def test_a_turned_recording_comes_out_upright(
    tmp_path: Path, recorded: Recorded, block: type, degrees: int, size: tuple[int, int]
) -> None:
    source = turned(recorded(tmp_path / "in.mp4"), tmp_path / "turned.mp4", degrees)
    recording = open_recording([source])
    assert (recording.width, recording.height) == size
    render(
        Review(Whole(recording), AffineClock(0.0), [block(Rect(2, 4, 20, 10), (255, 255, 255, 255))]),
        tmp_path / "out.mp4",
    )
    first = frames_of(tmp_path / "out.mp4")[0]
    assert first.shape[1] == size[0]
    assert (first[4:14, 2:22] > 225).all(), "the panel stands at the top left of the upright picture"
    assert first[20:60, 30:60].mean() < 100


def test_the_inset_shows_the_frame_of_the_same_moment(tmp_path: Path, recorded: Recorded) -> None:
    camera = recorded(tmp_path / "camera.mp4", frames=60, sound=False)
    ground = recorded(tmp_path / "ground.mp4", frames=60, sound=False)
    rect = Rect(80, 48, 40, 24)
    # the ground recording began half a second after the onboard one
    inset = Inset(open_recording([ground]), AffineClock(0.5), rect)
    render(review(camera, inset=inset, encoder=LOSSLESS), tmp_path / "out.mp4")
    shown = [frame[52:68, 84:116].mean() for frame in frames_of(tmp_path / "out.mp4")]
    assert max(shown[:15]) - min(shown[:15]) < 0.1, "a plate that says so, and nothing of either recording"
    for number, luma in enumerate(shown[15:]):
        assert luma == pytest.approx(40 + number, abs=1.5), f"frame {number}"


def test_panels_are_drawn_again_only_when_they_change(tmp_path: Path, recorded: Recorded, block: type) -> None:
    panel = block(Rect(0, 0, 20, 10))
    render(review(recorded(tmp_path / "in.mp4", frames=90), panel), tmp_path / "out.mp4")
    assert panel.drawn == 3


def test_a_still_is_the_frame_on_show(tmp_path: Path, recorded: Recorded, block: type) -> None:
    source = recorded(tmp_path / "in.mp4", frames=60, sample_aspect=Fraction(4, 3), sound=False)
    picture = still(review(source, block(Rect(4, 4, 40, 30), (255, 255, 255, 255))), 1.52)
    assert picture.size == (214, 96)
    pixels = np.asarray(picture.convert("L"))
    assert pixels[80, 200] == pytest.approx((40 + 45 - 16) / 219 * 255, abs=2)
    assert pixels[12, 12] >= 250


def test_an_existing_output_is_refused_and_kept(tmp_path: Path, recorded: Recorded) -> None:
    source = recorded(tmp_path / "in.mp4")
    (tmp_path / "out.mp4").write_text("mine")
    with pytest.raises(UsageError, match="--overwrite"):
        render(review(source), tmp_path / "out.mp4")
    assert (tmp_path / "out.mp4").read_text() == "mine"
    with pytest.raises(UsageError):
        render(review(source), source, overwrite=True)


def test_a_failing_panel_leaves_nothing_behind(tmp_path: Path, recorded: Recorded) -> None:
    class Broken:
        rect = Rect(0, 0, 20, 10)

        def shows(self, time_s: float) -> int:
            if time_s > 0.5:
                raise RuntimeError("broken")
            return 0

        def draw(self, time_s: float) -> np.ndarray:
            return np.zeros((10, 20, 4), np.uint8)

    source = recorded(tmp_path / "in.mp4")
    with pytest.raises(RuntimeError, match="broken"):
        render(review(source, Broken()), tmp_path / "out.mp4")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["in.mp4"]


def test_a_folder_that_cannot_be_written_is_named(tmp_path: Path, recorded: Recorded) -> None:
    source = recorded(tmp_path / "in.mp4")
    with pytest.raises((OutputError, UsageError), match="nowhere"):
        render(review(source), tmp_path / "nowhere" / "out.mp4")


def test_unknown_suffix_names_the_known_ones(tmp_path: Path, recorded: Recorded) -> None:
    source = recorded(tmp_path / "in.mp4")
    with pytest.raises(UsageError, match=r"\.mp4, \.mov, \.mkv"):
        render(review(source), tmp_path / "out.gif")
