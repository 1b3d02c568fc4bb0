"""The instruments alone on a transparent ground, for people who lay them over the recording in an editor.

Alpha is written *straight* (colour not multiplied by it), as PNG prescribes and editors expect of the others.
"""

from __future__ import annotations

import os
import re
import time
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import numpy as np
from numpy.typing import NDArray

from overlay.clock import AffineClock
from overlay.errors import OutputError, UsageError
from overlay.instruments.panel import Panel
from overlay.output import writing, writing_folder
from overlay.render.encoder import Encoder
from overlay.render.footage import Footage
from overlay.render.segments import Progress
from overlay.render.sink import Sink
from overlay.render.straight import put

if TYPE_CHECKING:
    import av

Form = TypeVar("Form")
SEQUENCE = re.compile(r"frame-\d{6}\.png")


@dataclass(frozen=True)
class Kind:
    """A way to write alpha. `suffix` "": a folder of pictures, one a frame. `shared_chroma`: between pixels."""

    suffix: str
    encoder: Encoder
    pixel_format: str
    shared_chroma: bool = False


KINDS = {
    "prores": Kind(".mov", Encoder("prores_ks", {"profile": "4444", "alpha_bits": "16"}), "yuva444p10le"),
    "animation": Kind(".mov", Encoder("qtrle", {}), "argb"),
    "png": Kind("", Encoder("png", {"compression_level": "2", "pred": "mixed"}), "rgba"),
    "vp9": Kind(
        ".webm",
        Encoder("libvpx-vp9", {"crf": "24", "b": "0", "cpu-used": "5", "row-mt": "1"}),
        "yuva420p",
        shared_chroma=True,
    ),
}


@dataclass(frozen=True)
class Grid:
    """When frames are due: integer `pts` on `time_base`, zero at the footage's own zero, and the nominal rate."""

    pts: Sequence[int]
    time_base: Fraction
    frame_rate: Fraction


def grid_of(footage: Footage, start_s: float | None = None, end_s: float | None = None) -> Grid:
    """The frame times of footage, or of a part of it, so that the result lies over it frame by frame."""
    begin, stop = footage.window(start_s, end_s)
    time_base, rate = footage.format.time_base, footage.format.frame_rate
    ticks = np.rint(footage.times_s / float(time_base)).astype(np.int64)
    first, last = round(begin / time_base), float(stop / time_base) - 1e-3  # what a time given as a float may be off
    return Grid(ticks[(ticks >= first) & (ticks < last)].tolist(), time_base, rate)


@dataclass(frozen=True)
class Written:
    """What was written. `frame_rate` is the nominal one, which a sequence of pictures does not tell itself."""

    path: str
    frames: int
    frame_rate: Fraction
    wall_s: float
    arguments: tuple[str, ...]


def render_transparent(
    panels: Sequence[Panel],
    clock: AffineClock,
    size: tuple[int, int],
    grid: Grid,
    path: str | os.PathLike[str],
    *,
    kind: str = "prores",
    overwrite: bool = False,
    inputs: Sequence[str] = (),
    progress: Progress | None = None,
) -> Written:
    """Write `panels` on a transparent frame of `size` (width, height) at every moment of `grid`.

    Raises UsageError for an unknown kind or a name that it does not go by, OutputError when it cannot be written.
    """
    import av

    target, started = Path(path), time.monotonic()
    how = kind_of(kind, target)
    canvases = _canvases(panels, clock, size, grid, spread=how.shared_chroma)
    try:
        if how.suffix:
            with writing(target, overwrite=overwrite, inputs=inputs) as temporary, Sink(temporary) as sink:
                _encode(sink, how, size, _formed(canvases, partial(_frame, how)), grid, progress)
        else:
            with writing_folder(target, SEQUENCE, overwrite=overwrite, inputs=inputs) as folder:
                _write_pictures(folder, _formed(canvases, partial(_coded, how, size)), grid, progress)
    except av.error.FFmpegError as error:
        remedy = "free space or choose another place"
        raise OutputError(f"{target}: cannot be written: {error.strerror}; {remedy}") from error
    arguments = tuple(how.encoder.as_arguments(how.pixel_format))
    return Written(str(target), len(grid.pts), grid.frame_rate, time.monotonic() - started, arguments)


def kind_of(name: str, target: Path) -> Kind:
    """A kind by its name. Raises UsageError where it is not known, or `target` is no name for it."""
    if name not in KINDS:
        raise UsageError(f"transparent output {name!r} is not known; known are {', '.join(KINDS)}")
    suffix = target.suffix.lower()
    if not KINDS[name].suffix and suffix == ".png":
        raise UsageError(f"transparent {name} is a folder of numbered pictures; name a folder, without {suffix}")
    if KINDS[name].suffix and suffix != KINDS[name].suffix:
        raise UsageError(
            f"transparent {name} is written as {KINDS[name].suffix}, not as {target.suffix or 'a file without suffix'}"
        )
    return KINDS[name]


def _canvases(
    panels: Sequence[Panel], clock: AffineClock, size: tuple[int, int], grid: Grid, *, spread: bool
) -> Iterator[tuple[int, NDArray[np.uint8]]]:
    """(pts, straight RGBA) of every frame; the same array again while nothing changes."""
    width, height = size
    shown: list[Hashable] = [None] * len(panels)
    canvas = np.zeros((height, width, 4), np.uint8)
    for pts in grid.pts:
        flight_s = clock.to_reference(float(pts * grid.time_base))
        for number, panel in enumerate(panels):
            shows = panel.shows(flight_s)
            if shows == shown[number]:
                continue
            shown[number] = shows
            x, y, w, h = panel.rect
            canvas = canvas.copy()  # the encoder may still hold the last one
            canvas[y : y + h, x : x + w] = 0
            if shows is not None:
                put(canvas, panel.rect, panel.draw(flight_s), spread=spread)
        yield pts, canvas


def _formed(
    canvases: Iterator[tuple[int, NDArray[np.uint8]]], form: Callable[[NDArray[np.uint8]], Form]
) -> Iterator[tuple[int, Form]]:
    """(pts, `form` of the canvas) of every frame; a canvas that stays the same is formed once."""
    last: tuple[NDArray[np.uint8], Form] | None = None
    for pts, canvas in canvases:
        if last is None or last[0] is not canvas:
            last = canvas, form(canvas)
        yield pts, last[1]


def _encode(
    sink: Sink,
    how: Kind,
    size: tuple[int, int],
    frames: Iterator[tuple[int, av.VideoFrame]],
    grid: Grid,
    progress: Progress | None,
) -> None:
    stream = cast("av.VideoStream", sink.container.add_stream(how.encoder.name, rate=grid.frame_rate))
    context: Any = stream.codec_context
    context.width, context.height, context.pix_fmt = *size, how.pixel_format
    context.time_base = stream.time_base = grid.time_base
    context.options = how.encoder.options
    if how.pixel_format.startswith("yuv"):
        context.color_primaries = context.color_trc = context.colorspace = context.color_range = 1  # BT.709, limited
    first, last = grid.pts[0], grid.pts[-1]
    for pts, frame in frames:
        frame.pts, frame.time_base = pts - first, grid.time_base
        sink.container.mux(stream.encode(frame))
        sink.check()
        if progress is not None:
            progress(float((pts - first) * grid.time_base), float((last - first) * grid.time_base))
    sink.container.mux(stream.encode(None))


def _frame(how: Kind, canvas: NDArray[np.uint8]) -> av.VideoFrame:
    """The canvas as the encoder takes it."""
    import av

    whole = av.VideoFrame.from_ndarray(canvas, format="rgba")
    return whole.reformat(format=how.pixel_format, dst_colorspace="ITU709", dst_color_range="MPEG")


def _write_pictures(folder: Path, files: Iterator[tuple[int, bytes]], grid: Grid, progress: Progress | None) -> None:
    """One file a frame, numbered from 1."""
    for number, (_, file) in enumerate(files, 1):
        (folder / f"frame-{number:06d}.png").write_bytes(file)
        if progress is not None:
            progress(number / float(grid.frame_rate), len(grid.pts) / float(grid.frame_rate))


def _coded(how: Kind, size: tuple[int, int], canvas: NDArray[np.uint8]) -> bytes:
    """A PNG file. Its colour is straight, as ISO/IEC 15948 (PNG) §6.2 prescribes, and tagged as sRGB."""
    import av

    context: Any = av.CodecContext.create(how.encoder.name, "w")
    context.width, context.height, context.pix_fmt = *size, how.pixel_format
    context.time_base, context.options = Fraction(1), how.encoder.options
    frame: Any = av.VideoFrame.from_ndarray(canvas, format="rgba")
    frame.color_primaries, frame.color_trc = 1, 13  # H.273: BT.709 and the sRGB curve
    return b"".join(bytes(packet) for packet in (*context.encode(frame), *context.encode(None)))
