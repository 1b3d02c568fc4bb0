"""The path from above, turned so that the farthest point lies to the right; tinted by picture grade, no coordinates."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from overlay.instruments.canvas import Canvas
from overlay.instruments.instrument import HAIR, INSET, SMALL, Instrument, Options
from overlay.instruments.link_ribbon import known_runs
from overlay.instruments.palette import Colour
from overlay.instruments.panel import Patch
from overlay.instruments.quantities import number, round_scale
from overlay.instruments.range_line import draw_home

State = tuple[int, float, float, float]  # last point flown, aircraft's place, its course on the sketch

Floats = NDArray[np.float64]
_POINTS = 900


class TrackSketchOptions(Options):
    """The path from above, tinted by picture grade."""

    kind: Literal["track sketch"] = "track sketch"


class TrackSketch(Instrument[TrackSketchOptions, State]):
    """See the module."""

    columns = ("east_m",)
    size = (480.0, 170.0)

    def _prepare(self) -> None:
        count = min(_POINTS, max(2, int(self.dials.end_s - self.dials.start_s)))
        self._times = np.linspace(self.dials.start_s, self.dials.end_s, count)
        self._needles = [self.dials.needle(name) for name in ("east_m", "north_m")]
        self._course = self.dials.needle("course_deg", period=360.0)
        east, north = (np.array([needle(float(t)) for t in self._times]) for needle in self._needles)
        self.known = bool(np.isfinite(east + north).any())
        self._frame(east, north)
        self._points = self._on_sheet(east, north)
        self._runs = self._graded()
        self._behind = 0, Canvas(self.rect.width, self.rect.height, self.setting.unit)

    def _state(self, time_s: float) -> State | None:
        east, north = (needle(time_s) for needle in self._needles)
        index = int(np.clip(np.searchsorted(self._times, time_s, side="right"), 0, len(self._times)))
        if not math.isfinite(east + north):
            return index, math.inf, math.inf, math.inf
        x, y = self._on_sheet(np.array([east]), np.array([north]))[0]
        course = self._course(time_s)
        turned = round((course + self._turn_deg) / 3) * 3.0 % 360 if math.isfinite(course) else math.inf
        return index, self.half_pixel(float(x)), self.half_pixel(float(y)), turned

    def _ground(self, canvas: Canvas) -> None:
        self.backing(canvas)
        p = self.palette
        if not self.known:
            canvas.text(self.width / 2, self.height / 2, "no position in the log", SMALL, p.muted, anchor="centre")
            return
        for run in known_runs(self._points[:, 0]):
            canvas.line(self._points[run], 2.2, p.ahead)
        draw_home(canvas, float(self._shift[0]), float(self._shift[1]), 10.0, p.ink)
        self._scale_bar(canvas)

    def _paint(self, canvas: Canvas, state: State) -> None:
        index, x, y, course = state
        whole = sum(last < index for _, last, _ in self._runs)
        canvas.lay(self._flown(whole), 0, 0)
        for run in self._runs[whole:]:
            if run[0] < index:
                self._run(canvas, *run, index)
        if math.isfinite(x):
            self._aircraft(canvas, x, y, course)

    def _flown(self, whole: int) -> Patch:
        """Return the first runs of the path on a sheet of their own, which grows as the flight goes on."""
        drawn, sheet = self._behind
        if drawn > whole:
            drawn, sheet = 0, Canvas(self.rect.width, self.rect.height, self.setting.unit)
        for run in self._runs[drawn:whole]:
            self._run(sheet, *run, run[1])
        self._behind = whole, sheet
        return sheet.pixels

    def _run(self, canvas: Canvas, first: int, last: int, grade: int, index: int) -> None:
        """Draw one run of the path as far as a point; a broken-up one hatched."""
        points = self._points[first : min(last, index) + 1]
        if len(points) < 2:
            return
        if grade == 0:
            dark = self.palette.backing._replace(alpha=255)
            canvas.hatch_line(points, 9.0, self.palette.broken, dark, pitch=7.0)
        else:
            canvas.line(points, 2.0 + grade * 0.5, self._tint(grade))

    def _tint(self, grade: int) -> Colour:
        """Ink at grade 5 or unknown, towards the colour of a broken picture below."""
        return self.palette.ink.mixed(self.palette.broken, (5 - grade) / 4 * 0.9)

    def _aircraft(self, canvas: Canvas, x: float, y: float, course: float) -> None:
        dark = self.palette.backing._replace(alpha=255)
        if not math.isfinite(course):
            canvas.disc(x, y, 9.0, dark)
            canvas.disc(x, y, 6.5, self.palette.ink)
            return
        turn = math.radians(course)
        rotation = np.array([[math.cos(turn), math.sin(turn)], [-math.sin(turn), math.cos(turn)]])
        shape = np.array([[0.0, -15.0], [10.0, 12.0], [0.0, 6.0], [-10.0, 12.0]]) @ rotation + (x, y)
        canvas.line(shape, 5.0, dark, closed=True)
        canvas.polygon(shape, self.palette.ink)

    def _frame(self, east: Floats, north: Floats) -> None:
        """Turn the farthest point to the right and fit the whole path and home between the edges."""
        distance = np.hypot(east, north)
        far = int(np.nanargmax(distance)) if self.known else 0
        self._turn_deg = 90.0 - math.degrees(math.atan2(east[far], north[far])) if self.known else 0.0
        turn = math.radians(self._turn_deg)
        self._matrix = np.array([[math.cos(turn), math.sin(turn)], [math.sin(turn), -math.cos(turn)]])
        turned = np.vstack((np.column_stack((east, north)) @ self._matrix.T, [(0.0, 0.0)]))
        low, high = np.nanmin(turned, axis=0), np.nanmax(turned, axis=0)
        room = np.array([self.width - 2 * INSET - 24, self.height - 2 * INSET - 34])
        self._per_m = float(np.min(room / np.maximum(high - low, 50.0)))
        self._shift = np.array([self.width / 2, (self.height - 26) / 2]) - (low + high) / 2 * self._per_m

    def _on_sheet(self, east: Floats, north: Floats) -> Floats:
        return np.asarray(np.column_stack((east, north)) @ self._matrix.T * self._per_m + self._shift, np.float64)

    def _graded(self) -> list[tuple[int, int, int]]:
        """Runs (first, last, grade) of the path: whole grades, 5 where unknown, 0 where the picture was broken up."""
        needle = self.dials.needle("picture_grade", smooth_s=4.0)
        grades = np.array([needle(float(t)) for t in self._times])
        whole = np.where(np.isfinite(grades), np.clip(np.rint(grades), 1, 5), 5).astype(int)
        step = float(self._times[1] - self._times[0]) if len(self._times) > 1 else 1.0
        for span in self.dials.readings.breakups:
            whole[(self._times >= span.onset_s - step / 2) & (self._times <= span.end_s + step / 2)] = 0
        whole[~np.isfinite(self._points[:, 0])] = -1
        edges = np.flatnonzero(np.diff(whole, prepend=-2, append=-2))
        runs = [(int(a), int(b), int(whole[a])) for a, b in pairwise(edges) if whole[a] >= 0]
        return [
            (a, min(b, len(whole) - 1) if b < len(whole) and whole[b] >= 0 else b - 1, grade) for a, b, grade in runs
        ]

    def _scale_bar(self, canvas: Canvas) -> None:
        unit = self.units.distance_unit(0.2 * self.width / self._per_m)
        top, _ = round_scale(0.22 * self.width / self._per_m * unit.per_si, 1)
        top = top / 2 if top / unit.per_si * self._per_m > 0.4 * self.width else top
        long = top / unit.per_si * self._per_m
        x, y, p = self.width - INSET - long, self.height - INSET + 2, self.palette
        canvas.rule(x, y, long, HAIR, p.muted)
        canvas.rule(x, y - 5, 10, HAIR, p.muted, down=True)
        canvas.rule(x + long, y - 5, 10, HAIR, p.muted, down=True)
        scale = f"{number(top, 0 if top >= 1 else 1)} {unit.symbol}"
        canvas.text(x - 10, y + 7, scale, SMALL, p.muted, anchor="right")
        aside = long + canvas.measure(scale, SMALL) + 24
        canvas.text(INSET, y + 7, self.titled(canvas, "from above", aside), SMALL, p.muted)
