"""Cut one clip: decode, draw, encode, with sound and chapters, complete or not at all."""

from __future__ import annotations

import os
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import numpy as np
from numpy.typing import NDArray

from overlay.clips.plan import Plan, Shot
from overlay.clips.scene import Scene
from overlay.clips.sound import RATE_HZ, sound_of
from overlay.errors import Damage, OutputError, RecordingError
from overlay.output import writing
from overlay.recordings import Picture, decode
from overlay.recordings.ahead import ahead
from overlay.render.blend import as_image
from overlay.render.compositor import Compositor
from overlay.render.encoder import Encoder, container_options
from overlay.render.footage import source_encoding
from overlay.render.raster import Raster
from overlay.render.sink import Sink
from overlay.render.stage import ENCODING

if TYPE_CHECKING:
    import av
    from av.audio.stream import AudioStream
    from av.container import OutputContainer
    from PIL.Image import Image

ENCODER = Encoder(options={"crf": "20", "preset": "veryfast"})
_SOUND_FRAME = 1024  # samples to an AAC frame
_STILL_WIDTH = 512


@dataclass(frozen=True)
class Cut:
    """What was written: the clip, and three small pictures of it: first, moment and last."""

    path: str
    title: str
    frames: int
    duration_s: float
    sound: bool
    stills: tuple[Image, ...]
    damage: tuple[Damage, ...] = ()


def cut(
    scene: Scene,
    plan: Plan,
    path: str | os.PathLike[str],
    *,
    overwrite: bool = False,
    progress: Callable[[int], None] | None = None,
) -> Cut:
    """Write the clip that `plan` lays out; `progress` is told the pictures done. Raises OutputError, RecordingError.

    The file names nothing but the clip's title and its chapters: no place, no time, no device.
    """
    import av

    target = Path(path)
    time_base = scene.recording.chapters[0].time_base
    options = container_options(target.suffix.lower(), time_base)
    sound = sound_of(plan, *scene.heard) if scene.heard is not None else None
    inputs = [chapter.path for chapter in scene.recording.chapters]
    with writing(target, overwrite=overwrite, inputs=inputs) as temporary:
        try:
            with Sink(temporary, options) as sink:
                job = _Job(scene, plan, sink, time_base, sound)
                job.run(progress)
        except av.error.FFmpegError as error:
            raise OutputError(
                f"{target}: cannot be written: {error.strerror}; free space or choose another place"
            ) from error
    return Cut(
        str(target), scene.title, plan.frames, plan.duration_s, sound is not None, tuple(job.stills), tuple(job.damage)
    )


class _Job:
    """One run: a thread decodes, one draws, and this one encodes."""

    def __init__(
        self,
        scene: Scene,
        plan: Plan,
        sink: Sink,
        time_base: Fraction,
        sound: NDArray[np.float32] | None,
    ) -> None:
        self._scene, self._plan, self._sink, self._time_base = scene, plan, sink, time_base
        self._container = container = sink.container
        stage = scene.stage
        self._compositor = Compositor(scene.panels, ENCODING, Raster(stage.width, stage.height), scene.inset)
        self._source = source_encoding(scene.recording, mapped=scene.map_hdr)
        self.stills: list[Image] = []
        self.damage: list[Damage] = []
        container.metadata["title"] = scene.title
        container.set_chapters([_chapter(n, part) for n, part in enumerate(plan.parts())])
        self._video = self._add_video()
        self._sound = _Track(container, sound) if sound is not None else None

    def run(self, progress: Callable[[int], None] | None) -> None:
        """Draw and encode every shot."""
        shown = ahead(self._drawn(), "draw")
        telling = {self._plan.first, self._plan.moment, self._plan.stop - 1}
        try:
            for done, (shot, frame) in enumerate(shown, 1):
                if shot.number in telling:
                    telling.discard(shot.number)
                    self.stills.append(_small(frame))
                frame.time_base, frame.pts = self._time_base, round(shot.time_s / self._time_base)
                frame.pict_type = 0  # the encoder chooses, not the source's encoder
                self._mux(self._video.encode(frame))
                if progress is not None:
                    progress(done)
        finally:
            shown.close()
        self._mux(self._video.encode(None))
        if self._sound is not None:
            self._sound.write_until(None)

    def _drawn(self) -> Generator[tuple[Shot, av.VideoFrame]]:
        """Each shot with its drawn picture; one that cannot be decoded is stood in for by the one before it."""
        plan, recording = self._plan, self._scene.recording
        start, stop = float(plan.times_s[plan.first]), plan.times_s[plan.stop]
        end = float(stop) if plan.stop < recording.frames else None
        decoded = decode(recording, start, end, damage=self.damage)
        pictures = ahead(self._scene.stage.put(decoded, recording, self._source), "decode")
        waiting = next(pictures, None)
        if waiting is None:
            raise RecordingError(
                recording.chapters[0].path, f"no picture can be decoded at {start:.3f} s", "leave it out"
            )
        drawn: av.VideoFrame | None = None
        try:
            for shot in plan.shots():
                if shot.number is None:
                    yield shot, self._scene.card
                    continue
                while waiting is not None and (drawn is None or waiting.number <= shot.number):
                    drawn, waiting = self._draw(waiting), next(pictures, None)
                assert drawn is not None
                yield shot, drawn
        finally:
            pictures.close()

    def _draw(self, picture: Picture) -> av.VideoFrame:
        self._compositor.draw(picture.frame, self._scene.clock.to_reference(float(picture.time)))
        return picture.frame

    def _add_video(self) -> av.VideoStream:
        rate = self._scene.recording.frame_rate
        stream = cast("av.VideoStream", self._container.add_stream(ENCODER.name, rate=rate))
        context: Any = stream.codec_context
        context.width, context.height = self._scene.stage.width, self._scene.stage.height
        context.pix_fmt, context.framerate = "yuv420p", rate
        context.time_base = stream.time_base = self._time_base
        context.color_primaries = context.color_trc = context.colorspace = ENCODING.matrix  # H.273: BT.709 is 1
        context.color_range = 1  # FFmpeg: limited
        context.thread_type = "AUTO"  # as for the review video
        context.options = dict(ENCODER.options)
        return stream

    def _mux(self, packets: list[av.Packet[av.VideoStream]]) -> None:
        for packet in packets:
            assert packet.dts is not None
            assert packet.time_base is not None
            if self._sound is not None:
                self._sound.write_until(float(packet.dts * packet.time_base))
            self._container.mux(packet)
        self._sink.check()


class _Track:
    """The sound track, encoded as the picture advances."""

    def __init__(self, container: OutputContainer, samples: NDArray[np.float32]) -> None:
        self._container, self._samples = container, samples
        self._layout = "mono" if samples.shape[1] == 1 else "stereo"
        self._stream: AudioStream = container.add_stream("aac", rate=RATE_HZ, layout=self._layout)
        self._stream.bit_rate = 96_000 * samples.shape[1]
        self._written = 0

    def write_until(self, time_s: float | None) -> None:
        """Encode what begins before `time_s` of the clip; None: all the rest."""
        for frame in self._frames(len(self._samples) if time_s is None else int(time_s * RATE_HZ)):
            self._container.mux(self._stream.encode(frame))
        if time_s is None:
            self._container.mux(self._stream.encode(None))

    def _frames(self, until: int) -> Iterator[av.AudioFrame]:
        import av

        while self._written < min(until, len(self._samples)):
            part = self._samples[self._written : self._written + _SOUND_FRAME].T
            frame = av.AudioFrame.from_ndarray(np.ascontiguousarray(part), format="fltp", layout=self._layout)
            frame.sample_rate, frame.pts, frame.time_base = RATE_HZ, self._written, Fraction(1, RATE_HZ)
            self._written += part.shape[1]
            yield frame


def _chapter(number: int, part: Any) -> Any:
    span = {"start": round(part.start_s * 1000), "end": round(part.end_s * 1000), "time_base": Fraction(1, 1000)}
    return {"id": number, **span, "metadata": {"title": part.title}}


def _small(frame: av.VideoFrame) -> Image:
    height = 2 * round(frame.height * _STILL_WIDTH / frame.width / 2)
    return as_image(frame, ENCODING, _STILL_WIDTH, height)
