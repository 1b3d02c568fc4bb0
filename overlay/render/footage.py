"""What is drawn on: pictures on one clock, how they are written, and whose sound goes with them."""

from __future__ import annotations

import math
from collections.abc import Generator
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from overlay.errors import Damage
from overlay.instruments.palette import Palette
from overlay.recordings import Colour, Picture, Recording, decode
from overlay.render.colour import Encoding, encoding_of
from overlay.render.filtering import turns
from overlay.render.raster import Raster
from overlay.render.stage import ENCODING, Stage, blank
from overlay.render.upright import raster_of, upright

_ROUNDING_S = Fraction(1, 10_000_000)  # of a time given as a float; `Recording` allows as much
_BT709 = Colour(1, 1, 1, full_range=False)


@dataclass(frozen=True)
class Format:
    """How pictures are coded, and what has to be carried so that they look the same: see `Chapter` for the terms.

    `even`: whether they come at even intervals.
    """

    raster: Raster
    pixel_format: str
    encoding: Encoding
    time_base: Fraction
    frame_rate: Fraction
    colour: Colour
    interlaced: Literal["top", "bottom"] | None = None
    even: bool = True


class Footage(Protocol):
    """Pictures on one clock, in order, each made to be drawn on in place."""

    @property
    def format(self) -> Format:
        """How the pictures are coded. Raises UsageError or RecordingError where they cannot be drawn on."""
        ...

    @property
    def times_s(self) -> NDArray[np.float64]:
        """(frames,) when each picture is shown, on that clock."""
        ...

    @property
    def files(self) -> tuple[str, ...]:
        """What is read, and must not be written over."""
        ...

    @property
    def heard(self) -> Recording | None:
        """The recording whose sound goes with the pictures, on the same clock."""
        ...

    def window(self, start_s: float | None, end_s: float | None) -> tuple[Fraction, Fraction]:
        """Exact time of the picture on show at `start_s`, and the end; None: the footage's own beginning and end."""
        ...

    def pictures(self, start_s: Fraction, end_s: Fraction, damage: list[Damage] | None = None) -> Generator[Picture]:
        """Upright pictures with start_s ≤ time < end_s; what cannot be decoded is told in `damage`."""
        ...


@dataclass(frozen=True)
class Whole:
    """One recording as it is."""

    recording: Recording

    @cached_property
    def format(self) -> Format:
        """See `Footage.format`."""
        return format_of(self.recording)

    @property
    def times_s(self) -> NDArray[np.float64]:
        """See `Footage.times_s`."""
        return self.recording.pts_index

    @property
    def files(self) -> tuple[str, ...]:
        """See `Footage.files`."""
        return tuple(chapter.path for chapter in self.recording.chapters)

    @property
    def heard(self) -> Recording | None:
        """See `Footage.heard`."""
        return self.recording

    def window(self, start_s: float | None, end_s: float | None) -> tuple[Fraction, Fraction]:
        """See `Footage.window`."""
        begin, stop = Fraction(0), Fraction(self.recording.duration_s)
        if start_s is not None and start_s > 0:
            shown = float(self.times_s[self.recording.frame_at(start_s)])
            begin = next((p.time for p in decode(self.recording, start_s=shown)), Fraction(start_s))
        return begin, stop if end_s is None else min(stop, Fraction(end_s))

    def pictures(self, start_s: Fraction, end_s: Fraction, damage: list[Damage] | None = None) -> Generator[Picture]:
        """See `Footage.pictures`."""
        return upright(decode(self.recording, float(start_s), float(end_s), damage=damage), self.recording)


@dataclass(frozen=True)
class Staged:
    """One recording at its place on a canvas, from `begin_s` to `end_s` on its clock, beyond its own ends too.

    Its frame times are kept; where it has none a frame comes at its average rate and says that there is no picture.
    High dynamic range is refused unless it is to be mapped, as by `encoding_of`.
    """

    recording: Recording
    stage: Stage
    palette: Palette
    begin_s: Fraction
    end_s: Fraction
    map_hdr: bool = False

    @cached_property
    def format(self) -> Format:
        """See `Footage.format`."""
        base, rate = self.recording.chapters[0].time_base, self.recording.frame_rate
        self._source  # noqa: B018  # refuses what cannot be shown
        raster = Raster(self.stage.width, self.stage.height)
        return Format(raster, "yuv420p", ENCODING, base, rate, _BT709, even=is_even(self.recording))

    @cached_property
    def times_s(self) -> NDArray[np.float64]:
        """See `Footage.times_s`."""
        before, after = self._without()
        return np.array([*map(float, before), *self.recording.pts_index, *map(float, after)])

    @property
    def files(self) -> tuple[str, ...]:
        """See `Footage.files`."""
        return Whole(self.recording).files

    @property
    def heard(self) -> Recording | None:
        """See `Footage.heard`."""
        return self.recording

    def window(self, start_s: float | None, end_s: float | None) -> tuple[Fraction, Fraction]:
        """See `Footage.window`."""
        stop = max(self.end_s, self.recording.duration_s)
        if start_s is None:
            begin = next(iter(self._without()[0]), Fraction(0))
        elif start_s < self.recording.duration_s:
            begin = Whole(self.recording).window(start_s, None)[0]
        else:
            begin = next((time for time in reversed(self._without()[1]) if time <= start_s), self.recording.duration_s)
        return begin, stop if end_s is None else min(stop, Fraction(end_s))

    def pictures(self, start_s: Fraction, end_s: Fraction, damage: list[Damage] | None = None) -> Generator[Picture]:
        """See `Footage.pictures`."""
        before, after = self._without()
        passed, whole = len(before), self.recording.frames
        for number, time in enumerate(before):
            if start_s - _ROUNDING_S <= time < end_s - _ROUNDING_S:
                yield Picture(time, self.stage.without(self.palette), 0, number)
        decoded = decode(self.recording, float(start_s), float(end_s), damage=damage)
        for picture in self.stage.put(decoded, self.recording, self._source):
            yield picture._replace(number=passed + picture.number)
        for number, time in enumerate(after, passed + whole):
            if start_s - _ROUNDING_S <= time < end_s - _ROUNDING_S:
                yield Picture(time, self.stage.without(self.palette), 0, number)

    @property
    def _source(self) -> Encoding:
        return source_encoding(self.recording, mapped=self.map_hdr)

    def _without(self) -> tuple[list[Fraction], list[Fraction]]:
        """Times of the frames before the recording begins and after it has ended."""
        every, end = 1 / self.recording.frame_rate, self.recording.duration_s
        before = [-number * every for number in range(math.floor(-min(self.begin_s, Fraction(0)) / every), 0, -1)]
        after = [end + number * every for number in range(math.ceil(max(self.end_s - end, Fraction(0)) / every))]
        return before, after


@dataclass(frozen=True)
class Plain:
    """No recording: a plain canvas of `size` (width, height) at an even `rate`, from zero to `duration_s`."""

    size: tuple[int, int]
    rate: Fraction
    duration_s: Fraction

    @cached_property
    def format(self) -> Format:
        """See `Footage.format`."""
        return Format(Raster(*self.size), "yuv420p", ENCODING, Fraction(1, self.rate.numerator), self.rate, _BT709)

    @property
    def times_s(self) -> NDArray[np.float64]:
        """See `Footage.times_s`."""
        return np.arange(max(1, math.ceil(self.duration_s * self.rate))) / float(self.rate)

    @property
    def files(self) -> tuple[str, ...]:
        """See `Footage.files`."""
        return ()

    @property
    def heard(self) -> None:
        """See `Footage.heard`."""
        return None

    def window(self, start_s: float | None, end_s: float | None) -> tuple[Fraction, Fraction]:
        """See `Footage.window`."""
        last = len(self.times_s) - 1
        begin = min(math.floor(Fraction(start_s or 0.0) * self.rate), last) / self.rate
        return begin, self.duration_s if end_s is None else min(self.duration_s, Fraction(end_s))

    def pictures(
        self,
        start_s: Fraction,
        end_s: Fraction,
        damage: list[Damage] | None = None,  # noqa: ARG002 (nothing to break)
    ) -> Generator[Picture]:
        """See `Footage.pictures`."""
        first, stop = (math.ceil((time - _ROUNDING_S) * self.rate) for time in (start_s, end_s))
        for number in range(max(0, first), max(stop, first + 1)):
            yield Picture(number / self.rate, blank(*self.size), 0, number)


def format_of(recording: Recording) -> Format:
    """How a recording's upright pictures are coded, which is how its first chapter is."""
    first = recording.chapters[0]
    encoding, raster = source_encoding(recording), raster_of(recording)
    fields = None if turns(recording) else first.interlaced  # `upright` makes them whole before it turns them
    return Format(
        raster,
        first.pixel_format,
        encoding,
        first.time_base,
        recording.frame_rate,
        first.colour,
        fields,
        is_even(recording),
    )


def source_encoding(recording: Recording, *, mapped: bool = False) -> Encoding:
    """How a recording writes colour; see `encoding_of`."""
    first = recording.chapters[0]
    colour = first.colour
    return encoding_of(
        first.pixel_format, colour.matrix, bool(colour.full_range), first.height, colour.transfer, mapped=mapped
    )


def is_even(recording: Recording) -> bool:
    """Whether the pictures come at even intervals."""
    return not any(chapter.variable_rate for chapter in recording.chapters)
