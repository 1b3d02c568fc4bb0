"""The flight on one time axis: linked figures of motion, charge, wind, links and picture, with break-ups shaded."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from overlay.debrief.colours import BLUE, GREEN, HAIRLINE, INK, LEGS, LETTERING, ORANGE, PURPLE, QUIET, SKY, VERMILION
from overlay.debrief.story import Story
from overlay.debrief.thinning import telling_rows
from overlay.debrief.wording import clock, number

if TYPE_CHECKING:
    from bokeh.models import Plot

Floats = NDArray[np.float64]

_LEAST_SHOWN = 1 / 500  # of the axis: shorter break-ups are drawn that wide


@dataclass(frozen=True)
class Line:
    """One line of a panel: its values (N,) in the panel's unit."""

    name: str
    values: Floats
    colour: str
    dash: str = "solid"


@dataclass(frozen=True)
class Panel:
    """One figure on the common axis, `times` (N,) of the page; `missing` names what it lacks."""

    key: str
    title: str
    unit: str
    times: Floats
    lines: tuple[Line, ...]
    missing: tuple[str, ...] = ()
    limits: tuple[float, float] | None = None
    decimals: int = 0

    @property
    def words(self) -> str:
        """What the figure shows, for those who do not see it."""
        return " ".join(_in_words(self, line) for line in self.lines)


_PANELS: Sequence[tuple[str, str, str, float, int, tuple[tuple[str, str, str, str], ...]]] = (
    ("range", "Range from home", "km", 1e-3, 2, (
        ("range_m", "range", BLUE, "solid"), ("reach_m", "reach of the charge left", GREEN, "dashed"))),
    ("height", "Height over home", "m", 1.0, 0, (("height_m", "height", BLUE, "solid"),)),
    ("speeds", "Speeds", "km/h", 3.6, 0, (
        ("ground_speed_mps", "over the ground", ORANGE, "solid"), ("airspeed_mps", "through the air", BLUE, "dashed"))),
    ("wind", "Tailwind along the course", "m/s", 1.0, 1, (
        ("tailwind_mps", "tailwind (headwind below 0)", PURPLE, "solid"),)),
    ("charge", "Charge", "mAh", 1.0, 0, (
        ("charge_used_mAh", "used", ORANGE, "solid"), ("charge_home_mAh", "needed to get home", BLUE, "dashed"),
        ("charge_spare_mAh", "to spare beyond home and reserve", GREEN, "dotdash"))),
    ("control", "Control link", "%", 1.0, 0, (("control_link_pct", "quality", BLUE, "solid"),)),
    ("strength", "Control link, strength", "dBm", 1.0, 0, (("control_rssi_dBm", "strength", SKY, "solid"),)),
)  # fmt: skip


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
        found.append(Panel(key, title, unit, times[inside], tuple(lines), missing, decimals=decimals))
    return (*found, _picture(story))


def _picture(story: Story) -> Panel:
    times, grades = story.grade
    lines = (Line("grade", grades, INK),) if len(times) else ()
    missing = () if lines else ("grade",)
    return Panel("grade", "Live picture, grade", "1 … 5", times, lines, missing, (0.8, 5.2), 1)


class Timelines:
    """Draws panels on one shared axis: one pointer, one zoom for all of them."""

    def __init__(self, story: Story) -> None:
        from bokeh.models import AdaptiveTicker, ColumnDataSource, Range1d, Span

        start, end = story.span_s
        pad = max(0.01 * (end - start), 1.0)
        self._axis = Range1d(start - pad, end + pad, bounds=(start - pad, end + pad), name="flight time")
        self._ticks = AdaptiveTicker(
            base=60, mantissas=[1, 2, 5, 10, 15, 30], desired_num_ticks=6, num_minor_ticks=0, name="flight time ticks"
        )
        self._pointer = Span(dimension="height", line_color=QUIET, line_dash="dotted", line_width=1)
        self._legs = ColumnDataSource(_legs(story))
        self._broken = ColumnDataSource(_broken(story))
        self._story = story

    @property
    def has_band(self) -> bool:
        """Whether there are legs or break-ups to name."""
        return bool(self._legs.data["x"] or self._broken.data["x"])

    def strip(self) -> Plot:
        """The band on top: legs by name, break-ups by number."""
        fig = self._figure(74, "legs of the flight and break-ups", (0.0, 1.0))
        fig.yaxis.visible = False
        fig.ygrid.visible = False
        fig.outline_line_color = None
        at = {"text_baseline": "middle", "text_align": "center", **LETTERING}
        fig.text("x", 0.25, "name", source=self._legs, **at)
        labels = _apart(self._broken.data, self._story.span_s)
        fig.text("x", 0.75, "number", source=labels, text_font_style="bold", **at)
        return fig

    def draw(self, panel: Panel) -> Plot:
        """One panel; it must have lines."""
        from bokeh.models import ColumnDataSource, HoverTool

        fig = self._figure(170, panel.title, panel.limits)
        rows = telling_rows(panel.times, tuple(line.values for line in panel.lines))
        data = {"t": panel.times[rows].astype(np.float32)}
        data |= {f"y{k}": line.values[rows].astype(np.float32) for k, line in enumerate(panel.lines)}
        source = ColumnDataSource(data)
        drawn = [
            fig.line("t", f"y{k}", source=source, line_color=line.colour, line_dash=line.dash, line_width=1.8)
            for k, line in enumerate(panel.lines)
        ]
        tips = tooltip("@t{00:00:00}", [(line.name, f"@y{k}{_figures(panel)}") for k, line in enumerate(panel.lines)])
        fig.add_tools(HoverTool(renderers=drawn[:1], mode="vline", tooltips=tips, line_policy="nearest"))
        return fig

    def _figure(self, height: int, title: str, limits: tuple[float, float] | None) -> Plot:
        from bokeh.models import BoxZoomTool, CrosshairTool, NumeralTickFormatter
        from bokeh.plotting import figure

        extra: dict[str, Any] = {"y_range": limits} if limits else {}
        fig = figure(
            height=height, sizing_mode="stretch_width", x_range=self._axis, toolbar_location=None, tools=[],
            min_border_left=58, min_border_right=12, background_fill_color=None, border_fill_color=None, name=title,
            **extra,
        )  # fmt: skip
        fig.add_tools(CrosshairTool(overlay=self._pointer), BoxZoomTool(dimensions="width"))
        fig.toolbar.active_drag = None
        fig.vstrip("start", "end", source=self._legs, fill_color="colour", line_color=None, level="underlay")
        fig.vstrip(
            "start", "end", source=self._broken, fill_color=VERMILION, fill_alpha=0.22, line_color=VERMILION,
            line_alpha=0.5, hatch_pattern="right_diagonal_line", hatch_color=VERMILION, hatch_alpha=0.7, hatch_scale=7,
            level="underlay",
        )  # fmt: skip
        fig.xaxis.ticker = self._ticks
        fig.xaxis.formatter = NumeralTickFormatter(format="00:00:00")
        for axis in (*fig.xaxis, *fig.yaxis):
            axis.update(
                axis_line_color=HAIRLINE, major_tick_line_color=HAIRLINE, minor_tick_line_color=None,
                major_label_text_color=QUIET, major_label_text_font_size="12px",
            )  # fmt: skip
        fig.yaxis.ticker.desired_num_ticks = 4
        fig.grid.grid_line_color = HAIRLINE
        fig.grid.grid_line_alpha = 0.5
        fig.xgrid.grid_line_color = None
        fig.outline_line_color = HAIRLINE
        return fig


def tooltip(heading: str, rows: Sequence[tuple[str, str]]) -> str:
    """What the pointer shows: a heading and named values, in the page's own ink."""
    told = "".join(f"<br>{name}: {value}" for name, value in rows)
    return f'<div style="color: {INK}; font: 13px sans-serif"><b>{heading}</b>{told}</div>'


def _figures(panel: Panel) -> str:
    """Format and unit of a panel's values."""
    decimals = "0." + "0" * panel.decimals if panel.decimals else "0"
    return f"{{{decimals}}}" + ("" if panel.key == "grade" else f" {panel.unit}")


def _legs(story: Story) -> dict[str, list[Any]]:
    start, end = story.span_s
    told: dict[str, list[Any]] = {"start": [], "end": [], "x": [], "name": [], "colour": []}
    for leg in story.readings.legs:
        if leg.name not in LEGS:
            continue
        first, last = story.since_start(leg.start_s), story.since_start(leg.end_s)
        named = (last - first) > 0.012 * len(leg.name) * (end - start)
        for key, value in zip(
            told, (first, last, (first + last) / 2, leg.name if named else "", LEGS[leg.name]), strict=True
        ):
            told[key].append(value)
    return told


def _broken(story: Story) -> dict[str, list[Any]]:
    least = _LEAST_SHOWN * (story.span_s[1] - story.span_s[0])
    told: dict[str, list[Any]] = {"start": [], "end": [], "x": [], "number": []}
    for count, event in enumerate(story.events, 1):
        onset, clean = story.onset(event), story.recovery(event)
        if onset is None or clean is None:
            continue
        end = max(clean, onset + least)
        for key, value in zip(told, (onset, end, (onset + end) / 2, str(count)), strict=True):
            told[key].append(value)
    return told


def _apart(broken: dict[str, list[Any]], span_s: tuple[float, float]) -> Any:
    """The numbers of the break-ups; those that would stand on each other as one, "4–5"."""
    from bokeh.models import ColumnDataSource

    step = 0.03 * (span_s[1] - span_s[0])
    groups: list[list[int]] = []
    for row, x in enumerate(broken["x"]):
        if groups and x - broken["x"][groups[-1][0]] < step:
            groups[-1].append(row)
        else:
            groups.append([row])
    ends = [(group[0], group[-1]) for group in groups]
    numbers = [broken["number"][a] if a == b else f"{broken['number'][a]}–{broken['number'][b]}" for a, b in ends]
    return ColumnDataSource({"x": [(broken["x"][a] + broken["x"][b]) / 2 for a, b in ends], "number": numbers})


def _in_words(panel: Panel, line: Line) -> str:
    known = np.isfinite(line.values)
    values, times = line.values[known], panel.times[known]
    unit = "" if panel.key == "grade" else f"\u00a0{panel.unit}"
    told = [
        f"{number(float(values[row]), panel.decimals)}{unit} at {clock(float(times[row]))}"
        for row in (int(np.argmin(values)), int(np.argmax(values)))
    ]
    return f"{line.name[:1].upper()}{line.name[1:]}: between {' and '.join(told)}."


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
