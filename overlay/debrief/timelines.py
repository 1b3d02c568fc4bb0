"""The flight on one time axis: linked figures of motion, charge, wind, links and picture, with break-ups shaded."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from overlay.debrief.colours import HAIRLINE, INK, LEGS, LETTERING, QUIET, VERMILION
from overlay.debrief.panel import Panel
from overlay.debrief.story import Story
from overlay.debrief.thinning import telling_rows

if TYPE_CHECKING:
    from bokeh.models import Plot

_LEAST_SHOWN = 1 / 500  # of the axis: shorter break-ups are drawn that wide


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
        if panel.band is not None:
            data |= {"low": panel.band[0][rows].astype(np.float32), "high": panel.band[1][rows].astype(np.float32)}
            source.data = data
            fig.varea("t", "low", "high", source=source, fill_color=panel.lines[0].colour, fill_alpha=0.16)
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
