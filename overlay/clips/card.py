"""What stands on a clip's frame besides recordings and instruments: its title card, what is covered, and its size."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from overlay.instruments.canvas import Canvas
from overlay.instruments.palette import Palette
from overlay.instruments.panel import Patch, Rect
from overlay.render.blend import blend, plane_views
from overlay.render.colour import planar
from overlay.render.stage import ENCODING, blank, flat

if TYPE_CHECKING:
    import av


def fitted(width: int, height: int, most_lines: int) -> tuple[int, int]:
    """Size of a picture made no taller than `most_lines`, or no wider where it stands upright; both even."""
    share = min(1.0, most_lines / min(width, height))
    return 2 * round(width * share / 2), 2 * round(height * share / 2)


def card(width: int, height: int, title: str, lines: tuple[str, ...], palette: Palette) -> av.VideoFrame:
    """The title card."""
    unit = min(height / 1080, width / 1400)
    sheet = Canvas(width, height, unit)
    sheet.box(0, 0, sheet.width, sheet.height, palette.backing._replace(alpha=255))
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
        return flat(self.rect.width, self.rect.height)


def _even(begin: int, length: int, low: float, high: float) -> tuple[int, int]:
    """The even pixels that hold all of the shares low … high of a length, at least two and none outside."""
    first = min(2 * math.floor(low * length / 2), length - 2)
    last = min(max(2 * math.ceil(high * length / 2), first + 2), length)
    return begin + first, begin + last
