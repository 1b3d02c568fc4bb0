"""The pack as one column of four parts: used, still needed to get home from here, spare, and the reserve."""

from __future__ import annotations

import math
from contextlib import suppress
from typing import Literal

from overlay.errors import NoAnswerError
from overlay.instruments.canvas import Canvas
from overlay.instruments.instrument import BODY, HAIR, INSET, SMALL, Instrument, Options
from overlay.instruments.lettering import Weight
from overlay.instruments.palette import Colour
from overlay.instruments.quantities import NO_DATA, Unit
from overlay.readings import counted_pack

# Heights of the parts' upper edges in the column, from its foot; the four figures; whether the charge falls short.
State = tuple[float, float, str, str, str, str, bool]

_MILLIAMPERE_HOURS = Unit("mAh", step=10.0)
_WIDE, _ROW = 50.0, 43.0


class EnergyColumnOptions(Options):
    """Charge used, needed to get home, spare and in reserve."""

    kind: Literal["energy column"] = "energy column"


class EnergyColumn(Instrument[EnergyColumnOptions, State]):
    """See the module."""

    columns = ("charge_used_mAh",)
    size = (380.0, 244.0)

    def _prepare(self) -> None:
        names = ("charge_used_mAh", "charge_home_mAh", "charge_spare_mAh")
        self._figures = [self.dials.figure(name, _MILLIAMPERE_HOURS, smooth_s=3.0) for name in names]
        self._used, self._home = (self.dials.needle(name, smooth_s=3.0) for name in names[:2])
        self._capacity = self._reserve = math.nan
        with suppress(NoAnswerError):  # a pack of which nothing is known has no column to fill
            pack = counted_pack(self.dials.readings)
            self._capacity, self._reserve = pack.capacity_mAh, pack.capacity_mAh * (1 - pack.usable_fraction)
        self._top, self._foot = INSET + 34.0, self.height - INSET

    def _state(self, time_s: float) -> State:
        used, home, spare = (figure(time_s) for figure in self._figures)
        text = _MILLIAMPERE_HOURS.text
        return (
            self._high(self._used(time_s)),
            self._high(self._used(time_s) + self._home(time_s)),
            text(used),
            text(home),
            text(abs(spare)),
            text(self._reserve if math.isfinite(used) else math.nan),
            spare < 0,
        )

    def _ground(self, canvas: Canvas) -> None:
        self.backing(canvas)
        self.name(canvas, "energy", _MILLIAMPERE_HOURS.symbol)
        canvas.box(INSET, self._top, _WIDE, self._foot - self._top, self.palette.ahead.faded(0.35))
        if not math.isfinite(self._capacity):
            canvas.outline(INSET, self._top, _WIDE, self._foot - self._top, self.palette.hairline)

    def _paint(self, canvas: Canvas, state: State) -> None:
        used, home, *texts, short = state
        whole = self._foot - self._top
        edge = whole - self._high(self._reserve)
        self._parts(canvas, used, home, edge, whole, short=short)
        p = self.palette
        spare = ("short", p.broken) if short else ("spare", p.spare)
        names = (("used", p.picture), ("to get home", p.air), spare, ("reserve", p.ink))
        middles = (used / 2, (used + min(home, edge)) / 2, (home + edge) / 2, (edge + whole) / 2)
        for i, ((name, colour), text, middle) in enumerate(zip(names, texts, middles, strict=True)):
            y = self._foot - 15 - i * _ROW
            if text != NO_DATA and math.isfinite(middle):
                at = self._foot - min(max(middle, 0.0), whole)
                bend = INSET + _WIDE + 22
                canvas.line([(INSET + _WIDE + 5, at), (bend, y), (bend + 10, y)], HAIR, p.hairline)
            self._row(canvas, y, name, text, colour, strong=i == 2)

    def _row(self, canvas: Canvas, y: float, name: str, text: str, colour: Colour, *, strong: bool) -> None:
        """One part's name and charge; what is spare, or short, is the row to look at."""
        p, known = self.palette, text != NO_DATA
        strong &= known
        tint = self.legible(colour) if strong else p.muted
        weight: Weight = "semibold" if strong else "regular"
        canvas.text(INSET + _WIDE + 42, y + 9, name, SMALL, tint, weight=weight)
        ink = tint if name == "short" else p.ink if known else p.muted
        canvas.text(self.width - INSET, y + 9, text, BODY, ink, weight=weight, anchor="right")

    def _parts(self, canvas: Canvas, used: float, home: float, edge: float, whole: float, *, short: bool) -> None:
        """Fill the column from its foot; what is short of getting home is hatched into the reserve."""
        p = self.palette
        if math.isfinite(used):
            self._part(canvas, 0.0, min(used, whole), p.picture)
        if math.isfinite(home):
            self._part(canvas, used, min(home, edge), p.air)
            self._part(canvas, home, edge, p.spare)
        if math.isfinite(used):
            self._lines(canvas, edge, whole)
        if short and math.isfinite(home):
            low, high = max(edge, used), min(max(home, edge + 3), whole)
            left, right, top, foot = INSET, INSET + _WIDE, self._foot - high, self._foot - low
            canvas.hatch(
                [(left, top), (right, top), (right, foot), (left, foot)], p.broken, p.backing._replace(alpha=255)
            )

    def _part(self, canvas: Canvas, low: float, high: float, colour: Colour) -> None:
        if high - low > 0.5:
            canvas.box(INSET, self._foot - high, _WIDE, high - low - 1.5, colour)

    def _lines(self, canvas: Canvas, low: float, high: float) -> None:
        """Rule the reserve, which is not to be flown: neither filled nor empty."""
        if math.isfinite(low):
            y, pitch = self._foot - high, max(3, round(7 * canvas.unit)) / canvas.unit
            while y < self._foot - low - 3:
                canvas.box(INSET, y, _WIDE, HAIR, self.palette.ink)
                y += pitch

    def _high(self, charge: float) -> float:
        share = charge / self._capacity
        return (
            self.whole_pixel(min(max(share, 0.0), 1.2) * (self._foot - self._top)) if math.isfinite(share) else math.inf
        )
