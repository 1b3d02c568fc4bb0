"""Pictures of a recording in order of showing, whole or a window of it."""

from __future__ import annotations

from collections.abc import Generator, Iterator
from fractions import Fraction
from itertools import chain, islice
from typing import NamedTuple

import av.error
import numpy as np
from av.packet import Packet
from av.stream import Discard
from av.video.frame import VideoFrame
from av.video.stream import VideoStream

from overlay.errors import Damage
from overlay.recordings.container import Opened, opened, packets
from overlay.recordings.recording import Chapter, Recording, into_the_file, pictures

FARTHEST_BACK = 8  # key pictures; a picture that is broken from there on is broken in the file
LEAP = 16  # pictures; more of them are seldom lost at once
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
) -> Generator[Picture]:
    """Yield the pictures with start_s ≤ time < end_s, their `number` strictly rising.

    Times and numbers are those of `Recording.pts_index`. A picture that cannot be decoded is left out and told in
    `damage`; one that the decoder had to patch up is yielded with `frame.is_corrupt`. `threads` 0 lets the decoder
    choose. Files are closed when the iterator ends or is dropped. RecordingError if a file has gone or changed kind.
    """
    told = damage if damage is not None else []
    first = 0 if start_s is None else recording.frame_from(start_s)
    stop = recording.frames if end_s is None else recording.frame_from(end_s)
    passed = 0
    for number, chapter in enumerate(recording.chapters):
        low, high = max(first - passed, 0), min(stop - passed, chapter.frames)
        if low < high:
            for place, frame in _window(chapter, low, high, keyframes_only, threads, told):
                yield Picture(chapter.time_of(int(chapter.pts[place])), frame, number, passed + place)
        passed += chapter.frames


class _Entry(NamedTuple):
    """What to seek to (None: the beginning), and how many key pictures that lies behind the nearest."""

    stamp: int | None
    back: int


def _window(
    chapter: Chapter, low: int, high: int, keys: bool, threads: int, damage: list[Damage]
) -> Iterator[tuple[int, VideoFrame]]:
    """Frames at places low ≤ place < high of `Chapter.pts`, from an entry where the first of them decodes cleanly."""
    if keys and chapter.seekable:
        low = _next_key(chapter, low)
    for entry in _entries(chapter, low) if low < high else ():
        with opened(chapter.path, threads) as file:
            if not _sought(file, entry):
                continue
            run = _Pass(chapter, file, keys, from_start=entry.stamp is None)
            frames = run.frames()
            first = _arrive(frames, low, entry)
            if first is None and entry.stamp is not None:
                continue
            run.tell_to(damage)
            awaited = low
            for place, frame in chain([first] if first else [], frames):
                if place >= high:
                    break
                run.tell_missing(awaited, place)
                yield place, frame
                awaited = place + 1
            if awaited < high and threads != 1 and chapter.seekable and not keys:
                # A decoder with several threads loses sound frames too when it is emptied after a broken one.
                yield from _window(chapter, awaited, high, keys, 1, damage)
            else:
                run.tell_missing(awaited, high)
            return


def _next_key(chapter: Chapter, low: int) -> int:
    """Place of the first key picture at or after `low`; past the end if there is none."""
    after = int(np.searchsorted(chapter.key_pts, chapter.pts[low]))
    if after == len(chapter.key_pts):
        return chapter.frames
    return int(np.searchsorted(chapter.pts, chapter.key_pts[after]))


def _entries(chapter: Chapter, low: int) -> Iterator[_Entry]:
    """Where to begin so as to show `low`, nearest first.

    The nearest key picture usually does. It does not where the demuxer lands behind it, or where it only begins a
    gradual refresh of the picture; then an earlier one is tried, in the end the whole chapter.
    """
    key = int(np.searchsorted(chapter.key_pts, chapter.pts[low], side="right")) - 1
    if chapter.seekable:
        for back in (0, 1, FARTHEST_BACK):
            if key > back:
                yield _Entry(int(chapter.key_entry[key - back]), back)
    yield _Entry(None, FARTHEST_BACK)


def _sought(file: Opened, entry: _Entry) -> bool:
    if entry.stamp is None:
        return True
    try:
        file.container.seek(entry.stamp, stream=file.stream)
    except av.error.FFmpegError:
        return False
    return True


def _arrive(frames: Iterator[tuple[int, VideoFrame]], low: int, entry: _Entry) -> tuple[int, VideoFrame] | None:
    """Skip to the first frame from `low` on; None if this entry may not show it as reading from the start would."""
    keyed = early = False
    for place, frame in frames:
        keyed |= frame.key_frame
        early |= place <= low
        if place >= low:
            clean = place == low and not frame.is_corrupt and (keyed or entry.back > 0)
            far = entry.stamp is None or (entry.back == FARTHEST_BACK and early)
            return (place, frame) if clean or far else None
    return None


class _Pass:
    """One reading of a chapter from wherever its file stands."""

    def __init__(self, chapter: Chapter, file: Opened, keys: bool, *, from_start: bool) -> None:
        self.chapter, self.file, self.keys, self.from_start = chapter, file, keys, from_start
        self.damage: list[Damage] = []
        self.place = -1  # of the frame seen last
        self.key_pts: dict[int, int] = {}  # pts by dts, where the demuxer leaves out the other packets

    def frames(self) -> Iterator[tuple[int, VideoFrame]]:
        """(place in `Chapter.pts`, frame), places strictly rising."""
        if self.keys and self.chapter.seekable:
            self.file.stream.codec_context.skip_frame = "NONKEY"
            if self.chapter.format.startswith("mov"):
                # Spares even the reading. The demuxer then gets times of showing wrong, but not times of decoding.
                self.file.stream.discard = Discard.nonkey
                self.key_pts = dict(zip(self.chapter.key_entry.tolist(), self.chapter.key_pts.tolist(), strict=True))
        decoded = self._decoded()
        ahead: list[VideoFrame] = []
        while frame := ahead.pop() if ahead else next(decoded, None):
            if self._leaps(frame):
                ahead = list(islice(decoded, 1))
                if ahead and not self._is_after(ahead[0], frame):
                    continue  # the leap was in this frame's stamp only
            place = self._place_of(frame)
            if place is not None and (frame.key_frame or not self.keys) and self._fits(frame):
                yield place, frame

    def tell_to(self, damage: list[Damage]) -> None:
        """Hand over what was noted so far, and note there from now on."""
        damage += self.damage
        self.damage = damage

    def tell_missing(self, begin: int, end: int) -> None:
        """Note that pictures at places begin ≤ place < end were not to be had."""
        if end > begin and not self.keys:
            self._tell(f"{pictures(end - begin)} cannot be decoded", begin)

    def _tell(self, what: str, place: int) -> None:
        told = sum(one.path == self.chapter.path for one in self.damage)
        if told < MOST_DAMAGE:
            pts = int(self.chapter.pts[min(max(place, 0), self.chapter.frames - 1)])
            where = into_the_file((pts - self.chapter.first_pts) * self.chapter.time_base)
            self.damage.append(Damage(self.chapter.path, what, where))

    def _decoded(self) -> Iterator[VideoFrame]:
        for packet in self._packets():
            try:
                yield from self.file.stream.decode(packet)
            except av.error.EOFError:
                return
            except av.error.FFmpegError:
                self.place += not self.chapter.stamped  # its place stays empty

    def _packets(self) -> Iterator[Packet[VideoStream] | None]:
        """The stream's packets, stamps mended as the chapter says, and None at the end to empty the decoder."""
        splices, count, shift = list(self.chapter.splices), 0, 0
        try:
            for packet in packets(self.file):
                if self.key_pts:
                    if packet.dts not in self.key_pts:
                        continue
                    packet.pts = self.key_pts[packet.dts]
                if splices and not packet.is_discard:
                    if count == splices[0].packet:
                        shift = splices.pop(0).shift
                    count += 1
                if shift and packet.pts is not None:
                    packet.pts += shift
                yield packet
        except av.error.FFmpegError as error:
            self._tell(f"reading stopped ({error.strerror})", self.place)
        yield None

    def _place_of(self, frame: VideoFrame) -> int | None:
        """Where the frame belongs in `Chapter.pts`; None if before its beginning, unknowable, or out of order."""
        pts, place = self.chapter.pts, self.place + 1
        if frame.pts is not None and self.chapter.stamped:
            found = int(np.searchsorted(pts, frame.pts))
            if found < len(pts) and pts[found] == frame.pts:
                if found < place and not (place < len(pts) and pts[place] == frame.pts):
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

    def _leaps(self, frame: VideoFrame) -> bool:
        """Whether the frame's stamp skips so many pictures that it had better be confirmed by the next one."""
        beyond = self.place + LEAP
        return (
            self.chapter.stamped
            and self.place >= 0
            and frame.pts is not None
            and not self.keys
            and beyond < len(self.chapter.pts)
            and frame.pts > self.chapter.pts[beyond]
        )

    def _is_after(self, later: VideoFrame, earlier: VideoFrame) -> bool:
        return later.pts is None or earlier.pts is None or later.pts > earlier.pts

    def _fits(self, frame: VideoFrame) -> bool:
        chapter = self.chapter
        if (frame.width, frame.height, frame.format.name) == (chapter.width, chapter.height, chapter.pixel_format):
            return True
        self._tell(f"a picture of {frame.width}×{frame.height} {frame.format.name} is left out", self.place)
        return False
