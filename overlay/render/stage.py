"""A canvas of its own size, and a recording's pictures scaled to their place on it."""

from __future__ import annotations

from collections.abc import Generator, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from overlay.instruments.palette import Colour, Palette
from overlay.instruments.panel import Patch, Rect
from overlay.instruments.unseen import unseen
from overlay.recordings import Picture, Recording
from overlay.render.blend import plane_views
from overlay.render.colour import Encoding, PlanarPatch, Plane, planar
from overlay.render.filtering import deinterlacing, filtered, scaling, turns

if TYPE_CHECKING:
    import av

ENCODING = Encoding(matrix=1, full_range=False, bits=8, subsampling=(1, 1))  # what every player and editor takes
GROUND = Colour(30, 38, 47)


@dataclass(frozen=True)
class Stage:
    """A canvas of `width` × `height` and where a recording stands on it; without a place it stays plain."""

    width: int
    height: int
    place: Rect | None = None

    @property
    def whole(self) -> bool:
        """Whether the recording fills the canvas."""
        return self.place == Rect(0, 0, self.width, self.height)

    def put(self, pictures: Iterable[Picture], recording: Recording, source: Encoding) -> Generator[Picture]:
        """Pictures of a recording, as coded in `source`, on canvases coded in `ENCODING` that may be drawn on."""
        assert self.place is not None
        for picture in scaled_to(pictures, recording, self.place, source, ENCODING):
            if self.whole:
                yield picture
                continue
            canvas = blank(self.width, self.height)
            paste(plane_views(canvas, ENCODING), plane_views(picture.frame, ENCODING), self.place, ENCODING)
            yield picture._replace(frame=canvas)

    def without(self, palette: Palette) -> av.VideoFrame:
        """The canvas while the recording has no picture."""
        canvas = blank(self.width, self.height)
        if self.place is not None:
            paste(plane_views(canvas, ENCODING), no_picture(self.place, palette, ENCODING), self.place, ENCODING)
        return canvas


def scaled_to(
    pictures: Iterable[Picture], recording: Recording, rect: Rect, source: Encoding, target: Encoding
) -> Generator[Picture]:
    """Pictures as coded in `source`, whole, upright, as large as `rect`, coded as `target`."""
    steps = scaling(recording, (rect.width, rect.height), source, target)
    return filtered(pictures, (*deinterlacing(recording), *turns(recording), *steps))


def paste(views: list[Plane], picture: list[Plane], rect: Rect, encoding: Encoding) -> None:
    """Put the planes of a picture as large as `rect` into the planes `views`."""
    for number, (view, part) in enumerate(zip(views, picture, strict=True)):
        shift_x, shift_y = encoding.subsampling if number else (0, 0)
        x, y = rect.x >> shift_x, rect.y >> shift_y
        view[y : y + part.shape[0], x : x + part.shape[1]] = part


def no_picture(rect: Rect, palette: Palette, encoding: Encoding) -> list[Plane]:
    """What stands in a recording's place while it has no picture, as planes."""
    return _solid(planar(unseen(rect.width, rect.height, palette), encoding), encoding)


def blank(width: int, height: int) -> av.VideoFrame:
    """A dark canvas."""
    import av

    canvas = av.VideoFrame(width, height, "yuv420p")
    for view, plane in zip(plane_views(canvas, ENCODING), _solid(planar(flat(2, 2), ENCODING), ENCODING), strict=True):
        view[...] = plane[0, 0]
    return canvas


def flat(width: int, height: int) -> Patch:
    """A patch in the colour of the canvas."""
    return np.tile(np.asarray(GROUND, np.uint8), (height, width, 1))


def _solid(patch: PlanarPatch, encoding: Encoding) -> list[Plane]:
    """The planes of a patch that nothing shines through."""
    top = (1 << encoding.bits) - 1
    whole = [np.clip(np.rint(plane), 0, top) for plane in patch.add]
    return [plane.astype(np.uint8) if encoding.bits == 8 else plane.astype(np.uint16) for plane in whole]
