"""The frame of the second recording: four edges, and a label below; the live picture's tell its grade and where it broke up.

The label lies on no part of the picture: any corner of a live picture may hold a figure that someone looks for.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from overlay.instruments.canvas import Canvas
from overlay.instruments.instrument import SMALL, Instrument, Options, Setting
from overlay.instruments.lettering import advance
from overlay.instruments.link_ribbon import grade_text
from overlay.instruments.palette import Colour, Palette
from overlay.instruments.panel import Panel, Patch, Rect
from overlay.instruments.quantities import NO_DATA, Unit

_GRADE = Unit("", step=0.5, decimals=1)
_EDGE = 4.0
_TALL, _HATCHED = 34.0, 10.0
_MARGIN = _HATCHED + 8.0  # on either side, hatched or not: the text never moves


class InsetOptions(Options):
    """Options of the frame; the layout's inset table fills them."""

    kind: Literal["inset frame"] = "inset frame"
    label: str = "live picture"


class _Edge(Instrument[InsetOptions, bool]):
    """One side of the frame: quiet, or hatched while the picture is broken up."""

    size = (1.0, 1.0)

    def _state(self, time_s: float) -> bool:
        return any(b.onset_s <= time_s < b.end_s for b in self.dials.readings.breakups)

    def _ground(self, canvas: Canvas) -> None:
        """Lay nothing below the edge."""

    def _paint(self, canvas: Canvas, state: bool) -> None:
        p = self.palette
        dark = p.backing._replace(alpha=255)
        box = [(0.0, 0.0), (self.width, 0.0), (self.width, self.height), (0.0, self.height)]
        if state:
            canvas.hatch(box, p.broken, dark, pitch=12.0, phase=-(self.rect.x + self.rect.y) / self.setting.unit)
        else:
            canvas.polygon(box, dark)


class _Label(Instrument[InsetOptions, "tuple[str, bool]"]):
    """What the recording is and how good its picture is."""

    size = (330.0, _TALL)

    def _prepare(self) -> None:
        self._grade = self.dials.figure("picture_grade", _GRADE)

    def _state(self, time_s: float) -> tuple[str, bool]:
        grade = grade_text(self._grade(time_s))
        broken = any(b.onset_s <= time_s < b.end_s for b in self.dials.readings.breakups)
        return f"{self.options.label} · grade {grade}" if grade != NO_DATA else self.options.label, broken

    def _ground(self, canvas: Canvas) -> None:
        """Lay nothing: the plate is as wide as its text."""

    def _paint(self, canvas: Canvas, state: tuple[str, bool]) -> None:
        text, broken = state
        p = self.palette
        text = canvas.shortened(text, SMALL, self.width - 2 * _MARGIN)
        canvas.box(0, 0, canvas.measure(text, SMALL) + 2 * _MARGIN, _TALL, p.backing)
        if broken:
            strip = [(0.0, 0.0), (_HATCHED, 0.0), (_HATCHED, _TALL), (0.0, _TALL)]
            canvas.hatch(strip, p.broken, p.backing._replace(alpha=255))
        canvas.text(_MARGIN, _TALL / 2 + 7, text, SMALL, p.ink)


def live_frame(inset: Rect, setting: Setting, label: str) -> list[Panel]:
    """Panels that frame the live picture at `inset`: edges, hatched while it is broken up, and a label with its grade."""
    options = InsetOptions(anchor="top left", label=label)
    edges: list[Panel] = [_Edge(side, setting, options) for side in _sides(inset, setting.unit)]
    if not label:
        return edges
    needed = advance(f"{label} · grade 5.0", "regular", SMALL) + 2 * _MARGIN + 4
    wide = min(2 * math.ceil(needed * setting.unit / 2), inset.width)
    below = Rect(inset.x, inset.y + inset.height, wide, label_height(setting.unit))
    return [*edges, _Label(below, setting, options)]


def label_height(unit: float) -> int:
    """Pixels below a picture that its label takes."""
    return 2 * round(_TALL * unit / 2)


def quiet_frame(inset: Rect, setting: Setting, label: str) -> list[Panel]:
    """Panels that frame the onboard recording at `inset` and name it; of the live picture they tell nothing."""
    dark = setting.palette.backing._replace(alpha=255)
    edges: list[Panel] = [_Line(side, dark) for side in _sides(inset, setting.unit)]
    return [*edges, PictureLabel(inset, label, setting.palette, setting.unit)] if label else edges


def _sides(inset: Rect, unit: float) -> list[Rect]:
    edge = max(2, 2 * round(_EDGE * unit / 2))
    x, y, width, height = inset
    return [
        Rect(x, y, width, edge), Rect(x, y + height - edge, width, edge),
        Rect(x, y + edge, edge, height - 2 * edge), Rect(x + width - edge, y + edge, edge, height - 2 * edge),
    ]  # fmt: skip


class _Line:
    """A panel of one colour."""

    def __init__(self, rect: Rect, colour: Colour) -> None:
        self.rect, self._colour = rect, colour

    def shows(self, _time_s: float) -> bool:
        """See `Panel.shows`."""
        return True

    def draw(self, _time_s: float) -> Patch:
        """See `Panel.draw`."""
        return np.tile(np.asarray(self._colour, np.uint8), (self.rect.height, self.rect.width, 1))


class PictureLabel:
    """A panel that names the picture under whose lower left corner it stands."""

    def __init__(self, picture: Rect, text: str, palette: Palette, unit: float) -> None:
        wide = 2 * round((Canvas(2, 2, unit).measure(text, SMALL) + 2 * _MARGIN) * unit / 2)
        self.rect = Rect(picture.x, picture.y + picture.height, min(wide, picture.width), label_height(unit))
        self._text, self._palette, self._unit = text, palette, unit

    def shows(self, _time_s: float) -> bool:
        """See `Panel.shows`."""
        return True

    def draw(self, _time_s: float) -> Patch:
        """See `Panel.draw`."""
        sheet = Canvas(self.rect.width, self.rect.height, self._unit)
        sheet.box(0, 0, sheet.width, sheet.height, self._palette.backing)
        sheet.text(_MARGIN, sheet.height / 2 + 7, self._text, SMALL, self._palette.ink)
        return sheet.pixels
