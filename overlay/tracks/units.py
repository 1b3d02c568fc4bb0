"""Units as logs write them, by the quantity they measure, and the way to the unit that a column is kept in.

Factors: the foot, the mile and the knot are exact by definition (international yard and pound agreement 1959; nautical
mile 1929); standard gravity 9.80665 m/s² (CGPM 1901).
"""

from __future__ import annotations

import math
import re

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FOOT_M, MILE_M, KNOT_MPS, GRAVITY_MPS2 = 0.3048, 1609.344, 1852.0 / 3600.0, 9.80665
DEG_PER_RAD = 180.0 / math.pi

# quantity -> unit as normalised by `plain` -> factor to the unit the column is kept in
_ANGLE = {
    "deg": 1.0, "degree": 1.0, "degrees": 1.0, "decimaldegrees": 1.0, "rad": DEG_PER_RAD, "radian": DEG_PER_RAD,
    "radians": DEG_PER_RAD, "mrad": DEG_PER_RAD / 1e3, "dege7": 1e-7, "deg1e7": 1e-7, "1e-7deg": 1e-7, "deg*1e7": 1e-7,
    "1e7": 1e-7, "e7": 1e-7, "deg*1e-7": 1e-7, "degx1e7": 1e-7, "dege6": 1e-6, "deg*1e6": 1e-6, "1e-6deg": 1e-6,
    "cdeg": 1e-2, "centideg": 1e-2, "centidegrees": 1e-2, "deg*100": 1e-2, "deg/100": 1e-2, "0.01deg": 1e-2,
    "deg*10": 0.1, "0.1deg": 0.1,
}  # fmt: skip
_LENGTH = {
    "m": 1.0, "meter": 1.0, "meters": 1.0, "metre": 1.0, "metres": 1.0, "mamsl": 1.0, "mmsl": 1.0, "magl": 1.0,
    "km": 1e3, "dm": 0.1, "cm": 1e-2, "mm": 1e-3, "ft": FOOT_M, "feet": FOOT_M, "foot": FOOT_M, "mi": MILE_M,
}  # fmt: skip
_SPEED = {
    "m/s": 1.0, "mps": 1.0, "ms-1": 1.0, "m/sec": 1.0, "cm/s": 1e-2, "cms": 1e-2, "mm/s": 1e-3, "dm/s": 0.1,
    "km/h": 1 / 3.6, "kmh": 1 / 3.6, "kph": 1 / 3.6, "kmph": 1 / 3.6, "km/hr": 1 / 3.6, "kmhr": 1 / 3.6,
    "kt": KNOT_MPS, "kts": KNOT_MPS, "kn": KNOT_MPS, "knot": KNOT_MPS, "knots": KNOT_MPS,
    "mph": MILE_M / 3600, "mi/h": MILE_M / 3600, "ft/s": FOOT_M, "fps": FOOT_M, "ft/sec": FOOT_M,
    "ft/min": FOOT_M / 60, "fpm": FOOT_M / 60, "ftmin": FOOT_M / 60, "m/min": 1 / 60,
}  # fmt: skip
_RATE = {
    "deg/s": 1.0, "dps": 1.0, "deg/sec": 1.0, "degs": 1.0, "rad/s": DEG_PER_RAD, "rads": DEG_PER_RAD,
    "rps": DEG_PER_RAD, "radps": DEG_PER_RAD, "rad/sec": DEG_PER_RAD, "mrad/s": DEG_PER_RAD / 1e3, "cdeg/s": 1e-2,
}  # fmt: skip
_ACCELERATION = {
    "m/s2": 1.0, "m/s/s": 1.0, "m/s^2": 1.0, "mps2": 1.0, "ms2": 1.0, "ms-2": 1.0, "cm/s2": 1e-2,
    "g": GRAVITY_MPS2, "mg": GRAVITY_MPS2 / 1e3,
}  # fmt: skip
_PERCENT = {"%": 1.0, "pct": 1.0, "percent": 1.0, "perc": 1.0}
_DECIBEL = {"db": 1.0, "dbm": 1.0}

QUANTITIES: dict[str, dict[str, float]] = {
    "angle": _ANGLE,
    "length": _LENGTH,
    "speed": _SPEED,
    "rate": _RATE,
    "acceleration": _ACCELERATION,
    "voltage": {"v": 1.0, "volt": 1.0, "volts": 1.0, "mv": 1e-3, "cv": 1e-2},
    "current": {"a": 1.0, "amp": 1.0, "amps": 1.0, "ampere": 1.0, "amperes": 1.0, "ma": 1e-3, "da": 0.1, "ca": 1e-2},
    "charge": {"mah": 1.0, "ah": 1e3},
    "percent": _PERCENT,
    "power": {"mw": 1.0, "w": 1e3, "dbm": math.nan},
    "decibel": _DECIBEL,
    "count": {},
    "time": {
        "s": 1.0, "sec": 1.0, "secs": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3, "msec": 1e-3, "millis": 1e-3,
        "milliseconds": 1e-3, "us": 1e-6, "usec": 1e-6, "micros": 1e-6, "microseconds": 1e-6, "ns": 1e-9, "min": 60.0,
        "minutes": 60.0,
    },
}  # fmt: skip


def plain(unit: str) -> str:
    """A unit as `QUANTITIES` spells it.

    >>> plain("°"), plain("[Km/H]"), plain("m/s²"), plain("µs")
    ('deg', 'km/h', 'm/s2', 'us')
    """
    text = unit.strip().strip("()[]{}<>").strip().lower()
    for sign, spelling in (("°", "deg"), ("º", "deg"), ("²", "2"), ("µ", "u"), ("μ", "u"), ("·", "*"), (" ", "")):
        text = text.replace(sign, spelling)
    return "deg" if text == "@" else text  # radios without a degree sign write @


def measures(unit: str, quantity: str) -> bool:
    """Whether `unit` (any spelling) is one of `quantity`."""
    return plain(unit) in QUANTITIES[quantity]


def within(text: str, quantity: str) -> str:
    """The unit of `quantity` in a text such as "ft AGL", empty where there is none or more than one.

    >>> within("ft AGL", "length"), within("MSL", "length"), within("kmh", "speed")
    ('ft', '', 'kmh')
    """
    if measures(text, quantity):
        return text.strip()
    found = [word for word in re.split(r"[\s,;]+", text) if measures(word, quantity)]
    return found[0] if len(found) == 1 else ""


def is_unit(text: str) -> bool:
    """Whether a text is a unit of anything."""
    return any(plain(text) in units for units in QUANTITIES.values())


def base(quantity: str) -> str:
    """The unit that columns of `quantity` are kept in.

    >>> base("length"), base("speed"), base("charge")
    ('m', 'm/s', 'mah')
    """
    return next((unit for unit, factor in QUANTITIES[quantity].items() if factor == 1.0), "")


def convert(values: Floats, quantity: str, unit: str) -> Floats:
    """Values in the unit that columns of `quantity` are kept in; a unit left empty leaves them as they are.

    >>> convert(np.array([100.0]), "speed", "km/h").round(3).tolist()
    [27.778]
    >>> convert(np.array([20.0]), "power", "dBm").tolist()
    [100.0]
    """
    if not unit:
        return values
    if quantity == "power" and plain(unit) == "dbm":
        return np.asarray(10.0 ** (np.clip(values, -200.0, 100.0) / 10.0), dtype=np.float64)
    return values * QUANTITIES[quantity][plain(unit)]
