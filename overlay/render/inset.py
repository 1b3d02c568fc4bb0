"""The other recording inside the picture, in step with it on the flight clock."""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from overlay.clock import AffineClock
from overlay.instruments.palette import PALETTES, Palette
from overlay.instruments.panel import Rect
from overlay.recordings import Picture, Recording, decode
from overlay.render.blend import plane_views
from overlay.render.colour import Encoding, Plane
from overlay.render.footage import source_encoding
from overlay.render.stage import no_picture, paste, scaled_to

if TYPE_CHECKING:
    from overlay.render.raster import Raster

_LONGEST_HOLD_S = Fraction(1)  # a picture older than this is no longer "now"
_CLOCK_S = Fraction(1, 1_000_000)  # what float64 arithmetic on POSIX seconds may be off, four times over


@dataclass(frozen=True)
class _Kept:
    """The planes that were pasted last, and what they show: a picture, or that there is none."""

    picture: Picture | None
    planes: list[Plane]


class Inset:
    """Feeds the other recording's frame of each moment, scaled into `rect` of the shown picture.

    The newest frame not later than the moment is shown, as the recorder showed it: break-ups and freezes included.
    Where the recording has none a plate says so. Moments must not run backwards.
    """

    def __init__(
        self,
        recording: Recording,
        clock: AffineClock,
        rect: Rect,
        palette: Palette = PALETTES["calm"],
        *,
        map_hdr: bool = False,
    ) -> None:
        self.rect = rect
        self._recording = recording
        self._clock = clock
        self._palette = palette
        self._source = source_encoding(recording, mapped=map_hdr)
        # A stamp is rounded to its tick, so frames within half a tick of each other are of one moment.
        self._slack = max(_CLOCK_S, max(chapter.time_base for chapter in recording.chapters) / 2)
        self._pictures: Generator[Picture] | None = None
        self._now: Picture | None = None
        self._next: Picture | None = None
        self._kept: _Kept | None = None

    @property
    def aspect(self) -> float:
        """Width over height of the recording as shown."""
        return self._recording.width / self._recording.height

    @property
    def files(self) -> tuple[str, ...]:
        """What is read."""
        return tuple(chapter.path for chapter in self._recording.chapters)

    def paste(self, views: list[Plane], flight_s: float, encoding: Encoding, raster: Raster) -> None:
        """Paste the frame of this moment into the planes `views`."""
        rect = raster.squeezed(self.rect)
        picture = self._picture_at(Fraction(self._clock.to_recording(flight_s)), rect, encoding)
        if self._kept is None or self._kept.picture is not picture:
            planes = (
                no_picture(rect, self._palette, encoding) if picture is None else plane_views(picture.frame, encoding)
            )
            self._kept = _Kept(picture, planes)
        paste(views, self._kept.planes, rect, encoding)

    def close(self) -> None:
        """Close the files being read."""
        if self._pictures is not None:
            self._pictures.close()

    def _picture_at(self, time: Fraction, rect: Rect, encoding: Encoding) -> Picture | None:
        """The picture on show at a moment of the recording's clock, scaled."""
        time += self._slack
        if not 0 <= time < self._recording.duration_s + self._slack:
            return None
        if self._pictures is None:
            pictures = decode(self._recording, start_s=max(Fraction(0), time - _LONGEST_HOLD_S))
            self._pictures = scaled_to(pictures, self._recording, rect, self._source, encoding)
            self._next = next(self._pictures, None)
        while self._next is not None and self._next.time <= time:
            self._now, self._next = self._next, next(self._pictures, None)
        stale = self._now is None or time - self._now.time > _LONGEST_HOLD_S
        return None if stale else self._now
