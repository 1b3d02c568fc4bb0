"""Reduced luma for analysis, native planes for grading: the decoded planes themselves, never a full RGB frame."""

from __future__ import annotations

from collections.abc import Generator
from fractions import Fraction
from typing import Any, NamedTuple

import cv2
import numpy as np
from av.video.frame import VideoFrame
from numpy.typing import NDArray

from overlay.errors import Damage
from overlay.recordings.decoding import decode
from overlay.recordings.picture import samples
from overlay.recordings.recording import Chapter, Recording

Bytes = NDArray[np.uint8]
Samples = NDArray[Any]  # uint8, or uint16 for deeper pictures

_TURNS = {90: cv2.ROTATE_90_CLOCKWISE, 180: cv2.ROTATE_180, 270: cv2.ROTATE_90_COUNTERCLOCKWISE}


class Planes(NamedTuple):
    """One frame at native resolution, 8 bits: `y` (H, W), `u` and `v` subsampled as coded: views of the decoder's memory.

    `corrupt`: the decoder itself doubted the frame. `interlaced`: it holds two fields. `number`: counted from 0.
    """

    time_s: float
    y: Bytes
    u: Bytes
    v: Bytes
    corrupt: bool
    interlaced: bool
    number: int


def grey(
    recording: Recording,
    width: int = 320,
    start_s: float | Fraction | None = None,
    end_s: float | Fraction | None = None,
    *,
    keyframes_only: bool = False,
    threads: int = 0,
    damage: list[Damage] | None = None,
) -> Generator[tuple[float, Bytes]]:
    """Yield (time_s, luma (H, width)) of each frame: upright, square pixels, area-averaged, 8 bits.

    The range (full or limited) stays as coded; see `Chapter.colour`. Of interlaced frames only the first field is used.
    """
    size = (width, max(2, round(width * recording.height / recording.width)))
    pictures = decode(recording, start_s, end_s, keyframes_only=keyframes_only, threads=threads, damage=damage)
    for picture in pictures:
        yield float(picture.time), _upright(picture.frame, recording.chapters[picture.chapter], size)


def planes(
    recording: Recording,
    start_s: float | Fraction | None = None,
    end_s: float | Fraction | None = None,
    *,
    threads: int = 0,
    damage: list[Damage] | None = None,
) -> Generator[Planes]:
    """Yield every frame's planes at native resolution, as coded (not turned), deeper samples cut to 8 bits."""
    for time, frame, _, number in decode(recording, start_s, end_s, threads=threads, damage=damage):
        planar = _planar(frame)
        y, u, v = (_eight_bits(samples(planar, k), planar) for k in range(3))
        yield Planes(float(time), y, u, v, frame.is_corrupt, frame.interlaced_frame, number)


def _upright(frame: VideoFrame, chapter: Chapter, size: tuple[int, int]) -> Bytes:
    planar = _planar(frame)
    luma = samples(planar, 0)
    if chapter.interlaced:
        luma = luma[1 if chapter.interlaced == "bottom" else 0 :: 2]
    turned = size[::-1] if chapter.rotation_deg % 180 else size
    small = _eight_bits(_reduced(luma, turned), planar)
    if chapter.hflip:
        small = np.ascontiguousarray(small[:, ::-1])
    return np.asarray(cv2.rotate(small, _TURNS[chapter.rotation_deg]) if chapter.rotation_deg else small, np.uint8)


def _reduced(luma: Samples, size: tuple[int, int]) -> Samples:
    """Area averages. Halving is vectorised, so it goes first: where that changes nothing, or next to nothing."""
    while _may_halve(luma.shape[1], size[0]) and _may_halve(luma.shape[0], size[1]):
        luma = cv2.resize(luma, (luma.shape[1] // 2, luma.shape[0] // 2), interpolation=cv2.INTER_AREA)
    return cv2.resize(luma, size, interpolation=cv2.INTER_AREA)


def _may_halve(have: int, want: int) -> bool:
    """Whether areas then still consist of whole pixels, or of so many that the shared ones at their edges are few."""
    return have % 2 == 0 and (have % (2 * want) == 0 or have >= 8 * want)


def _planar(frame: VideoFrame) -> VideoFrame:
    """The frame itself where it has three planes of little-endian samples, as nearly every recording has."""
    shape = frame.format
    if shape.is_planar and not shape.is_rgb and not shape.is_big_endian and len(frame.planes) == 3:
        return frame
    return frame.reformat(format="yuv444p")


def _eight_bits(values: Samples, frame: VideoFrame) -> Bytes:
    depth = frame.format.components[0].bits
    return values if depth <= 8 else (values >> (depth - 8)).astype(np.uint8)
