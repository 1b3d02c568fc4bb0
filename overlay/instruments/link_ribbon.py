"""The link about now: the control link as a line, the live picture's grade as the width of a ribbon, break-ups hatched.

The flight is known to its end, so the ribbon also shows what is coming; the line in its middle is now.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from overlay.instruments.canvas import Canvas
from overlay.instruments.instrument import INSET, SMALL, Instrument, Options
from overlay.instruments.quantities import NO_DATA, Unit, number

State = tuple[int, str, str, bool]  # now in steps of a pixel, control link, picture grade, whether broken up

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
        self._left, self._right = INSET, self.width - INSET
        self._top, self._foot = INSET + 26.0, self.height - INSET - 28.0
        self._per_s = (self._right - self._left) / (2 * self.options.seconds)
        self._step_s = 1.0 / (self._per_s * self.setting.unit)

    def _state(self, time_s: float) -> State:
        return (
            round((time_s - self.dials.start_s) / self._step_s),
            _PERCENT.text(self._control_figure(time_s)),
            grade_text(self._grade_figure(time_s)),
            any(b.onset_s <= time_s < b.end_s for b in self.dials.readings.breakups),
        )

    def _ground(self, canvas: Canvas) -> None:
        self.backing(canvas)
        self.name(canvas, "link", f"± {self.options.seconds:g} s")
        canvas.box(
            self._left, self._top, self._right - self._left, self._foot - self._top, self.palette.ahead.faded(0.16)
        )

    def _paint(self, canvas: Canvas, state: State) -> None:
        steps, control, grade, broken = state
        p, now = self.palette, self.dials.start_s + steps * self._step_s
        middle = (self._left + self._right) / 2
        times = now + (np.arange(self._left, self._right + 0.1, 2.0) - middle) / self._per_s
        xs = middle + (times - now) * self._per_s
        half = self._half(np.array([self._grade(float(t)) for t in times]))
        for run in known_runs(half):
            self._ribbon(canvas, xs[run], half[run], middle)
        for span in self.dials.readings.breakups:
            self._broken(
                canvas,
                xs,
                half,
                (span.onset_s - now) * self._per_s + middle,
                (span.end_s - now) * self._per_s + middle,
                steps,
            )
        links = np.array([self._control(float(t)) for t in times])
        ys = self._foot - (self._foot - self._top) * np.clip(links, 0, 100) / 100.0
        strokes = [np.column_stack((xs[run], ys[run])) for run in known_runs(ys)]
        canvas.lines(strokes, 6.5, p.backing._replace(alpha=255))
        canvas.lines(strokes, 3.0, p.control)
        canvas.rule(middle, self._top - 6, self._foot - self._top + 12, 2.4, p.ink, down=True)
        self._names(canvas, control, grade, broken)

    def _ribbon(self, canvas: Canvas, xs: NDArray[np.float64], half: NDArray[np.float64], middle: float) -> None:
        axis = (self._top + self._foot) / 2
        for part, strength in ((xs <= middle + 1, 0.75), (xs >= middle - 1, 0.42)):
            if part.sum() > 1:
                edge = np.concatenate(
                    (np.column_stack((xs, axis - half))[part], np.column_stack((xs, axis + half))[part][::-1])
                )
                canvas.polygon(edge, self.palette.picture.faded(strength))

    def _broken(
        self, canvas: Canvas, xs: NDArray[np.float64], half: NDArray[np.float64], low: float, high: float, steps: int
    ) -> None:
        low, high = max(low, self._left), min(high, self._right)
        if high - low < 1.0:
            return
        axis = (self._top + self._foot) / 2
        places = np.concatenate(([low], xs[(xs > low) & (xs < high)], [high]))
        reach = np.interp(places, xs, np.where(np.isfinite(half), half, self._half(np.array([1.0]))[0]))
        edge = np.concatenate(
            (np.column_stack((places, axis - reach - 2)), np.column_stack((places, axis + reach + 2))[::-1])
        )
        dark = self.palette.backing._replace(alpha=255)
        canvas.hatch(edge, self.palette.broken, dark, phase=-steps / self.setting.unit)

    def _names(self, canvas: Canvas, control: str, grade: str, broken: bool) -> None:
        p, y = self.palette, self.height - INSET + 4
        known = control != NO_DATA
        canvas.text(
            self._left,
            y,
            f"control {control} %" if known else "control —",
            SMALL + 1,
            self.legible(p.control) if known else p.muted,
        )
        shade = self.legible(p.broken) if broken else p.ink if grade != NO_DATA else p.muted
        picture = f"picture {grade} of 5" if grade != NO_DATA else "picture —"
        canvas.text(
            self._right, y, picture, SMALL + 1, shade, weight="semibold" if broken else "regular", anchor="right"
        )

    def _half(self, grade: NDArray[np.float64]) -> NDArray[np.float64]:
        """Half the ribbon's width at a grade: thin at 1, all the room at 5."""
        return np.asarray((self._foot - self._top) / 2 * (0.12 + 0.88 * (np.clip(grade, 1, 5) - 1) / 4), np.float64)


def grade_text(grade: float) -> str:
    """A picture grade to half a grade; whole grades without a decimal."""
    return number(grade, 0 if grade == round(grade) else 1) if math.isfinite(grade) else NO_DATA


def known_runs(values: NDArray[np.float64]) -> list[slice]:
    """Slices of at least two samples in which all values are known."""
    known = np.concatenate(([False], np.isfinite(values), [False]))
    edges = np.flatnonzero(known[1:] != known[:-1])
    return [slice(a, b) for a, b in zip(edges[::2], edges[1::2], strict=True) if b - a > 1]
