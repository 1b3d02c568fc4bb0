"""All that a debrief tells, gathered: the page is made from this and from nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from overlay.alignment.result import Alignment
from overlay.clock import AffineClock
from overlay.mechanics.findings import Findings
from overlay.picture.breakups import Breakup, Diagnosis
from overlay.picture.resampling import worst_around
from overlay.radio.explain import Explanation
from overlay.readings import Readings

Floats = NDArray[np.float64]

WORTH_SAYING_S = 5.0
"""A silence of the log in flight that is told; shorter ones are nothing to look for."""


@dataclass(frozen=True)
class Story:
    """One flight's findings and the pictures that go with them.

    `ground_clock` maps the ground recording to the flight clock, None where that is not known. `evidence` holds a PNG
    by recording name, `thumbnails` a JPEG by frame number of the ground recording. `explanation` is of the live
    picture's link, or `not_explained` says why there is none; `control` and `control_not_explained` likewise of the
    control link. `files` are (what it is, its name); `remarks` sentences
    on damage and on what could not be done.
    """

    title: str
    readings: Readings
    findings: Findings
    diagnosis: Diagnosis | None = None
    ground_clock: AffineClock | None = None
    alignments: tuple[Alignment, ...] = ()
    evidence: Mapping[str, bytes] = field(default_factory=dict)
    thumbnails: Mapping[int, bytes] = field(default_factory=dict)
    explanation: Explanation | None = None
    not_explained: str = ""
    files: tuple[tuple[str, str], ...] = ()
    remarks: tuple[str, ...] = ()
    control: Explanation | None = None
    control_not_explained: str = ""

    @property
    def events(self) -> tuple[Breakup, ...]:
        """The break-ups, in order of time."""
        return self.diagnosis.events if self.diagnosis is not None else ()

    @cached_property
    def zero_s(self) -> float:
        """Where the page counts its times from, on the flight clock: the launch, else the first row of the log."""
        launched = [event.time_s for event in self.readings.events if event.kind == "launch"]
        if launched:
            return launched[0]
        return float(self.readings.time_s[0]) if len(self.readings) else 0.0

    @property
    def counts_from(self) -> str:
        """The same in words."""
        if any(event.kind == "launch" for event in self.readings.events):
            return "after launch"
        return "into the log" if len(self.readings) else "into the recording"

    def since_start(self, time_s: float) -> float:
        """Seconds of the page's time at a moment of the flight clock."""
        return time_s - self.zero_s

    def onset(self, event: Breakup) -> float | None:
        """When a break-up began, in the page's time; None where the recording's clock is not known."""
        if self.ground_clock is not None:
            return self.since_start(self.ground_clock.to_reference(event.onset_s))
        return event.onset_s if not len(self.readings) else None

    def recovery(self, event: Breakup) -> float | None:
        """When a break-up was over, in the page's time."""
        onset = self.onset(event)
        return None if onset is None else onset + event.end_s - event.onset_s

    @cached_property
    def grade(self) -> tuple[Floats, Floats]:
        """Times of the page (N,) and grades (N,) of the live picture; empty where they cannot be put on its axis."""
        if self.diagnosis is None:
            return np.zeros(0), np.zeros(0)
        times = self.diagnosis.features.time_s
        if self.ground_clock is not None:
            return self.ground_clock.to_reference(times) - self.zero_s, self.diagnosis.grade
        if len(self.readings):
            return np.zeros(0), np.zeros(0)
        return times, self.diagnosis.grade

    @cached_property
    def span_s(self) -> tuple[float, float]:
        """First and last moment worth showing, in the page's time: the flight, or the whole log where none is seen."""
        flown = [leg for leg in self.readings.legs if leg.name != "on the ground"]
        if flown:
            return self.since_start(flown[0].start_s), self.since_start(flown[-1].end_s)
        if len(self.readings):
            return self.since_start(float(self.readings.time_s[0])), self.since_start(float(self.readings.time_s[-1]))
        times, _ = self.grade
        return (float(times[0]), float(times[-1])) if len(times) else (0.0, 0.0)

    def silent_s(self, name: str) -> float:
        """How long in flight a column that the log has elsewhere is not known."""
        since = self.readings.time_s - self.zero_s
        in_flight = (since >= self.span_s[0]) & (since <= self.span_s[1])
        if not self.readings.has(name) or in_flight.sum() < 2:
            return 0.0
        return float(np.mean(np.isnan(self.readings[name][in_flight])) * np.ptp(since[in_flight]))

    @cached_property
    def graded_at(self) -> Floats:
        """Worst grade of the live picture (N,) around each row of the readings, NaN where it is not known."""
        if self.readings.has("picture_grade"):
            return self.readings["picture_grade"]
        times, grades = self.grade
        return worst_around(times, grades, self.readings.time_s - self.zero_s)
