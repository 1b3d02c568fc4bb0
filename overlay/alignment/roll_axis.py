"""Where the aircraft's roll axis lies in the camera's picture, told by the picture alone.

In a coordinated turn the yaw rate follows the *bank*, the integral of the roll rate, while a camera tilted against
the roll axis adds a share of the roll rate itself. The two lie a quarter of a period apart, so a regression tells them
apart without any log; and a log of positions alone, whose inferred roll is mostly noise, could not.

What it cannot tell from a tilt is a nose that follows the bank late: a lag of τ seconds looks like g·τ/V radians.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TREND_S = 20.0  # slower changes of the integrated roll are drift of the integral
LONGEST_STEP_S = 0.5
LEAST_S = 40.0
CAUCHY = 2.385  # as in `refine`


def roll_axis(time_s: Floats, rates: Floats) -> Floats | None:
    """Direction (3,) of the roll axis in the camera's own (roll, pitch, yaw) coordinates, length 1; None where unknown.

    `rates` (N, 3) rad/s at `time_s` (N,); rows with NaN, and stretches shorter than `TREND_S`, are left out.
    """
    looked = (_piece(time_s[part], rates[part]) for part in _stretches(time_s, rates))
    pieces = [piece for piece in looked if piece is not None]
    if sum(piece[1][-1] - piece[1][0] for piece in pieces) < LEAST_S:
        return None
    bank, _, turn = (np.concatenate(columns) for columns in zip(*pieces, strict=True))
    roll = turn[:, 0]
    one = np.ones(len(roll))
    yaw = _share(np.column_stack((roll, bank, one)), turn[:, 2])
    pitch = _share(np.column_stack((roll, bank**2, one)), turn[:, 1])
    axis = np.array([1.0, pitch, yaw])
    return np.asarray(axis / np.linalg.norm(axis))


def to_forward(axis: Floats) -> Floats:
    """Smallest rotation matrix (3, 3) that takes `axis` to forward."""
    from scipy.spatial.transform import Rotation

    forward = np.array([1.0, 0.0, 0.0])
    normal = np.cross(axis, forward)
    sine = float(np.linalg.norm(normal))
    if sine < 1e-9:
        return np.eye(3)
    angle = float(np.arctan2(sine, axis @ forward))
    return np.asarray(Rotation.from_rotvec(normal / sine * angle).as_matrix())


def _stretches(time_s: Floats, rates: Floats) -> list[NDArray[np.intp]]:
    known = np.flatnonzero(np.all(np.isfinite(rates), axis=1))
    if len(known) < 2:
        return []
    return np.split(known, np.flatnonzero(np.diff(time_s[known]) > LONGEST_STEP_S) + 1)


def _piece(time_s: Floats, rates: Floats) -> tuple[Floats, Floats, Floats] | None:
    """(bank without its trend, times, rates) of one stretch, its untrustworthy ends cut off."""
    if len(time_s) < 20 or time_s[-1] - time_s[0] < TREND_S:
        return None
    step = np.append(np.diff(time_s), np.median(np.diff(time_s)))
    bank = np.cumsum(rates[:, 0] * step)
    length = max(3, round(TREND_S / float(np.median(step))))
    taper = np.hanning(length + 2)
    window = taper / taper.sum()
    reach = len(window) // 2
    padded = np.pad(bank, reach, mode="edge")
    trend = np.convolve(padded, window, mode="same")[reach : reach + len(bank)]
    return bank - trend, time_s, rates


def _share(columns: Floats, values: Floats) -> float:
    """Robust regression coefficient of the first column."""
    weight: Floats = np.ones(len(values))
    found: Floats = np.zeros(columns.shape[1])
    for _ in range(12):
        root = np.sqrt(weight)
        found = np.asarray(np.linalg.lstsq(columns * root[:, None], values * root, rcond=None)[0], np.float64)
        residual = values - columns @ found
        scale = max(1.4826 * float(np.median(np.abs(residual))), 1e-6)
        weight = 1 / (1 + (residual / scale / CAUCHY) ** 2)
    return float(found[0])
