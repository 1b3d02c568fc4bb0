"""From features to findings: when the live picture broke up, how badly, in which way, and back again when."""

from __future__ import annotations

import csv
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from fractions import Fraction
from typing import Any, TextIO

import numpy as np
from numpy.typing import NDArray

from overlay.picture import onsets
from overlay.picture.carrier import LinkRatio, link_ratio
from overlay.picture.clean_part import Baseline, baseline, missing_figures
from overlay.picture.features import Features, in_studio_range
from overlay.picture.impairment import grade_of, signal_to_noise_dB
from overlay.picture.states import (
    ANNOYING_GRADE,
    CLEAN,
    STATES,
    concealed_rms,
    error_rms,
    evidence,
    likeliest,
    shares,
)

Floats = NDArray[np.float64]

_MERGE_s = 1.0
_SHORTEST_FRAMES = 2
_LOST = tuple(STATES.index(name) for name in ("blank", "no sync", "frozen"))


@dataclass(frozen=True)
class Breakup:
    """One break-up. `end_frame`, `end_s`: the first clean frame; `onset_interval_s` holds the onset with 95 %.

    `carrier_to_noise_dB`: the lowest ratio told, between 5 and 10 dB, and the interval that holds that frame's with 95 %;
    None where none is told. `at` and `causes` are filled in by those who know the flight.
    """

    onset_frame: int
    end_frame: int
    onset_s: float
    end_s: float
    onset_interval_s: tuple[float, float]
    kind: str
    worst_grade: float
    worst_frame: int
    carrier_to_noise_dB: float | None = None
    at: Mapping[str, float | None] | None = None
    causes: Sequence[Mapping[str, object]] | None = None
    carrier_to_noise_interval_dB: tuple[float, float] | None = None

    def as_json(self) -> dict[str, Any]:
        """The event as results are published."""
        return {
            "onset_frame": self.onset_frame,
            "end_frame": self.end_frame,
            "onset_s": round(self.onset_s, 4),
            "end_s": round(self.end_s, 4),
            "onset_interval_s": [round(bound, 4) for bound in self.onset_interval_s],
            "kind": self.kind,
            "worst_grade": round(self.worst_grade, 2),
            "carrier_to_noise_dB": None if self.carrier_to_noise_dB is None else round(self.carrier_to_noise_dB, 1),
            "carrier_to_noise_interval_dB": _rounded(self.carrier_to_noise_interval_dB),
            "at": None if self.at is None else dict(self.at),
            "causes": None if self.causes is None else [dict(cause) for cause in self.causes],
        }


def _rounded(interval: tuple[float, float] | None) -> list[float] | None:
    return None if interval is None else [round(bound, 1) for bound in interval]


@dataclass(frozen=True)
class Diagnosis:
    """The live picture frame by frame: `grade` (N,) 1 … 5, `state` (N,) as index into `states.STATES`, and the events."""

    frame_rate: Fraction
    features: Features
    grade: Floats
    state: NDArray[np.intp]
    link: LinkRatio
    events: tuple[Breakup, ...]

    def as_json(self, recording: str = "ground", series: str | None = None) -> dict[str, Any]:
        """The result as published: schema overlay/breakups, version 1."""
        return {
            "schema": "overlay/breakups",
            "version": 1,
            "recording": recording,
            "frame_rate": f"{self.frame_rate.numerator}/{self.frame_rate.denominator}",
            "frames": len(self.grade),
            "series": series,
            "events": [event.as_json() for event in self.events],
        }


def find_breakups(features: Features, *, frame_rate: Fraction | float, full_range: bool = False) -> Diagnosis:
    """Grade every frame and find the events; `frame_rate` in Hz is the recording's nominal one.

    `full_range`: whether the recording codes black as 0 and white as 255, not as 16 and 235.
    """
    rate = Fraction(frame_rate).limit_denominator(1001)
    if rate <= 0:
        raise ValueError(f"frame_rate is {frame_rate}, wanted more than 0 Hz")
    if full_range:
        features = in_studio_range(features)
    clean = baseline(features)
    state = likeliest(shares(evidence(features, clean, float(rate))), float(rate))
    grade = _grades(features, clean, state, float(rate))
    state = onsets.reached_back(state, grade, missing_figures(features, clean), float(rate))
    grade = _grades(features, clean, state, float(rate))
    link = link_ratio(features, clean, float(rate)).only(~np.isin(state, _LOST))
    broken = state != CLEAN
    spans = [
        (onsets.first_annoying(grade, start, end), end)
        for start, end in _spans(broken | onsets.annoying(grade), round(_MERGE_s * float(rate)))
        if broken[start:end].any() and grade[start:end].min() < ANNOYING_GRADE
    ]
    before = [0, *(end for _, end in spans)]
    events = tuple(
        _event(features, grade, state, link, *each, 1 / float(rate)) for each in zip(spans, before[:-1], strict=True)
    )
    return Diagnosis(rate, features, grade, state, link, events)


def _grades(features: Features, clean: Baseline, state: NDArray[np.intp], frame_rate: float) -> Floats:
    """Grade (N,) of each frame by its error, and by what its state (N,) says besides."""
    error, blocks = error_rms(features, clean, frame_rate), state == STATES.index("blocks")
    error = np.where(blocks, np.hypot(error, concealed_rms(features, clean)), error)
    return np.where(np.isin(state, _LOST), 1.0, grade_of(signal_to_noise_dB(error)))


def _spans(broken: NDArray[np.bool_], merge: int) -> list[tuple[int, int]]:
    """First and one past last frame of each break-up; shorter gaps than `merge` frames are bridged."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], broken.astype(int), [0]])))
    spans: list[tuple[int, int]] = []
    for start, end in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if spans and start - spans[-1][1] < merge:
            spans[-1] = (spans[-1][0], end)
        else:
            spans.append((start, end))
    return [(start, end) for start, end in spans if end - start >= _SHORTEST_FRAMES]


def _event(
    features: Features,
    grade: Floats,
    state: NDArray[np.intp],
    link: LinkRatio,
    span: tuple[int, int],
    before: int,
    frame_s: float,
) -> Breakup:
    time, (start, end) = features.time_s, span
    inside = slice(start, end)
    lost = 5.0 - grade[inside]
    weight = np.bincount(state[inside], weights=lost + 1e-6, minlength=len(STATES))[:CLEAN]
    kind = STATES[int(np.argmax(weight))]
    worst = _worst(grade, state, start, end)
    lowest = link.lowest(start, end)
    return Breakup(
        onset_frame=start,
        end_frame=end,
        onset_s=float(time[start]),
        end_s=float(time[end]) if end < len(time) else float(time[-1] + frame_s),
        onset_interval_s=onsets.interval(time, grade, span, before, kind, frame_s),
        kind=kind,
        worst_grade=float(grade[worst]),
        worst_frame=worst,
        carrier_to_noise_dB=None if lowest is None else float(link.ratio_dB[lowest]),
        carrier_to_noise_interval_dB=None if lowest is None else link.interval(lowest),
    )


def _worst(grade: Floats, state: NDArray[np.intp], start: int, end: int) -> int:
    """The frame that shows a break-up best: of the frames of the lowest grade those of the gravest state, their middle one.

    Nothing is graded below 1, and a picture is often lost some frames after the first that is graded so.
    """
    lowest = start + np.flatnonzero(grade[start:end] <= grade[start:end].min())
    gravest = lowest[state[lowest] == state[lowest].min()]
    return int(gravest[len(gravest) // 2])


def write_series(diagnosis: Diagnosis, file: TextIO) -> None:
    """Write one CSV row per frame: frame, time_s, grade, state, and the features. Unknown is an empty cell."""
    measured = [field.name for field in fields(Features) if field.name != "time_s"]
    writer = csv.writer(file, lineterminator="\n")
    ratios = ["carrier_to_noise_dB", "carrier_to_noise_low_dB", "carrier_to_noise_high_dB"]
    writer.writerow(["frame", "time_s", "grade", "state", *ratios, *measured])
    columns = [*diagnosis.link, *(getattr(diagnosis.features, name) for name in measured)]
    for frame, (time, grade, state) in enumerate(
        zip(diagnosis.features.time_s, diagnosis.grade, diagnosis.state, strict=True)
    ):
        cells = ["" if np.isnan(value) else f"{value:.4g}" for value in (column[frame] for column in columns)]
        writer.writerow([frame, f"{time:.4f}", f"{grade:.2f}", STATES[state], *cells])
