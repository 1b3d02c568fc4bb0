"""Height over home as the large figure, with the vertical speed and its direction beside it."""

from __future__ import annotations

import math
from typing import Literal

from overlay.instruments.canvas import Canvas
from overlay.instruments.instrument import BODY, INSET, LARGE, SMALL, VALUE, Instrument, Options
from overlay.instruments.quantities import NO_DATA

State = tuple[str, str, int]  # height, vertical speed, direction: −1 down, 0 level, +1 up


class HeightOptions(Options):
    """Height over home, and vertical speed."""

    kind: Literal["height"] = "height"


class Height(Instrument[HeightOptions, State]):
    """See the module."""

    columns = ("height_m",)
    size = (320.0, 112.0)

    def _prepare(self) -> None:
        self._height = self.dials.figure("height_m", self.units.height)
        self._climb = self.dials.figure("vertical_speed_mps", self.units.climb, smooth_s=2.0, rate_Hz=1.0)

    def _state(self, time_s: float) -> State:
        climb = self._climb(time_s)
        level = not math.isfinite(climb) or abs(climb) < self.units.climb.step / 2
        return (
            self.units.height.text(self._height(time_s)),
            self.units.climb.text(abs(climb)),
            0 if level else (1 if climb > 0 else -1),
        )

    def _ground(self, canvas: Canvas) -> None:
        self.backing(canvas)
        y = self.height / 2 + self.size[1] / 2 - INSET
        unit = self.units.climb.symbol
        name = self.titled(canvas, "over home", canvas.measure(unit, SMALL) + 12)
        canvas.text(INSET, y, name, SMALL, self.palette.muted)
        canvas.text(self.width - INSET, y, unit, SMALL, self.palette.muted, anchor="right")

    def _paint(self, canvas: Canvas, state: State) -> None:
        height, climb, direction = state
        known = self.palette.ink if height != NO_DATA else self.palette.muted
        y = self.height / 2 - self.size[1] / 2 + INSET + LARGE * 0.68
        wide = canvas.text(INSET, y, height, LARGE, known, weight="semibold")
        canvas.text(INSET + wide + 9, y, self.units.height.symbol, BODY, self.palette.muted)
        right = self.width - INSET
        shade = self.palette.ink if climb != NO_DATA else self.palette.muted
        wide = canvas.text(right, y, climb, VALUE, shade, anchor="right")
        if direction:
            x, middle, reach = right - wide - 20, y - 10, 9.0 * direction
            canvas.polygon([(x, middle - reach), (x - 9, middle + reach * 0.7), (x + 9, middle + reach * 0.7)], shade)
