"""A recording whose pictures carry their own number as black and white squares, with a click of sound on some of them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np
import pytest

SIZE, BITS, SQUARE = (384, 216), 12, 32
RATE_HZ = 48_000


def write_numbered(
    path: Path,
    frames: int = 200,
    *,
    ticks: Sequence[int] | None = None,
    time_base: Fraction = Fraction(1, 12800),
    rate: int = 25,
    clicks: Sequence[int] = (),
    level: float = 0.02,
    sound: bool = True,
) -> Path:
    """Picture n has n in binary in its second row of squares; a click lies at the time of each picture in `clicks`."""
    stamps = list(ticks) if ticks is not None else [round(n / rate / time_base) for n in range(frames)]
    length_s = float(stamps[-1] * time_base) + 1 / rate
    with av.open(str(path), "w", options={"video_track_timescale": str(time_base.denominator)}) as out:
        video = out.add_stream("libx264", rate=rate)
        video.width, video.height = SIZE
        video.pix_fmt, video.options = "yuv420p", {"preset": "ultrafast", "g": "25"}
        video.codec_context.time_base = time_base
        track = out.add_stream("aac", rate=RATE_HZ, layout="mono") if sound else None
        for number, stamp in enumerate(stamps):
            grey = np.full((SIZE[1] * 3 // 2, SIZE[0]), 128, np.uint8)
            for bit in range(BITS):
                box = grey[SQUARE : 2 * SQUARE, bit * SQUARE : (bit + 1) * SQUARE]
                box[...] = 220 if number >> bit & 1 else 30
            frame = av.VideoFrame.from_ndarray(grey, format="yuv420p")
            frame.pts, frame.time_base = stamp, time_base
            out.mux(video.encode(frame))
        out.mux(video.encode(None))
        if track is not None:
            t = np.arange(int(length_s * RATE_HZ)) / RATE_HZ
            heard = (level * np.sin(2 * np.pi * 440 * t)).astype(np.float32)
            for number in clicks:
                at = round(float(stamps[number] * time_base) * RATE_HZ)
                heard[at : at + 240] = 0.5 * np.sign(np.sin(2 * np.pi * 2000 * t[:240]))
            for start in range(0, len(heard) - 1023, 1024):
                part = av.AudioFrame.from_ndarray(heard[None, start : start + 1024], "fltp", "mono")
                part.sample_rate, part.pts = RATE_HZ, start
                out.mux(track.encode(part))
            out.mux(track.encode(None))
    return path


def number_in(frame: av.VideoFrame) -> int | None:
    """The number that a picture carries; None for the title card, which has no white square nor black one."""
    grey = frame.to_ndarray(format="gray")
    share = grey.shape[1] / SIZE[0]
    at = [grey[int(1.5 * SQUARE * share), int((bit + 0.5) * SQUARE * share)] for bit in range(BITS)]
    if max(at) < 80 and np.ptp(grey[: int(SQUARE * share)]) < 8:
        return None
    return sum(1 << bit for bit, value in enumerate(at) if value > 128)


@pytest.fixture(scope="session")
def numbered() -> Callable[..., Path]:
    return write_numbered


@pytest.fixture(scope="session")
def read_number() -> Callable[[av.VideoFrame], int | None]:
    return number_in
