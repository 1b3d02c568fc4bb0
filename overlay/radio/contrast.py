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
_LEAST_SAMPLES = 12
_SLIGHT = 0.2


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


@dataclass(frozen=True)
class Correlation:
    """Spearman's rank correlation of a column with a condition once range is taken out; `p` of chance."""

    condition: str
    rank: float
    p: float

    @property
    def sure(self) -> bool:
        """Whether chance is out of the question and the link of the two is more than slight."""
        return self.p < 0.01 and abs(self.rank) >= _SLIGHT

    def as_json(self) -> dict[str, object]:
        """The correlation as results are published."""
        return {"condition": self.condition, "rank": round(self.rank, 2), "p": float(f"{self.p:.2g}")}

    def __str__(self) -> str:
        """One sentence for a person.

        >>> print(Correlation("bank", -0.42, 1e-6))
        At equal range the link was weaker the greater the bank (rank correlation −0.42).
        """
        way = "stronger" if self.rank > 0 else "weaker"
        rank = f"{self.rank:.2f}".replace("-", "−")
        return f"At equal range the link was {way} the greater the {self.condition} (rank correlation {rank})."


def correlations(readings: Readings, column: str, clearance: Floats | None = None) -> tuple[Correlation, ...]:
    """How a column goes with conditions once range is taken out; those that the readings lack are left out.

    Samples lie 5 s apart, in the air. `clearance` (N,) is the sight line's from the ground, where terrain is known.
    """
    rows, rest = remainder(readings, column)
    toward = readings["heading_deg"][rows] - readings["bearing_deg"][rows] - 180.0
    conditions = {
        "bank": np.abs(readings["bank_deg"][rows]),
        "height": readings["height_m"][rows],
        "elevation": np.degrees(np.arctan2(readings["height_m"][rows], readings["range_m"][rows])),
        "angle between nose and station": np.abs(np.mod(toward + 180.0, 360.0) - 180.0),
        "clearance from the ground": clearance[rows] if clearance is not None else np.full(len(rows), np.nan),
        "visibility": readings["visibility_pct"][rows],
    }
    found = []
    for name, condition in conditions.items():
        known = np.isfinite(condition)
        if known.sum() >= _LEAST_SAMPLES and np.ptp(condition[known]) > 0 and np.ptp(rest[known]) > 0:
            found.append(Correlation(name, *rank_correlation(condition[known], rest[known])))
    return tuple(found)


def rank_correlation(one: Floats, other: Floats) -> tuple[float, float]:
    """Spearman's rank correlation of two series (N,) in time, and the p of chance for as many as are independent."""
    from scipy.stats import spearmanr, t

    rank = float(spearmanr(one, other).statistic)
    free = max(unlinked(one, other), 3.0) - 2.0
    return rank, 2.0 * float(t.sf(abs(rank) * math.sqrt(free / max(1.0 - rank * rank, 1e-9)), free))


def remainder(readings: Readings, column: str) -> tuple[NDArray[np.intp], Floats]:
    """Rows 5 s apart in the air, and what is left of a column there once range is taken out; none for fewer than 12."""
    rows = _spaced(readings, readings[column], ("take-off", "out", "loiter", "home", "landing"))
    if len(rows) < _LEAST_SAMPLES:
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
