"""The contact sheet: every clip in a row with its first picture, its moment and its last one."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from overlay.instruments.canvas import Canvas
from overlay.instruments.palette import PALETTES, Colour

if TYPE_CHECKING:
    from PIL.Image import Image

_MARGIN, _GAP, _HEAD = 32, 12, 62
_PAPER = Colour(250, 250, 247)


class Row(NamedTuple):
    """A clip on the sheet: its file and title, a line of facts, and its pictures."""

    title: str
    facts: str
    pictures: Sequence[Image]


def contact_sheet(rows: Sequence[Row]) -> Image:
    """A Pillow image; as wide as three pictures."""
    from PIL import Image

    wide = max(picture.width for row in rows for picture in row.pictures)
    talls = [max(picture.height for picture in row.pictures) for row in rows]
    width = 2 * _MARGIN + 3 * wide + 2 * _GAP
    height = 2 * _MARGIN + sum(_HEAD + tall for tall in talls) + 24 * (len(rows) - 1)
    palette = PALETTES["paper"]
    sheet = Canvas(width, height, 1.0)
    sheet.box(0, 0, width, height, _PAPER)
    y = _MARGIN
    for row, tall in zip(rows, talls, strict=True):
        _line(sheet, row.title, y + 24, 26.0, palette.ink, width - 2 * _MARGIN)
        _line(sheet, row.facts, y + 50, 19.0, palette.muted, width - 2 * _MARGIN)
        y += _HEAD
        for n, picture in enumerate(row.pictures):
            patch = np.asarray(picture.convert("RGBA"), np.uint8)
            sheet.lay(patch, _MARGIN + n * (wide + _GAP), y)
        y += tall + 24
    return Image.fromarray(np.ascontiguousarray(sheet.pixels[..., :3]))


def _line(sheet: Canvas, text: str, y: float, size: float, colour: Colour, room: float) -> None:
    sheet.text(_MARGIN, y, text, size * min(1.0, room / max(sheet.measure(text, size), 1.0)), colour)
