"""Decode, draw, encode: the review video, and single stills of it."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from overlay.clock import AffineClock
from overlay.errors import Damage, OutputError, RecordingError
from overlay.instruments.panel import Panel
from overlay.output import writing
from overlay.recordings import Picture
from overlay.render.ahead import ahead
from overlay.render.compositor import Compositor
from overlay.render.encoder import Encoder, add_video, container_options, encoded_format
from overlay.render.footage import Footage
from overlay.render.inset import Inset
from overlay.render.sound import Sound

if TYPE_CHECKING:
    import av
    from av.container import OutputContainer

Progress = Callable[[float, float], None]


@dataclass(frozen=True)
class Mark:
    """A chapter mark in the review, in seconds of the footage's clock."""

    title: str
    start_s: float
    end_s: float


@dataclass(frozen=True)
class Rendered:
    """What was written. `arguments` are the encoder's settings as the ffmpeg program takes them."""

    path: str
    frames: int
    duration_s: float
    wall_s: float
    arguments: tuple[str, ...]
    redrawn: int
    notes: tuple[str, ...] = ()
    damage: tuple[Damage, ...] = ()


@dataclass(frozen=True)
class Review:
    """What is to be rendered: footage, its place on the flight clock, and what is drawn on it."""

    footage: Footage
    clock: AffineClock
    panels: Sequence[Panel] = ()
    inset: Inset | None = None
    marks: Sequence[Mark] = ()
    title: str = ""
    creation_utc: str | None = None
    encoder: Encoder = field(default_factory=Encoder)


def render(
    review: Review,
    path: str | os.PathLike[str],
    *,
    start_s: float | None = None,
    end_s: float | None = None,
    overwrite: bool = False,
    progress: Progress | None = None,
) -> Rendered:
    """Write the review video of [start_s, end_s) on the footage's clock; frame times are kept exactly.

    `progress` is called with (seconds done, seconds in all). The target appears complete or not at all. Raises
    OutputError, UsageError and RecordingError.
    """
    import av

    target = Path(path)
    started = time.monotonic()
    footage = review.footage
    begin, stop = footage.window(start_s, end_s)
    pixel_format = encoded_format(review.encoder, footage.format.pixel_format)
    options = container_options(target.suffix.lower(), footage.format.time_base)
    with writing(target, overwrite=overwrite, inputs=footage.files) as temporary:
        try:
            with av.open(str(temporary), "w", options=options) as container:
                job = _Job(review, container, pixel_format, begin, stop)
                job.run(progress)
        except av.error.FFmpegError as error:
            raise OutputError(
                f"{target}: cannot be written: {error.strerror}; free space or choose another place"
            ) from error
    return Rendered(
        path=str(target),
        frames=job.frames,
        duration_s=float(stop - begin),
        wall_s=time.monotonic() - started,
        arguments=tuple(review.encoder.as_arguments(pixel_format)),
        redrawn=job.compositor.redrawn,
        notes=tuple(filter(None, [job.sound.note])),
        damage=tuple(job.damage),
    )


def still(review: Review, time_s: float) -> Any:
    """The drawn frame on show at `time_s` of the footage's clock, as a Pillow image with square pixels."""
    footage, look = review.footage, review.footage.format
    begin, stop = footage.window(time_s, None)
    picture = next(footage.pictures(begin, stop), None)
    if picture is None:
        raise RecordingError(
            next(iter(footage.files), "footage"), f"no frame can be decoded at {time_s:.3f} s", "ask for another moment"
        )
    compositor = Compositor(review.panels, look.encoding, look.raster, review.inset)
    compositor.draw(picture.frame, review.clock.to_reference(float(picture.time)))
    return picture.frame.to_image(  # type: ignore[no-untyped-call]  # PyAV leaves it untyped
        width=look.raster.shown_width, height=look.raster.height
    )


class _Job:
    """One run of the pipeline: one thread decodes ahead, one draws, and this one encodes."""

    def __init__(
        self,
        review: Review,
        container: OutputContainer,
        pixel_format: str,
        begin: Fraction,
        stop: Fraction,
    ) -> None:
        self._review, self._container = review, container
        self._begin, self._stop = begin, stop
        look = review.footage.format
        self.compositor = Compositor(review.panels, look.encoding, look.raster, review.inset)
        self.frames = 0
        self.damage: list[Damage] = []
        self._describe()
        self._stream = add_video(container, review.encoder, look, pixel_format)
        self.sound = Sound(review.footage.heard, container, begin, stop)

    def run(self, progress: Progress | None) -> None:
        """Draw and encode every frame of the window."""
        total = float(self._stop - self._begin)
        pictures = self._review.footage.pictures(self._begin, self._stop, self.damage)
        drawn = ahead(self._drawn(ahead(pictures, "decode")), "draw")
        try:
            for time, frame in drawn:
                self.frames += 1
                for packet in self._stream.encode(frame):
                    self._mux(packet)
                if progress is not None:
                    progress(float(time), total)
            for packet in self._stream.encode(None):
                self._mux(packet)
            self.sound.mux_until(None)
        finally:
            drawn.close()
            self.sound.close()
        if progress is not None:
            progress(total, total)

    def _drawn(self, pictures: Generator[Picture]) -> Generator[tuple[Fraction, av.VideoFrame]]:
        """(time in the review, drawn frame) of every picture."""
        time_base = self._stream.codec_context.time_base
        assert time_base is not None
        try:
            for picture in pictures:
                frame, time = picture.frame, picture.time - self._begin
                self.compositor.draw(frame, self._review.clock.to_reference(float(picture.time)))
                frame.time_base = time_base
                frame.pts = round(time / time_base)
                frame.pict_type = 0  # the encoder chooses, not the source's encoder
                yield time, frame
        finally:
            pictures.close()

    def _mux(self, packet: av.Packet[av.VideoStream]) -> None:
        assert packet.dts is not None
        assert packet.time_base is not None
        self.sound.mux_until(packet.dts * packet.time_base)
        self._container.mux(packet)

    def _describe(self) -> None:
        metadata = self._container.metadata
        if self._review.title:
            metadata["title"] = self._review.title
        if self._review.creation_utc:
            metadata["creation_time"] = self._review.creation_utc
        marks = [mark for number, span in enumerate(self._review.marks) if (mark := self._mark(number, span))]
        if marks:
            self._container.set_chapters(marks)

    def _mark(self, number: int, mark: Mark) -> Any:
        begin, stop = float(self._begin), float(self._stop)
        low, high = max(mark.start_s, begin) - begin, min(mark.end_s, stop) - begin
        if low >= high:
            return None
        milli = Fraction(1, 1000)
        span = {"start": round(low * 1000), "end": round(high * 1000), "time_base": milli}
        return {"id": number, **span, "metadata": {"title": mark.title}}
