"""One picture from which a pilot can trust or distrust an alignment."""

from __future__ import annotations

import os
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from overlay.alignment.result import Alignment
from overlay.clock import format_utc

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Okabe & Ito's palette, told apart with any kind of colour vision.
BLUE, ORANGE, GREEN, RED, GREY = "#0072B2", "#E69F00", "#009E73", "#D55E00", "#6b6b6b"
NEAR_MIDDLE = 0.1  # of a picture's height: what is read out meanwhile is less than the interval allows for
CHANNELS = ("roll", "pitch", "yaw")


def draw(alignment: Alignment, path: str | os.PathLike[str]) -> None:
    """Write the evidence as one PNG: both signals at the solution, every offset tried, what each stretch says, the verdict."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    canvas = FigureCanvasAgg(figure_of(alignment))
    with Path(path).open("wb") as file:
        canvas.print_png(file)  # type: ignore[no-untyped-call]  # matplotlib leaves it untyped


def figure_of(alignment: Alignment) -> Figure:
    """The evidence as a figure, as tall as its words ask for."""
    from matplotlib.figure import Figure

    lines = [line for sentence in sentences(alignment) for line in textwrap.wrap(sentence, 150)]
    more = max(0, len(lines) - 6)
    figure = Figure(figsize=(12, 9.4 + 0.3 * more), dpi=110, facecolor="white")
    grid = figure.add_gridspec(
        4,
        1,
        height_ratios=(1.15 + 0.24 * more, 2.0, 1.7, 1.7),
        hspace=0.62,
        left=0.075,
        right=0.975,
        top=0.985,
        bottom=0.06,
    )
    _words(figure.add_subplot(grid[0]), alignment, lines)
    _signals(figure.add_subplot(grid[1]), alignment)
    _offsets(figure.add_subplot(grid[2]), alignment)
    _windows(figure.add_subplot(grid[3]), alignment)
    return figure


def _words(axes: Axes, alignment: Alignment, lines: list[str]) -> None:
    axes.set_axis_off()
    colour = {"sure": GREEN, "ambiguous": ORANGE, "none": RED}[alignment.verdict]
    heading = f"{alignment.recording} on {alignment.reference}: {alignment.verdict}"
    axes.text(0, 1.0, heading, fontsize=17, weight="bold", color=colour, va="top", transform=axes.transAxes)
    axes.annotate(
        "\n".join(lines), (0, 1), (0, -26), "axes fraction", "offset points", fontsize=10, va="top", linespacing=1.45
    )


def sentences(alignment: Alignment) -> list[str]:
    """The result in plain words."""
    told = []
    if alignment.verdict == "sure" and alignment.best is not None and alignment.pin is None:
        told.append(
            f"The recording begins at {_moment(alignment.best.offset_s, alignment.keeps_utc)}, "
            f"known to ± {1000 * alignment.half_interval_at(0.0):.0f} ms (95 %), and to ± "
            f"{1000 * alignment.half_interval_s:.0f} ms in the middle of {_span(alignment.overlap_s)} of common flight."
        )
        if alignment.interval_in_words:
            told.append(f"There it is {alignment.interval_in_words}.")
        drift = alignment.drift_ppm
        told.append(
            "The flight is too short or too calm to tell how far the two clocks drift apart."
            if drift is None
            else f"The two clocks drift apart by {f'{drift:.0f}'.replace('-', '−')} ± "
            f"{1.96 * alignment.drift_sigma_ppm:.0f} parts in a million."
        )
    elif alignment.verdict != "sure":
        told.append("Not safe to use: " + ("; ".join(alignment.reasons) or "nothing was found") + ".")
    told += [*_of_several(alignment.evidence), *_votes(alignment.evidence)]
    if alignment.pin is not None:
        gap = alignment.pin.from_computed_s
        told.insert(
            0,
            "Set by hand"
            + (
                f", {gap:+.2f} s from the computed clock."
                if np.isfinite(gap)
                else "; there is no computed clock to compare."
            ),
        )
    return told


def _of_several(evidence: Any) -> list[str]:
    """Which flight of the log it is held against here, and how the others do."""
    if "flights" not in evidence:
        return []
    scores = {each["flight"]: each["score"] for each in evidence["flights"]}
    best = max(scores.pop(evidence["flight"], 0.0), 1e-9)
    others = [f"flight {number} {np.sqrt(score / best):.0%}" for number, score in scores.items()]
    told = f"The track is flight {evidence['flight']} of its log"
    return [f"{told}; how well the others match, of that: {', '.join(others)}." if others else f"{told}."]


def _votes(evidence: Any) -> list[str]:
    if "windows_asked" not in evidence:
        return []
    agreement = ", ".join(f"{name} {value:.2f}" for name, value in evidence["agreement"].items())
    told = [
        f"{evidence['windows_agreeing']} of the {evidence['windows_asked']} stretches that turn enough agree. "
        f"Correlation at the solution: {agreement}."
    ]
    if evidence.get("moments_s"):
        seen = ", ".join(
            f"{kind} {lag:+.1f} ± {1.96 * sigma:.1f} s" for kind, (lag, sigma) in evidence["moments_s"].items()
        )
        told.append(f"From standing to moving and back, apart in picture and track: {seen}.")
    if "closure_s" in evidence:
        told.append(
            f"Both recordings and the track, each compared with each, close to {1000 * abs(evidence['closure_s']):.0f} ms."
        )
    if "through" in evidence:
        told.append(
            f"By itself that is no answer: it is told through the other pairs, by way of the {evidence['through']}."
        )
    row = evidence.get("clock_row")
    if row is not None and abs(row - 0.5) > NEAR_MIDDLE:
        told.append(
            f"The clock is that of the rows {100 * row:.0f} % down the picture, where what was followed lay: a shutter that "
            f"reads row by row, in 10 to 30 ms, exposes the middle up to {30 * abs(row - 0.5):.0f} ms before or after."
        )
    if evidence["offset_kind"].startswith("effective"):
        told.append(
            "Any delay of the log itself (a receiver's velocity: 0.1 to 0.25 s as a rule) is part of this offset and "
            "cannot be told from it."
        )
    return told


def _legend(axes: Axes) -> None:
    """On the title's line, where no curve can run through it."""
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 0.985), frameon=False, ncols=3, fontsize=9, borderaxespad=0)


def _signals(axes: Axes, alignment: Alignment) -> None:
    traces = alignment.traces
    axes.set_title(
        "Turning, at the best offset: the track's and the picture's must lie on each other", fontsize=10.5, loc="left"
    )
    if not len(traces.time_s):
        _nothing(axes, "nothing to lay over each other")
        return
    agreement = alignment.evidence.get("agreement", {"yaw": 1.0})
    channel = CHANNELS.index(max(agreement, key=agreement.get))
    inside = _busiest(traces.time_s, traces.reference[:, channel])
    seconds = traces.time_s[inside] - traces.time_s[0]
    axes.plot(
        *_broken(seconds, np.degrees(traces.reference[inside, channel])),
        color=ORANGE,
        lw=3.2,
        label=f"{alignment.reference}: {CHANNELS[channel]}",
    )
    axes.plot(
        *_broken(seconds, np.degrees(traces.recording[inside, channel])),
        color=BLUE,
        lw=1.2,
        label=f"{alignment.recording}: {CHANNELS[channel]}",
    )
    axes.set_ylabel("°/s")
    axes.set_xlabel("seconds into the common part of the flight (its busiest two minutes)")
    _legend(axes)
    _plain(axes)


def _offsets(axes: Axes, alignment: Alignment) -> None:
    traces = alignment.traces
    axes.set_title("Every offset tried: one peak must stand alone", fontsize=10.5, loc="left")
    if not len(traces.lag_s) or not alignment.candidates:
        _nothing(axes, "no offset correlates" if len(traces.lag_s) else "no offset was tried")
        return
    best = alignment.candidates[0].offset_s
    shown = traces.score > 0
    axes.plot((traces.lag_s[shown] - best) / 60, np.sqrt(traces.score[shown]), color=GREY, lw=0.8)
    colour = GREEN if alignment.verdict == "sure" else GREY  # the highest of many is no good one
    axes.plot(0, np.sqrt(alignment.candidates[0].score), "o", color=colour, ms=8, label="best")
    if len(alignment.candidates) > 1:
        rival = alignment.candidates[1]
        label = f"rival, {rival.offset_s - best:+.0f} s away, {alignment.rival_ratio or 0:.0%} as high"
        axes.plot((rival.offset_s - best) / 60, np.sqrt(rival.score), "v", color=RED, ms=8, label=label)
    axes.set_xlabel("minutes from the best offset")
    axes.set_ylabel("match")
    axes.set_ylim(bottom=0)
    _legend(axes)
    _plain(axes)


def _windows(axes: Axes, alignment: Alignment) -> None:
    traces = alignment.traces
    axes.set_title(
        "What each stretch of the flight says: points must scatter about the line", fontsize=10.5, loc="left"
    )
    if not len(traces.window_s):
        _nothing(axes, "no stretch has a say")
        return
    minutes = (traces.window_s - traces.time_s[0]) / 60
    telling = traces.window_sigma_s < 5 * np.median(traces.window_sigma_s)
    lag, sigma = 1000 * traces.window_lag_s, 1000 * traces.window_sigma_s
    axes.errorbar(
        minutes[telling],
        lag[telling],
        2 * sigma[telling],
        fmt="o",
        ms=4,
        color=BLUE,
        ecolor="#9cc5de",
        lw=1,
        label="stretch, ± 2σ",
    )
    axes.axhline(0, color=ORANGE, lw=1.6, label="fitted clock")
    reach = 1.3 * float(np.percentile(np.abs(lag[telling]) + 2 * sigma[telling], 90)) + 1
    if alignment.best is not None and np.isfinite(alignment.half_interval_s):
        left, right = axes.get_xlim()
        edges = np.linspace(left, right, 50)
        shown_s = alignment.best.to_recording(traces.time_s[0] + 60 * edges)
        half = np.array([1000 * alignment.half_interval_at(float(at)) for at in shown_s])
        axes.fill_between(edges, -half, half, color=ORANGE, alpha=0.22, lw=0, label="95 % interval")
        axes.set_xlim(left, right)
        reach = max(reach, 1.2 * float(half.max()))
    axes.set_ylim(-reach, reach)
    axes.set_xlabel("minutes into the common part of the flight")
    axes.set_ylabel("ms late")
    _legend(axes)
    _plain(axes)


def _busiest(times: Any, values: Any, span_s: float = 120.0) -> Any:
    """Mask of the stretch of `span_s` with the most motion."""
    power = np.concatenate(([0.0], np.cumsum(np.nan_to_num(values) ** 2)))
    end = np.searchsorted(times, times + span_s)
    start = int(np.argmax(power[end] - power[:-1]))
    return slice(start, int(end[start]))


def _broken(times: Any, values: Any) -> tuple[Any, Any]:
    """The line lifted across gaps."""
    gap = np.flatnonzero(np.diff(times) > 3 * np.median(np.diff(times))) + 1 if len(times) > 2 else np.zeros(0, int)
    return np.insert(times, gap, np.nan), np.insert(values, gap, np.nan)


def _nothing(axes: Axes, words: str) -> None:
    axes.text(0.5, 0.5, words, ha="center", va="center", color=GREY, transform=axes.transAxes)
    axes.set_xticks([])
    axes.set_yticks([])


def _plain(axes: Axes) -> None:
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(axis="y", color="#e6e6e6", lw=0.7)
    axes.set_axisbelow(True)
    axes.margins(x=0.01)


def _moment(seconds: float, keeps_utc: bool) -> str:
    return format_utc(seconds) if keeps_utc else f"{seconds:.3f} s of the reference"


def _span(seconds: float) -> str:
    return f"{seconds / 60:.1f} min" if seconds >= 90 else f"{seconds:.0f} s"
