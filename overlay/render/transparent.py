"""The instruments alone on a transparent ground, for people who lay them over the recording in an editor.

Alpha is written *straight* (colour not multiplied by it), as PNG prescribes and editors expect of the others.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from overlay.clock import AffineClock
from overlay.errors import OutputError, UsageError
from overlay.instruments.panel import Panel, Patch
from overlay.output import writing
from overlay.render.encoder import Encoder
from overlay.render.footage import Footage

if TYPE_CHECKING:
    import av
    from av.container import OutputContainer

# What each kind is written with: container, encoder, pixel format that carries alpha.
KINDS = {
    "prores": (".mov", Encoder("prores_ks", {"profile": "4444", "alpha_bits": "16"}), "yuva444p10le"),
    "animation": (".mov", Encoder("qtrle", {}), "argb"),
    "vp9": (".webm", Encoder("libvpx-vp9", {"crf": "24", "b": "0", "cpu-used": "5", "row-mt": "1"}), "yuva420p"),
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
    """What was written."""

    path: str
    frames: int
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
    progress: Callable[[float, float], None] | None = None,
) -> Written:
    """Write `panels` on a transparent frame of `size` (width, height) at every moment of `grid`.

    Raises UsageError for an unknown kind or a suffix that its container does not have, OutputError when it cannot be
    written.
    """
    import av

    target, started = Path(path), time.monotonic()
    suffix, encoder, pixel_format = _kind(kind)
    if target.suffix.lower() != suffix:
        raise UsageError(
            f"transparent {kind} is written as {suffix}, not as {target.suffix or 'a file without suffix'}"
        )
    with writing(target, overwrite=overwrite, inputs=inputs) as temporary:
        try:
            with av.open(str(temporary), "w") as container:
                _encode(container, encoder, pixel_format, size, grid, _canvases(panels, clock, size, grid), progress)
        except av.error.FFmpegError as error:
            remedy = "free space or choose another place"
            raise OutputError(f"{target}: cannot be written: {error.strerror}; {remedy}") from error
    return Written(str(target), len(grid.pts), time.monotonic() - started, tuple(encoder.as_arguments(pixel_format)))


def _kind(kind: str) -> tuple[str, Encoder, str]:
    if kind not in KINDS:
        raise UsageError(f"transparent output {kind!r} is not known; known are {', '.join(KINDS)}")
    return KINDS[kind]


def _canvases(
    panels: Sequence[Panel], clock: AffineClock, size: tuple[int, int], grid: Grid
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
            canvas[y : y + h, x : x + w] = 0 if shows is None else straight(panel.draw(flight_s))
        yield pts, canvas


def straight(patch: Patch) -> Patch:
    """Premultiplied → straight: colour divided by alpha, rounded; fully transparent stays black."""
    alpha = patch[..., 3:].astype(np.uint16)
    colour = (patch[..., :3].astype(np.uint16) * 255 + alpha // 2) // np.maximum(alpha, 1)
    return np.concatenate([np.minimum(colour, 255).astype(np.uint8), patch[..., 3:]], axis=2)


def _encode(
    container: OutputContainer,
    encoder: Encoder,
    pixel_format: str,
    size: tuple[int, int],
    grid: Grid,
    canvases: Iterator[tuple[int, NDArray[np.uint8]]],
    progress: Callable[[float, float], None] | None,
) -> None:
    import av

    stream = cast("av.VideoStream", container.add_stream(encoder.name, rate=grid.frame_rate))
    context: Any = stream.codec_context
    context.width, context.height, context.pix_fmt = *size, pixel_format
    context.time_base = stream.time_base = grid.time_base
    context.options = encoder.options
    if pixel_format.startswith("yuv"):
        context.color_primaries = context.color_trc = context.colorspace = context.color_range = 1  # BT.709, limited
    first, last = grid.pts[0], grid.pts[-1]
    converted: tuple[NDArray[np.uint8], av.VideoFrame] | None = None
    for pts, canvas in canvases:
        if converted is None or converted[0] is not canvas:
            whole = av.VideoFrame.from_ndarray(canvas, format="rgba")
            converted = (canvas, whole.reformat(format=pixel_format, dst_colorspace="ITU709", dst_color_range="MPEG"))
        frame = converted[1]
        frame.pts, frame.time_base = pts - first, grid.time_base
        container.mux(stream.encode(frame))
        if progress is not None:
            progress(float((pts - first) * grid.time_base), float((last - first) * grid.time_base))
    container.mux(stream.encode(None))
