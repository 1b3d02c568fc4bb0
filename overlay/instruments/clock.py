"""The time: since take-off, or of day in UTC or at the place of the flight."""

from __future__ import annotations

import math
from typing import Literal

from overlay.clock import format_duration, format_utc
from overlay.instruments.canvas import Canvas
from overlay.instruments.instrument import INSET, SMALL, VALUE, Instrument, Options
from overlay.instruments.quantities import MINUS, NO_DATA
from overlay.readings import Readings

_CHIP = 58.0


class ClockOptions(Options):
    """Flight time, or the time of day."""

    kind: Literal["clock"] = "clock"
    time: Literal["flight", "utc", "local"] = "flight"


class Clock(Instrument[ClockOptions, str]):
    """See the module."""

    size = (130.0, _CHIP)

    @classmethod
    def natural_size(cls, options: ClockOptions) -> tuple[float, float]:
        """See `Instrument.natural_size`."""
        return (130.0 if options.time == "flight" else 226.0), _CHIP

    def _prepare(self) -> None:
        self._takeoff_s = takeoff_s(self.dials.readings)

    def _state(self, time_s: float) -> str:
        if self.options.time == "flight":
            return flight_time(math.floor(time_s - self._takeoff_s))
        offset = 0.0 if self.options.time == "utc" else self.setting.utc_offset_s
        if not self.dials.readings.keeps_utc or offset is None:
            return NO_DATA
        return format_utc(math.floor(time_s + offset), 0)[11:19]

    def _paint(self, canvas: Canvas, state: str) -> None:
        y = self.height / 2 + VALUE * 0.33
        if self.options.time == "flight":
            canvas.text(self.width / 2, y, state, VALUE, self.palette.ink, weight="semibold", anchor="centre")
            return
        canvas.text(INSET - 4, y, state, VALUE, self.palette.ink, weight="semibold")
        name = self.titled(canvas, self.options.time.replace("utc", "UTC"), canvas.measure("00:00:00", VALUE) + 12)
        canvas.text(self.width - INSET + 4, y, name, SMALL, self.palette.muted, anchor="right")


def takeoff_s(readings: Readings) -> float:
    """Flight clock at take-off: the end of the first stand on the ground, or the first row where legs are unknown."""
    first = next((leg.start_s for leg in readings.legs if leg.name != "on the ground"), None)
    if first is not None:
        return first
    return float(readings.time_s[0]) if len(readings) else 0.0


def flight_time(seconds: float) -> str:
    """Minutes and seconds, hours only when there are any; before take-off with a minus sign.

    >>> flight_time(861.0)
    '14:21'
    """
    text = format_duration(abs(seconds), 0)
    short = text[2:] if text.startswith("0:") else text
    return (MINUS if seconds < 0 else "") + short
