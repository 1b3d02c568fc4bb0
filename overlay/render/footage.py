"""What is drawn on: pictures on one clock, how they are written, and whose sound goes with them."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from overlay.errors import Damage
from overlay.recordings import Colour, Picture, Recording, decode
from overlay.render.colour import Encoding, encoding_of
from overlay.render.raster import Raster
from overlay.render.upright import raster_of, upright


@dataclass(frozen=True)
class Format:
    """How pictures are coded, and what has to be carried so that they look the same: see `Chapter` for the terms."""

    raster: Raster
    pixel_format: str
    encoding: Encoding
    time_base: Fraction
    frame_rate: Fraction
    colour: Colour
    interlaced: Literal["top", "bottom"] | None = None


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


def format_of(recording: Recording) -> Format:
    """How a recording's upright pictures are coded, which is how its first chapter is."""
    first = recording.chapters[0]
    colour = first.colour
    encoding = encoding_of(first.pixel_format, colour.matrix, bool(colour.full_range), first.height, colour.transfer)
    raster = raster_of(recording)
    return Format(raster, first.pixel_format, encoding, first.time_base, recording.frame_rate, colour, first.interlaced)
