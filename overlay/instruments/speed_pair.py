"""Airspeed and ground speed as two bars from one base; the gap between them is the head- or tailwind."""

from __future__ import annotations

import math
from typing import Literal

from overlay.instruments.canvas import Canvas
from overlay.instruments.instrument import BODY, HAIR, INSET, SMALL, VALUE, Instrument, Options
from overlay.instruments.quantities import round_scale

State = tuple[float, float, str, str, str]  # bar ends, the two figures, the sentence of the gap

_BAR, _GAP = 27.0, 8.0
_CALM_S, _CALM_HZ = 3.0, 1.0
_PLAY = 0.75  # pixels that a bar's end may be behind, lest it tremble
_LIFT = 2.0  # of the one baseline of name and figure above the foot of their bar
_COLUMNS = ("airspeed_mps", "ground_speed_mps")


class SpeedPairOptions(Options):
    """Airspeed over ground speed; the gap is the wind along the way."""

    kind: Literal["speed pair"] = "speed pair"


class SpeedPair(Instrument[SpeedPairOptions, State]):
    """See the module."""

    columns = _COLUMNS
    size = (440.0, 176.0)

    def _prepare(self) -> None:
        unit = self.units.speed
        # their difference is told too and changes with either, so they change together, and seldom
        self._figures = [self.dials.figure(name, unit, smooth_s=_CALM_S, rate_Hz=_CALM_HZ) for name in _COLUMNS]
        fastest = [self.dials.largest(name) * unit.per_si for name in _COLUMNS]
        self._top, _ = round_scale(max([v for v in fastest if math.isfinite(v)], default=100.0), 6)
        self._left, self._dark = INSET + 90.0, self.palette.backing.faded(0.5)
        self._length = self.width - INSET - 84.0 - self._left
        pixel = self._top / unit.per_si / self._length / min(self.setting.unit, 1.0)
        self._needles = [self.dials.needle(name, play=_PLAY * pixel) for name in _COLUMNS]
        self._tops = (INSET + 30, INSET + 30 + _BAR + _GAP)

    def _state(self, time_s: float) -> State:
        unit = self.units.speed
        ends = [self._end(needle(time_s) * unit.per_si) for needle in self._needles]
        air, ground = (figure(time_s) for figure in self._figures)
        return ends[0], ends[1], unit.text(air), unit.text(ground), self._wind(ground - air)

    def _ground(self, canvas: Canvas) -> None:
        self.backing(canvas)
        self.name(canvas, "speed", self.units.speed.symbol)
        for top, name, column in zip(self._tops, ("air", "ground"), _COLUMNS, strict=True):
            canvas.text(INSET, top + _BAR - _LIFT, name, SMALL, self.palette.muted)
            canvas.box(self._left, top, self._length, _BAR, self.palette.ahead.faded(0.35))
            if not self.dials.has(column):
                canvas.outline(self._left, top, self._length, _BAR, self.palette.hairline)

    def _paint(self, canvas: Canvas, state: State) -> None:
        air, ground, air_text, ground_text, wind = state
        rows = ((air, air_text, self.palette.air), (ground, ground_text, self.palette.ground))
        for top, (end, text, colour) in zip(self._tops, rows, strict=True):
            known = math.isfinite(end)
            if known:
                canvas.box(self._left, top, end, _BAR, colour)
            ink = self.palette.ink if known else self.palette.muted
            canvas.text(self.width - INSET, top + _BAR - _LIFT, text, VALUE, ink, weight="semibold", anchor="right")
        if math.isfinite(air) and math.isfinite(ground):
            self._gap(canvas, air, ground)
        self._tell(canvas, wind)

    def _gap(self, canvas: Canvas, air: float, ground: float) -> None:
        """Hatch what the slower bar lacks of the faster: lost to the headwind, or given by the tailwind."""
        low, high = sorted((air, ground))
        if high - low > 1.0:
            canvas.hatch(self._span(low, high, self._tops[1 if ground < air else 0]), self.palette.ink, self._dark)
            canvas.rule(self._left + high, self._tops[0], 2 * _BAR + _GAP, HAIR, self.palette.ink, down=True)

    def _span(self, low: float, high: float, top: float) -> list[tuple[float, float]]:
        left, right = self._left + low, self._left + high
        return [(left, top), (right, top), (right, top + _BAR), (left, top + _BAR)]

    def _tell(self, canvas: Canvas, wind: str) -> None:
        """Say what the gap is, after a key of its hatch."""
        p, foot, key = self.palette, self.height - INSET, wind[0].isdigit()
        if key:
            box = [(INSET, foot - 17), (INSET + 26, foot - 17), (INSET + 26, foot), (INSET, foot)]
            canvas.hatch(box, p.ink, self._dark)
        shade = p.ink if key else p.muted
        canvas.text(INSET + (38 if key else 0), foot, wind, BODY, shade, weight="semibold" if key else "regular")

    def _end(self, speed: float) -> float:
        return (
            self.whole_pixel(min(max(speed / self._top, 0.0), 1.0) * self._length) if math.isfinite(speed) else math.inf
        )

    def _wind(self, difference: float) -> str:
        if not math.isfinite(difference):
            lacking = [
                name
                for name, column in zip(("airspeed", "ground speed"), _COLUMNS, strict=True)
                if not self.dials.has(column)
            ]
            if len(lacking) == len(_COLUMNS):
                return "no speed in the log"
            return f"no {lacking[0]} in the log" if lacking else "no data here"
        if abs(difference) < 1:
            return "no wind along the way"
        return f"{self.units.speed.text(abs(difference))} {'tailwind' if difference > 0 else 'headwind'}"
