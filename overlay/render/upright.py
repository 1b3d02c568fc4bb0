"""Frames as they are to be seen: turned upright, so that the review needs no rotation tag and every player agrees."""

from __future__ import annotations

from collections.abc import Generator, Iterable
from fractions import Fraction

from overlay.errors import RecordingError
from overlay.recordings import Picture, Recording
from overlay.render.filtering import deinterlacing, filtered, turns
from overlay.render.raster import Raster


def raster_of(recording: Recording) -> Raster:
    """Size and pixel shape of the upright coded picture. Raises RecordingError when the chapters differ in them."""
    first = recording.chapters[0]
    for chapter in recording.chapters[1:]:
        if (chapter.width, chapter.height, chapter.pixel_format, chapter.rotation_deg) != (
            first.width,
            first.height,
            first.pixel_format,
            first.rotation_deg,
        ):
            found = f"{chapter.width}×{chapter.height} {chapter.pixel_format}, turned {chapter.rotation_deg}°"
            wanted = f"{first.width}×{first.height} {first.pixel_format}, turned {first.rotation_deg}°"
            raise RecordingError(
                chapter.path, found, f"chapters of one recording must agree; the first one is {wanted}"
            )
    if first.rotation_deg % 180:
        return Raster(first.height, first.width, 1 / Fraction(first.sample_aspect))
    return Raster(first.width, first.height, Fraction(first.sample_aspect))


def upright(pictures: Iterable[Picture], recording: Recording) -> Generator[Picture]:
    """The same pictures turned upright; passed through untouched where nothing is to be done.

    Turned fields would not be fields any more, so an interlaced recording is made whole before it is turned.
    """
    steps = turns(recording)
    if steps:
        steps = (*deinterlacing(recording), *steps, f"format={recording.chapters[0].pixel_format}")
    return filtered(pictures, steps)
