"""How rows lie: sideways against their neighbours, and the whole picture up or down.

A receiver that loses line sync shifts rows sideways (jitter, tearing); one that loses field sync lets the picture roll,
its blanking a dark bar across it.
"""

from __future__ import annotations

from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

_SAMPLES = 256
_SMOOTH = 5


class RowShifts(NamedTuple):
    """Sideways steps between neighbouring rows.

    `jitter_px`: robust scatter of the steps in pixels. `torn`: share of rows stepping by more than two pixels against
    the rows about them. `coherence`: median correlation of neighbouring rows as they lie, 1 where lines continue lines.
    """

    jitter_px: float
    torn: float
    coherence: float


def row_shifts(row: Bytes, below: Bytes) -> RowShifts:
    """Compare rows (N, W) with the next rows of the same field, by correlation of their gradients."""
    scale = row.shape[1] / _SAMPLES
    first, second = _gradients(row), _gradients(below)
    one, other = cv2.dft(first, flags=cv2.DFT_ROWS), cv2.dft(second, flags=cv2.DFT_ROWS)
    spectrum = cv2.mulSpectrums(one, other, cv2.DFT_ROWS, conjB=True)
    correlation = cv2.dft(spectrum, flags=cv2.DFT_ROWS | cv2.DFT_INVERSE | cv2.DFT_SCALE | cv2.DFT_REAL_OUTPUT)
    energy = np.sqrt(np.einsum("ij,ij->i", first, first) * np.einsum("ij,ij->i", second, second)) + 1e-3
    place = np.argmax(correlation, axis=1)
    index = np.arange(len(row))
    peak = correlation[index, place]
    left, right = correlation[index, place - 1], correlation[index, (place + 1) % _SAMPLES]
    bend = 2.0 * peak - left - right
    shift = place + 0.5 * (right - left) / np.where(bend > 0, bend, np.inf)
    shift = ((shift + _SAMPLES / 2) % _SAMPLES - _SAMPLES / 2) * scale
    told = (peak > 0.3 * energy) & (energy > np.median(energy) * 0.1) & (energy > 200.0)
    coherence = float(np.median(correlation[:, 0] / energy))
    if np.count_nonzero(told) < 6:
        return RowShifts(np.nan, np.nan, coherence)
    stray = np.abs(shift[told] - np.median(shift[told]))
    return RowShifts(float(1.48 * np.median(stray)), float(np.mean(stray > 2.0)), coherence)


def _gradients(rows: Bytes) -> NDArray[np.float32]:
    small = cv2.resize(rows, (_SAMPLES, len(rows)), interpolation=cv2.INTER_AREA).astype(np.float32)
    slope = np.zeros_like(small)
    slope[:, 1:-1] = small[:, 2:] - small[:, :-2]
    return slope


def vertical_shift(profile: Floats, before: Floats) -> float:
    """Rows moved down, cyclically, from row means (N,) of this frame and the previous one; NaN if they do not tell."""
    now, then = profile - profile.mean(), before - before.mean()
    energy = float(np.sqrt(now @ now * (then @ then)))
    if energy < len(profile) * 4.0:
        return np.nan
    correlation = np.fft.irfft(np.fft.rfft(now) * np.conj(np.fft.rfft(then)), len(profile)) / energy
    place = int(np.argmax(correlation))
    return float((place + len(profile) // 2) % len(profile) - len(profile) // 2) if correlation[place] > 0.6 else np.nan


def dark_bar(field: Bytes) -> float:
    """Share of the rows of `field` (N, W) that are dark from side to side while the picture goes on above and below."""
    dark = field[::2, 8:-8].max(axis=1) < 40
    inside = dark[len(dark) // 16 : -len(dark) // 16]
    return float(np.mean(inside)) if not inside.all() else 0.0
