"""The range line: a ruler from home to the farthest point of this flight; the aircraft's tick moves out and back on it.

Above the ruler lies the way out, below it the way home; what has been flown is solid, what is to come is faint, and the
ranges where the picture broke up are hatched on the way where they happened. A second tick shows the reach.
"""

from __future__ import annotations

import math
from typing import Literal

import numpy as np

from overlay.instruments.canvas import Canvas
from overlay.instruments.instrument import BODY, HAIR, INSET, SMALL, VALUE, Instrument, Options
from overlay.instruments.palette import Colour
from overlay.instruments.quantities import number, round_scale
from overlay.instruments.range_spans import HOME, OUT, Ways

Ends = tuple[float, float] | None
# Aircraft's place, distance as text; what has been flown on both ways; break-ups begun; reach's place and text.
State = tuple[float, str, Ends, Ends, int, float, str]

_BAR, _APART, _LEAST = 11.0, 5.0, 7.0


class RangeLineOptions(Options):
    """Ruler from home to the farthest point, with the way out above and the way home below."""

    kind: Literal["range line"] = "range line"
    reach: bool = True


class RangeLine(Instrument[RangeLineOptions, State]):
    """See the module."""

    columns = ("range_m",)
    size = (1100.0, 152.0)

    def _prepare(self) -> None:
        self._ways = Ways(self.dials)
        self._needle = self.dials.needle("range_m")
        self._figure = self.dials.distance("range_m", self.units)
        self._reach = self.dials.needle("reach_m", smooth_s=6.0)
        self._reach_figure = self.dials.distance("reach_m", self.units)
        self._left, self._right = INSET + 184.0, self.width - INSET - 26.0
        self._middle = self.height * 0.53
        self._symbol, self._per_m, self._top, self._step = self._ruler()

    def _state(self, time_s: float) -> State | None:
        here, reach = self._needle(time_s), self._reach(time_s) if self.options.reach else math.nan
        return (
            self._x(here),
            " ".join(self.units.distance(self._figure(time_s))) + (" out" if self._outbound(time_s) else " from home"),
            self._ends(OUT, time_s),
            self._ends(HOME, time_s),
            sum(span.start_s <= time_s for span in self._ways.broken),
            self._x(reach),
            " ".join(self.units.distance(self._reach_figure(time_s))) if math.isfinite(reach) else "",
        )

    def _ground(self, canvas: Canvas) -> None:
        self.backing(canvas)
        ink, muted = self.palette.hairline, self.palette.muted
        draw_home(canvas, INSET + 15, self._middle, 15.0, self.palette.ink)
        canvas.text(INSET + 170, self._middle - 12, "outbound", SMALL, muted, anchor="right")
        canvas.text(INSET + 170, self._middle + 26, "homebound", SMALL, muted, anchor="right")
        canvas.rule(self._left, self._middle, self._right - self._left, HAIR, ink)
        if not self._ways.known:
            canvas.text(
                (self._left + self._right) / 2,
                self._middle - 22,
                "no position in the log",
                BODY,
                muted,
                anchor="centre",
            )
            return
        for i in range(round(self._top / self._step) + 1):
            canvas.rule(self._place(i * self._step / self._per_m), self._middle - 5, 10, HAIR, ink, down=True)
        for way in (OUT, HOME):
            whole = self._ways.whole(way)
            if whole:
                self._bar(canvas, way, (self._place(whole[0]), self._place(whole[1])), self.palette.ahead)
        for span in self._ways.broken:
            self._broken(canvas, span.way, self._place(span.low_m), self._place(span.high_m), 0.5)

    def _paint(self, canvas: Canvas, state: State) -> None:
        here, distance, out, home, begun, reach, reach_text = state
        for leg, ends in ((OUT, out), (HOME, home)):
            if ends:
                self._bar(canvas, leg, ends, self.palette.ink)
        for span in sorted(self._ways.broken, key=lambda s: s.start_s)[:begun]:
            self._broken(canvas, span.way, self._place(span.low_m), self._place(span.high_m), 1.0)
        if not self._ways.known:
            return
        taken = self._reach_tick(canvas, reach, reach_text) if math.isfinite(reach) else None
        self._ruler_names(canvas, taken)
        if math.isfinite(here):
            self._tick(canvas, here, distance)
        else:
            canvas.text(self._left, self._middle - _APART - _BAR - 24, "no position here", SMALL, self.palette.muted)

    def _outbound(self, time_s: float) -> bool:
        """Whether the flight is on its way out; one that circles is merely so far from home."""
        leg = self.dials.readings.leg_at(time_s)
        return leg in ("take-off", "out") or (leg is None and self._ways.way_at(time_s) == OUT)

    def _tick(self, canvas: Canvas, x: float, text: str) -> None:
        top, ink = self._middle - _APART - _BAR - 4, self.palette.ink
        deep = 2 * (_APART + _BAR) + 8
        canvas.rule(x, top, deep, 8, self.palette.backing._replace(alpha=255), down=True)
        canvas.rule(x, top, deep, 3.2, ink, down=True)
        canvas.polygon([(x, top + 3), (x - 12, top - 13), (x + 12, top - 13)], ink)
        half = canvas.measure(text, VALUE, weight="semibold") / 2
        centre = min(max(x, self._left + half), self.width - INSET - half)
        canvas.text(centre, top - 20, text, VALUE, ink, weight="semibold", anchor="centre")

    def _reach_tick(self, canvas: Canvas, x: float, text: str) -> tuple[float, float]:
        """Draw the reach's flag and name; return the room they take in the lower row."""
        colour, bottom = self.palette.spare, self._middle + _APART + _BAR + 26
        beyond = x >= self._right + 11
        canvas.rule(
            x, self._middle - _APART - _BAR - 5, bottom - (self._middle - _APART - _BAR - 5), 3, colour, down=True
        )
        tip = 14 if beyond else -14
        canvas.polygon([(x, bottom), (x + tip, bottom - 8), (x, bottom - 16)], colour)
        label = f"reach {text}"
        wide = canvas.measure(label, SMALL, weight="semibold")
        start = x - 22 - wide if x - 22 - wide > self._left else x + 12
        canvas.text(start, bottom - 1, label, SMALL, self.legible(colour), weight="semibold")
        return start, max(start + wide, x)

    def _ruler_names(self, canvas: Canvas, taken: tuple[float, float] | None) -> None:
        """Name the ruler's main ticks, but none that the reach's name would touch."""
        count = round(self._top / self._step)
        every = 1 if count <= 6 else 2 if count <= 12 else 5
        for i in range(every, count + 1, every):
            value = i * self._step
            text = f"{number(value, 0 if value == round(value) else 1)} {self._symbol}"
            x, half = self._place(value / self._per_m), canvas.measure(text, SMALL) / 2
            if x + half > self.width - INSET or (taken and taken[0] - 14 < x + half and x - half < taken[1] + 14):
                continue
            canvas.text(x, self._middle + _APART + _BAR + 26, text, SMALL, self.palette.muted, anchor="centre")

    def _bar(self, canvas: Canvas, way: int, ends: tuple[float, float], colour: Colour) -> None:
        top = self._bar_top(way)
        low, high = ends
        canvas.box(low, top, high - low, _BAR, colour)

    def _broken(self, canvas: Canvas, way: int, low: float, high: float, strength: float) -> None:
        top, middle = self._bar_top(way) - 2, (low + high) / 2
        low, high = min(low, middle - _LEAST / 2), max(high, middle + _LEAST / 2)
        box = [(low, top), (high, top), (high, top + _BAR + 4), (low, top + _BAR + 4)]
        dark = self.palette.backing._replace(alpha=255)
        canvas.hatch(box, self.palette.broken.mixed(dark, 1 - strength), dark, pitch=8.0)

    def _bar_top(self, way: int) -> float:
        return self._middle - _APART - _BAR if way == OUT else self._middle + _APART

    def _ruler(self) -> tuple[str, float, float, float]:
        """Symbol, units per metre, last tick and step in that unit; the ruler ends at the farthest point itself."""
        farthest = self._ways.farthest_m if self._ways.known else self.units.far_from_m
        unit = self.units.distance_unit(farthest)
        top = max(farthest * unit.per_si, 1e-9)
        _, step = round_scale(top, 12)
        return unit.symbol, unit.per_si, math.floor(top / step + 1e-9) * step, step

    def _ends(self, way: int, time_s: float) -> Ends:
        reached = self._ways.reached(way, time_s)
        return (
            (self.whole_pixel(self._place(reached[0])), self.whole_pixel(self._place(reached[1]))) if reached else None
        )

    def _place(self, metres: float) -> float:
        farthest = self._ways.farthest_m if self._ways.known else self.units.far_from_m
        return self._left + (self._right - self._left) * metres / max(farthest, 1.0)

    def _x(self, metres: float) -> float:
        """Place on the ruler, held at its ends; infinite where there is no data."""
        if not math.isfinite(metres):
            return math.inf
        return self.whole_pixel(min(max(self._place(metres), self._left), self._right + 12))


def draw_home(canvas: Canvas, x: float, y: float, size: float, colour: Colour) -> None:
    """Home: the outline of a house about (x, y), `size` from its middle to its edge."""
    canvas.line(
        np.array([(-1, -0.15), (0, -1), (1, -0.15), (1, 1), (-1, 1)]) * size + (x, y),
        size * 0.2, colour, closed=True,
    )  # fmt: skip
