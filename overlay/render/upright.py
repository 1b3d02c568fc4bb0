"""Frames as they are to be seen: turned upright, so that the review needs no rotation tag and every player agrees."""

from __future__ import annotations

from collections.abc import Generator, Iterable
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING

from overlay.errors import RecordingError
from overlay.recordings import Picture, Recording
from overlay.render.raster import Raster

if TYPE_CHECKING:
    from av import VideoFrame
    from av.filter import Graph

_TURNS = {0: (), 90: ("transpose=clock",), 180: ("hflip", "vflip"), 270: ("transpose=cclock",)}


def raster_of(recording: Recording) -> Raster:
    """Size and pixel shape of the upright coded picture. Raises RecordingError when the chapters differ in them."""
    first = recording.chapters[0]
    for chapter in recording.chapters[1:]:
        if (chapter.width, chapter.height, chapter.pixel_format, chapter.rotation_deg) != (
            first.width,
            first.height,
            first.pixel_format,
            first.rotation_deg,
        ):
            found = f"{chapter.width}×{chapter.height} {chapter.pixel_format}, turned {chapter.rotation_deg}°"
            wanted = f"{first.width}×{first.height} {first.pixel_format}, turned {first.rotation_deg}°"
            raise RecordingError(
                chapter.path, found, f"chapters of one recording must agree; the first one is {wanted}"
            )
    if first.rotation_deg % 180:
        return Raster(first.height, first.width, 1 / Fraction(first.sample_aspect))
    return Raster(first.width, first.height, Fraction(first.sample_aspect))


def upright(pictures: Iterable[Picture], recording: Recording) -> Generator[Picture]:
    """The same pictures turned upright; passed through untouched where nothing is to be done."""
    first = recording.chapters[0]
    steps = (*(("hflip",) if first.hflip else ()), *_TURNS[first.rotation_deg])
    if not steps:
        yield from pictures
        return
    graph: Graph | None = None
    for picture in pictures:
        if graph is None:
            graph = _graph(picture.frame, steps)
        graph.push(picture.frame)
        yield picture._replace(frame=graph.vpull())


def _graph(frame: VideoFrame, steps: tuple[str, ...]) -> Graph:
    import av.filter

    graph = av.filter.Graph()
    source = graph.add_buffer(
        width=frame.width, height=frame.height, format=frame.format, time_base=frame.time_base or Fraction(1, 1000)
    )
    nodes = [source]
    for step in steps:
        name, _, arguments = step.partition("=")
        nodes.append(graph.add(name, arguments or None))
    nodes.append(graph.add("buffersink"))
    for left, right in pairwise(nodes):
        left.link_to(right)
    graph.configure()
    return graph
