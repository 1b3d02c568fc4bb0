"""The flight's readings as an eye can follow them: filtered for display, never for data.

The whole flight is known, so the filter looks both ways and delays nothing. A needle is sampled ten times a second and
interpolated between; a figure changes four times a second at most and does not flicker between two digits. Figures
that are read together, being each other's sum or difference, change together.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.instruments.quantities import Unit, Units, steady
from overlay.readings import Readings

Floats = NDArray[np.float64]

NEEDLE_HZ, FIGURE_HZ = 10.0, 4.0
_MOST_SAMPLES = 1_000_000
_LONGEST_GAP_S = 15.0


@dataclass(frozen=True)
class Needle:
    """A filtered quantity on an even grid; call it with a time to read it, NaN where there is no data."""

    start_s: float
    rate_Hz: float
    values: Floats
    period: float | None = None

    def __call__(self, time_s: float) -> float:
        """Read the needle."""
        place = (time_s - self.start_s) * self.rate_Hz
        if not 0 <= place <= len(self.values) - 1:
            return math.nan
        before = int(place)
        after = min(before + 1, len(self.values) - 1)
        low, high = float(self.values[before]), float(self.values[after])
        difference = high - low
        if self.period is not None:
            difference = (difference + self.period / 2) % self.period - self.period / 2
        # At the last sample before a gap the interpolation weight is 0 but NaN times 0 is NaN: read the sample itself.
        value = low if place == before else low + difference * (place - before)
        return value % self.period if self.period is not None else value


@dataclass(frozen=True)
class Figure:
    """A quantity rounded for reading; call it with a time for the number shown, NaN where there is no data.

    Each number is of the middle of the time for which it stands.
    """

    start_s: float
    rate_Hz: float
    values: Floats

    def __call__(self, time_s: float) -> float:
        """Read the figure."""
        place = (time_s - self.start_s) * self.rate_Hz
        return float(self.values[math.floor(place + 0.5)]) if 0 <= place + 1e-6 < len(self.values) - 0.5 else math.nan


class Dials:
    """Needles and figures of one flight, made when first asked for and shared by all instruments."""

    def __init__(self, readings: Readings) -> None:
        self.readings = readings
        known = len(readings) > 0
        self.start_s = float(readings.time_s[0]) if known else 0.0
        self.end_s = float(readings.time_s[-1]) if known else 0.0
        self._made: dict[tuple[object, ...], Needle | Figure] = {}

    def has(self, name: str) -> bool:
        """Whether the flight carries the column at all."""
        return self.readings.has(name)

    def largest(self, name: str) -> float:
        """Largest value of a column in the whole flight; NaN without data."""
        _, values = self.readings.series(name)
        return float(values.max()) if len(values) else math.nan

    def needle(self, name: str, *, period: float | None = None, smooth_s: float = 0.8, play: float = 0.0) -> Needle:
        """Return the column `name` for something that moves; `play`, in its unit, keeps it from trembling."""
        key = ("needle", name, period, smooth_s, play)
        if key not in self._made:
            rate = self._rate(NEEDLE_HZ)
            values = with_play(self._sampled(name, rate, period, smooth_s), play)
            self._made[key] = Needle(self.start_s, rate, values, period)
        made = self._made[key]
        assert isinstance(made, Needle)
        return made

    def figure(self, name: str, unit: Unit, *, smooth_s: float = 1.2, rate_Hz: float = FIGURE_HZ) -> Figure:
        """Return the column `name` in a display unit; it changes no more than `rate_Hz` times a second."""

        def rounded(values: Floats) -> Floats:
            return steady(values * unit.per_si, unit.step)

        return self._figure(("figure", name, unit, smooth_s, rate_Hz), rounded, name, smooth_s, rate_Hz=rate_Hz)

    def angle(self, name: str, *, step_deg: float = 1.0) -> Figure:
        """Return a course, bearing or heading in whole degrees 0 … 359."""

        def rounded(values: Floats) -> Floats:
            known = np.isfinite(values)
            unwrapped = values.copy()
            unwrapped[known] = np.unwrap(values[known], period=360.0)
            return np.asarray(np.mod(steady(unwrapped, step_deg), 360.0), np.float64)

        return self._figure(("angle", name, step_deg), rounded, name, 1.2, period=360.0)

    def distance(self, name: str, units: Units) -> Figure:
        """Return a distance in metres, rounded to what `Units.distance` shows of it."""

        def rounded(values: Floats) -> Floats:
            far = np.abs(values) >= units.far_from_m
            step = np.where(far, units.far.step / units.far.per_si, units.near.step / units.near.per_si)
            return steady(values, step)

        return self._figure(("distance", name, units.system), rounded, name, 1.2)

    def _figure(
        self, key: tuple[object, ...], rounded: Callable[[Floats], Floats], name: str, smooth_s: float,
        period: float | None = None, rate_Hz: float = FIGURE_HZ,
    ) -> Figure:  # fmt: skip
        if key not in self._made:
            rate = self._rate(rate_Hz)
            self._made[key] = Figure(self.start_s, rate, rounded(self._sampled(name, rate, period, smooth_s)))
        made = self._made[key]
        assert isinstance(made, Figure)
        return made

    def _rate(self, wanted_Hz: float) -> float:
        return min(wanted_Hz, _MOST_SAMPLES / max(self.end_s - self.start_s, 1.0))

    def _sampled(self, name: str, rate: float, period: float | None, smooth_s: float) -> Floats:
        """Sample a column on the even grid, smoothed over about `smooth_s` without reaching across gaps."""
        times = self.start_s + np.arange(math.floor((self.end_s - self.start_s) * rate + 1e-6) + 1) / rate
        raw = self.readings.at(name, times, max_gap_s=self.gap_s(name), period=period)
        taps = max(1, round(smooth_s * rate)) | 1
        if period is None:
            return smoothed(raw, taps)
        turn = np.exp(2j * np.pi * raw / period)
        turned = smoothed(turn.real, taps) + 1j * smoothed(turn.imag, taps)
        return np.asarray(np.angle(turned) / (2 * np.pi) * period % period, np.float64)

    def gap_s(self, name: str) -> float:
        """Longest pause in a column that is still its own rate and not missing data."""
        times, _ = self.readings.series(name)
        usual = float(np.median(np.diff(times))) if len(times) > 2 else 0.0
        return min(max(2.0, 2.5 * usual), _LONGEST_GAP_S)


def with_play(values: Floats, play: float) -> Floats:
    """Follow `values` (N,) as a pointer with so much play does: it stands still until it is more than `play` behind.

    What turns to and fro within twice the play does not move it; it is never further than `play` from the value.
    """
    if play <= 0:
        return values
    shown = np.full(len(values), np.nan)
    last = math.nan
    for i, value in enumerate(values.tolist()):
        last = value if math.isnan(last) or math.isnan(value) else min(max(last, value - play), value + play)
        shown[i] = last
    return shown


def smoothed(values: Floats, taps: int) -> Floats:
    """Weigh neighbours by a raised cosine over `taps` (odd) samples; NaN stays NaN and lends nothing to others."""
    if taps < 3 or len(values) < taps:
        return values
    window = np.hanning(taps + 2)[1:-1]
    known = np.isfinite(values)
    total = np.convolve(np.where(known, values, 0.0), window, mode="same")
    weight = np.convolve(known.astype(np.float64), window, mode="same")
    return np.where(known, total / np.where(weight > 0, weight, 1.0), np.nan)
