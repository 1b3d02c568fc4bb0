"""Opening: files in, one `Recording` out."""

from __future__ import annotations

import os
import time
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction

import av.error
import numpy as np
from av.container import InputContainer
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream
from numpy.typing import NDArray

from overlay.errors import Damage, RecordingError, UsageError
from overlay.recordings.container import Opened, opened, packets
from overlay.recordings.guard import bounded_memory
from overlay.recordings.pacing import average_rate, is_uneven
from overlay.recordings.picture import colour, field_order, orientation
from overlay.recordings.recording import Audio, Chapter, Recording
from overlay.recordings.timeline import Timeline, read_timeline

PEEK_FRAMES, PEEK_PACKETS, PEEK_S = 6, 300, 6.0
INTERLACED_LINES = 1088  # ITU-R BT.709 knows interlaced pictures up to 1080 lines, coded as 1088; BT.2020 none
FASTEST_Hz = 1000  # no camera that flies is faster; more is a damaged time base
LONGEST_S = 100 * 3600
_EARLIEST, _LATEST = datetime(2000, 1, 3, tzinfo=UTC), datetime(2100, 1, 1, tzinfo=UTC)


def open_recording(paths: Sequence[str | os.PathLike[str]]) -> Recording:
    """Look through the files, chapters in the given order, and put them on one clock.

    Every file is read once from end to end without decoding, so that frame count and times are exact.
    Raises RecordingError when a file cannot be used at all; lesser faults are in `Recording.damage`.
    """
    if isinstance(paths, str | bytes | os.PathLike) or not paths:
        raise UsageError("a recording is opened from a list of one or more files")
    chapters: list[Chapter] = []
    damage: list[Damage] = []
    start = Fraction(0)
    for path in paths:
        chapter, faults = _probe(os.fspath(path))
        chapters.append(replace(chapter, start_s=start))
        damage += faults
        start = chapters[-1].end_s
    _require_one_size(chapters)
    index = np.concatenate([_seconds(chapter) for chapter in chapters])
    index.flags.writeable = False
    return Recording(tuple(chapters), index, tuple(damage))


def _seconds(chapter: Chapter) -> NDArray[np.float64]:
    base = chapter.time_base
    return float(chapter.start_s) + (chapter.pts - chapter.first_pts) * base.numerator / base.denominator


def _require_one_size(chapters: Sequence[Chapter]) -> None:
    wide, high = chapters[0].display_size
    for other in chapters[1:]:
        if other.display_size != (wide, high):
            found = f"{other.display_size[0]}×{other.display_size[1]}, while the first chapter is {wide}×{high}"
            raise RecordingError(other.path, found, "give only files of one recording as chapters")


def _probe(path: str) -> tuple[Chapter, tuple[Damage, ...]]:
    with opened(path, threads=1) as file:
        with bounded_memory():
            frames = _first_frames(file)
        if not frames:
            codec = file.stream.codec_context.name
            raise RecordingError(path, f"{codec} pictures, none of which can be decoded", "copy it again or convert it")
        with opened(path) as again:
            timeline = read_timeline(path, again)
        timeline = timeline.begun_at(_first_shown(frames, timeline), path)
        return _chapter(path, file, timeline, frames), timeline.damage


def _first_frames(file: Opened) -> list[VideoFrame]:
    """The first few frames from the first that can be shown on; if there is none, the first doubtful ones."""
    sound: list[VideoFrame] = []
    doubtful: list[VideoFrame] = []
    give_up = time.monotonic() + PEEK_S
    enough = PEEK_FRAMES if file.stream.height <= INTERLACED_LINES else 1  # several only tell fields from pictures
    try:
        for count, packet in enumerate(packets(file)):
            for frame in _decoded(file, packet):
                (sound if frame.key_frame or not frame.is_corrupt else doubtful).append(frame)
            if len(sound) >= enough or count > PEEK_PACKETS or time.monotonic() > give_up:
                break
    except av.error.FFmpegError:
        pass  # told when the timeline is read
    return sound or doubtful[:PEEK_FRAMES]


def _decoded(file: Opened, packet: Packet[VideoStream]) -> list[VideoFrame]:
    try:
        return file.stream.decode(packet)
    except av.error.FFmpegError:
        return []


def _first_shown(frames: Sequence[VideoFrame], timeline: Timeline) -> int:
    """The pts of the first picture that can be shown."""
    return min((frame.pts for frame in frames if frame.pts is not None), default=int(timeline.pts[0]))


def _chapter(path: str, file: Opened, timeline: Timeline, frames: Sequence[VideoFrame]) -> Chapter:
    container, stream, _ = file
    time_base = stream.time_base or Fraction(1)
    shape = frames[-1].format
    rotation, hflip = orientation(frames[-1], stream.metadata)
    stated = (stream.average_rate, stream.guessed_rate, stream.base_rate)
    chapter = Chapter(
        path=path,
        format=container.format.name,
        codec=stream.codec_context.codec.canonical_name,
        width=frames[-1].width,
        height=frames[-1].height,
        pixel_format=shape.name,
        bit_depth=shape.components[0].bits,
        time_base=time_base,
        first_pts=int(timeline.pts[0]),
        start_s=Fraction(0),
        duration_s=timeline.duration * time_base,
        frames=len(timeline.pts),
        frame_rate=average_rate(len(timeline.pts), timeline.duration, time_base, stated),
        variable_rate=is_uneven(timeline.pts),
        rotation_deg=rotation,
        hflip=hflip,
        interlaced=field_order(frames),
        sample_aspect=_aspect(stream.sample_aspect_ratio),
        colour=colour(frames[-1]),
        audio=_audio(container),
        created_utc=_created(stream.metadata, container.metadata),
        timecode=_timecode(stream.metadata, container.metadata),
        stream=stream.index,
        pts=timeline.pts,
        key_pts=timeline.key_pts,
        key_entry=timeline.key_entry,
        stamped=timeline.stamped,
        splices=timeline.splices,
    )
    _require_plausible(chapter)
    return chapter


def _require_plausible(chapter: Chapter) -> None:
    if chapter.frames < 2:
        raise RecordingError(chapter.path, "a single picture", "give a recording")
    if chapter.frame_rate > FASTEST_Hz:
        found = f"{float(chapter.frame_rate):.6g} pictures per second"
    elif chapter.duration_s > LONGEST_S:
        found = f"stamps that span {float(chapter.duration_s) / 3600:.6g} hours"
    else:
        return
    raise RecordingError(chapter.path, found, "its times are damaged: copy it again from the recorder's card")


def _aspect(stated: Fraction | None) -> Fraction:
    """Pixel aspect; what no format uses (beyond 4:1) is taken for unset."""
    return stated if stated and Fraction(1, 4) <= stated <= 4 else Fraction(1)


def _audio(container: InputContainer) -> Audio | None:
    for stream in container.streams.audio:
        context = stream.codec_context
        if context is not None and context.sample_rate:
            return Audio(context.name, context.sample_rate, context.channels, stream.index)
    return None


def _timecode(*tags: Mapping[str, str]) -> str | None:
    """As written; Matroska writes the names of its tags in capitals."""
    return next((tag[name] for tag in tags for name in ("timecode", "TIMECODE") if tag.get(name)), None)


def _created(*tags: Mapping[str, str]) -> float | None:
    """When the recorder believed it began; the defaults of clocks never set (1904, 1970, 1980, 2000) are no date."""
    for text in filter(None, (tag.get("creation_time") for tag in tags)):
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            continue
        if moment.tzinfo is not None and _EARLIEST <= moment <= _LATEST:
            return moment.timestamp()
    return None
