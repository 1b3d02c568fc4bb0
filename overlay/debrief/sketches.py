"""The track from above, tinted by the picture's grade, without coordinates; and grade against range, out and home."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from overlay.debrief.colours import BLUE, GRADES, HAIRLINE, INK, LETTERING, ORANGE, PAPER, QUIET, UNGRADED
from overlay.debrief.story import Story
from overlay.debrief.thinning import telling_rows
from overlay.debrief.timelines import tooltip
from overlay.debrief.wording import number

if TYPE_CHECKING:
    from bokeh.models import Plot

Floats = NDArray[np.float64]

_BINS = 700
_MOST_RANGE_BINS = 24
_LEAST_SECONDS = 2.0
_MOST_NAMED = 20


def draw_track(story: Story) -> Plot | None:
    """The path on the plane about home, north up, with a scale; None without positions."""
    from bokeh.models import ColumnDataSource

    readings = story.readings
    if not (readings.has("east_m") and readings.has("north_m")):
        return None
    fig = _plan(story)
    path = _path(story)
    for grade in (None, 5, 4, 3, 2, 1):  # the worst on top
        colour, width = GRADES[grade] if grade else UNGRADED
        dash = "solid" if grade else "dashed"
        parts = [part for part in path if part.grade == grade]
        if parts:
            fig.multi_line(
                [part.east_km for part in parts], [part.north_km for part in parts], line_color=colour,
                line_width=width, line_cap="round", line_join="round", line_dash=dash,
            )  # fmt: skip
    marks = ColumnDataSource(_marks(story))
    fig.scatter("x", "y", source=marks, size=11, fill_color=PAPER, line_color=INK, line_width=1.6, marker="shape")
    on_paper = {"background_fill_color": PAPER, "background_fill_alpha": 0.75}
    aside = {"x_offset": 9} if _lies_west(story) else {"x_offset": -9, "text_align": "right"}
    fig.text("x", "y", "name", source=marks, y_offset=4, text_font_style="bold", **aside, **on_paper, **LETTERING)
    return fig


@dataclass(frozen=True)
class _Part:
    """A stretch of the path in one grade."""

    grade: int | None
    east_km: Floats
    north_km: Floats


def _path(story: Story) -> list[_Part]:
    readings = story.readings
    inside = np.flatnonzero(np.isfinite(readings["east_m"]) & np.isfinite(readings["north_m"]))
    east, north = readings["east_m"][inside] / 1000.0, readings["north_m"][inside] / 1000.0
    time, graded = readings.time_s[inside], story.graded_at[inside]
    rows = telling_rows(time, (east, north), _BINS)
    worst = (
        np.fmin.reduceat(np.append(graded, np.nan), np.append(rows, len(graded)))[: len(rows)] if len(rows) else graded
    )
    classes = np.where(np.isfinite(worst), np.clip(np.round(worst), 1, 5), 0).astype(int)
    hole = (
        np.diff(time[rows], prepend=time[:1]) > max(30.0, 4 * np.median(np.diff(time[rows])))
        if len(rows) > 1
        else np.zeros(1, bool)
    )
    cuts = np.flatnonzero((np.diff(classes, prepend=classes[:1]) != 0) | hole)
    parts = []
    for first, last in zip([0, *cuts.tolist()], [*cuts.tolist(), len(rows)], strict=True):
        joined = rows[first : last + 1] if last < len(rows) and not hole[last] else rows[first:last]
        parts.append(
            _Part(int(classes[first]) or None, east[joined].astype(np.float32), north[joined].astype(np.float32))
        )
    return parts


def grades_shown(story: Story) -> tuple[tuple[str, str, float], ...]:
    """Key to the tints in the track: (what, colour, width) of those that occur."""
    found = {part.grade for part in _path(story)} if story.readings.has("east_m") else set()
    names = {1: "very annoying", 2: "annoying", 3: "slightly annoying", 4: "perceptible", 5: "imperceptible"}
    told = [(f"{grade} {names[grade]}", *GRADES[grade]) for grade in sorted(names, reverse=True) if grade in found]
    return (*told, *((("not graded", *UNGRADED),) if None in found else ()))


def _plan(story: Story) -> Plot:
    from bokeh.models import Range1d
    from bokeh.plotting import figure

    west, east, south, north = _bounds(story)
    side = max(east - west, north - south, 0.05) * 1.3
    middle_x, middle_y = (west + east) / 2, (south + north) / 2
    fig = figure(
        sizing_mode="stretch_width", aspect_ratio=1.0, max_width=620, toolbar_location=None, tools=[],
        x_range=Range1d(middle_x - side / 2, middle_x + side / 2),
        y_range=Range1d(middle_y - side / 2, middle_y + side / 2),
        background_fill_color=None, border_fill_color=None, outline_line_color=HAIRLINE, name="track from above",
    )  # fmt: skip
    fig.axis.visible = False
    fig.grid.visible = False
    below, above = (_free_side(story, middle_x, middle_y, half) for half in (-1, 1))
    _scale(fig, middle_x + (-0.47 if below < 0 else 0.22) * side, middle_y - 0.465 * side, side)
    _north(fig, middle_x + above * 0.45 * side, middle_y + 0.40 * side, side)
    return fig


def _bounds(story: Story) -> tuple[float, float, float, float]:
    """West, east, south and north end (km) of the path with home."""
    east, north = (np.append(story.readings[name] / 1000.0, 0.0) for name in ("east_m", "north_m"))
    return float(np.nanmin(east)), float(np.nanmax(east)), float(np.nanmin(north)), float(np.nanmax(north))


def _free_side(story: Story, middle_x: float, middle_y: float, half: int) -> int:
    """−1 for left or 1 for right: where less of the path lies in the lower (−1) or upper (1) half of the figure."""
    east, north = story.readings["east_m"] / 1000.0 - middle_x, story.readings["north_m"] / 1000.0 - middle_y
    there = east[half * north > 0]
    return -1 if np.sum(there < 0) <= np.sum(there > 0) else 1


def _lies_west(story: Story) -> bool:
    """Whether most of the path lies west of home, so that words stand clear of it to the right."""
    return float(np.nanmean(story.readings["east_m"])) < 0.0


def _scale(fig: Plot, x: float, y: float, side_km: float) -> None:
    decade = 10.0 ** np.floor(np.log10(side_km / 4))
    length = max(m * decade for m in (1, 2, 5) if m * decade <= side_km / 4)
    fig.line(
        [x, x, x + length, x + length], [y + side_km * 0.012, y, y, y + side_km * 0.012], line_color=INK, line_width=1.5
    )
    name = f"{length:g}\u00a0km" if length >= 1 else f"{1000 * length:g}\u00a0m"
    fig.text([x + length / 2], [y], [name], text_align="center", y_offset=-5, **LETTERING)


def _north(fig: Plot, x: float, y: float, side_km: float) -> None:
    fig.line([x, x], [y, y + 0.06 * side_km], line_color=INK, line_width=1.5)
    fig.scatter([x], [y + 0.06 * side_km], marker="triangle", size=9, color=INK)
    fig.text([x], [y], ["N"], text_align="center", text_baseline="top", y_offset=2, **LETTERING)


def _marks(story: Story) -> dict[str, list[Any]]:
    told: dict[str, list[Any]] = {"x": [0.0], "y": [0.0], "name": ["home"], "shape": ["square"]}
    lengths = sorted((event.end_s - event.onset_s for event in story.events), reverse=True)
    least = lengths[_MOST_NAMED - 1] if len(lengths) > _MOST_NAMED else 0.0
    for count, event in enumerate(story.events, 1):
        onset = story.onset(event)
        if onset is None or event.end_s - event.onset_s < least:
            continue
        x, y = (float(story.readings.at(name, onset + story.zero_s)[0]) / 1000.0 for name in ("east_m", "north_m"))
        if np.isfinite(x) and np.isfinite(y):
            for key, value in zip(told, (x, y, str(count), "circle"), strict=True):
                told[key].append(value)
    return told


@dataclass(frozen=True)
class ByRange:
    """Grade of one leg in steps of range, (B,) each: middles, median, tenth and ninetieth percentile, seconds seen.

    Steps seen for too short a time are left out; `step_km` from one middle to the next where none is.
    """

    leg: str
    step_km: float
    middle_km: Floats
    median: Floats
    low: Floats
    high: Floats
    seconds: Floats


def by_range(story: Story) -> tuple[ByRange, ...]:
    """Out and home, where each was graded: the same ranges flown with different headings tell most about a link."""
    readings, grades = story.readings, story.graded_at
    ranges = readings["range_m"] / 1000.0
    known = np.isfinite(grades) & np.isfinite(ranges)
    if not known.any():
        return ()
    step = float(np.median(np.diff(readings.time_s)))
    edges = _range_steps(ranges[known], np.diff(ranges) / step)
    found = []
    for leg in ("out", "home"):
        on_leg = known & _on(story, leg)
        bins = np.digitize(ranges[on_leg], edges) - 1
        told = [
            (edges[b : b + 2].mean(), *_spread(grades[on_leg][bins == b]), (bins == b).sum() * step)
            for b in range(len(edges) - 1)
        ]
        kept = np.array([row for row in told if row[-1] >= _LEAST_SECONDS])
        if len(kept):
            found.append(ByRange(leg, float(edges[1]), *kept.T))
    return tuple(found)


def _range_steps(ranges_km: Floats, closing_kms: Floats) -> Floats:
    """Edges of equal steps of range, so wide that the flight at its faster takes as long through one as a dot asks for."""
    farthest = float(ranges_km.max()) * (1 + 1e-9)
    moving = np.abs(closing_kms[np.isfinite(closing_kms)])
    fast = float(np.quantile(moving, 0.9)) if len(moving) else 0.0
    count = _MOST_RANGE_BINS if fast <= 0 else farthest / (1.25 * _LEAST_SECONDS * fast)
    return np.linspace(0.0, farthest, int(np.clip(count, 3, _MOST_RANGE_BINS)) + 1)


def _spread(grades: Floats) -> tuple[float, float, float]:
    if len(grades) == 0:
        return np.nan, np.nan, np.nan
    low, middle, high = np.percentile(grades, (10, 50, 90))
    return float(middle), float(low), float(high)


def _on(story: Story, name: str) -> NDArray[np.bool_]:
    time = story.readings.time_s
    inside = np.zeros(len(time), bool)
    for leg in story.readings.legs:
        if leg.name == name:
            inside |= (time >= leg.start_s) & (time < leg.end_s)
    return inside


_LEG_LINES = {"out": (BLUE, "solid", "circle", "outbound"), "home": (ORANGE, "dashed", "square", "homebound")}


def draw_by_range(legs: tuple[ByRange, ...]) -> Plot:
    """Median grade against range with the span from the tenth to the ninetieth percentile."""
    from bokeh.models import ColumnDataSource, HoverTool
    from bokeh.plotting import figure

    fig = figure(
        height=300, sizing_mode="stretch_width", toolbar_location=None, tools=[], y_range=(0.8, 5.2),
        min_border_left=58, background_fill_color=None, border_fill_color=None, outline_line_color=HAIRLINE,
        name="grade against range",
        x_axis_label="range from home, km", y_axis_label="grade",
    )  # fmt: skip
    for leg in legs:
        colour, dash, marker, name = _LEG_LINES[leg.leg]
        told = {"x": leg.middle_km, "y": leg.median, "low": leg.low, "high": leg.high, "s": leg.seconds}
        for inside in unbroken(leg):
            piece = ColumnDataSource({name: values[inside] for name, values in told.items()})
            fig.varea("x", "low", "high", source=piece, fill_color=colour, fill_alpha=0.16)
            fig.line("x", "y", source=piece, line_color=colour, line_dash=dash, line_width=2)
        dots = fig.scatter("x", "y", source=ColumnDataSource(told), marker=marker, size=7, color=colour)
        rows = [("grade", "@y{0.0} (@low{0.0} to @high{0.0})"), ("seen for", "@s{0} s")]
        tips = tooltip(f"{name}, @x{{0.0}} km", rows)
        fig.add_tools(HoverTool(renderers=[dots], tooltips=tips))
    for axis in fig.axis:
        axis.update(axis_line_color=HAIRLINE, major_tick_line_color=HAIRLINE, minor_tick_line_color=None)
        axis.update(major_label_text_color=QUIET, axis_label_text_color=QUIET, axis_label_text_font_style="normal")
        axis.update(major_label_text_font_size="12px", axis_label_text_font_size="12px")
    fig.grid.grid_line_color = HAIRLINE
    fig.grid.grid_line_alpha = 0.5
    return fig


def unbroken(leg: ByRange) -> list[NDArray[np.intp]]:
    """Rows of each piece of a leg without a step missing: over a hole in the data no line is drawn."""
    holes = np.flatnonzero(np.diff(leg.middle_km) > 1.5 * leg.step_km) + 1
    return np.split(np.arange(len(leg.middle_km)), holes)


def keys_by_range(legs: tuple[ByRange, ...]) -> list[tuple[str, str, str]]:
    """Name, colour and dash of each leg's line."""
    lines = (_LEG_LINES[leg.leg] for leg in legs)
    return [(name, colour, dash) for colour, dash, _, name in lines]


def by_range_in_words(legs: tuple[ByRange, ...]) -> str:
    """What the figure shows, for those who do not see it."""
    told = []
    for leg in legs:
        worst = int(np.argmin(leg.median))
        name = _LEG_LINES[leg.leg][3]
        told.append(
            f"{name.capitalize()}: worst median grade {number(leg.median[worst], 1)} "
            f"at {number(leg.middle_km[worst], 1)}\u00a0km."
        )
    return " ".join(told)
