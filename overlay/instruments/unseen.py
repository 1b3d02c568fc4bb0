"""What stands in a recording's place while it has no picture."""

from __future__ import annotations

from overlay.instruments.canvas import Canvas
from overlay.instruments.palette import Palette
from overlay.instruments.panel import Patch

NO_PICTURE = "no picture"
_TALL, _TYPE = 300.0, 25.0  # a plate this many units high carries type of the smallest size


def unseen(width: int, height: int, palette: Palette) -> Patch:
    """An opaque plate that says so; type grows with it."""
    unit = min(height, width * 9 / 16) / _TALL
    canvas = Canvas(width, height, unit)
    canvas.box(0, 0, canvas.width, canvas.height, palette.backing._replace(alpha=255))
    canvas.text(canvas.width / 2, canvas.height / 2 + _TYPE * 0.3, NO_PICTURE, _TYPE, palette.muted, anchor="centre")
    return canvas.pixels
