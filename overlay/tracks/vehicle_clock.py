"""The clock of an autopilot against UTC, so that attitude, pack and positions share one clock.

The autopilot stamps everything with its own time since power-up; only the receiver's messages carry GPS time as well.
The two do not run at one rate (a simulated vehicle's may be 8 % slow), and receiver messages come late, never early.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.clock import GPS_EPOCH_POSIX, GPS_WEEK_S, gps_minus_utc

Floats = NDArray[np.float64]

STEADY_S = 0.15  # typical residual up to which one straight line serves
PAIRS = 400


@dataclass(frozen=True)
class VehicleClock:
    """UTC of vehicle seconds: a straight line, or straight pieces between `knots` where the rate wandered."""

    offset_s: float
    rate: float
    residual_s: float
    knots: tuple[Floats, Floats] | None = None

    def to_utc(self, vehicle_s: Floats) -> Floats:
        """POSIX seconds of vehicle seconds (N,)."""
        line = self.offset_s + self.rate * vehicle_s
        if self.knots is None:
            return line
        known, utc = self.knots
        inside = np.interp(vehicle_s, known, utc)
        before, after = vehicle_s < known[0], vehicle_s > known[-1]
        inside = np.where(before, utc[0] + self.rate * (vehicle_s - known[0]), inside)
        return np.where(after, utc[-1] + self.rate * (vehicle_s - known[-1]), inside)


def utc_of_gps(week: Floats, milliseconds: Floats) -> Floats:
    """POSIX seconds of GPS weeks and milliseconds of the week, NaN where the week is 0: then there is no date."""
    gps = GPS_EPOCH_POSIX + week * GPS_WEEK_S + milliseconds / 1000.0
    known = np.isfinite(gps) & (week > 0) & (milliseconds >= 0) & (milliseconds < GPS_WEEK_S * 1000.0)
    if not known.any():
        return np.full(len(gps), np.nan)
    return np.where(known, gps - gps_minus_utc(float(np.median(gps[known]))), np.nan)


def fit(vehicle_s: Floats, utc_s: Floats) -> VehicleClock | None:
    """The clock that most pairs of stamps agree on (Theil–Sen line, then least squares of its inliers); None without.

    Residuals beyond `STEADY_S` mean that the rate wandered: then the stamps themselves are the knots.
    """
    known = np.isfinite(vehicle_s) & np.isfinite(utc_s)
    vehicle, utc = vehicle_s[known], utc_s[known]
    fresh = (
        np.concatenate(([True], np.diff(utc) != 0)) if len(utc) else known[:0]
    )  # repeated messages repeat their time
    vehicle, utc = vehicle[fresh], utc[fresh]
    if len(vehicle) < 3 or np.ptp(vehicle) <= 0:
        return None
    rate, offset = _theil_sen(vehicle, utc)
    if not 0.2 < rate < 5.0:
        return None
    residual = utc - (offset + rate * vehicle)
    spread = float(np.median(np.abs(residual - np.median(residual))))
    good = np.abs(residual - np.median(residual)) < max(5.0 * spread, 0.02)
    if spread < STEADY_S:
        return _line(vehicle[good], utc[good], spread)
    order = np.argsort(vehicle[good], kind="stable")
    knots = vehicle[good][order], np.maximum.accumulate(utc[good][order])
    return VehicleClock(offset, rate, spread, knots)


def _line(vehicle: Floats, utc: Floats, spread: float) -> VehicleClock:
    """Least squares; a rate that the log is too short to tell from 1 is 1."""
    middle, centre = float(np.mean(vehicle)), float(np.mean(utc))
    span = vehicle - middle
    slope = float(span @ (utc - centre) / (span @ span))
    sigma = max(1.5 * spread, 0.02) / float(np.sqrt(span @ span))
    if abs(slope - 1.0) < 4.0 * sigma:
        slope = 1.0
    return VehicleClock(centre - slope * middle, slope, spread)


def _theil_sen(vehicle: Floats, utc: Floats) -> tuple[float, float]:
    """(rate, offset): median slope of pairs half the log apart, median intercept."""
    half = max(len(vehicle) // 2, 1)
    picks = np.unique(np.linspace(0, len(vehicle) - half - 1, min(PAIRS, len(vehicle) - half)).astype(int))
    spans = vehicle[picks + half] - vehicle[picks]
    slopes = (utc[picks + half] - utc[picks])[spans > 0] / spans[spans > 0]
    if not len(slopes):
        return 0.0, 0.0
    rate = float(np.median(slopes))
    return rate, float(np.median(utc - rate * vehicle))
