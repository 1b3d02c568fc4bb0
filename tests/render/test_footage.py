"""Both recordings on one canvas, and none at all: reopened and measured."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from overlay.clock import AffineClock
from overlay.instruments.palette import PALETTES
from overlay.instruments.panel import Rect
from overlay.recordings import open_recording
from overlay.render.encoder import Encoder
from overlay.render.footage import Plain, Staged
from overlay.render.inset import Inset
from overlay.render.pipeline import Review, render, still
from overlay.render.stage import Stage

Recorded = Callable[..., Path]
LOSSLESS = Encoder(options={"qp": "0", "preset": "ultrafast"})
CALM = PALETTES["calm"]
SIZE, LEFT, RIGHT = (320, 128), Rect(4, 16, 160, 96), Rect(172, 16, 128, 96)


def frames_of(path: Path) -> list[tuple[Fraction, np.ndarray]]:
    with av.open(str(path)) as source:
        return [(frame.pts * frame.time_base, frame.to_ndarray()[: frame.height]) for frame in source.decode(video=0)]


def middle(luma: np.ndarray, rect: Rect) -> np.ndarray:
    return luma[rect.y + 4 : rect.y + rect.height - 4, rect.x + 4 : rect.x + rect.width - 4].astype(float)


def is_plate(luma: np.ndarray, rect: Rect) -> bool:
    """Dark, with words on it."""
    shown = middle(luma, rect)
    return bool(np.median(shown) < 36 and np.ptp(shown) > 60)


def test_two_recordings_stand_side_by_side_in_step(tmp_path: Path, recorded: Recorded) -> None:
    """Sizes, shapes and rates differ; the ground's begins before the camera's and ends after it."""
    camera = open_recording([recorded(tmp_path / "camera.mp4", frames=60, rate=30)])
    ground = open_recording([recorded(tmp_path / "ground.mp4", frames=100, rate=25, size=(96, 72), sound=False)])
    clock, other = (
        AffineClock(1000.0),
        AffineClock(999.0),
    )  # seconds 0 … 2 of the camera are 1 … 3 of the ground's 0 … 4
    footage = Staged(camera, Stage(*SIZE, LEFT), CALM, Fraction(-1), Fraction(3))
    review = Review(footage, clock, (), Inset(ground, other, RIGHT, CALM), encoder=LOSSLESS)
    done = render(review, tmp_path / "out.mp4")
    found = frames_of(tmp_path / "out.mp4")
    assert done.frames == len(found) == 120
    assert [time for time, _ in found] == [Fraction(n, 30) for n in range(120)]
    assert np.allclose(footage.times_s, np.arange(-30, 90) / 30)
    for number, (_, luma) in enumerate(found):
        at = Fraction(number - 30, 30)  # on the camera's clock
        if 0 <= at < 2:
            assert middle(luma, LEFT).mean() == pytest.approx(40 + number - 30, abs=1), number
        else:
            assert is_plate(luma, LEFT), number
        assert middle(luma, RIGHT).mean() == pytest.approx(40 + int((at + 1) * 25), abs=1), number
        assert np.ptp(luma[:12]) == 0, "the canvas is plain elsewhere"
    with av.open(str(tmp_path / "out.mp4")) as out:
        first = next(packet for packet in out.demux(audio=0) if packet.pts is not None and packet.pts >= 0)
        assert float(first.pts * first.time_base) == pytest.approx(1.0, abs=0.03), "sound begins with the camera"


def test_the_ground_recording_may_be_missing_part_of_the_time(tmp_path: Path, recorded: Recorded) -> None:
    camera = open_recording([recorded(tmp_path / "camera.mp4", frames=90, sound=False)])
    ground = open_recording([recorded(tmp_path / "ground.mp4", frames=30, size=(96, 72), sound=False)])
    footage = Staged(camera, Stage(*SIZE, LEFT), CALM, Fraction(1), Fraction(2))
    review = Review(footage, AffineClock(0.0), (), Inset(ground, AffineClock(1.0), RIGHT, CALM), encoder=LOSSLESS)
    render(review, tmp_path / "out.mp4")
    found = frames_of(tmp_path / "out.mp4")
    assert len(found) == 90
    for number, (_, luma) in enumerate(found):
        assert middle(luma, LEFT).mean() == pytest.approx(40 + number, abs=1)
        assert is_plate(luma, RIGHT) == (not 30 <= number < 60), number


def test_a_part_of_both_begins_with_the_frame_on_show(tmp_path: Path, recorded: Recorded) -> None:
    camera = open_recording([recorded(tmp_path / "camera.mp4", frames=60, sound=False)])
    footage = Staged(camera, Stage(*SIZE, LEFT), CALM, Fraction(-1), Fraction(3))
    assert footage.window(None, None) == (Fraction(-1), Fraction(3))
    assert footage.window(0.0, 1.0) == (Fraction(0), Fraction(1))
    assert footage.window(2.51, None) == (Fraction(75, 30), Fraction(3))
    review = Review(footage, AffineClock(0.0), encoder=LOSSLESS)
    done = render(review, tmp_path / "out.mp4", start_s=1.99, end_s=2.2)
    assert done.frames == 7
    lumas = [luma for _, luma in frames_of(tmp_path / "out.mp4")]
    assert middle(lumas[0], LEFT).mean() == pytest.approx(40 + 59, abs=1)
    assert all(is_plate(luma, LEFT) for luma in lumas[1:])
    assert still(review, 2.5).size == SIZE


@pytest.mark.parametrize("rate", [Fraction(25), Fraction(30000, 1001), Fraction(60)])
def test_instruments_over_a_plain_ground(tmp_path: Path, block: type, rate: Fraction) -> None:
    footage = Plain((256, 144), rate, 50 / rate)
    panel = block(Rect(20, 20, 40, 30), (255, 255, 255, 255))
    done = render(Review(footage, AffineClock(500.0), (panel,), encoder=LOSSLESS), tmp_path / "out.mp4")
    found = frames_of(tmp_path / "out.mp4")
    assert done.frames == len(found) == len(footage.times_s) == 50
    assert done.notes == (), "no sound was to be had, and none was lost"
    assert [time for time, _ in found] == [n / rate for n in range(50)]
    for _, luma in found:
        assert (luma[20:50, 20:60] == 235).all()
        luma[20:50, 20:60] = luma[0, 0]
        assert (luma == luma[0, 0]).all()
    with av.open(str(tmp_path / "out.mp4")) as out:
        context = out.streams.video[0].codec_context
        assert out.streams.video[0].average_rate == rate
        assert (context.color_primaries, context.color_trc, context.colorspace, context.color_range) == (1, 1, 1, 1)


def test_a_part_of_a_plain_ground(tmp_path: Path) -> None:
    footage = Plain((256, 144), Fraction(25), Fraction(10))
    assert footage.window(1.01, 2.0) == (Fraction(1), Fraction(2))
    assert footage.window(99.0, None) == (Fraction(249, 25), Fraction(10))
    done = render(Review(footage, AffineClock(0.0)), tmp_path / "out.mkv", start_s=1.01, end_s=2.0)
    assert done.frames == 25
    done = render(
        Review(Plain((256, 144), Fraction(30), Fraction(10)), AffineClock(0.0)), tmp_path / "b.mp4", end_s=1.1
    )
    assert done.frames == 33, "1.1 s is a little more as a float"
