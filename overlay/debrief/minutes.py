"""The figures on the time axis as a table, for those who do not see them or want the numbers."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from overlay.debrief.panel import Line, Panel
from overlay.debrief.panels import panels
from overlay.debrief.story import Story
from overlay.debrief.wording import clock, number


def minute_by_minute(story: Story, most: int = 60) -> tuple[tuple[str, ...], tuple[tuple[str, ...], ...]]:
    """Headings and rows of the same in numbers, at round steps so that no more than `most` rows come of it."""
    start, end = story.span_s
    step = next(s for s in (10, 30, 60, 120, 300, 600, 1800, 3600, 86400) if (end - start) / s <= most)
    moments = np.arange(np.ceil(start / step) * step, end + 1e-9, step)
    found = [(panel, line) for panel in panels(story) for line in panel.lines]
    headings = (
        "time",
        "leg",
        *(f"{panel.title.split(',')[0].lower()}: {line.name}, {panel.unit}" for panel, line in found),
    )
    return headings, tuple(_moment(story, float(moment), found) for moment in moments)


def _moment(story: Story, moment: float, found: list[tuple[Panel, Line]]) -> tuple[str, ...]:
    leg = story.readings.leg_at(moment + story.zero_s) or "–"
    return (clock(moment)[:-2], leg, *_values(moment, found))


def _values(moment: float, found: list[tuple[Panel, Line]]) -> Iterator[str]:
    for panel, line in found:
        row = int(np.argmin(np.abs(panel.times - moment)))
        near = abs(panel.times[row] - moment) <= 2.0
        yield number(float(line.values[row]), panel.decimals) if near else "no data"
