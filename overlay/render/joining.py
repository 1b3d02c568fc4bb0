"""The finished segments joined into one file with the sound, as they come; an interrupted run's file is gone on from.

A journal beside the file has a line for every segment, written after the file was forced to the disk. What the muxer
still held back then belongs to the last segment at most; those before it are taken over where their packets are still
what the journal's digests say.
"""

from __future__ import annotations

import hashlib
import heapq
import json
import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass
from fractions import Fraction
from itertools import chain, islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from overlay.clock import format_utc
from overlay.errors import Damage
from overlay.render.encoder import container_options
from overlay.render.segments import Coded, Plan
from overlay.render.sink import Sink
from overlay.render.sound import Sound
from overlay.render.timecode import advanced

if TYPE_CHECKING:
    import av
    from av.container import InputContainer, OutputContainer

    from overlay.render.pipeline import Mark

    _Packet = av.Packet[av.VideoStream]

_FORMAT = {"overlay render": 1}
_MOST_DEPTH = 16  # pictures decoded before their turn: the most that H.264 and HEVC allow


class _Record(NamedTuple):
    """A joined segment: its frames, the tick of its first, how many are decoded before their turn, a digest, damage.

    The digest is of its packets, the damage that of the footage.
    """

    frames: int
    first: int
    depth: int
    digest: str
    damage: tuple[Damage, ...]


@dataclass(frozen=True)
class _Earlier:
    """What an earlier run left: its file and the segments in it that are trusted."""

    path: Path
    generation: int
    records: tuple[_Record, ...]


class Join:
    """The video in the making in `folder`; its first `kept` segments were found there, made with the same `key`."""

    def __init__(self, plan: Plan, folder: Path, key: str) -> None:
        self._plan, self._folder = plan, folder
        earlier = _earlier(folder, key, plan.suffix)
        self.kept = len(earlier.records) if earlier else 0
        self.frames = 0
        self.damage: list[Damage] = []
        for left in folder.iterdir():
            if left.name.startswith(("segment-", "joined-")) and not (earlier and left.stem == earlier.path.stem):
                left.unlink()
        generation = earlier.generation + 1 if earlier else 1
        self.path = folder / f"joined-{generation}{plan.suffix}"
        self._journal = _journal_of(self.path).open("w", encoding="utf-8")
        self._note({**_FORMAT, "key": key})
        self._written = 0
        self._output: _Output | None = None
        if earlier is not None:
            self._take_over(earlier)

    @property
    def worth_keeping(self) -> bool:
        """Whether a later run could spare itself anything."""
        return self._written > 1

    @property
    def kept_s(self) -> float:
        """Seconds of the review that were there already."""
        if not self.kept:
            return 0.0
        return float(self._plan.segments[self.kept - 1].end_s - self._plan.begin)

    @property
    def sound_note(self) -> str | None:
        """Why there is no sound."""
        return self._output.sound.note if self._output is not None else None

    def append(self, coded: Coded) -> None:
        """Add a segment's file behind the last one and delete it."""
        if coded.path is None:
            self._end(coded.frames, coded.first, coded.damage)
            return
        with _reading(coded.path) as source:
            self._add(source, _packets(source), coded.first)
        self._end(coded.frames, coded.first, coded.damage)
        coded.path.unlink()

    def finish(self) -> Path:
        """Close the file: all that is left of the sound, and the index."""
        if self._output is not None:
            self._output.close(finished=True)
        self._journal.close()
        return self.path

    def abandon(self) -> None:
        """Close everything after a fault."""
        self._journal.close()
        if self._output is not None:
            self._output.close(finished=False)

    def _take_over(self, earlier: _Earlier) -> None:
        with _reading(earlier.path) as source:
            packets = _packets(source)
            for record in earlier.records:
                if record.frames:
                    # Matroska's own times are rounded already, and rounded once more alike
                    first = None if self._plan.suffix == ".mkv" else record.first
                    self._add(source, islice(packets, record.frames), first, record.depth)
                self._end(record.frames, record.first, record.damage)
        for path in (earlier.path, _journal_of(earlier.path)):
            path.unlink()

    def _add(
        self, source: InputContainer, packets: Iterator[_Packet], first: int | None, depth: int | None = None
    ) -> None:
        stream = source.streams.video[0]
        if self._output is None:
            self._output = _Output(self._plan, self.path, stream)
            self._output.depth = depth
        self._output.add(stream, packets, first)

    def _end(self, frames: int, first: int, damage: Sequence[Damage]) -> None:
        self.frames += frames
        self.damage += damage
        depth, digest = 0, hashlib.sha256()
        if self._output is not None:
            _force(self.path)
            depth, digest, self._output.digest = self._output.depth or 0, self._output.digest, digest
        record = _Record(frames, first, depth, digest.hexdigest(), tuple(damage))
        self._note({**record._asdict(), "damage": [asdict(one) for one in damage]})
        self._written += 1

    def _note(self, line: dict[str, Any]) -> None:
        self._journal.write(json.dumps(line) + "\n")
        self._journal.flush()
        os.fsync(self._journal.fileno())


class _Output:
    """The joined file: times of decoding are made anew, since each segment's own know nothing of the others."""

    def __init__(self, plan: Plan, path: Path, template: av.VideoStream) -> None:
        look = plan.review.footage.format
        self._time_base, self._frame_rate = look.time_base, look.frame_rate
        self._sink = Sink(path, container_options(plan.suffix, look.time_base))
        self._container = self._sink.container
        _describe(self._container, plan)
        self._stream = self._container.add_stream_from_template(template, opaque=True)
        context: Any = self._stream.codec_context
        context.framerate = look.frame_rate
        self._stream.time_base = look.time_base
        self._headers = template.codec_context.extradata
        self.sound = Sound(plan.review.footage.heard, self._container, plan.begin, plan.stop)
        self.depth: int | None = None
        self.digest = hashlib.sha256()  # of the segment's packets
        self._awaited: list[int] = []  # heap: when pictures are shown that were decoded for later

    def add(self, stream: av.VideoStream, packets: Iterator[_Packet], first: int | None) -> None:
        """Mux a segment, in decoding order, so that its first picture is shown at tick `first`; None: as stamped."""
        if stream.codec_context.extradata != self._headers:
            raise RuntimeError("segments of one video were encoded with different headers")
        head = list(islice(packets, _MOST_DEPTH + 1))
        if not head:
            return
        start = self._ticks(head[0].pts, head[0])  # a key picture, shown before all others of the segment
        if self.depth is None:
            self.depth = sum(self._ticks(packet.dts, packet) < start for packet in head)
        shift = first - start if first is not None else 0
        for packet in chain(head, packets):
            self.digest.update(bytes(packet))
            self._mux(packet, self._ticks(packet.pts, packet) + shift)
            self._sink.check()

    def close(self, *, finished: bool) -> None:
        """End the sound and the file, or leave it as far as it is written."""
        try:
            if finished:
                self.sound.mux_until(None)
        finally:
            self.sound.close()
            self._sink.end(finished=finished)

    def _ticks(self, stamp: int | None, packet: _Packet) -> int:
        assert stamp is not None
        assert packet.time_base is not None
        return round(stamp * packet.time_base / self._time_base)

    def _mux(self, packet: _Packet, pts: int) -> None:
        dts = self._decoded_at(pts)
        packet.duration = self._ticks(packet.duration or 0, packet)
        packet.time_base, packet.pts, packet.dts, packet.stream = self._time_base, pts, dts, self._stream
        self.sound.mux_until(dts * self._time_base)
        self._container.mux(packet)

    def _decoded_at(self, pts: int) -> int:
        """Time of decoding of the next packet: a picture is decoded when the one `depth` places before it is shown.

        Before there is one, nominal intervals before the beginning are taken.
        """
        assert self.depth is not None
        heapq.heappush(self._awaited, pts)
        missing = self.depth + 1 - len(self._awaited)
        if missing:
            return self._awaited[0] - missing * max(1, round(1 / self._frame_rate / self._time_base))
        return heapq.heappop(self._awaited)


def _earlier(folder: Path, key: str, suffix: str) -> _Earlier | None:
    """The most that an earlier run with the same key left behind."""
    found = []
    for journal in folder.glob("joined-*.journal"):
        path, lines = journal.with_suffix(suffix), _lines(journal)
        if path.is_file() and lines and lines[0] == {**_FORMAT, "key": key}:
            records = [
                _Record(**{**line, "damage": tuple(Damage(**one) for one in line["damage"])}) for line in lines[1:-1]
            ]
            found.append(_Earlier(path, int(path.stem.partition("-")[2]), _readable(path, records)))
    best = max(found, key=lambda one: len(one.records), default=None)
    return best if best is not None and best.records else None


def _lines(journal: Path) -> list[dict[str, Any]]:
    lines = []
    with suppress(ValueError):  # a line that was being written at the end
        lines = [json.loads(line) for line in journal.read_text(encoding="utf-8").splitlines(keepends=False)]
    return lines


def _readable(path: Path, records: list[_Record]) -> tuple[_Record, ...]:
    """The first of `records` whose packets the file really holds, to the last byte."""
    import av

    held = []
    with suppress(av.error.FFmpegError), _reading(path) as source:
        packets = _packets(source)
        for record in records:
            digest = hashlib.sha256()
            for packet in islice(packets, record.frames):
                digest.update(bytes(packet))
            if digest.hexdigest() != record.digest:
                break
            held.append(record)
    return tuple(held)


@contextmanager
def _reading(path: Path) -> Iterator[InputContainer]:
    import av

    # edit lists speak in milliseconds: times are taken as they stand in the track
    options = {} if path.suffix == ".mkv" else {"ignore_editlist": "1"}
    with av.open(str(path), options=options) as source:
        yield source


def _packets(source: InputContainer) -> Iterator[_Packet]:
    return (packet for packet in source.demux(source.streams.video[0]) if packet.size)


def _journal_of(path: Path) -> Path:
    return path.with_suffix(".journal")


def _force(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _describe(container: OutputContainer, plan: Plan) -> None:
    review = plan.review
    if review.title:
        container.metadata["title"] = review.title
    if review.created_utc is not None:
        container.metadata["creation_time"] = format_utc(review.created_utc + float(plan.begin), 6)
    rate = review.footage.format.frame_rate
    label = advanced(review.timecode, round(plan.begin * rate), rate) if review.timecode else None
    if label:
        container.metadata["timecode"] = label
    marks = [mark for number, span in enumerate(review.marks) if (mark := _mark(plan, number, span))]
    if marks:
        container.set_chapters(marks)


def _mark(plan: Plan, number: int, mark: Mark) -> Any:
    begin, stop = float(plan.begin), float(plan.stop)
    low, high = max(mark.start_s, begin) - begin, min(mark.end_s, stop) - begin
    if low >= high:
        return None
    milli = Fraction(1, 1000)
    span = {"start": round(low * 1000), "end": round(high * 1000), "time_base": milli}
    return {"id": number, **span, "metadata": {"title": mark.title}}
