"""Pictures of a recording in order of showing, whole or a window of it."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from typing import NamedTuple

import av.error
import numpy as np
from av.packet import Packet
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from overlay.errors import Damage
from overlay.recordings.container import Opened, opened
from overlay.recordings.recording import Chapter, Recording

MOST_DAMAGE = 200  # faults told of a file: more of them say nothing new


class Picture(NamedTuple):
    """A frame as coded, its time on the recording's clock, its chapter's number and its own, both from 0."""

    time: Fraction
    frame: VideoFrame
    chapter: int
    number: int


def decode(
    recording: Recording,
    start_s: float | Fraction | None = None,
    end_s: float | Fraction | None = None,
    *,
    keyframes_only: bool = False,
    threads: int = 0,
    damage: list[Damage] | None = None,
) -> Iterator[Picture]:
    """Yield the pictures with start_s ≤ time < end_s, their `number` strictly rising.

    Times and numbers are those of `Recording.pts_index`. A picture that cannot be decoded is left out and told in
    `damage`; one that the decoder had to patch up is yielded with `frame.is_corrupt`. `threads` 0 lets the decoder
    choose. Files are closed when the iterator ends or is dropped. RecordingError if a file has gone or changed kind.
    """
    told = damage if damage is not None else []
    index = recording.pts_index
    first = 0 if start_s is None else int(np.searchsorted(index, float(start_s)))
    stop = len(index) if end_s is None else int(np.searchsorted(index, float(end_s)))
    passed = 0
    for number, chapter in enumerate(recording.chapters):
        low, high = max(first - passed, 0), min(stop - passed, chapter.frames)
        if low < high:
            for place, frame in _Reader(chapter, threads, keyframes_only, told).window(low, high):
                yield Picture(chapter.time_of(int(chapter.pts[place])), frame, number, passed + place)
        passed += chapter.frames


class _Reader:
    """Decodes one chapter and tells each frame's place in `Chapter.pts`."""

    def __init__(self, chapter: Chapter, threads: int, keys: bool, damage: list[Damage]) -> None:
        self.chapter, self.threads, self.keys, self.damage = chapter, threads, keys, damage
        self.place = -1  # of the frame seen last
        self.from_start = True
        self.failing = False

    def window(self, low: int, high: int) -> Iterator[tuple[int, VideoFrame]]:
        """Frames at places low ≤ place < high, begun at an entry from which the first of them decodes cleanly."""
        if self.keys and self.chapter.seekable:
            low = self._next_key(low)
        told = self.damage
        for entry, is_last in self._entries(low, high):
            self.damage, self.place, self.from_start, self.failing = [], -1, entry is None, False
            with opened(self.chapter.path, self.threads) as file:
                if entry is not None and not _sought(file, entry):
                    continue
                frames = self._placed(file)
                seen = first = next(frames, None)
                while first is not None and first[0] < low:
                    first = next(frames, None)
                clean = first is not None and first[0] == low and not first[1].is_corrupt
                if not clean and not self.from_start and not (is_last and seen is not None and seen[0] <= low):
                    continue
                told += self.damage
                self.damage = told
                while first is not None and first[0] < high:
                    yield first
                    first = next(frames, None)
                return

    def _next_key(self, low: int) -> int:
        """Place of the first key picture at or after `low`; past the end if there is none."""
        chapter = self.chapter
        after = int(np.searchsorted(chapter.key_pts, chapter.pts[low]))
        if after == len(chapter.key_pts):
            return chapter.frames
        return int(np.searchsorted(chapter.pts, chapter.key_pts[after]))

    def _entries(self, low: int, high: int) -> Iterator[tuple[int | None, bool]]:
        """(what to seek to, whether it is the last but the very beginning), nearest first; None is the beginning.

        The nearest key picture usually does. It does not where the demuxer lands behind it, or where it only begins a
        gradual refresh of the picture; then an earlier one is tried, in the end the whole chapter.
        """
        if low >= high:
            return
        chapter = self.chapter
        key = int(np.searchsorted(chapter.key_pts, chapter.pts[low], side="right")) - 1
        if chapter.seekable and key > 0:
            steps = sorted({key, max(key - 1, 0), max(key - 8, 0)} - {0}, reverse=True)
            for step in steps:
                yield int(chapter.key_entry[step]), step == steps[-1]
        yield None, True

    def _placed(self, file: Opened) -> Iterator[tuple[int, VideoFrame]]:
        """(place, frame) with places strictly rising, from wherever the file stands."""
        if self.keys and self.chapter.seekable:
            file.stream.codec_context.skip_frame = "NONKEY"
        for frame in self._frames(file):
            if self.keys and not frame.key_frame:
                self._place_of(frame)
                continue
            place = self._place_of(frame)
            if place is not None and self._fits(frame):
                yield place, frame

    def _frames(self, file: Opened) -> Iterator[VideoFrame]:
        for packet in self._packets(file):
            try:
                frames = file.stream.decode(packet)
            except av.error.FFmpegError as error:
                self._tell(f"a picture cannot be decoded ({error.strerror})")
                continue
            if frames:
                yield from frames
                self.failing = False

    def _packets(self, file: Opened) -> Iterator[Packet[VideoStream] | None]:
        """The stream's packets, stamps mended as the chapter says, and None at the end to empty the decoder."""
        splices, count, shift = list(self.chapter.splices), 0, 0
        try:
            for packet in file.container.demux(file.stream):
                if packet.size == 0:
                    continue
                if splices and not packet.is_discard:
                    if count == splices[0].packet:
                        shift = splices.pop(0).shift
                    count += 1
                if shift and packet.pts is not None:
                    packet.pts += shift
                yield packet
        except av.error.FFmpegError as error:
            self._tell(f"reading stopped ({error.strerror})")
        yield None

    def _place_of(self, frame: VideoFrame) -> int | None:
        """Where the frame belongs in `Chapter.pts`; None if before its beginning, unknowable, or out of order."""
        pts, place = self.chapter.pts, self.place + 1
        if frame.pts is not None:
            found = int(np.searchsorted(pts, frame.pts))
            if found < len(pts) and pts[found] == frame.pts:
                if found < place and not (place < len(pts) and pts[place] == frame.pts):
                    self._tell("a picture comes out of order and is left out")
                    return None
                place = max(found, place)
            elif self.place < 0 and (not self.from_start or found == 0):
                return None
        elif self.place < 0 and not self.from_start:
            return None
        if place >= len(pts):
            return None
        self.place = place
        return place

    def _fits(self, frame: VideoFrame) -> bool:
        chapter = self.chapter
        if (frame.width, frame.height, frame.format.name) == (chapter.width, chapter.height, chapter.pixel_format):
            return True
        self._tell(f"the picture changes to {frame.width}×{frame.height} {frame.format.name} and is left out")
        return False

    def _tell(self, what: str) -> None:
        """Note a fault once per run of faults."""
        if self.failing or len(self.damage) > MOST_DAMAGE:
            return
        self.failing = True
        last = self.chapter.time_of(int(self.chapter.pts[max(self.place, 0)]))
        self.damage.append(Damage(self.chapter.path, what, f"near {float(last):.3f} s"))


def _sought(file: Opened, entry: int) -> bool:
    try:
        file.container.seek(entry, stream=file.stream)
    except av.error.FFmpegError:
        return False
    return True
