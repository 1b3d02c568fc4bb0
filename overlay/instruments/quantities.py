"""Quantities as people read them: unit systems, thin spaces in thousands, a proper minus, a dash for no data."""

from __future__ import annotations

import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal

import numpy as np
from numpy.typing import NDArray

UnitSystem = Literal["metric", "imperial", "aviation"]

NO_DATA = "—"
THIN_SPACE, MINUS = "\u202f", "\u2212"


@dataclass(frozen=True)
class Unit:
    """`symbol`, how many of it make one SI unit, and the step and decimals that a display shows."""

    symbol: str
    per_si: float = 1.0
    step: float = 1.0
    decimals: int = 0

    def text(self, value: float) -> str:
        """Number alone, of a value in this unit."""
        return number(value, self.decimals)


@dataclass(frozen=True)
class Units:
    """What each kind of quantity is shown in. Distances change from `near` to `far` at `far_from_m` metres."""

    system: UnitSystem
    speed: Unit
    climb: Unit
    height: Unit
    near: Unit
    far: Unit
    far_from_m: float

    def distance_unit(self, metres: float) -> Unit:
        """Return the unit in which a distance is shown."""
        return self.far if abs(metres) >= self.far_from_m else self.near

    def distance(self, metres: float) -> tuple[str, str]:
        """Return (number, symbol) of a distance in metres.

        >>> UNITS["metric"].distance(6612.0)
        ('6.6', 'km')
        """
        if not math.isfinite(metres):
            return NO_DATA, self.far.symbol
        unit = self.distance_unit(metres)
        steps = round(metres * unit.per_si / unit.step)
        return unit.text(steps * unit.step), unit.symbol


FOOT_M, MILE_M, NAUTICAL_MILE_M = 0.3048, 1609.344, 1852.0  # exact by definition (NIST SP 811, appendix B)
_FEET = Unit("ft", 1 / FOOT_M, step=5.0)
_FEET_PER_MINUTE = Unit("ft/min", 60 / FOOT_M, step=100.0)  # as variometers are graduated, common practice, no source

UNITS = MappingProxyType(
    {
        "metric": Units(
            "metric", Unit("km/h", 3.6), Unit("m/s", step=0.5, decimals=1), Unit("m"),
            Unit("m", step=10.0), Unit("km", 1e-3, 0.1, 1), 1000.0,
        ),
        "imperial": Units(
            "imperial", Unit("mph", 3600 / MILE_M), _FEET_PER_MINUTE, _FEET,
            Unit("ft", 1 / FOOT_M, step=50.0), Unit("mi", 1 / MILE_M, 0.1, 1), MILE_M / 2,
        ),
        "aviation": Units(
            "aviation", Unit("kt", 3600 / NAUTICAL_MILE_M), _FEET_PER_MINUTE, _FEET,
            Unit("NM", 1 / NAUTICAL_MILE_M, 0.01, 2), Unit("NM", 1 / NAUTICAL_MILE_M, 0.1, 1), NAUTICAL_MILE_M,
        ),
    }
)  # fmt: skip


def number(value: float, decimals: int = 0) -> str:
    """Digits in groups of three, a minus sign, and a dash where there is no number.

    >>> number(-1234.0) == MINUS + "1" + THIN_SPACE + "234"
    True
    """
    if not math.isfinite(value):
        return NO_DATA
    text = f"{abs(value):,.{decimals}f}".replace(",", THIN_SPACE)
    return MINUS + text if value < 0 and any(c in "123456789" for c in text) else text


def round_scale(largest: float, divisions: int = 5) -> tuple[float, float]:
    """(top, step) of a ruler from zero that holds `largest` in at most so many round steps of 1, 2 or 5.

    >>> round_scale(10430.0), round_scale(10430.0, 6)
    ((15000.0, 5000.0), (12000.0, 2000.0))
    """
    if not math.isfinite(largest) or largest <= 0:
        return 1.0, 1.0
    decade = 10.0 ** math.floor(math.log10(largest / divisions))
    step = next(m * decade for m in (1, 2, 5, 10) if m * decade * divisions >= largest * (1 - 1e-9))
    return math.ceil(largest / step - 1e-9) * step, step


def steady(values: NDArray[np.float64], steps: NDArray[np.float64] | float) -> NDArray[np.float64]:
    """Round to `steps`, but let a shown number change only when it is clearly wrong: no flicker between two digits.

    `values` (N,) and steps (N,) or one; NaN stays NaN. A number stands until the value is 0.7 step away from it.
    """
    shown = np.full(len(values), np.nan)
    step_of = np.broadcast_to(np.asarray(steps, dtype=np.float64), values.shape)
    last = last_step = math.nan
    for i, (value, step) in enumerate(zip(values.tolist(), step_of.tolist(), strict=True)):
        if step != last_step or not abs(value - last) <= 0.7 * step:
            last = round(value / step) * step if math.isfinite(value) else math.nan
        last_step = step
        shown[i] = last
    return shown
