"""The home rose: home is up. Course over the ground, wind, bearing from home, and how far the aerial looks aside."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from overlay.instruments.canvas import Align, Canvas, arc, towards
from overlay.instruments.instrument import HAIR, INSET, SMALL, Instrument, Options
from overlay.instruments.palette import Colour
from overlay.instruments.quantities import NO_DATA, Unit
from overlay.instruments.range_line import draw_home

# Course, heading, wind's origin (degrees from home-up), aerial off axis; bearing, wind and off-axis as texts.
State = tuple[float, float, float, float, str, str, str]

_NEAR_M = 15.0  # nearer to home than this the direction home means nothing
WIDE_DEG = 30.0  # farther off its axis than this, a directional aerial sees little of the aircraft
_OFF_AXIS = Unit("°")


class HomeRoseOptions(Options):
    """Home-up rose with course, heading, wind and the ground aerial's aim."""

    kind: Literal["home rose"] = "home rose"


class HomeRose(Instrument[HomeRoseOptions, State]):
    """See the module."""

    columns = (
        "range_m",
        "course_deg",
    )
    size = (320.0, 300.0)

    def _prepare(self) -> None:
        needle = self.dials.needle
        self._bearing, self._range = needle("bearing_deg", period=360.0), needle("range_m")
        self._course, self._heading = needle("course_deg", period=360.0), needle("heading_deg", period=360.0)
        self._wind_from = needle("wind_from_deg", period=360.0, smooth_s=4.0)
        self._off_axis = needle("aerial_off_axis_deg")
        self._bearing_figure = self.dials.angle("bearing_deg")
        self._wind_figure = self.dials.figure("wind_speed_mps", self.units.speed, smooth_s=4.0)
        self._off_axis_figure = self.dials.figure("aerial_off_axis_deg", _OFF_AXIS)
        self._x, self._y = self.width / 2, self.height / 2 + 3
        self._radius = min(self.width, self.height) / 2 - 58.0

    def _state(self, time_s: float) -> State:
        bearing = self._bearing(time_s) if self._range(time_s) > _NEAR_M else math.nan
        off = self._off_axis(time_s)
        return (
            self._turned(self._course(time_s), bearing),
            self._turned(self._heading(time_s), bearing),
            self._turned(self._wind_from(time_s), bearing),
            float(round(off)) if math.isfinite(off) else math.inf,
            _OFF_AXIS.text(self._bearing_figure(time_s)) if math.isfinite(bearing) else NO_DATA,
            self.units.speed.text(self._wind_figure(time_s)),
            _OFF_AXIS.text(self._off_axis_figure(time_s)),
        )

    def _ground(self, canvas: Canvas) -> None:
        self.backing(canvas)
        x, y, r, rim = self._x, self._y, self._radius, self.palette.hairline
        canvas.ring(x, y, r, HAIR, rim)
        strokes = []
        for degrees in range(0, 360, 30):
            way = towards(float(degrees))
            strokes.append(np.array([x, y]) + np.outer([r - (12 if degrees % 90 == 0 else 6), r], way))
        canvas.lines(strokes, HAIR, rim)
        draw_home(canvas, x, INSET + 5, 12.0, self.palette.ink)
        aside = self.width / 2 - INSET + 18  # home stands in the middle, the bearing beyond it
        canvas.text(INSET, INSET + 15, self.titled(canvas, "bearing", aside), SMALL, self.palette.muted)

    def _paint(self, canvas: Canvas, state: State) -> None:
        course, heading, wind, off, bearing_text, wind_text, off_text = state
        p, right, foot = self.palette, self.width - INSET, self.height - INSET + 4
        aim = p.broken if off > WIDE_DEG else p.control
        if math.isfinite(off):
            half = max(min(off, 180.0), 1.5)
            canvas.line(arc(self._x, self._y, self._radius, -half, half), 6.0, aim)
        if math.isfinite(heading):
            self._nose(canvas, heading)
        if math.isfinite(wind):
            self._arrow(canvas, wind + 180.0, -self._radius - 16, -self._radius + 20, 3.4, 17.0, p.wind)
        if math.isfinite(course):
            self._arrow(canvas, course, -self._radius * 0.6, self._radius * 0.74, 5.0, 30.0, p.ink)
        else:
            canvas.text(self._x, self._y + 8, NO_DATA, SMALL, p.muted, anchor="centre")
        self._tell(canvas, right, INSET + 15, "", f"{bearing_text}°", bearing_text, p.ink, "right")
        self._tell(canvas, INSET, foot, "wind ", f"{wind_text} {self.units.speed.symbol}", wind_text, p.wind, "left")
        self._tell(canvas, right, foot, "aerial ", f"{off_text}°", off_text, aim, "right")

    def _tell(
        self, canvas: Canvas, x: float, y: float, name: str, text: str, value: str, colour: Colour, anchor: Align
    ) -> None:
        known = value != NO_DATA
        shade = self.legible(colour) if known else self.palette.muted
        canvas.text(x, y, name + (text if known else NO_DATA), SMALL, shade, anchor=anchor)

    def _arrow(
        self, canvas: Canvas, degrees: float, tail: float, tip: float, width: float, head: float, colour: Colour
    ) -> None:
        """Arrow along a direction through the centre; `tail` and `tip` are distances from the centre along it."""
        way, centre = towards(degrees), np.array([self._x, self._y])
        side, end, neck = np.array([-way[1], way[0]]), centre + way * tip, centre + way * (tip - head)
        canvas.line([centre + way * tail, neck + way * head * 0.3], width, colour)
        canvas.polygon([end, neck + side * head * 0.42, neck + way * head * 0.22, neck - side * head * 0.42], colour)

    def _nose(self, canvas: Canvas, degrees: float) -> None:
        """Mark on the rim where the nose points: its angle to the course is the drift."""
        way = towards(degrees)
        side, tip = np.array([-way[1], way[0]]), np.array([self._x, self._y]) + way * (self._radius - 4)
        canvas.polygon([tip, tip - way * 14 + side * 8, tip - way * 14 - side * 8], self.palette.hairline)

    def _turned(self, degrees: float, bearing: float) -> float:
        """Direction on the rose, whole degrees: home, which lies at bearing + 180° from the aircraft, is up."""
        turned = (degrees - bearing - 180.0) % 360.0
        return float(round(turned) % 360) if math.isfinite(turned) else math.inf
