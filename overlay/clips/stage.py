"""The frame of a clip: the recording whole, or both recordings side by side, on a canvas of the clip's own size."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from overlay.instruments.canvas import Canvas
from overlay.instruments.instrument import SMALL
from overlay.instruments.palette import Colour, Palette
from overlay.instruments.panel import Patch, Rect
from overlay.render.blend import blend, plane_views
from overlay.render.colour import Encoding, planar

if TYPE_CHECKING:
    import av

ENCODING = Encoding(matrix=1, full_range=False, bits=8, subsampling=(1, 1))  # what every player and editor takes
_GROUND = Colour(15, 21, 28)


@dataclass(frozen=True)
class Stage:
    """A canvas of `width` × `height` and where the clip's own recording stands on it."""

    width: int
    height: int
    place: Rect

    @property
    def whole(self) -> bool:
        """Whether the recording fills the canvas."""
        return (self.place.width, self.place.height) == (self.width, self.height)

    def put(self, frame: av.VideoFrame, encoding: Encoding) -> av.VideoFrame:
        """A frame of the recording, whose samples are written as `encoding`, on a canvas that may be drawn on."""
        small = _scaled(frame, self.place.width, self.place.height, encoding)
        if self.whole:
            return small
        canvas = blank(self.width, self.height)
        for number, (view, part) in enumerate(
            zip(plane_views(canvas, ENCODING), plane_views(small, ENCODING), strict=True)
        ):
            x, y = (self.place.x, self.place.y) if number == 0 else (self.place.x // 2, self.place.y // 2)
            view[y : y + part.shape[0], x : x + part.shape[1]] = part
        return canvas


def fitted(width: int, height: int, most_lines: int) -> tuple[int, int]:
    """Size of a picture made no taller than `most_lines`, or no wider where it stands upright; both even."""
    share = min(1.0, most_lines / min(width, height))
    return 2 * round(width * share / 2), 2 * round(height * share / 2)


def side_by_side(room: Rect, aspects: tuple[float, float], gap: int) -> tuple[Rect, Rect]:
    """Two pictures of one height, width over height as in `aspects`, in the upper corners of a room for them."""
    tall = 2 * int(min((room.width - gap) / sum(aspects), room.height) / 2)
    wide = [2 * int(tall * aspect / 2) for aspect in aspects]
    y = room.y + (room.height - tall) // 4 * 2
    return Rect(room.x, y, wide[0], tall), Rect(room.x + room.width - wide[1], y, wide[1], tall)


def _scaled(frame: av.VideoFrame, width: int, height: int, encoding: Encoding) -> av.VideoFrame:
    from av.video.reformatter import ColorRange, Colorspace

    spaces = {1: Colorspace.ITU709, 9: Colorspace.SMPTE240M}
    return frame.reformat(
        width=width,
        height=height,
        format="yuv420p",
        src_colorspace=spaces.get(encoding.matrix, Colorspace.ITU601),
        dst_colorspace=Colorspace.ITU709,
        src_color_range=ColorRange.JPEG if encoding.full_range else ColorRange.MPEG,
        dst_color_range=ColorRange.MPEG,
        interpolation="AREA" if width < frame.width else "BICUBIC",
    )


def blank(width: int, height: int) -> av.VideoFrame:
    """A dark canvas."""
    import av

    canvas = av.VideoFrame(width, height, "yuv420p")
    y, cb, cr = (round(float(plane[0, 0])) for plane in planar(_flat(2, 2), ENCODING).add)
    for view, value in zip(plane_views(canvas, ENCODING), (y, cb, cr), strict=True):
        view[...] = value
    return canvas


def _flat(width: int, height: int) -> Patch:
    return np.tile(np.asarray(_GROUND, np.uint8), (height, width, 1))


def card(width: int, height: int, title: str, lines: tuple[str, ...], palette: Palette) -> av.VideoFrame:
    """The title card."""
    unit = min(height / 1080, width / 1400)
    sheet = Canvas(width, height, unit)
    size = 84.0
    size *= min(1.0, 0.86 * sheet.width / max(sheet.measure(title, size, weight="semibold"), 1.0))
    left, y = 0.07 * sheet.width, 0.47 * sheet.height
    sheet.box(left, y - 150, 90.0, 8.0, palette.broken)
    sheet.text(left, y - 30, title, size, palette.ink, weight="semibold")
    for line in lines:
        y += 54.0
        fit = min(1.0, 0.86 * sheet.width / max(sheet.measure(line, 38.0), 1.0))
        sheet.text(left, y, line, 38.0 * fit, palette.muted)
    canvas = blank(width, height)
    blend(plane_views(canvas, ENCODING), planar(sheet.pixels, ENCODING), 0, 0, ENCODING)
    return canvas


class Label:
    """A panel that names the picture in whose lower left corner it stands."""

    def __init__(self, picture: Rect, text: str, palette: Palette, unit: float) -> None:
        tall = 2 * round(42.0 * unit / 2)
        wide = 2 * round((Canvas(2, 2, unit).measure(text, SMALL) + 28.0) * unit / 2)
        self.rect = Rect(picture.x, picture.y + picture.height - tall, min(wide, picture.width), tall)
        self._text, self._palette, self._unit = text, palette, unit

    def shows(self, _time_s: float) -> bool:
        """See `Panel.shows`."""
        return True

    def draw(self, _time_s: float) -> Patch:
        """See `Panel.draw`."""
        sheet = Canvas(self.rect.width, self.rect.height, self._unit)
        sheet.box(0, 0, sheet.width, sheet.height, self._palette.backing)
        sheet.text(14, sheet.height / 2 + 7, self._text, SMALL, self._palette.ink)
        return sheet.pixels


class Covering:
    """A panel that hides what lies below it."""

    def __init__(self, picture: Rect, left: float, top: float, width: float, height: float) -> None:
        x, right = _even(picture.x, picture.width, left, left + width)
        y, bottom = _even(picture.y, picture.height, top, top + height)
        self.rect = Rect(x, y, right - x, bottom - y)

    def shows(self, _time_s: float) -> bool:
        """See `Panel.shows`."""
        return True

    def draw(self, _time_s: float) -> Patch:
        """See `Panel.draw`."""
        return _flat(self.rect.width, self.rect.height)


def _even(begin: int, length: int, low: float, high: float) -> tuple[int, int]:
    """The even pixels that hold all of the shares low … high of a length, at least two and none outside."""
    first = min(2 * math.floor(low * length / 2), length - 2)
    last = min(max(2 * math.ceil(high * length / 2), first + 2), length)
    return begin + first, begin + last
