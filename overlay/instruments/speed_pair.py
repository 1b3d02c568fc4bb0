"""Airspeed and ground speed as two bars from one base; the gap between them is the head- or tailwind."""

from __future__ import annotations

import math
from typing import Literal

from overlay.instruments.canvas import Canvas
from overlay.instruments.instrument import BODY, HAIR, INSET, SMALL, VALUE, Instrument, Options
from overlay.instruments.palette import BLACK, WHITE, Colour, contrast
from overlay.instruments.quantities import NO_DATA, round_scale

State = tuple[float, float, str, str, str]  # bar ends, the two figures, the sentence of the gap

_BAR, _GAP = 27.0, 8.0


class SpeedPairOptions(Options):
    """Airspeed over ground speed; the gap is the wind along the way."""

    kind: Literal["speed pair"] = "speed pair"


class SpeedPair(Instrument[SpeedPairOptions, State]):
    """See the module."""

    size = (440.0, 184.0)

    def _prepare(self) -> None:
        unit = self.units.speed
        self._figures = [self.dials.figure(name, unit) for name in ("airspeed_mps", "ground_speed_mps")]
        self._needles = [self.dials.needle(name) for name in ("airspeed_mps", "ground_speed_mps")]
        fastest = [self.dials.largest(name) * unit.per_si for name in ("airspeed_mps", "ground_speed_mps")]
        self._top, _ = round_scale(max([v for v in fastest if math.isfinite(v)], default=100.0), 6)
        self._length = self.width - 2 * INSET - 86
        self._tops = (INSET + 30, INSET + 30 + _BAR + _GAP)

    def _state(self, time_s: float) -> State:
        unit = self.units.speed
        ends = [self._end(needle(time_s) * unit.per_si) for needle in self._needles]
        air, ground = (figure(time_s) for figure in self._figures)
        return ends[0], ends[1], unit.text(air), unit.text(ground), self._wind(ground - air)

    def _ground(self, canvas: Canvas) -> None:
        self.backing(canvas)
        self.name(canvas, "speed", self.units.speed.symbol)
        for top in self._tops:
            canvas.box(INSET, top, self._length, _BAR, self.palette.ahead.faded(0.35))

    def _paint(self, canvas: Canvas, state: State) -> None:
        air, ground, air_text, ground_text, wind = state
        rows = (("air", air, air_text, self.palette.air), ("ground", ground, ground_text, self.palette.ground))
        for top, (name, end, text, colour) in zip(self._tops, rows, strict=True):
            known = math.isfinite(end)
            if known:
                canvas.polygon(
                    [(INSET, top), (INSET + end, top), (INSET + end, top + _BAR), (INSET, top + _BAR)], colour
                )
            ink = self.palette.ink if known else self.palette.muted
            self._gap(canvas, air, ground, top, name)
            canvas.text(
                INSET + 10,
                top + _BAR - 8,
                name,
                SMALL - 1,
                _on(colour) if known and end > 70 else ink,
                weight="semibold",
            )
            canvas.text(self.width - INSET, top + _BAR - 2, text, VALUE, ink, weight="semibold", anchor="right")
        faint = NO_DATA in (air_text, ground_text)
        canvas.text(
            INSET, self.height - INSET, wind, BODY, self.palette.muted if faint else self.palette.ink,
            weight="regular" if faint else "semibold",
        )  # fmt: skip

    def _gap(self, canvas: Canvas, air: float, ground: float, top: float, name: str) -> None:
        """Hatch what the slower bar lacks of the faster: lost to the head wind, or given by the tailwind."""
        if not (math.isfinite(air) and math.isfinite(ground)) or name != ("ground" if ground < air else "air"):
            return
        low, high = INSET + min(air, ground), INSET + max(air, ground)
        if high - low > 1.0:
            box = [(low, top), (high, top), (high, top + _BAR), (low, top + _BAR)]
            canvas.hatch(box, self.palette.ink, self.palette.backing.faded(0.5))
            canvas.rule(high, self._tops[0], 2 * _BAR + _GAP, HAIR, self.palette.ink, down=True)

    def _end(self, speed: float) -> float:
        return (
            self.half_pixel(min(max(speed / self._top, 0.0), 1.0) * self._length) if math.isfinite(speed) else math.inf
        )

    def _wind(self, difference: float) -> str:
        if not math.isfinite(difference):
            lacking = [
                n
                for n, c in (("airspeed", "airspeed_mps"), ("ground speed", "ground_speed_mps"))
                if not self.dials.has(c)
            ]
            return f"no {lacking[0]} in the log" if len(lacking) == 1 else "no data"
        if abs(difference) < 1:
            return "no wind along the way"
        return f"{self.units.speed.text(abs(difference))} {'tailwind' if difference > 0 else 'headwind'}"


def _on(colour: Colour) -> Colour:
    """Black or white, whichever reads better on an accent."""
    return max((BLACK, WHITE), key=lambda ink: contrast(ink, colour))
