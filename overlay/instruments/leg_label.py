"""The leg of the flight in a word."""

from __future__ import annotations

from types import MappingProxyType
from typing import Literal

from overlay.instruments.canvas import Canvas
from overlay.instruments.instrument import SMALL, Instrument, Options
from overlay.instruments.quantities import NO_DATA
from overlay.readings import Readings

WORDS = MappingProxyType(
    {
        "on the ground": "on the ground",
        "take-off": "take-off",
        "out": "outbound",
        "loiter": "circling",
        "home": "homebound",
        "landing": "landing",
    }
)


class LegLabelOptions(Options):
    """Outbound, circling, homebound, landing."""

    kind: Literal["leg label"] = "leg label"


class LegLabel(Instrument[LegLabelOptions, str]):
    """See the module."""

    size = (177.0, 58.0)

    @classmethod
    def has_data(cls, options: LegLabelOptions, readings: Readings) -> bool:  # noqa: ARG003
        """Whether the legs are known."""
        return bool(readings.legs)

    def _state(self, time_s: float) -> str:
        leg = self.dials.readings.leg_at(time_s)
        return WORDS.get(leg, leg) if leg else NO_DATA

    def _paint(self, canvas: Canvas, state: str) -> None:
        shade = self.palette.ink if state != NO_DATA else self.palette.muted
        canvas.text(self.width / 2, self.height / 2 + SMALL * 0.33, state, SMALL, shade, anchor="centre")
