"""What was seen of a link, as intervals of its margin: the one form in which grades, break-ups and dBm are compared.

The margin is 0 where the picture stands between grade 2½ and 3½, or where the control link's strength equals a level
given. A clean picture says "above", a broken one "below", a strength in dBm "within half a step of this".
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.errors import NoAnswerError
from overlay.readings import Readings

Floats = NDArray[np.float64]

WINDOW_S = 2.0
# Margins (dB of carrier) that each slot between the borders of the impairment grades allows. An FM picture falls from
# barely visible noise to loss of sync within about 8 dB of carrier around its threshold (Rice's clicks set in near
# 10 dB, sync goes near 5); slots overlap because receivers and eyes differ by a decibel or two.
_GRADE_BORDERS = (1.5, 2.5, 3.5, 4.5)
_LEAST_DB = (-np.inf, -5.5, -1.5, 1.0, 5.5)
_MOST_DB = (-3.0, -0.5, 3.0, 8.5, np.inf)


@dataclass(frozen=True)
class Evidence:
    """Margins between `low_dB` and `high_dB` (W,) in windows of `WINDOW_S` about `time_s`; `row` of the readings."""

    time_s: Floats
    low_dB: Floats
    high_dB: Floats
    row: NDArray[np.intp]
    source: str
    level: str = "picture at grade 3"
    """What a margin of 0 is, in words."""
    measured: bool = False
    """Whether margins come from a strength in dBm rather than from how a picture looked."""

    def kept(self, windows: NDArray[np.bool_]) -> Evidence:
        """Some of the windows only."""
        return Evidence(
            self.time_s[windows],
            self.low_dB[windows],
            self.high_dB[windows],
            self.row[windows],
            self.source,
            self.level,
            self.measured,
        )

    @property
    def broken(self) -> NDArray[np.bool_]:
        """Windows whose margin lies wholly below 0."""
        return np.asarray(self.high_dB <= 0.0)

    @property
    def clean(self) -> NDArray[np.bool_]:
        """Windows whose margin lies wholly at or above 0."""
        return np.asarray(self.low_dB >= 0.0)


def picture_evidence(readings: Readings) -> Evidence:
    """From the picture's grade where it is known, else from its break-ups; only in the air and with a known place."""
    rows = flown_rows(readings)
    time = readings.time_s[rows]
    if readings.has("picture_grade"):
        grade = window_means(readings, "picture_grade", rows)
        known = np.isfinite(grade)
        slot = np.searchsorted(_GRADE_BORDERS, grade[known])
        low, high = np.array(_LEAST_DB)[slot], np.array(_MOST_DB)[slot]
        return Evidence(time[known], low, high, rows[known], "the picture's grade")
    broken = np.zeros(len(time), dtype=bool)
    for span in readings.breakups:
        broken |= (time + WINDOW_S / 2 > span.onset_s) & (time - WINDOW_S / 2 < span.end_s)
    if len(time) == 0:
        raise NoAnswerError("nothing is known of the live picture while the aircraft flew")
    return Evidence(
        time, np.where(broken, -np.inf, 0.0), np.where(broken, 0.0, np.inf), rows, "the picture's break-ups"
    )  # fmt: skip


def control_evidence(readings: Readings, needed_dBm: float, level: str = "control link at its least") -> Evidence:
    """From the control link's logged strength, margin counted from `needed_dBm`, which `level` says in words."""
    if not readings.has("control_rssi_dBm"):
        raise NoAnswerError("the log holds no strength of the control link in dBm")
    rows = flown_rows(readings)
    strength = window_means(readings, "control_rssi_dBm", rows)
    known = np.isfinite(strength)
    margin = strength[known] - needed_dBm
    times = readings.time_s[rows][known]
    return Evidence(times, margin - 0.5, margin + 0.5, rows[known], "the control link's strength", level, True)


def flown_rows(readings: Readings) -> NDArray[np.intp]:
    """One row for each window of flight, its middle."""
    if len(readings) < 2:
        return np.zeros(0, np.intp)
    flown = in_flight(readings) & np.isfinite(readings["range_m"]) & (readings["range_m"] > 30.0)
    step = float(np.median(np.diff(readings.time_s)))
    every = max(round(WINDOW_S / step), 1)
    middles = np.arange(every // 2, len(readings), every)
    return middles[flown[middles]]


def in_flight(readings: Readings) -> NDArray[np.bool_]:
    """Rows (N,) of the legs in the air."""
    flown = np.zeros(len(readings), dtype=bool)
    for leg in readings.legs:
        if leg.name != "on the ground":
            flown |= (readings.time_s >= leg.start_s) & (readings.time_s < leg.end_s)
    return flown


def window_means(readings: Readings, name: str, rows: NDArray[np.intp]) -> Floats:
    """Mean (W,) of a column over the window about each of the `rows`; NaN where nothing in it is known."""
    values = readings[name]
    known = np.isfinite(values)
    sums = np.concatenate([[0.0], np.cumsum(np.where(known, values, 0.0))])
    counts = np.concatenate([[0], np.cumsum(known)])
    step = float(np.median(np.diff(readings.time_s))) if len(readings) > 1 else WINDOW_S
    half = max(round(WINDOW_S / step / 2), 0)
    first, last = np.maximum(rows - half, 0), np.minimum(rows + half + 1, len(values))
    count = counts[last] - counts[first]
    return np.where(count > 0, (sums[last] - sums[first]) / np.maximum(count, 1), np.nan)
