"""The path in stretches of one leg and one grade of the live picture, as maps draw it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.exports.privacy import Disclosure
from overlay.readings import Readings

Floats = NDArray[np.float64]

_LONGEST_S = 60.0  # a stretch is one moment to a viewer that plays time


@dataclass(frozen=True)
class Stretch:
    """Rows of the readings in one piece; the last row is the first of the next stretch where the path goes on."""

    rows: NDArray[np.intp]
    grade: int | None
    leg: str | None


def stretches(told: Disclosure, longest_s: float = _LONGEST_S) -> tuple[Stretch, ...]:
    """The visible path, cut where the leg or the grade changes, after `longest_s`, and lifted over holes."""
    readings = told.readings
    rows = np.flatnonzero(told.visible)
    classes, legs = _grades(readings)[rows], _legs(readings)[rows]
    time = readings.time_s[rows]
    hole = (np.diff(rows) > 1) | (np.diff(time) > 2.0)
    changed = (np.diff(classes) != 0) | (np.diff(legs) != 0) | (np.diff(time // longest_s) != 0) | hole
    cuts = np.flatnonzero(changed) + 1
    found = []
    for first, last in zip([0, *cuts.tolist()], [*cuts.tolist(), len(rows)], strict=True):
        goes_on = last < len(rows) and not hole[last - 1]
        piece = rows[first : last + 1] if goes_on else rows[first:last]
        if len(piece) > 1:
            leg = int(legs[first])
            name = readings.legs[leg].name if leg >= 0 else None
            found.append(Stretch(piece, int(classes[first]) or None, name))
    return tuple(found)


def unbroken(told: Disclosure) -> Iterator[NDArray[np.intp]]:
    """The visible path cut at holes alone: rows of each piece, of one row and more."""
    rows = np.flatnonzero(told.visible)
    time = told.readings.time_s[rows]
    holes = np.flatnonzero((np.diff(rows) > 1) | (np.diff(time) > 2.0)) + 1
    yield from (piece for piece in np.split(rows, holes) if len(piece))


def _grades(readings: Readings) -> NDArray[np.intp]:
    """Grade 1 … 5 of each row, 0 where there is none."""
    grades = readings["picture_grade"]
    known = np.isfinite(grades)
    return np.where(known, np.clip(np.round(np.where(known, grades, 1.0)), 1, 5), 0).astype(np.intp)


def _legs(readings: Readings) -> NDArray[np.intp]:
    """Index of each row's leg, −1 outside all."""
    result = np.full(len(readings), -1, np.intp)
    for number, leg in enumerate(readings.legs):
        result[(readings.time_s >= leg.start_s) & (readings.time_s < leg.end_s)] = number
    return result
