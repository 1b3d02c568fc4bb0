"""The evidence of a comparison as one picture: every flight's curves against range, and every flight's figure in dB."""

from __future__ import annotations

import os
import textwrap
import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from overlay.debrief.colours import BLUE, INK, QUIET, VERMILION
from overlay.debrief.comparison import details, headline
from overlay.radio.range_curves import Curve
from overlay.radio.several_flights import Compared, LinkCompared
from overlay.radio.usual import Figure as Figured

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Floats = NDArray[np.float64]

_MARKERS = "osv^<>pPhX*d"
_BIN_DB, _LEAST_WINDOWS, _NEIGHBOURS = 1.5, 3, 2
_WIDTH_IN, _HEAD_IN, _ROW_IN, _BARE_HEAD_IN = 13.0, 1.25, 3.5, 0.8
_MOST_NAMES, _MOST_LINES = 14, 4
_LONGEST = 17


def draw(links: Sequence[LinkCompared], names: Sequence[str], this: int, path: str | os.PathLike[str]) -> None:
    """Write the picture as PNG: for each link its verdict, curves against range, and every flight's figure in dB."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    heights = [_HEAD_IN + _ROW_IN if link.measures else _BARE_HEAD_IN for link in links]
    whole = sum(heights)
    figure = Figure(figsize=(_WIDTH_IN, whole), dpi=110, facecolor="white")
    canvas = FigureCanvasAgg(figure)
    top = whole
    for link, height in zip(links, heights, strict=True):
        _words(figure, link, top, whole)
        if link.measures:
            _row(figure, link, (top - height + 0.6) / whole, (_ROW_IN - 0.8) / whole, names, this)
        top -= height
    with Path(path).open("wb") as file, warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph")  # a title may be in letters that the font lacks
        canvas.print_png(file)  # type: ignore[no-untyped-call]  # matplotlib leaves it untyped


def _row(figure: Figure, link: LinkCompared, bottom: float, tall: float, names: Sequence[str], this: int) -> None:
    """Up to two measures' curves, the verdict's own among them, and the figures that the verdict rests on."""
    drawn = [one for one in link.measures if any(curve is not None for curve in one.curves)]
    drawn = sorted(drawn, key=lambda one: one is not link.chosen)[:2]
    wide = 0.62 / max(len(drawn), 1) - 0.045
    for column, one in enumerate(drawn):
        _curves(figure.add_axes((0.055 + column * (wide + 0.045), bottom, wide, tall)), one, this)
    if link.chosen is not None:
        _figures(figure.add_axes((0.755, bottom, 0.23, tall)), link.chosen, names, this)


def _words(figure: Figure, link: LinkCompared, top_in: float, whole_in: float) -> None:
    colour = {"worse": VERMILION, "better": BLUE}.get(link.verdict, INK)
    verdict, colon, why = headline(link).partition("not told: ")
    heading = verdict + colon.removesuffix(": ")
    figure.text(0.02, (top_in - 0.14) / whole_in, heading, fontsize=13.5, weight="bold", color=colour, va="top")
    sentences = [*([why[:1].upper() + why[1:]] if why else []), *details(link)]
    lines = [line for told in sentences for line in textwrap.wrap(told, 165)][:_MOST_LINES]
    figure.text(
        0.02, (top_in - 0.42) / whole_in, "\n".join(lines), fontsize=9.5, color=QUIET, va="top", linespacing=1.35
    )


def _curves(axes: Axes, one: Compared, this: int) -> None:
    measure = one.measure
    axes.set_title(f"{measure.words[:1].upper()}{measure.words[1:]} against range", fontsize=10.5, loc="left")
    for number, curve in enumerate(one.curves):
        if curve is None:
            continue
        distance, value = _thinned(curve)
        if number == this:
            axes.plot(distance, value, color=VERMILION, lw=2.6, marker="D", ms=6.5, mec="white", mew=0.8, zorder=3)
        else:
            marker = _MARKERS[number % len(_MARKERS)]
            axes.plot(distance, value, color=BLUE, alpha=0.55, lw=0.9, marker=marker, ms=3.6, zorder=2)
    axes.set_xscale("log")
    _kilometres(axes)
    axes.set_xlabel("slant range, km (near-level flight)")
    axes.set_ylabel(measure.unit)
    if measure.limits is not None:
        room = 0.05 * (measure.limits[1] - measure.limits[0])
        axes.set_ylim(measure.limits[0] - room, measure.limits[1] + room)
    _plain(axes, "both")


def _kilometres(axes: Axes) -> None:
    from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

    axes.xaxis.set_major_locator(LogLocator(10.0, (1.0, 2.0, 5.0)))
    axes.xaxis.set_minor_locator(LogLocator(10.0, tuple(np.arange(1.0, 10.0))))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda km, _: f"{km:g}"))
    axes.xaxis.set_minor_formatter(NullFormatter())


def _thinned(curve: Curve) -> tuple[Floats, Floats]:
    """Range in km and median of what was seen, bin of range by bin; NaN between bins that are no neighbours."""
    slot = np.floor(curve.distance_dB / _BIN_DB).astype(int)
    distance, value, last = [], [], None
    for number in np.unique(slot):
        inside = slot == number
        if np.count_nonzero(inside) < _LEAST_WINDOWS:
            continue
        if last is not None and number > last + _NEIGHBOURS:
            distance.append(np.nan)
            value.append(np.nan)
        distance.append(10.0 ** (float(np.median(curve.distance_dB[inside])) / 20.0))
        value.append(float(np.median(curve.value[inside])))
        last = number
    return np.array(distance), np.array(value)


def _figures(axes: Axes, one: Compared, names: Sequence[str], this: int) -> None:
    known = [n for n, figure in enumerate(one.figures) if np.isfinite(figure.dB)]
    if not known:
        _nothing(axes, "no flight has a figure")
        return
    axes.set_title("Each flight's figure", fontsize=10.5, loc="left")
    zero = _mean_of_others(one, this)
    shown = _telling(known, this)
    for row, number in enumerate(shown):
        _figure(axes, one.figures[number], row, zero, number, number == this)
    usual = one.judgement.usual_dB
    axes.set_xlabel("dB against the mean of the others")
    if np.isfinite(usual):
        axes.axvspan(-usual, usual, facecolor="#eef1f3", edgecolor="#b9c0c6", hatch="///", lw=0, zorder=0)
        axes.set_xlabel("dB against the others (19 of 20 are hatched)")
    axes.axvline(0.0, color=QUIET, lw=0.9, zorder=1)
    axes.set_yticks(range(len(shown)), [_short(names[n]) for n in shown], fontsize=9)
    for label, number in zip(axes.get_yticklabels(), shown, strict=True):
        label.set_color(VERMILION if number == this else INK)
        label.set_fontweight("bold" if number == this else "normal")
        label.set_parse_math(False)  # a title may hold any sign
    axes.set_ylim(-0.7, len(shown) - 0.3)
    _plain(axes, "x")


def _figure(axes: Axes, figure: Figured, row: int, zero_dB: float, number: int, ours: bool) -> None:
    """One flight's figure with its 95 % interval; an arrow to the right where it is only a lower bound."""
    colour, marker = (VERMILION, "D") if ours else (BLUE, _MARKERS[number % len(_MARKERS)])
    offset = figure.dB - zero_dB
    if figure.at_least:
        arrow = {"arrowstyle": "->", "color": colour, "lw": 1.6}
        axes.annotate("", (offset + 2.0, row), (offset, row), arrowprops=arrow)
        axes.plot([offset, offset + 2.0], [row, row], marker="|", color=colour, ms=9, mew=1.8, lw=0, markevery=[0])
    else:
        size = 8 if ours else 5
        half = 1.96 * figure.sigma_dB
        axes.errorbar(offset, row, xerr=half, fmt=marker, ms=size, color=colour, lw=1.4, capsize=2)


def _mean_of_others(one: Compared, this: int) -> float:
    others = [figure.dB for n, figure in enumerate(one.figures) if n != this and figure.known]
    return float(np.mean(others)) if others else float(np.nanmean([figure.dB for figure in one.figures]))


def _telling(known: list[int], this: int) -> list[int]:
    """The flights that have room, the one in question lowest."""
    others = [n for n in known if n != this][-(_MOST_NAMES - 1) :]
    return ([this] if this in known else []) + others


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST else f"{name[: _LONGEST - 1]}…"


def _nothing(axes: Axes, words: str) -> None:
    axes.text(0.5, 0.5, words, ha="center", va="center", color=QUIET, transform=axes.transAxes)
    axes.set_xticks([])
    axes.set_yticks([])


def _plain(axes: Axes, grid: str) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(axis=grid, color="#e6e6e6", lw=0.7)  # type: ignore[arg-type]  # one of the three words it takes
    axes.set_axisbelow(True)
