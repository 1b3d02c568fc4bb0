"""What was seen of a link against range, flight by flight, and which windows of several flights can be compared.

Range counts as the free-space loss beyond that at 1 km, 20·log10 of the slant range (ITU-R P.525): a curve that is
shifted by a factor k in range is shifted by 20·log10 k dB, 6.02 dB for a doubling. Only near-level flight counts, and
windows are alike in the height flown and in which end of the aircraft faces the station.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from overlay.radio.evidence import WINDOW_S, flown_rows, window_means
from overlay.readings import Readings

Floats = NDArray[np.float64]
Numbers = NDArray[np.intp]

LinkName = Literal["picture", "control"]

CELL_DB = 1.0  # of range
LEAST_SHARED_S = 60.0  # of flight at ranges and heights that another flight has as well
_LEVEL_DEG = 20.0
_LOWEST_M = 16.0  # below it every height is one; above it heights are alike within an octave
_BLOCK_S = 40.0  # fading and weaving are over by then: what lies farther apart is independent
_DWELL_S = 20.0  # longer in one cell of range is no more evidence about it


@dataclass(frozen=True)
class Measure:
    """A way to read a link: a column of the readings, its link, and what it is called.

    `limits` are the worst and the best that a saturating measure can show; None: it is in dB itself.
    """

    column: str
    link: LinkName
    words: str
    unit: str
    limits: tuple[float, float] | None = None


MEASURES = (
    Measure("picture_grade", "picture", "the picture's grade", "grade", (1.0, 5.0)),
    Measure("carrier_to_noise_dB", "picture", "the picture's carrier-to-noise ratio", "dB", (5.0, 10.0)),
    Measure("control_rssi_dBm", "control", "the control link's strength", "dBm"),
    Measure("control_snr_dB", "control", "the control link's signal-to-noise ratio", "dB"),
    Measure("control_link_pct", "control", "the control link's quality", "%", (0.0, 100.0)),
)
"""Ways to read a link against range alone; of each link the first that every other flight can be held against counts."""


@dataclass(frozen=True)
class Curve:
    """Windows (W,) of one flight: range in dB beyond 1 km, what was seen, and under which condition, a code."""

    time_s: Floats
    distance_dB: Floats
    value: Floats
    condition: Numbers


def curve_of(readings: Readings, column: str) -> Curve | None:
    """The windows of near-level flight in which a column is known; None where there is none."""
    if not readings.has(column):
        return None
    rows = flown_rows(readings)
    value = window_means(readings, column, rows)
    level = ~(np.abs(readings["bank_deg"][rows]) > _LEVEL_DEG)  # where no bank is known, all of it
    kept = np.isfinite(value) & level
    if not kept.any():
        return None
    rows = rows[kept]
    height = np.nan_to_num(readings["height_m"][rows])
    slant = np.hypot(readings["range_m"][rows], height)
    return Curve(
        readings.time_s[rows], 20.0 * np.log10(slant / 1000.0), value[kept], _condition(readings, rows, height)
    )


def _condition(readings: Readings, rows: Numbers, height_m: Floats) -> Numbers:
    """Octave of height, and whether nose or tail faces the station."""
    octave = np.floor(np.log2(np.maximum(height_m, _LOWEST_M) / _LOWEST_M)).astype(np.intp)
    heading = np.where(np.isfinite(readings["heading_deg"]), readings["heading_deg"], readings["course_deg"])[rows]
    toward = np.cos(np.radians(heading - readings["bearing_deg"][rows])) < 0.0
    return np.asarray(2 * octave + toward, np.intp)


@dataclass(frozen=True)
class Pool:
    """The windows (W,) of several flights that can be compared.

    `cell` numbers range and condition together, `block` stretches of one flight that count as one draw, `weight` gives a
    long stay in one cell no more say than a pass. `left_out` says why a flight, by its number, has no windows here.
    """

    flight: Numbers
    distance_dB: Floats
    value: Floats
    condition: Numbers
    cell: Numbers
    block: Numbers
    weight: Floats
    left_out: dict[int, str]

    @property
    def members(self) -> Numbers:
        """Numbers of the flights that have windows, rising."""
        return np.unique(self.flight)

    def kept(self, windows: NDArray[np.bool_]) -> Pool:
        """Some of the windows only."""
        return Pool(
            self.flight[windows],
            self.distance_dB[windows],
            self.value[windows],
            self.condition[windows],
            self.cell[windows],
            self.block[windows],
            self.weight[windows],
            self.left_out,
        )

    def shared(self) -> NDArray[np.bool_]:
        """Windows in cells that more than one flight has."""
        return np.asarray(_flights_in(self.cell, self.flight) > 1)


def pooled(curves: Sequence[Curve | None], this: int) -> Pool:
    """The windows of the flights that can be held against flight `this`, directly or through others."""
    left_out = {number: "it shows nothing of this" for number, curve in enumerate(curves) if curve is None}
    known = [(number, curve) for number, curve in enumerate(curves) if curve is not None]
    if not known or curves[this] is None:
        nothing, whole = np.zeros(0), np.zeros(0, np.intp)
        return Pool(whole, nothing, nothing, whole, whole, whole, nothing, left_out)
    flight = np.concatenate([np.full(len(curve.value), number, np.intp) for number, curve in known])
    distance, value, time = (
        np.concatenate([getattr(curve, name) for _, curve in known]) for name in ("distance_dB", "value", "time_s")
    )
    condition = np.concatenate([curve.condition for _, curve in known])
    cell = _numbered(np.column_stack([condition, np.floor(distance / CELL_DB).astype(np.intp)]))
    block = _numbered(np.column_stack([flight, (time // _BLOCK_S).astype(np.intp)]))
    together = _numbered(np.column_stack([flight, cell]))
    stay_s = np.bincount(together)[together] * WINDOW_S
    pool = Pool(flight, distance, value, condition, cell, block, np.minimum(1.0, _DWELL_S / stay_s), left_out)
    return _comparable(pool, this)


def _numbered(rows: Numbers) -> Numbers:
    """Numbers (W,) from 0 that are the same for the same rows (W, 2)."""
    return np.asarray(np.unique(rows, axis=0, return_inverse=True)[1].reshape(-1), np.intp)


def _flights_in(cell: Numbers, flight: Numbers) -> Numbers:
    """How many flights share the cell of each window."""
    pairs = np.unique(np.column_stack([cell, flight]), axis=0)
    return np.asarray(np.bincount(pairs[:, 0], minlength=int(cell.max()) + 1)[cell] if len(cell) else cell)


def _comparable(pool: Pool, this: int) -> Pool:
    """Without the flights that have too little in common with the others, and those that nothing ties to `this`."""
    left_out = dict(pool.left_out)
    while len(pool.members) > 1:
        common_s = np.bincount(pool.flight[pool.shared()], minlength=int(pool.members[-1]) + 1) * WINDOW_S
        tied = _tied(pool, this)
        poor = [n for n in pool.members if common_s[n] < LEAST_SHARED_S or n not in tied]
        if not poor:
            break
        for number in poor:
            left_out[int(number)] = (
                f"only {common_s[number]:.0f} s of it at ranges, heights and headings that others flew"
                if common_s[number] < LEAST_SHARED_S
                else "it has no range in common with the flight in question"
            )
        pool = pool.kept(~np.isin(pool.flight, poor))
    return replace(pool, left_out=left_out)


def _tied(pool: Pool, this: int) -> set[int]:
    """Flights that share cells with `this`, or with one that does, and so on."""
    tied = {this}
    while True:
        cells = np.unique(pool.cell[np.isin(pool.flight, list(tied))])
        more = {int(number) for number in np.unique(pool.flight[np.isin(pool.cell, cells)])} | tied
        if more == tied:
            return tied
        tied = more
