"""Impulses: pixels that stand out from the line above and the line below, as FM clicks do.

The measure is the temporal-outlier idea of FFmpeg's signalstats (TOUT) taken within a field: a pixel brighter than both
its vertical neighbours, or darker than both, by more than the noise explains. A click is short along its line, so
consecutive pixels count once.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]

_LEAST, _MOST = 28.0, 90.0
_SIGMAS = 4.5
_LONGEST = 24


def streaks_per_row(above: Bytes, row: Bytes, below: Bytes, noise: float) -> float:
    """Streaks in a row on average, from rows (N, W) and their neighbours in the same field.

    `noise` is its standard deviation in 8-bit levels; NaN counts as none.
    """
    threshold = float(np.clip(_SIGMAS * np.nan_to_num(noise), _LEAST, _MOST))
    brighter = cv2.subtract(row, cv2.max(above, below))
    darker = cv2.subtract(cv2.min(above, below), row)
    outside = cv2.threshold(cv2.max(brighter, darker), threshold, 1, cv2.THRESH_BINARY)[1]
    # Closing joins the pieces of one streak; opening by a long bar finds what is too long to be a click.
    joined = cv2.morphologyEx(outside, cv2.MORPH_CLOSE, np.ones((1, 3), np.uint8))
    long = cv2.morphologyEx(joined, cv2.MORPH_OPEN, np.ones((1, _LONGEST), np.uint8))
    return (_runs(joined) - _runs(long)) / len(row)


def _runs(mask: NDArray[Any]) -> int:
    return cv2.countNonZero(cv2.subtract(mask[:, 1:], mask[:, :-1])) + cv2.countNonZero(mask[:, 0])
