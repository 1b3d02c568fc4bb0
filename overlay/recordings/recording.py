"""What is known of a recording before a single picture of it is shown."""

from __future__ import annotations

from dataclasses import dataclass, field
from fractions import Fraction
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from overlay.errors import Damage

Ticks = NDArray[np.int64]
_ROUNDING_S = 1e-7  # far below any frame interval, far above the rounding of a day in float64


def pictures(count: int) -> str:
    """``1 picture``, ``2 pictures``."""
    return f"{count} picture" if count == 1 else f"{count} pictures"


def into_the_file(seconds: Fraction) -> str:
    """Where in a file, for people."""
    return f"{float(seconds):.3f} s into the file"


@dataclass(frozen=True)
class Audio:
    """The sound of a chapter; `stream` is its index in the file."""

    codec: str
    sample_rate_Hz: int
    channels: int
    stream: int


@dataclass(frozen=True)
class Colour:
    """How the samples are to be understood: code points of ITU-T H.273, where 2 is "unspecified".

    `full_range` is None where the file does not say; limited range (16…235) is then the usual meaning.
    """

    primaries: int = 2
    transfer: int = 2
    matrix: int = 2
    full_range: bool | None = None


class Splice(NamedTuple):
    """From picture packet number `packet` on, `shift` ticks are added to the file's own stamps."""

    packet: int
    shift: int


@dataclass(frozen=True)
class Chapter:
    """One file of a recording.

    ``width``, ``height``: of the coded picture, before rotation and before pixels are made square.
    ``first_pts``: of the first picture shown, in ticks of `time_base`; it lies at ``start_s`` on the recording's clock.
    ``duration_s``: from the first picture to the end of the last one.
    ``frame_rate``: average over the chapter.
    ``variable_rate``: whether intervals differ by more than rounding to the time base explains.
    ``rotation_deg``: clockwise turn (0, 90, 180, 270) that shows the picture upright.
    ``hflip``: mirror left–right as well, before turning.
    ``interlaced``: the field that comes first, or None for whole pictures.
    ``sample_aspect``: width over height of a coded pixel.
    ``created_utc``: POSIX seconds as the recorder believed; None when it did not know.
    ``timecode``: as written, for instance 10:00:00:00.
    ``stream``: index of the picture stream in the file.
    ``pts`` (frames,): every picture's pts in order of showing.
    ``key_pts``: those where decoding can begin, and ``key_entry``: what to seek to for each.
    ``stamped``: whether the stamps tell which picture is which; else pictures are counted in order of showing.
    ``splices``: where the recorder's clock was reset.
    """

    path: str
    format: str
    codec: str
    width: int
    height: int
    pixel_format: str
    bit_depth: int
    time_base: Fraction
    first_pts: int
    start_s: Fraction
    duration_s: Fraction
    frames: int
    frame_rate: Fraction
    variable_rate: bool
    rotation_deg: int
    hflip: bool
    interlaced: Literal["top", "bottom"] | None
    sample_aspect: Fraction
    colour: Colour
    audio: Audio | None
    created_utc: float | None
    timecode: str | None
    stream: int
    pts: Ticks = field(repr=False, compare=False)
    key_pts: Ticks = field(repr=False, compare=False)
    key_entry: Ticks = field(repr=False, compare=False)
    stamped: bool = True
    splices: tuple[Splice, ...] = ()

    def time_of(self, pts: int) -> Fraction:
        """Seconds on the recording's clock of a pts of this chapter."""
        return self.start_s + (pts - self.first_pts) * self.time_base

    @property
    def seekable(self) -> bool:
        """Whether a window can be read without everything before it."""
        return self.stamped and not self.splices

    @property
    def end_s(self) -> Fraction:
        """Where the next chapter begins on the recording's clock."""
        return self.start_s + self.duration_s

    @property
    def display_size(self) -> tuple[int, int]:
        """(width, height) of the upright picture with square pixels; both even, neither smaller than coded."""
        aspect = self.sample_aspect
        wide = self.width * max(aspect, Fraction(1))
        high = self.height / min(aspect, Fraction(1))
        size = (2 * round(wide / 2), 2 * round(high / 2))
        return size[::-1] if self.rotation_deg % 180 else size


@dataclass(frozen=True)
class Recording:
    """Chapters in order, on one clock: zero at the first frame, each chapter beginning where the last one ended.

    ``pts_index`` (frames,) float64: when each frame is shown, in seconds on that clock; read-only.
    ``damage``: what was found broken while looking through the files; decoding may find more.
    """

    chapters: tuple[Chapter, ...]
    pts_index: NDArray[np.float64] = field(repr=False, compare=False)
    damage: tuple[Damage, ...] = ()

    @property
    def duration_s(self) -> Fraction:
        """From the first frame to the end of the last one."""
        return self.chapters[-1].end_s

    @property
    def frames(self) -> int:
        """Number of pictures in all chapters."""
        return len(self.pts_index)

    @property
    def frame_rate(self) -> Fraction:
        """Average over the whole recording, in frames per second."""
        rates = {chapter.frame_rate for chapter in self.chapters}
        return rates.pop() if len(rates) == 1 else Fraction(self.frames) / self.duration_s

    @property
    def width(self) -> int:
        """Pixels across the upright picture with square pixels; even."""
        return self.chapters[0].display_size[0]

    @property
    def height(self) -> int:
        """Pixels down the upright picture with square pixels; even."""
        return self.chapters[0].display_size[1]

    @property
    def full_range(self) -> bool:
        """Whether black is coded as 0 and white as 255, not as 16 and 235 (of 8 bits)."""
        return bool(self.chapters[0].colour.full_range)

    def frame_at(self, time_s: float) -> int:
        """Number (from 0) of the frame on show at a moment of the recording's clock; clipped to its ends."""
        return max(0, int(np.searchsorted(self.pts_index, time_s + _ROUNDING_S, side="right")) - 1)

    def frame_from(self, time_s: float | Fraction) -> int:
        """Number of the first frame shown at or after a moment; `frames` if there is none."""
        return int(np.searchsorted(self.pts_index, float(time_s) - _ROUNDING_S))

    def missing(self, time_s: NDArray[np.float64]) -> tuple[Damage, ...]:
        """The pictures that were not to be had, each run of them told once, where those at `time_s` (N,) were."""
        seen = np.zeros(self.frames + 2, np.bool_)
        seen[[0, -1]] = True
        seen[1 + np.clip(np.searchsorted(self.pts_index, time_s - _ROUNDING_S), 0, self.frames - 1)] = True
        begins, ends = np.flatnonzero(seen[:-1] & ~seen[1:]), np.flatnonzero(~seen[:-1] & seen[1:])
        told = []
        for first, last in zip(begins.tolist(), ends.tolist(), strict=True):
            at = Fraction(float(self.pts_index[first]))
            chapter = next(
                c for c in reversed(self.chapters) if float(c.start_s) <= self.pts_index[first] + _ROUNDING_S
            )
            what = f"{pictures(last - first)} cannot be decoded"
            told.append(Damage(chapter.path, what, into_the_file(max(at - chapter.start_s, Fraction(0)))))
        return tuple(told)
