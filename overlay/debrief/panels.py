"""The panels of a flight: motion, wind, charge, links and picture, with or without data."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from overlay.debrief.colours import BLUE, GREEN, INK, ORANGE, PURPLE, SKY
from overlay.debrief.link_panels import link_panels
from overlay.debrief.panel import Line, Panel
from overlay.debrief.story import Story

_PANELS: Sequence[tuple[str, str, str, float, int, tuple[tuple[str, str, str, str], ...]]] = (
    ("range", "Range from home", "km", 1e-3, 2, (
        ("range_m", "range", BLUE, "solid"), ("reach_m", "reach of the charge left", GREEN, "dashed"))),
    ("height", "Height over home", "m", 1.0, 0, (
        ("height_m", "height", BLUE, "solid"), ("terrain_m", "the ground below", GREEN, "dotdash"))),
    ("speeds", "Speeds", "km/h", 3.6, 0, (
        ("ground_speed_mps", "over the ground", ORANGE, "solid"), ("airspeed_mps", "through the air", BLUE, "dashed"))),
    ("wind", "Tailwind along the course", "m/s", 1.0, 1, (
        ("tailwind_mps", "tailwind (headwind below 0)", PURPLE, "solid"),)),
    ("charge", "Charge", "mAh", 1.0, 0, (
        ("charge_used_mAh", "used", ORANGE, "solid"), ("charge_home_mAh", "needed to get home", BLUE, "dashed"),
        ("charge_spare_mAh", "to spare beyond home and reserve", GREEN, "dotdash"))),
    ("control", "Control link", "%", 1.0, 0, (("control_link_pct", "quality", BLUE, "solid"),)),
    ("strength", "Control link, strength", "dBm", 1.0, 0, (("control_rssi_dBm", "strength", SKY, "solid"),)),
    ("visibility", "Ground as the onboard camera saw it, of its clearest", "%", 1.0, 0, (
        ("visibility_pct", "contrast", ORANGE, "solid"),)),
)  # fmt: skip

_WHOLE = (-4.0, 104.0)  # percent, with room for a line at either end


def panels(story: Story) -> tuple[Panel, ...]:
    """Every panel, with or without data, in the order of the page."""
    readings = story.readings
    times = readings.time_s - story.zero_s
    inside = (times >= story.span_s[0] - 5.0) & (times <= story.span_s[1] + 5.0)
    found = []
    for key, title, unit, scale, decimals, columns in _PANELS:
        lines = [
            Line(name, scale * readings[column][inside], colour, dash)
            for column, name, colour, dash in columns
            if readings.has(column) and np.isfinite(readings[column][inside]).any()
        ]
        missing = tuple(name for _, name, _, _ in columns if name not in {line.name for line in lines})
        limits = _WHOLE if unit == "%" else None  # a link that never left 100 would get an axis from 99 to 101
        found.append(Panel(key, title, unit, times[inside], tuple(lines), missing, limits, decimals))
    return (*found, _picture(story), *link_panels(story))


def _picture(story: Story) -> Panel:
    times, grades = story.grade
    lines = (Line("grade", grades, INK),) if len(times) else ()
    missing = () if lines else ("grade",)
    return Panel("grade", "Live picture, grade", "1 … 5", times, lines, missing, (0.8, 5.2), 1)
