"""The link about now: the control link as a line, the live picture's grade as the width of a ribbon, break-ups hatched.

The flight is known to its end, so the ribbon also shows what is coming; the line in its middle is now.
"""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from overlay.instruments.canvas import Canvas
from overlay.instruments.instrument import INSET, SMALL, Instrument, Options
from overlay.instruments.panel import Patch
from overlay.instruments.quantities import NO_DATA, Unit, number

Floats = NDArray[np.float64]
State = tuple[int, str, str, bool]  # now in pixels since the start, control link, picture grade, whether broken up

_BROKEN_LEAST = 0.45  # of the ribbon's room: the worst pictures would else be the least seen
_FLOWN, _AHEAD = 0.75, 0.42  # how strongly the ribbon is drawn behind and ahead of now
_OVER = 5.0  # how far lines may reach beyond the ribbon's room
_PERCENT, _GRADE = Unit("%"), Unit("", step=0.5, decimals=1)


class LinkRibbonOptions(Options):
    """Control link and picture grade, before and after now."""

    kind: Literal["link ribbon"] = "link ribbon"
    seconds: Annotated[float, Field(ge=5.0, le=600.0)] = Field(
        default=30.0, description="how far it looks back and ahead"
    )


class LinkRibbon(Instrument[LinkRibbonOptions, State]):
    """See the module."""

    columns = (
        "control_link_pct",
        "picture_grade",
    )
    size = (480.0, 156.0)

    def _prepare(self) -> None:
        self._control = self.dials.needle("control_link_pct", smooth_s=1.0)
        self._grade = self.dials.needle("picture_grade", smooth_s=1.0)
        self._control_figure = self.dials.figure("control_link_pct", _PERCENT)
        self._grade_figure = self.dials.figure("picture_grade", _GRADE)
        unit = self.setting.unit
        self._top, self._foot = INSET + 26.0, self.height - INSET - 28.0
        self._left_px, self._window_px = round(INSET * unit), 2 * round((self.width - 2 * INSET) * unit / 2)
        self._left, self._right = self._left_px / unit, (self._left_px + self._window_px) / unit
        self._px_per_s = self._window_px / (2 * self.options.seconds)
        self._step_px = max(1, round(unit))
        self._pages: dict[int, tuple[Patch, Patch]] = {}

    def _state(self, time_s: float) -> State:
        return (
            round((time_s - self.dials.start_s) * self._px_per_s / self._step_px) * self._step_px,
            _PERCENT.text(self._control_figure(time_s)),
            grade_text(self._grade_figure(time_s)),
            any(b.onset_s <= time_s < b.end_s for b in self.dials.readings.breakups),
        )

    def _ground(self, canvas: Canvas) -> None:
        self.backing(canvas)
        self.name(canvas, "link", f"± {self.options.seconds:g} s")
        window = (self._left, self._top, self._right - self._left, self._foot - self._top)
        canvas.box(*window, self.palette.ahead.faded(0.16))
        if not any(self.dials.has(column) for column in self.columns):
            canvas.outline(*window, self.palette.hairline)

    def _paint(self, canvas: Canvas, state: State) -> None:
        now_px, control, grade, broken = state
        half = self._window_px // 2
        page, offset = divmod(now_px - half, self._window_px)
        past, ahead = self._page(page)
        top_px = round((self._top - _OVER) * self.setting.unit)
        canvas.lay(past[:, offset : offset + half], self._left_px, top_px)
        canvas.lay(ahead[:, offset + half : offset + 2 * half], self._left_px + half, top_px)
        middle = (self._left + self._right) / 2
        canvas.rule(middle, self._top - 6, self._foot - self._top + 12, 2.4, self.palette.ink, down=True)
        self._names(canvas, control, grade, broken)

    def _page(self, page: int) -> tuple[Patch, Patch]:
        """Two windows of the ribbon from a page's start, as flown and as still ahead; drawn once, then scrolled."""
        if page not in self._pages:
            self._pages = {p: drawn for p, drawn in self._pages.items() if abs(p - page) == 1}
            self._pages[page] = self._drawn(page, _FLOWN), self._drawn(page, _AHEAD)
        return self._pages[page]

    def _drawn(self, page: int, strength: float) -> Patch:
        unit = self.setting.unit
        sheet = Canvas(2 * self._window_px, round((self._foot - self._top + 2 * _OVER) * unit), unit)
        start_px = page * self._window_px
        xs = np.append(np.arange(0.0, sheet.width, 2.0), sheet.width)
        times = self.dials.start_s + (xs * unit + start_px) / self._px_per_s
        half = self._half(np.array([self._grade(float(t)) for t in times]))
        for run in known_runs(half):
            edge = _band(xs[run], half[run], sheet.height / 2)
            sheet.polygon(edge, self.palette.picture.faded(strength))
        for span in self.dials.readings.breakups:
            ends = (np.array([span.onset_s, span.end_s]) - self.dials.start_s) * self._px_per_s - start_px
            self._broken(sheet, xs, half, ends / unit, start_px / unit, strength / _FLOWN)
        links = np.array([self._control(float(t)) for t in times])
        ys = sheet.height - _OVER - (self._foot - self._top) * np.clip(links, 0, 100) / 100.0
        strokes = [np.column_stack((xs[run], ys[run])) for run in known_runs(ys)]
        sheet.lines(strokes, 6.5, self.palette.backing._replace(alpha=255))
        sheet.lines(strokes, 3.0, self.palette.control)
        return sheet.pixels

    def _broken(self, sheet: Canvas, xs: Floats, half: Floats, ends: Floats, start: float, strength: float) -> None:
        """Hatch the ribbon where the picture was broken up, never so thin that it is overlooked."""
        low, high = np.clip(ends, 0.0, sheet.width)
        if high <= low:
            return
        places = np.concatenate(([low], xs[(xs > low) & (xs < high)], [max(high, low + 2.0)]))
        least = _BROKEN_LEAST * (self._foot - self._top) / 2
        reach = np.maximum(np.interp(places, xs, np.where(np.isfinite(half), half, 0.0)) + 2.0, least)
        dark = self.palette.backing._replace(alpha=255)
        colour = self.palette.broken.mixed(dark, 1.0 - strength)
        sheet.hatch(_band(places, reach, sheet.height / 2), colour, dark, phase=-start)

    def _names(self, canvas: Canvas, control: str, grade: str, broken: bool) -> None:
        p, y = self.palette, self.height - INSET + 4
        known = control != NO_DATA
        canvas.text(
            self._left,
            y,
            f"control {control} %" if known else "control —",
            SMALL,
            self.legible(p.control) if known else p.muted,
        )
        broken &= grade != NO_DATA
        shade = self.legible(p.broken) if broken else p.ink if grade != NO_DATA else p.muted
        picture = f"picture {grade} of 5" if grade != NO_DATA else "picture —"
        canvas.text(self._right, y, picture, SMALL, shade, anchor="right")

    def _half(self, grade: Floats) -> Floats:
        """Half the ribbon's width at a grade: thin at 1, all the room at 5."""
        return np.asarray((self._foot - self._top) / 2 * (0.12 + 0.88 * (np.clip(grade, 1, 5) - 1) / 4), np.float64)


def _band(xs: Floats, half: Floats, axis: float) -> Floats:
    """Outline (2N, 2) of a band about a level axis."""
    return np.concatenate((np.column_stack((xs, axis - half)), np.column_stack((xs, axis + half))[::-1]))


def grade_text(grade: float) -> str:
    """A picture grade to half a grade, always with its decimal: words beside it would else move to and fro."""
    return number(grade, 1)


def known_runs(values: Floats) -> list[slice]:
    """Slices of at least two samples in which all values are known."""
    known = np.concatenate(([False], np.isfinite(values), [False]))
    edges = np.flatnonzero(known[1:] != known[:-1])
    return [slice(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1]
