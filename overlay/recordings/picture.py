"""What a decoded frame says of how it is to be shown."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterable, Mapping, Sequence
from typing import Literal, cast

from av.sidedata.sidedata import SideData, Type
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from overlay.recordings.recording import Colour

_BOTTOM_FIRST = (3, 4)  # AVFieldOrder by order of *display*: BB, and TB (top coded first, bottom displayed first)


def orientation(frame: VideoFrame, tags: Mapping[str, str]) -> tuple[int, bool]:
    """(clockwise turn in degrees, mirrored left–right before it) from the display matrix, else from a rotate tag.

    The matrix (ISO/IEC 14496-12, 8.3.2) maps a point as ``(x, y) · [[a, b], [c, d]]``, y downwards; its elements are
    16.16 fixed point. Mirroring shows as a negative determinant. Turns are rounded to quarters.
    """
    matrix = _display_matrix(frame)
    if matrix is None:
        tag = tags.get("rotate", "0")
        return (round(float(tag) / 90) * 90 % 360 if tag.lstrip("-").isdigit() else 0), False
    a, b, _, c, d = struct.unpack("<5i", matrix[:20])
    mirrored = a * d - b * c < 0
    turn = math.degrees(math.atan2(-b, -a) if mirrored else math.atan2(b, a))
    return round(turn / 90) * 90 % 360, mirrored


def _display_matrix(frame: VideoFrame) -> bytes | None:
    for data in cast("Iterable[SideData]", frame.side_data):  # iterates over the data, whatever its stub says
        if data.type == Type.DISPLAYMATRIX:
            return bytes(data)
    return None


def field_order(frames: Sequence[VideoFrame], stream: VideoStream) -> Literal["top", "bottom"] | None:
    """The field shown first where most of the frames are interlaced, else None."""
    if 2 * sum(frame.interlaced_frame for frame in frames) <= len(frames):
        return None
    return "bottom" if stream.codec_context.field_order in _BOTTOM_FIRST else "top"


def colour(frame: VideoFrame) -> Colour:
    """Code points of ITU-T H.273, which the decoder's own numbers follow, and the range."""
    full = {1: False, 2: True}.get(int(frame.color_range))
    if full is None and frame.format.name.startswith("yuvj"):
        full = True
    return Colour(int(frame.color_primaries), int(frame.color_trc), int(frame.colorspace), full)
