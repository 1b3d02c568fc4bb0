"""Small recordings made by the tests, and panels that are easy to recognise."""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

from overlay.instruments.panel import Rect


class Block:
    """A panel of one colour that changes its shade once a second."""

    def __init__(self, rect: Rect, rgba: tuple[int, int, int, int] = (255, 0, 0, 255)) -> None:
        self.rect, self.rgba, self.drawn = rect, rgba, 0

    def shows(self, time_s: float) -> int:
        return int(time_s)

    def draw(self, time_s: float) -> np.ndarray:
        self.drawn += 1
        patch = np.empty((self.rect.height, self.rect.width, 4), np.uint8)
        alpha = self.rgba[3] / 255
        patch[...] = [round(c * alpha) for c in self.rgba[:3]] + [self.rgba[3]]
        return patch


@pytest.fixture
def block() -> type[Block]:
    return Block


def write_recording(
    path: Path,
    *,
    frames: int = 30,
    size: tuple[int, int] = (160, 96),
    pixel_format: str = "yuv420p",
    times: list[int] | None = None,
    time_base: Fraction = Fraction(1, 15360),
    rate: int = 30,
    sound: bool = True,
    options: dict[str, str] | None = None,
    sample_aspect: Fraction = Fraction(1),
    planes: tuple[int, int, int] | None = None,
) -> Path:
    """Frames whose luma rises by number, or all of the 8-bit values `planes`, with a sine of sound; returns the path."""
    with av.open(str(path), "w", options={"video_track_timescale": str(time_base.denominator)}) as out:
        video = out.add_stream("libx264", rate=rate)
        video.width, video.height = size
        video.pix_fmt = pixel_format
        video.codec_context.time_base = time_base
        video.codec_context.sample_aspect_ratio = sample_aspect
        video.options = {"preset": "ultrafast", "g": "10", **(options or {})}
        track = out.add_stream("aac", rate=48000, layout="mono") if sound else None
        ticks = times or [round(n / rate / time_base) for n in range(frames)]
        for number, pts in enumerate(ticks):
            frame = av.VideoFrame(*size, pixel_format)
            for plane, value in zip(frame.planes, planes or (40 + number % 150, 128, 128), strict=True):
                samples = plane.line_size * plane.height // (1 if "10" not in pixel_format else 2)
                kind = np.uint8 if "10" not in pixel_format else np.uint16
                plane.update(np.full(samples, value if kind == np.uint8 else value * 4, kind).tobytes())
            frame.pts, frame.time_base = pts, time_base
            out.mux(video.encode(frame))
        out.mux(video.encode(None))
        if track is not None:
            length = float(ticks[-1] * time_base) + 1 / rate
            tone = np.sin(2 * np.pi * 440 * np.arange(int(length * 48000)) / 48000).astype(np.float32)
            for start in range(0, len(tone) - 1023, 1024):
                sound_frame = av.AudioFrame.from_ndarray(tone[None, start : start + 1024], "fltp", "mono")
                sound_frame.sample_rate, sound_frame.pts = 48000, start
                out.mux(track.encode(sound_frame))
            out.mux(track.encode(None))
    return path


@pytest.fixture
def recorded() -> Callable[..., Path]:
    return write_recording
