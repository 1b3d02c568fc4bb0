"""The review video in segments, each encoded by itself on a fixed grid of frames.

So it is the same video however many are made at once and wherever a run was interrupted.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Generator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from itertools import groupby
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from overlay.errors import Damage
from overlay.recordings import Picture
from overlay.recordings.ahead import ahead
from overlay.render.compositor import Compositor
from overlay.render.encoder import add_video
from overlay.render.heap import give_back, one_heap
from overlay.render.sink import Sink

if TYPE_CHECKING:
    import av

    from overlay.render.pipeline import Review

SEGMENT_FRAMES = 500  # two of the default encoder's usual longest spans between key frames
_ROUNDING_S = 1e-7  # far below any frame interval, far above the rounding of a day in float64

Progress = Callable[[float, float], None]


class Segment(NamedTuple):
    """Frames with start_s ≤ time < end_s on the footage's clock; `number` counts from 0 in the review."""

    number: int
    start_s: Fraction
    end_s: Fraction


class Coded(NamedTuple):
    """A finished segment's file, whose first frame is due at tick `first` of the review; no frame: no file."""

    segment: Segment
    path: Path | None
    first: int
    frames: int
    redrawn: int
    damage: tuple[Damage, ...]


@dataclass(frozen=True)
class Plan:
    """All that decides what is encoded: a review, its window on the footage's clock, and how pixels are written."""

    review: Review
    begin: Fraction
    stop: Fraction
    pixel_format: str
    suffix: str

    @cached_property
    def segments(self) -> Sequence[Segment]:
        """The whole window in segments of `SEGMENT_FRAMES`, the last one shorter."""
        times = self.review.footage.times_s
        low, high = (int(np.searchsorted(times, float(t) - _ROUNDING_S)) for t in (self.begin, self.stop))
        inner = (Fraction(float(times[place])) for place in range(low + SEGMENT_FRAMES, high, SEGMENT_FRAMES))
        edges = [self.begin, *inner, self.stop]
        return [Segment(number, *edges[number : number + 2]) for number in range(len(edges) - 1)]


class _Drawn(NamedTuple):
    segment: int
    time: Fraction  # in the review
    frame: av.VideoFrame


def encode(
    plan: Plan,
    segments: Sequence[Segment],
    folder: Path,
    progress: Progress | None = None,
    stopped: Callable[[], bool] = lambda: False,
) -> Generator[Coded]:
    """Write `segments`, which follow each other, as files in `folder`; `progress` gets (seconds of the review, in all).

    One thread decodes ahead, one draws, and the caller's encodes. Ends early once `stopped` says so.
    """
    one_heap()
    look, total = plan.review.footage.format, float(plan.stop - plan.begin)
    compositor = Compositor(plan.review.panels, look.encoding, look.raster, plan.review.inset)
    damage: list[Damage] = []
    drawn = ahead(_drawn(plan, segments, compositor, damage), "draw")
    groups = groupby(drawn, key=lambda one: one.segment)
    found = next(groups, None)
    redrawn = 0
    try:
        for segment in segments:
            if found is None or found[0] != segment.number:
                yield Coded(segment, None, 0, 0, 0, _taken(damage))
                continue
            file = _SegmentFile(plan, folder, segment.number)
            with file:
                for one in found[1]:
                    if stopped():
                        return
                    file.encode(one.time, one.frame)
                    if progress is not None:
                        progress(float(one.time), total)
            found = next(groups, None)
            yield Coded(segment, file.path, file.first, file.frames, compositor.redrawn - redrawn, _taken(damage))
            redrawn = compositor.redrawn
            give_back()
    finally:
        drawn.close()


def _taken(damage: list[Damage]) -> tuple[Damage, ...]:
    found = tuple(damage)
    del damage[: len(found)]
    return found


def _drawn(plan: Plan, segments: Sequence[Segment], compositor: Compositor, damage: list[Damage]) -> Generator[_Drawn]:
    footage, clock = plan.review.footage, plan.review.clock
    starts = [float(segment.start_s) - _ROUNDING_S for segment in segments]
    pictures: Generator[Picture] = ahead(footage.pictures(segments[0].start_s, segments[-1].end_s, damage), "decode")
    try:
        for picture in pictures:
            compositor.draw(picture.frame, clock.to_reference(float(picture.time)))
            picture.frame.pict_type = 0  # the encoder chooses, not the source's encoder
            segment = segments[max(0, bisect_right(starts, float(picture.time)) - 1)]
            yield _Drawn(segment.number, picture.time - plan.begin, picture.frame)
    finally:
        pictures.close()


class _SegmentFile:
    """A segment being written: pictures alone, whose times begin at zero."""

    def __init__(self, plan: Plan, folder: Path, number: int) -> None:
        self.path = folder / f"segment-{number}{'.mov' if plan.suffix == '.mov' else '.mp4'}"
        self.first, self.frames = 0, 0
        look = plan.review.footage.format
        self._time_base = look.time_base
        options = {"use_editlist": "0"}  # which would round times to milliseconds
        if self._time_base.numerator == 1:
            options["video_track_timescale"] = str(self._time_base.denominator)
        self._sink = Sink(self.path, options)
        self._stream = add_video(self._sink.container, plan.review.encoder, look, plan.pixel_format)

    def encode(self, time: Fraction, frame: av.VideoFrame) -> None:
        """Add a frame that is due at `time` of the review."""
        due = round(time / self._time_base)
        if not self.frames:
            self.first = due
        frame.time_base, frame.pts = self._time_base, due - self.first
        self.frames += 1
        self._add(frame)

    def _add(self, frame: av.VideoFrame | None) -> None:
        self._sink.container.mux(self._stream.encode(frame))
        self._sink.check()

    def __enter__(self) -> _SegmentFile:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        if kind is not None:
            self._sink.end(finished=False)
            return
        with self._sink:
            self._add(None)
