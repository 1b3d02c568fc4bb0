"""Outbound against homebound at the same range: the strongest evidence there is that attitude or aerials matter.

Range, weather and, for a flight at one height, the ground's mirror are equal at equal range; what differs is which side
of the aircraft faces the station. Also how the strength goes with bank, elevation and height at equal range.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.readings import Readings

Floats = NDArray[np.float64]

_BIN_M = 250.0
_WINDOW_S = 5.0  # neighbouring readings are not independent
_LEAST_BINS = 4


@dataclass(frozen=True)
class Contrast:
    """Mean of a column outbound less homebound at equal range, 95 % interval, over `bins` bins of 250 m."""

    column: str
    difference: float
    interval95: tuple[float, float]
    bins: int

    @property
    def sure(self) -> bool:
        """Whether the interval leaves out 0."""
        return self.interval95[0] > 0.0 or self.interval95[1] < 0.0

    def __str__(self) -> str:
        """One sentence for a person.

        >>> print(Contrast("control_rssi_dBm", -4.2, (-5.0, -3.4), 12))
        At equal range outbound was 4.2 dB below homebound (−5.0 to −3.4): which side faced the station mattered.
        """
        unit = "dB" if self.column.endswith(("dBm", "dB")) else "grades" if self.column == "picture_grade" else "%"
        low, high = (f"{bound:.1f}".replace("-", "−") for bound in self.interval95)
        if not self.sure:
            return f"At equal range no difference between outbound and homebound can be told ({low} to {high} {unit})."
        side = "below" if self.difference < 0 else "above"
        return (
            f"At equal range outbound was {abs(self.difference):.1f} {unit} {side} homebound ({low} to {high}): "
            "which side faced the station mattered."
        )


def out_and_home(readings: Readings, column: str) -> Contrast | None:
    """Compare a column's means on the legs out and home, bin of range by bin; None for fewer than four shared bins."""
    out, home = (_by_range(readings, column, name) for name in ("out", "home"))
    shared = sorted(set(out) & set(home))
    if len(shared) < _LEAST_BINS:
        return None
    gaps = np.array([out[b] - home[b] for b in shared])
    mean, spread = float(gaps.mean()), float(gaps.std(ddof=1))
    varied = len(gaps) > 4 and np.ptp(gaps[1:]) > 0.0 and np.ptp(gaps[:-1]) > 0.0
    linked = float(np.clip(np.corrcoef(gaps[1:], gaps[:-1])[0, 1], 0.0, 0.8)) if varied else 0.0
    counted = max(len(gaps) * (1 - linked) / (1 + linked), 2.0)
    from scipy.stats import t

    half = float(t.ppf(0.975, counted - 1)) * spread / math.sqrt(counted)
    return Contrast(column, mean, (mean - half, mean + half), len(shared))


def correlations(readings: Readings, column: str) -> dict[str, tuple[float, float]]:
    """Rank correlation of a column with conditions once range is taken out: name → (coefficient, p of chance).

    Samples lie 5 s apart, in the air; conditions that the readings lack are left out.
    """
    from scipy.stats import spearmanr

    rows, rest = remainder(readings, column)
    conditions = {
        "bank": np.abs(readings["bank_deg"][rows]),
        "height": readings["height_m"][rows],
        "elevation": np.degrees(np.arctan2(readings["height_m"][rows], readings["range_m"][rows])),
        "nose toward the station": np.cos(
            np.radians(readings["heading_deg"][rows] - readings["bearing_deg"][rows] - 180)
        ),
        "visibility": readings["visibility_pct"][rows],
    }
    found = {}
    for name, condition in conditions.items():
        known = np.isfinite(condition)
        if known.sum() >= 12 and np.ptp(condition[known]) > 0 and np.ptp(rest[known]) > 0:
            result = spearmanr(condition[known], rest[known])
            found[name] = (float(result.statistic), float(result.pvalue))
    return found


def remainder(readings: Readings, column: str) -> tuple[NDArray[np.intp], Floats]:
    """Rows 5 s apart in the air, and what is left of a column there once range is taken out; none for fewer than 12."""
    rows = _spaced(readings, readings[column], ("take-off", "out", "loiter", "home", "landing"))
    if len(rows) < 12:
        return rows[:0], np.zeros(0)
    distance = np.log10(np.maximum(readings["range_m"][rows], 30.0))
    values = readings[column][rows]
    return rows, values - np.polyval(np.polyfit(distance, values, 2), distance)


def unlinked(one: Floats, other: Floats) -> float:
    """How many independent pairs two series (N,) are worth whose neighbours are alike (Bartlett 1935, first order)."""
    alike = 1.0
    for series in (one, other):
        ahead, behind = series[1:], series[:-1]
        varied = np.ptp(ahead) > 0.0 and np.ptp(behind) > 0.0
        alike *= float(np.clip(np.corrcoef(ahead, behind)[0, 1], 0.0, 0.98)) if varied else 0.98
    return len(one) * (1.0 - alike) / (1.0 + alike)


def _by_range(readings: Readings, column: str, leg: str) -> dict[int, float]:
    rows = _spaced(readings, readings[column], (leg,))
    slots = (readings["range_m"][rows] // _BIN_M).astype(int)
    return {int(slot): float(readings[column][rows][slots == slot].mean()) for slot in np.unique(slots)}


def _spaced(readings: Readings, values: Floats, legs: tuple[str, ...]) -> NDArray[np.intp]:
    inside = np.zeros(len(readings), dtype=bool)
    for leg in readings.legs:
        if leg.name in legs:
            inside |= (readings.time_s >= leg.start_s) & (readings.time_s < leg.end_s)
    rows = np.flatnonzero(inside & np.isfinite(values) & np.isfinite(readings["range_m"]))
    if len(rows) == 0:
        return rows
    _, first = np.unique(readings.time_s[rows] // _WINDOW_S, return_index=True)
    return rows[first]
