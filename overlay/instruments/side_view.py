"""The flight from the side: height over range, home at the left, the ground below it where terrain files tell.

Break-ups are hatched where they happened. Where the aircraft passed a range twice, the higher ground is drawn.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from overlay.instruments.canvas import Canvas
from overlay.instruments.instrument import HAIR, INSET, SMALL, Instrument, Options
from overlay.instruments.link_ribbon import known_runs
from overlay.instruments.quantities import number, round_scale
from overlay.instruments.range_line import draw_home

State = tuple[int, float, float]  # last point flown, aircraft's place

_POINTS = 900
_STEPS = 120


class SideViewOptions(Options):
    """Height over range."""

    kind: Literal["side view"] = "side view"


class SideView(Instrument[SideViewOptions, State]):
    """See the module."""

    columns = ("height_m",)
    size = (480.0, 204.0)

    def _prepare(self) -> None:
        count = min(_POINTS, max(2, int(self.dials.end_s - self.dials.start_s)))
        self._times = np.linspace(self.dials.start_s, self.dials.end_s, count)
        self._range, self._height = self.dials.needle("range_m"), self.dials.needle("height_m", smooth_s=6.0)
        ranges, heights = (np.array([n(float(t)) for t in self._times]) for n in (self._range, self._height))
        self.known = bool(np.isfinite(ranges + heights).any())
        self._left, self._right = INSET + 74.0, self.width - INSET - 8.0
        self._top, self._foot = INSET + 42.0, self.height - INSET - 22.0
        self._farthest = max(float(np.nanmax(ranges)), 1.0) if self.known else 1.0
        unit = self.units.height
        lowest, highest = (float(np.nanmin(heights)), float(np.nanmax(heights))) if self.known else (0.0, 100.0)
        under = self._ground_by_range(ranges)
        self._low = min(0.0, lowest, float(np.nanmin(under[:, 1], initial=0.0)))
        ceiling, self._step = round_scale(max(highest - self._low, 10.0) * unit.per_si, 2)
        self._high = self._low + ceiling / unit.per_si
        self._points = np.column_stack((self._x(ranges), self._y(heights)))
        self._below = np.column_stack((self._x(under[:, 0]), self._y(under[:, 1])))

    def _ground_by_range(self, ranges: np.typing.NDArray[np.float64]) -> np.typing.NDArray[np.float64]:
        """The highest ground passed over in each step of range: (S, 2) of range and height, NaN where unknown."""
        if not self.dials.readings.has("terrain_m"):
            return np.zeros((0, 2))
        needle = self.dials.needle("terrain_m", smooth_s=0.0)
        ground = np.array([needle(float(t)) for t in self._times])
        known = np.isfinite(ranges + ground)
        step = self._farthest / _STEPS
        slots = np.minimum((ranges[known] / step).astype(np.intp), _STEPS - 1)
        highest = np.full(_STEPS, -np.inf)
        np.maximum.at(highest, slots, ground[known])
        return np.column_stack(((np.arange(_STEPS) + 0.5) * step, np.where(highest > -np.inf, highest, np.nan)))

    def _state(self, time_s: float) -> State:
        index = int(np.clip(np.searchsorted(self._times, time_s, side="right"), 0, len(self._times)))
        x, y = (
            float(v[0]) for v in (self._x(np.array([self._range(time_s)])), self._y(np.array([self._height(time_s)])))
        )
        if not math.isfinite(x + y):
            return index, math.inf, math.inf
        return index, self.half_pixel(x), self.half_pixel(y)

    def _ground(self, canvas: Canvas) -> None:
        self.backing(canvas)
        p, unit = self.palette, self.units.height
        self.name(canvas, "from the side")
        if not self.known:
            canvas.text(self.width / 2, self.height / 2 + 10, "no height in the log", SMALL, p.muted, anchor="centre")
            return
        for run in known_runs(self._below.sum(axis=1)):
            skyline = self._below[run]
            foot = [[skyline[-1, 0], self._foot], [skyline[0, 0], self._foot]]
            canvas.polygon(np.vstack((skyline, foot)), p.hairline.faded(0.35))
            canvas.line(skyline, 2.0, p.hairline)
        ground = float(self._y(np.array([0.0]))[0])
        canvas.rule(self._left, ground, self._right - self._left, 2.4, p.hairline)
        for i in range(1, round((self._high - self._low) * unit.per_si / self._step) + 1):
            value = i * self._step
            y = float(self._y(np.array([value / unit.per_si]))[0])
            if y >= self._top - 14:
                canvas.rule(self._left, y, self._right - self._left, HAIR, p.hairline.faded(0.45))
                canvas.text(self._left - 10, y + 7, f"{number(value)} {unit.symbol}", SMALL, p.muted, anchor="right")
        for run in known_runs(self._points.sum(axis=1)):
            canvas.line(self._points[run], 2.2, p.ahead)
        draw_home(canvas, self._left, ground + 19, 9.0, p.ink)
        distance = self.units.distance_unit(self._farthest)
        text = f"{distance.text(self._farthest * distance.per_si)} {distance.symbol}"
        canvas.text(self._right, self._foot + 26, text, SMALL, p.muted, anchor="right")

    def _paint(self, canvas: Canvas, state: State) -> None:
        index, x, y = state
        p = self.palette
        flown = self._points[:index]
        for run in known_runs(flown.sum(axis=1)):
            canvas.line(flown[run], 3.0, p.ink)
        for span in self.dials.readings.breakups:
            inside = (self._times[:index] >= span.onset_s - 1) & (self._times[:index] <= span.end_s + 1)
            points = flown[inside]
            if len(points) > 1 and np.isfinite(points).all():
                canvas.hatch_line(points, 10.0, p.broken, p.backing._replace(alpha=255), pitch=7.0)
        if math.isfinite(x):
            ground = float(self._y(np.array([0.0]))[0])
            canvas.rule(x, min(y, ground), abs(ground - y), HAIR, p.ink, down=True)
            canvas.disc(x, y, 9.5, p.backing._replace(alpha=255))
            canvas.disc(x, y, 7.0, p.ink)

    def _x(self, metres: np.typing.NDArray[np.float64]) -> np.typing.NDArray[np.float64]:
        return np.asarray(self._left + (self._right - self._left) * metres / self._farthest, np.float64)

    def _y(self, metres: np.typing.NDArray[np.float64]) -> np.typing.NDArray[np.float64]:
        return np.asarray(
            self._foot - (self._foot - self._top) * (metres - self._low) / (self._high - self._low), np.float64
        )
