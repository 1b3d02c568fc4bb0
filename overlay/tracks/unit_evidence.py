"""What a flight says about units that its log does not name: climb by height, bank by turns, current by charge.

Each answer is the one unit under which two columns tell the same flight; empty where they do not.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from overlay.tracks import units
from overlay.tracks.flown import Flown
from overlay.tracks.samples import Floats

CLIMB_WINDOW_S = 4.0
CLEARLY = 0.8  # correlation from which two columns tell of one motion
LEAST_TO_TELL = 60
_HEIGHTS = ("m", "ft")
_CLIMBS = ("m/s", "ft/s", "ft/min", "cm/s")
_ANGLES = ("deg", "rad", "deg*10", "cdeg")
_CURRENTS = ("A", "dA", "cA", "mA")
_CHARGES = ("mAh", "Ah")
LEAST_CURRENT_A, HIGHEST_CURRENT_A = 0.5, 400.0  # of any motor at work; common practice, no source


def nearest(ratio: float, factors: Mapping[str, float], within: float) -> list[str]:
    """The names whose factors a measured ratio agrees with, up to `within` times either way."""
    if not ratio > 0:
        return []
    return [name for name, factor in factors.items() if abs(math.log(ratio / factor)) < math.log(within)]


def climb_and_height(
    climb: Floats, height: Floats, flown: Flown, *, climb_unit: str = "", height_unit: str = ""
) -> tuple[str, str]:
    """(unit of a climb, unit of a height) by how fast the height changes, given either; empty where not settled.

    Metres and metres a second look as feet and feet a second do: where neither is named, such a pair stays open.
    """
    ratio = _climb_ratio(climb, height, flown)
    climbs, heights = (
        [unit] if unit else choices for unit, choices in ((climb_unit, _CLIMBS), (height_unit, _HEIGHTS))
    )
    factors = {f"{c} {h}": _per("length", h) / _per("speed", c) for c in climbs for h in heights}
    fitting = [pair.split() for pair in nearest(ratio, factors, 1.25)]
    settled = [{pair[i] for pair in fitting} for i in (0, 1)]
    first, second = (next(iter(found)) if len(found) == 1 else "" for found in settled)
    return first, second


def _per(quantity: str, unit: str) -> float:
    return units.QUANTITIES[quantity][units.plain(unit)]


def _climb_ratio(climb: Floats, height: Floats, flown: Flown) -> float:
    """Counts of climb for each count of height and second, NaN unless both clearly go together."""
    mean, rate = _climbed(climb, height, flown)
    if _likeness(mean, rate) < CLEARLY:
        return math.nan
    return float(np.std(mean) / np.std(rate))


def counts_down(climb: Floats, height: Floats, flown: Flown) -> bool:
    """Whether a vertical speed is positive where the aircraft sinks, as in axes that point north, east and down."""
    return _likeness(*_climbed(climb, height, flown)) < -CLEARLY


def _likeness(mean: Floats, rate: Floats) -> float:
    """Correlation, 0 where there is too little to tell."""
    if len(mean) < LEAST_TO_TELL or np.std(rate) == 0 or np.std(mean) == 0:
        return 0.0
    return float(np.corrcoef(rate, mean)[0, 1])


def _climbed(climb: Floats, height: Floats, flown: Flown) -> tuple[Floats, Floats]:
    """(mean climb, change of height a second) over windows of `CLIMB_WINDOW_S`, in the counts of either."""
    time, climb, height = flown.time_s, climb[flown.rows], height[flown.rows]
    known = np.isfinite(climb) & np.isfinite(height)
    time, climb, height = time[known], climb[known], height[known]
    if len(time) < LEAST_TO_TELL or np.any(np.diff(time) <= 0):
        return np.zeros(0), np.zeros(0)
    before = np.searchsorted(time, time - CLIMB_WINDOW_S / 2)
    after = np.searchsorted(time, time + CLIMB_WINDOW_S / 2, side="right") - 1
    lasted = time[after] - time[before]
    judged = (lasted > 0) & (lasted < 3 * CLIMB_WINDOW_S)
    total = np.concatenate(([0.0], np.cumsum(climb)))
    mean = (total[after + 1] - total[before]) / (after + 1 - before)
    return mean[judged], (height[after] - height[before])[judged] / lasted[judged]


def bank(logged: Floats, flown: Flown) -> str | None:
    """The unit of a bank: in a level turn its tangent is speed times rate of turn over gravity.

    None where too little was turned; empty where the turns fit no unit, so that it may be no bank at all but a stick.
    """
    speed, _ = flown.made_good()
    turn = np.radians(flown.turning_dps())
    expected = np.degrees(np.arctan(speed * np.abs(turn) / units.GRAVITY_MPS2))
    seen = np.abs(logged[flown.rows])
    judged = np.isfinite(seen) & (np.nan_to_num(expected) > 8.0)
    if judged.sum() < LEAST_TO_TELL:
        return None
    ratio = float(np.median(seen[judged] / expected[judged]))
    found = nearest(ratio, {unit: 1.0 / _per("angle", unit) for unit in _ANGLES}, 2.5)
    return found[0] if len(found) == 1 else ""


def current_and_charge(
    current: Floats, charge: Floats, time_s: Floats, *, current_unit: str = "", charge_unit: str = ""
) -> tuple[str, str]:
    """(unit of a current, unit of the charge used) by how much was drawn, given either; empty where not settled."""
    known = np.isfinite(current) & np.isfinite(charge) & np.isfinite(time_s)
    current, charge, time_s = current[known], charge[known], time_s[known]
    steps = np.diff(time_s)
    if len(steps) < LEAST_TO_TELL or np.any(steps < 0) or np.ptp(charge) <= 0 or charge[-1] <= charge[0]:
        return "", ""
    largest = float(np.max(np.abs(current)))
    drawn = float(np.sum((current[1:] + current[:-1]) / 2 * steps)) / 3.6  # mAh, were the current in A
    currents, charges = (
        [unit] if unit else choices for unit, choices in ((current_unit, _CURRENTS), (charge_unit, _CHARGES))
    )
    factors = {
        f"{a} {q}": _per("charge", q) / _per("current", a)
        for a in currents
        for q in charges
        if current_unit or LEAST_CURRENT_A <= largest * _per("current", a) <= HIGHEST_CURRENT_A
    }
    fitting = [pair.split() for pair in nearest(drawn / float(charge[-1] - charge[0]), factors, 2.0)]
    return (fitting[0][0], fitting[0][1]) if len(fitting) == 1 else ("", "")
