"""What a decoded frame says of how it is to be shown."""

from __future__ import annotations

import math
import struct
from collections.abc import Callable, Iterable, Mapping, Sequence
from fractions import Fraction
from typing import Any, Literal, cast

import numpy as np
from av.filter import Graph
from av.sidedata.sidedata import SideData, SideDataContainer, Type
from av.video.frame import VideoFrame
from numpy.typing import NDArray

from overlay.recordings.recording import Colour

# Not frame.side_data, by which a frame and its data would hold each other, and all pictures of the decoder with them.
# Made of a frame, the container iterates over its data, whatever its stub says.
_side_data = cast("Callable[[VideoFrame], Iterable[SideData]]", SideDataContainer)


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
    for data in _side_data(frame):
        if data.type == Type.DISPLAYMATRIX:
            return bytes(data)
    return None


def field_order(frames: Sequence[VideoFrame]) -> Literal["top", "bottom"] | None:
    """The field shown first where most of the frames are interlaced, else None.

    A frame knows it, but only filters are told: the one that separates fields gives out the first one first.
    """
    laced = [frame for frame in frames if frame.interlaced_frame]
    if 2 * len(laced) <= len(frames):
        return None
    for frame in laced:
        luma = samples(frame, 0)
        top, bottom = luma[0::2], luma[1::2]
        if top.shape == bottom.shape and not np.array_equal(top, bottom):
            return "top" if np.array_equal(samples(_first_field(frame), 0), top) else "bottom"
    return "top"


def _first_field(frame: VideoFrame) -> VideoFrame:
    graph = Graph()
    source = graph.add_buffer(
        width=frame.width, height=frame.height, format=frame.format, time_base=frame.time_base or Fraction(1, 1000)
    )
    graph.link_nodes(source, graph.add("separatefields"), graph.add("buffersink")).configure()
    graph.vpush(frame)
    return graph.vpull()


def samples(frame: VideoFrame, index: int) -> NDArray[Any]:
    """A view of one plane (rows, columns), uint8 or, for deeper pictures, uint16; it lives as long as the frame."""
    plane = frame.planes[index]
    sample = np.dtype(np.uint8 if frame.format.components[index].bits <= 8 else "<u2")
    rows: NDArray[Any] = np.frombuffer(memoryview(plane), np.uint8).reshape(-1, plane.line_size)
    return rows[: plane.height, : plane.width * sample.itemsize].view(sample)


def colour(frame: VideoFrame) -> Colour:
    """Code points of ITU-T H.273, which the decoder's own numbers follow, and the range."""
    full = {1: False, 2: True}.get(int(frame.color_range))
    if full is None and frame.format.name.startswith("yuvj"):
        full = True
    return Colour(int(frame.color_primaries), int(frame.color_trc), int(frame.colorspace), full)
