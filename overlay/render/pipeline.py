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
from overlay.recordings import Picture, Recording, decode
from overlay.render.ahead import ahead
from overlay.render.colour import Encoding, encoding_of
from overlay.render.compositor import Compositor
from overlay.render.encoder import Encoder, add_video, container_options, encoded_format
from overlay.render.inset import Inset
from overlay.render.raster import Raster
from overlay.render.sound import Sound
from overlay.render.upright import raster_of, upright

if TYPE_CHECKING:
    import av
    from av.container import OutputContainer

Progress = Callable[[float, float], None]


@dataclass(frozen=True)
class Mark:
    """A chapter mark in the review, in seconds of the recording's clock."""

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
    """What is to be rendered: a recording, its place on the flight clock, and what is drawn on it."""

    recording: Recording
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
    """Write the review video of [start_s, end_s) on the recording's clock; frame times are kept exactly.

    `progress` is called with (seconds done, seconds in all). The target appears complete or not at all. Raises
    OutputError, UsageError and RecordingError.
    """
    import av

    target = Path(path)
    started = time.monotonic()
    recording = review.recording
    begin, stop = _window(recording, start_s, end_s)
    raster, encoding = raster_of(recording), stream_encoding(recording)
    pixel_format = encoded_format(review.encoder, recording.chapters[0].pixel_format)
    options = container_options(target.suffix.lower(), recording.chapters[0].time_base)
    sources = [chapter.path for chapter in recording.chapters]
    with writing(target, overwrite=overwrite, inputs=sources) as temporary:
        try:
            with av.open(str(temporary), "w", options=options) as container:
                job = _Job(review, container, raster, encoding, pixel_format, begin, stop)
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
    """The drawn frame on show at `time_s` of the recording's clock, as a Pillow image with square pixels."""
    recording = review.recording
    number = recording.frame_at(time_s)
    begin = float(recording.pts_index[number])
    raster, encoding = raster_of(recording), stream_encoding(recording)
    picture = next(upright(decode(recording, start_s=begin), recording), None)
    if picture is None:
        raise RecordingError(
            recording.chapters[0].path, f"no frame can be decoded at {begin:.3f} s", "ask for another moment"
        )
    compositor = Compositor(review.panels, encoding, raster, review.inset)
    compositor.draw(picture.frame, review.clock.to_reference(float(picture.time)))
    return picture.frame.to_image(  # type: ignore[no-untyped-call]  # PyAV leaves it untyped
        width=raster.shown_width, height=raster.height
    )


def stream_encoding(recording: Recording) -> Encoding:
    """How the recording's first chapter writes colour."""
    first = recording.chapters[0]
    colour = first.colour
    return encoding_of(first.pixel_format, colour.matrix, bool(colour.full_range), first.height, colour.transfer)


def _window(recording: Recording, start_s: float | None, end_s: float | None) -> tuple[Fraction, Fraction]:
    """The first asked frame's exact time and the end, both on the recording's clock."""
    begin = Fraction(0)
    if start_s is not None and start_s > 0:
        number = recording.frame_at(start_s)
        exact = next((p.time for p in decode(recording, start_s=float(recording.pts_index[number]))), None)
        begin = exact if exact is not None else Fraction(start_s)
    stop = Fraction(recording.duration_s)
    return begin, min(stop, Fraction(end_s)) if end_s is not None else stop


class _Job:
    """One run of the pipeline: one thread decodes ahead, one draws, and this one encodes."""

    def __init__(
        self,
        review: Review,
        container: OutputContainer,
        raster: Raster,
        encoding: Encoding,
        pixel_format: str,
        begin: Fraction,
        stop: Fraction,
    ) -> None:
        self._review, self._container = review, container
        self._begin, self._stop = begin, stop
        self.compositor = Compositor(review.panels, encoding, raster, review.inset)
        self.frames = 0
        self.damage: list[Damage] = []
        self._describe()
        self._stream = add_video(container, review.encoder, review.recording, raster, pixel_format)
        self.sound = Sound(review.recording, container, begin, stop)

    def run(self, progress: Progress | None) -> None:
        """Draw and encode every frame of the window."""
        total = float(self._stop - self._begin)
        pictures = decode(self._review.recording, float(self._begin), float(self._stop), damage=self.damage)
        drawn = ahead(self._drawn(ahead(upright(pictures, self._review.recording), "decode")), "draw")
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
