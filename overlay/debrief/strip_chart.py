"""The live picture's grade over time, and what each break-up looked like, as one picture that fits a phone."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from overlay.debrief.gravest import gravest, moments
from overlay.picture.breakups import Breakup, Diagnosis
from overlay.picture.impairment import GRADES
from overlay.picture.states import CLEAN, STATES

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Thumbnails = Mapping[int, NDArray[np.uint8]]

# Okabe & Ito's palette, told apart with any kind of colour vision; hatches tell them apart without any.
STYLES: Mapping[str, tuple[str, str]] = {
    "blank": ("#0072B2", ""),
    "no sync": ("#D55E00", "xx"),
    "frozen": ("#56B4E9", "--"),
    "blocks": ("#CC79A7", "++"),
    "tearing": ("#E69F00", "\\\\"),
    "sparkle": ("#F0E442", ".."),
    "noise": ("#B9B9B9", "//"),
}
_INK, _QUIET = "#1a1a1a", "#6b6b6b"
_WIDTH_IN, _DPI = 7.2, 150
_MOST_ROWS = 12
_POINTS = 2000
_HEAD_IN, _STRIP_IN, _RATIO_IN, _ROW_IN = 1.0, 2.7, 1.25, 2.35


def thumbnail_frames(diagnosis: Diagnosis) -> tuple[int, ...]:
    """Frames that `draw` would like to show: onset, worst and end of the gravest events, in order."""
    wanted = {frame for event in gravest(diagnosis, _MOST_ROWS) for _, frame in moments(event, diagnosis)}
    return tuple(sorted(wanted))


def draw(diagnosis: Diagnosis, thumbnails: Thumbnails, path: str | os.PathLike[str]) -> None:
    """Write the chart as PNG. `thumbnails`: RGB pictures (H, W, 3) by frame number; missing ones stay empty."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    events = gravest(diagnosis, _MOST_ROWS)
    clicks = bool(np.isfinite(diagnosis.link.ratio_dB).any())
    heights = [_HEAD_IN, _STRIP_IN, *([_RATIO_IN] if clicks else []), *[_ROW_IN] * len(events)]
    figure = Figure(figsize=(_WIDTH_IN, sum(heights)), dpi=_DPI, facecolor="white")
    canvas = FigureCanvasAgg(figure)
    tops = np.cumsum(heights)
    _head(figure, diagnosis, len(events), _HEAD_IN / tops[-1])
    _strip(_axes(figure, tops[1] - 0.62, _STRIP_IN - 0.8, tops[-1]), diagnosis)
    if clicks:
        _ratio(_axes(figure, tops[2] - 0.45, _RATIO_IN - 0.5, tops[-1]), diagnosis)
    for event, bottom in zip(events, tops[len(tops) - len(events) :], strict=True):
        _event(figure, event, diagnosis, thumbnails, bottom, tops[-1])
    with Path(path).open("wb") as file:
        canvas.print_png(file)  # type: ignore[no-untyped-call]  # matplotlib leaves it untyped


def _axes(figure: Figure, bottom_in: float, height_in: float, whole_in: float) -> Axes:
    # the grades' words stand on the right
    return figure.add_axes((0.09, 1.0 - bottom_in / whole_in, 0.77, height_in / whole_in))


def _head(figure: Figure, diagnosis: Diagnosis, shown: int, height: float) -> None:
    events = diagnosis.events
    lost_s = sum(event.end_s - event.onset_s for event in events)
    whole_s = len(diagnosis.grade) / float(diagnosis.frame_rate)
    heading = "The live picture never broke up" if not events else f"The live picture broke up {_times(len(events))}"
    figure.text(0.03, 1.0 - 0.2 * height, heading, fontsize=17, weight="bold", color=_INK, va="top")
    line = f"broken for {lost_s:.1f} s of {_clock(whole_s)}" if events else f"{_clock(whole_s)} looked at"
    if shown < len(events):
        line += f"; the {shown} gravest are shown below"
    figure.text(0.03, 1.0 - 0.66 * height, line, fontsize=11, color=_QUIET, va="top")


def _times(count: int) -> str:
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def _clock(seconds: float) -> str:
    minutes, rest = divmod(seconds, 60.0)
    return f"{int(minutes)}:{rest:04.1f}"


def _strip(axes: Axes, diagnosis: Diagnosis) -> None:
    time, grade = _thinned(diagnosis)
    for state, start, end in _runs(diagnosis):
        colour, hatch = STYLES[STATES[state]]
        axes.axvspan(start, end, facecolor=colour, alpha=0.55, linewidth=0)
        axes.axvspan(start, end, facecolor="none", edgecolor=_INK, alpha=0.35, hatch=hatch, linewidth=0)
    axes.plot(time, grade, color=_INK, linewidth=1.1)
    for number, event in enumerate(diagnosis.events, start=1):
        axes.plot([event.onset_s, event.onset_s], [1, 5.15], color="#D55E00", linewidth=1.2)
        axes.text(
            event.onset_s, 5.25, str(number), fontsize=10, weight="bold", color="#D55E00", ha="center", clip_on=False
        )
    axes.set_ylim(0.9, 5.15)
    axes.set_yticks(list(GRADES))
    axes.tick_params(labelsize=10, colors=_INK)
    for grade_, words in GRADES.items():
        axes.axhline(grade_, color="#dddddd", linewidth=0.7, zorder=0)
        if grade_ in (1, 3, 5):
            beside = axes.get_yaxis_transform()
            axes.text(1.01, grade_, words.replace(" ", "\n"), fontsize=9, color=_QUIET, va="center", transform=beside)
    axes.set_ylabel("grade", fontsize=10, color=_INK)
    _time_axis(axes, diagnosis)
    _legend(axes, diagnosis)


def _thinned(diagnosis: Diagnosis) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The grade's lowest and highest value in each bin, so that no dip is lost however long the recording."""
    time, grade = diagnosis.features.time_s, diagnosis.grade
    if len(grade) <= _POINTS:
        return time, grade
    bins = np.array_split(np.arange(len(grade)), _POINTS // 2)
    pick = np.array([sorted((int(b[np.argmin(grade[b])]), int(b[np.argmax(grade[b])]))) for b in bins]).ravel()
    return time[pick], grade[pick]


def _runs(diagnosis: Diagnosis) -> list[tuple[int, float, float]]:
    """(state, start, end) of each run of a broken state; short ones widened until they can be seen."""
    state, time = diagnosis.state, diagnosis.features.time_s
    if not len(state):
        return []
    frame = 1.0 / float(diagnosis.frame_rate)
    starts = np.flatnonzero(np.concatenate([[True], np.diff(state) != 0]))
    ends = np.append(starts[1:], len(state)) - 1
    least = (time[-1] - time[0]) / 400.0
    return [
        (int(state[a]), float(time[a]), max(float(time[b]) + frame, float(time[a]) + least))
        for a, b in zip(starts, ends, strict=True)
        if state[a] != CLEAN
    ]


def _ratio(axes: Axes, diagnosis: Diagnosis) -> None:
    time, (ratio, low, high) = diagnosis.features.time_s, diagnosis.link
    told = np.isfinite(ratio)
    axes.vlines(time[told], low[told], high[told], color="#CFE3F0", linewidth=1.5)
    axes.plot(time, ratio, ".", color="#0072B2", markersize=3)
    axes.axhline(10.0, color=_QUIET, linewidth=0.8, linestyle="--")
    axes.text(0.005, 10.3, "FM threshold", fontsize=8, color=_QUIET, transform=axes.get_yaxis_transform())
    axes.set_ylim(1.5, 14.5)
    axes.set_yticks([5, 7.5, 10])
    axes.tick_params(labelsize=10, colors=_INK)
    axes.set_ylabel("C/N, dB", fontsize=10, color=_INK)
    _time_axis(axes, diagnosis)


def _time_axis(axes: Axes, diagnosis: Diagnosis) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    time = diagnosis.features.time_s
    if len(time) > 1:
        axes.set_xlim(float(time[0]), float(time[-1]))
    steps = [1, 1.5, 2, 3, 5, 6, 10]
    axes.xaxis.set_major_locator(MaxNLocator(6, steps=steps))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda seconds, _: f"{int(seconds) // 60}:{int(seconds) % 60:02d}"))
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _legend(axes: Axes, diagnosis: Diagnosis) -> None:
    from matplotlib.patches import Patch

    present = [STATES[state] for state in np.unique(diagnosis.state) if state != CLEAN]
    handles: list[Any] = [
        Patch(facecolor=STYLES[name][0], hatch=STYLES[name][1], edgecolor="#555555", linewidth=0.3, label=name)
        for name in present
    ]
    if handles:
        axes.legend(
            handles=handles, loc="upper center", bbox_to_anchor=(0.5, -0.13), ncols=len(handles), fontsize=10,
            frameon=False, handlelength=1.6, columnspacing=1.2,
        )  # fmt: skip


def _event(
    figure: Figure, event: Breakup, diagnosis: Diagnosis, thumbnails: Thumbnails, bottom_in: float, whole_in: float
) -> None:
    number = diagnosis.events.index(event) + 1
    top = 1.0 - (bottom_in - _ROW_IN + 0.08) / whole_in
    figure.text(0.03, top, f"{number}", fontsize=14, weight="bold", color="#D55E00", va="top")
    figure.text(0.075, top, _sentence(event), fontsize=11.5, color=_INK, va="top")
    figure.text(0.075, top - 0.21 / whole_in, _certainty(event), fontsize=9, color=_QUIET, va="top")
    for k, (words, frame) in enumerate(moments(event, diagnosis)):
        axes = figure.add_axes(
            (0.03 + 0.318 * k, 1.0 - (bottom_in - 0.08) / whole_in, 0.308, (_ROW_IN - 0.66) / whole_in)
        )
        caption = f"{words}  {_clock(float(diagnosis.features.time_s[frame]))}  grade {diagnosis.grade[frame]:.1f}"
        _thumbnail(axes, thumbnails.get(frame), caption)


def _sentence(event: Breakup) -> str:
    text = f"{event.kind}, {_clock(event.onset_s)} to {_clock(event.end_s)}, worst grade {event.worst_grade:.1f}"
    if event.carrier_to_noise_dB is not None:
        text += f", C/N down to {event.carrier_to_noise_dB:.1f} dB"
    return text[0].upper() + text[1:]


def _certainty(event: Breakup) -> str:
    text = "onset between {:.2f} and {:.2f} s".format(*event.onset_interval_s)
    if event.carrier_to_noise_interval_dB is not None:
        text += ", C/N between {:.1f} and {:.1f} dB".format(*event.carrier_to_noise_interval_dB)
    return f"{text} (95 %)"


def _thumbnail(axes: Axes, picture: NDArray[np.uint8] | None, caption: str) -> None:
    axes.set_axis_off()
    if picture is None:
        axes.text(0.5, 0.5, "no picture", fontsize=10, color=_QUIET, ha="center", transform=axes.transAxes)
    else:
        axes.imshow(picture, interpolation="antialiased")
        axes.set_anchor("NW")
    axes.text(0.0, 1.03, caption, fontsize=9, color=_INK, transform=axes.transAxes)
