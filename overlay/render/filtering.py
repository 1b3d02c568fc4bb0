"""Pictures through libavfilter: as many come out as went in, each with its own time and number."""

from __future__ import annotations

from collections import deque
from collections.abc import Generator, Iterable, Iterator, Sequence
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING

from overlay.recordings import Picture, Recording
from overlay.render.colour import Encoding
from overlay.render.tone import table

if TYPE_CHECKING:
    from av import VideoFrame
    from av.filter import Graph

_TURNS = {0: (), 90: ("transpose=clock",), 180: ("hflip", "vflip"), 270: ("transpose=cclock",)}
_MATRICES = {1: "bt709", 5: "bt470bg", 6: "smpte170m", 9: "bt2020nc"}  # names of the H.273 codes
_PIXEL_FORMATS = {
    (8, (1, 1)): "yuv420p", (8, (1, 0)): "yuv422p", (8, (0, 0)): "yuv444p",
    (10, (1, 1)): "yuv420p10le", (10, (1, 0)): "yuv422p10le", (10, (0, 0)): "yuv444p10le",
}  # fmt: skip


def turns(recording: Recording) -> tuple[str, ...]:
    """Filters that show a recording upright; none where it is."""
    first = recording.chapters[0]
    return (*(("hflip",) if first.hflip else ()), *_TURNS[first.rotation_deg])


def deinterlacing(recording: Recording) -> tuple[str, ...]:
    """Filters that make whole pictures of an interlaced recording's fields: one of each, at the first field's time.

    Whatever scales or turns a picture would mix the lines of two moments.
    """
    first = recording.chapters[0].interlaced
    parity = {"top": "tff", "bottom": "bff"}
    return (f"bwdif=mode=send_frame:parity={parity[first]}:deint=interlaced",) if first else ()


def scaling(recording: Recording, size: tuple[int, int], source: Encoding, target: Encoding) -> tuple[str, ...]:
    """Filters from a recording's upright pictures, coded as `source`, to pictures of `size` coded as `target`.

    `target` is of standard dynamic range.
    """
    width, height = size
    kernel = "area" if width < recording.width else "bicubic"
    ranges = {False: "limited", True: "full"}
    told = f"in_color_matrix={_MATRICES[source.matrix]}:in_range={ranges[source.full_range]}"
    wanted = f"out_color_matrix={_MATRICES[target.matrix]}:out_range={ranges[target.full_range]}"
    scale = f"scale=w={width}:h={height}:flags={kernel}+accurate_rnd+full_chroma_int:{told}"
    pixel_format = f"format={_PIXEL_FORMATS[target.bits, target.subsampling]}"
    if source.hdr is None:
        return (f"{scale}:{wanted}", pixel_format)
    mapped = f"lut3d=file={table(source.hdr)}:interp=tetrahedral"
    return (scale, "format=gbrp16le", mapped, f"scale=flags=accurate_rnd+full_chroma_int:{wanted}", pixel_format)


def filtered(pictures: Iterable[Picture], steps: Sequence[str]) -> Generator[Picture]:
    """Push pictures through filters that give one for each, though perhaps later; without steps they pass untouched."""
    if not steps:
        yield from pictures
        return
    graph: Graph | None = None
    shape: tuple[int, int, str] | None = None
    waiting: deque[Picture] = deque()
    for picture in pictures:
        frame = picture.frame
        if shape != (frame.width, frame.height, frame.format.name):
            if graph is not None:
                yield from _drained(graph, waiting)
            graph, shape = _graph(frame, steps), (frame.width, frame.height, frame.format.name)
        assert graph is not None
        frame.pts, frame.time_base = picture.number, Fraction(1)  # chapters begin anew; filters want rising stamps
        waiting.append(picture)
        graph.vpush(frame)
        yield from _pulled(graph, waiting)
    if graph is not None:
        yield from _drained(graph, waiting)


def _drained(graph: Graph, waiting: deque[Picture]) -> Iterator[Picture]:
    graph.vpush(None)
    yield from _pulled(graph, waiting)


def _pulled(graph: Graph, waiting: deque[Picture]) -> Iterator[Picture]:
    from av.error import BlockingIOError, EOFError

    while waiting:
        try:
            frame = graph.vpull()
        except (BlockingIOError, EOFError):
            return
        yield waiting.popleft()._replace(frame=frame)


def _graph(frame: VideoFrame, steps: Sequence[str]) -> Graph:
    import av.filter

    graph = av.filter.Graph()
    nodes = [graph.add_buffer(width=frame.width, height=frame.height, format=frame.format, time_base=Fraction(1))]
    for step in steps:
        name, _, arguments = step.partition("=")
        nodes.append(graph.add(name, arguments or None))
    nodes.append(graph.add("buffersink"))
    for left, right in pairwise(nodes):
        left.link_to(right)
    graph.configure()
    return graph
