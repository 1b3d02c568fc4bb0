"""Numbers as cells of tables hold them: with a decimal comma, or with their unit behind them."""

from __future__ import annotations

import re
from array import array
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from overlay.tracks import angles, units
from overlay.tracks.samples import Floats, number, numbers
from overlay.tracks.terms import Field

_WITH_UNIT = re.compile(r"\s*([-+]?\d+(?:\.\d*)?)\s*(?![eE][-+]?\d)([^\d\s.,:;/+-].{0,15})?")
_QUOTED = re.compile(r'"[-+]?\d+,(\d+)"')
_THOUSANDS = 3  # digits behind a comma that may as well part thousands


def commas_are_decimal(text: str) -> bool:
    """Whether quoted numbers of a table parted by commas hold decimal commas: digits behind one that are not three.

    >>> commas_are_decimal('"46,12","7,5"'), commas_are_decimal('"1,250"')
    (True, False)
    """
    return any(len(match[1]) != _THOUSANDS for match in _QUOTED.finditer(text))


class Cells:
    """One column of numbers as it grows. Units in the cells become the column's, and each number is counted in it."""

    def __init__(self, field: Field, *, comma: bool) -> None:
        self.values = array("d")
        self._field, self._comma = field, comma
        self._spelled: dict[str, array[int]] = {}  # unit as written -> rows
        self._is_angle = field.column in ("latitude_deg", "longitude_deg")

    def extend(self, cells: Sequence[str]) -> None:
        """Further cells; what is no number becomes NaN."""
        if self._is_angle:
            self.values.extend(numbers(cells, angles.angle))
            return
        texts = [cell.replace(",", ".") for cell in cells] if self._comma else cells
        first, block = len(self.values), numbers(texts)
        self.values.extend(block)
        for index in np.flatnonzero(np.isnan(block)).tolist():
            if texts[index] and (match := _WITH_UNIT.fullmatch(texts[index])):
                self.values[first + index] = number(match[1])
                self._spelled.setdefault((match[2] or "").strip(), array("q")).append(first + index)

    def settled(self) -> Field:
        """The field with the unit that its numbers are now counted in."""
        quantity = self._field.quantity
        spelled = {text: units.within(text, quantity) for text in self._spelled if text}
        if not any(spelled.values()):
            written = max(spelled, key=lambda text: len(self._spelled[text]), default="")
            return self._field if self._field.unit else replace(self._field, unit=written)
        named = units.measures(self._field.unit, quantity)
        together = {units.plain(unit) for unit in spelled.values()}
        target = self._field.unit if named else together.pop() if len(together) == 1 else units.base(quantity)
        values = np.array(self.values)
        counted = np.zeros(len(values), np.bool_)
        for text, unit in spelled.items():
            rows = np.array(self._spelled[text])
            values[rows] = _recounted(values[rows], quantity, unit, target) if unit else np.nan
            counted[rows] = True
        if not named and len(set(map(units.plain, spelled.values()))) > 1:
            values[~counted & (values != 0)] = np.nan  # bare, and nothing says in which of the units
        self.values = array("d", values)
        return replace(self._field, unit=target, unclear=False)


def _recounted(values: Floats, quantity: str, unit: str, target: str) -> Floats:
    """Values of one unit in another of the same quantity."""
    if units.plain(unit) == units.plain(target):
        return values
    return units.convert(values, quantity, unit) / units.QUANTITIES[quantity][units.plain(target)]
