"""What one figure on the time axis shows, apart from how it is drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.debrief.wording import clock, number

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Line:
    """One line of a panel: its values (N,) in the panel's unit."""

    name: str
    values: Floats
    colour: str
    dash: str = "solid"


@dataclass(frozen=True)
class Panel:
    """One figure on the common axis, `times` (N,) of the page; `missing` names what it lacks.

    `band` (two of N) is the 95 % interval of the first line.
    """

    key: str
    title: str
    unit: str
    times: Floats
    lines: tuple[Line, ...]
    missing: tuple[str, ...] = ()
    limits: tuple[float, float] | None = None
    decimals: int = 0
    band: tuple[Floats, Floats] | None = None

    @property
    def words(self) -> str:
        """What the figure shows, for those who do not see it."""
        return " ".join(_in_words(self, line) for line in self.lines)


def _in_words(panel: Panel, line: Line) -> str:
    known = np.isfinite(line.values)
    values, times = line.values[known], panel.times[known]
    unit = "" if panel.key == "grade" else f"\u00a0{panel.unit}"
    told = [
        f"{number(float(values[row]), panel.decimals)}{unit} at {clock(float(times[row]))}"
        for row in (int(np.argmin(values)), int(np.argmax(values)))
    ]
    return f"{line.name[:1].upper()}{line.name[1:]}: between {' and '.join(told)}."
