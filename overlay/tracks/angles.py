"""Angles as people and receivers write them: decimal degrees, degrees and minutes, a letter for the hemisphere."""

from __future__ import annotations

import math
import re

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_NUMBER = re.compile(r"[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?")
_LETTER = re.compile(r"(?<![A-Za-z])([NSEWOnsewo])(?![A-Za-z])")
_PLACE_SPLIT = re.compile(r"\s*[,;/|]\s*|\s+")


def angle(text: str) -> float:
    """Degrees of one latitude or longitude, NaN where the text is none.

    >>> angle("48°07.038'N"), angle("S 33 51 35.9"), angle("-12.5"), angle("151.5 W")
    (48.1173, -33.859972222222225, -12.5, -151.5)
    """
    try:
        return float(text)
    except ValueError:
        pass
    letters = _LETTER.findall(text)
    parts = [float(part.replace(",", ".")) for part in _NUMBER.findall(text)]
    if not 1 <= len(parts) <= 3 or len(letters) > 1 or re.sub(r"[\d\s.,+\-°º'′\"″’”NSEWOnsewodeg:]", "", text):
        return math.nan
    if any(not 0 <= part < 60 for part in parts[1:]):
        return math.nan
    size = sum(abs(part) / 60.0**power for power, part in enumerate(parts))
    negative = text.lstrip().startswith("-") or (letters and letters[0].upper() in "SW")
    return -size if negative else size


def place(text: str) -> tuple[float, float]:
    """(latitude, longitude) in degrees of a pair in one text, NaN where it is none.

    >>> place("31.166881 121.356245"), place("48°07.038'N, 11°31.0'E")
    ((31.166881, 121.356245), (48.1173, 11.516666666666667))
    """
    parts = [part for part in _PLACE_SPLIT.split(text.strip().strip('()[]"')) if part]
    if len(parts) > 2 and re.search(r"[,;/|]", text):
        parts = [part for part in re.split(r"\s*[,;/|]\s*", text.strip().strip('()[]"')) if part]
    if len(parts) != 2:
        return math.nan, math.nan
    return angle(parts[0]), angle(parts[1])


def from_degrees_minutes(values: Floats) -> Floats:
    """Degrees of ``dddmm.mmmm`` as NMEA 0183 writes them.

    >>> from_degrees_minutes(np.array([4807.038, -1131.0])).round(6).tolist()
    [48.1173, -11.516667]
    """
    size = np.abs(values)
    degrees = np.floor(size / 100.0)
    return np.asarray(np.copysign(degrees + (size - 100.0 * degrees) / 60.0, values), dtype=np.float64)


def course(values: Floats) -> Floats:
    """Angles in degrees brought to [0, 360)."""
    turned = np.mod(values, 360.0)
    return np.where(turned >= 360.0, 0.0, turned)
