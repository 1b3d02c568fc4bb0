"""Instruments that are shown only while something lasts."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from typing import Any

from overlay.instruments.captions import caption_at
from overlay.instruments.instrument import Instrument, When
from overlay.instruments.panel import Panel, Patch, Rect

_AFTER_S = 2.0  # a break-up's instruments stay this long after its end, so that short ones are seen


class During:
    """A panel that draws nothing outside its condition."""

    def __init__(self, panel: Instrument[Any, Any], holds: Callable[[float], bool]) -> None:
        self.rect: Rect = panel.rect
        self._panel, self._holds = panel, holds

    def shows(self, time_s: float) -> Hashable | None:
        """See `Panel.shows`."""
        return self._panel.shows(time_s) if self._holds(time_s) else None

    def draw(self, time_s: float) -> Patch:
        """See `Panel.draw`."""
        return self._panel.draw(time_s)


def during(when: When, panel: Instrument[Any, Any]) -> Panel:
    """Return the panel as the condition has it."""
    readings, told = panel.dials.readings, panel.setting.captions
    if when == "break-up":
        return During(panel, lambda t: any(b.onset_s <= t < b.end_s + _AFTER_S for b in readings.breakups))
    if when == "event":
        return During(panel, lambda t: caption_at(told, t) is not None)
    if when == "aloft":
        return During(panel, lambda t: readings.leg_at(t) not in (None, "on the ground"))
    if when == "out":
        return During(panel, lambda t: readings.leg_at(t) in ("take-off", "out"))
    if when == "home":
        return During(panel, lambda t: readings.leg_at(t) in ("home", "landing"))
    return panel
