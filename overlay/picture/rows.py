"""How rows lie: sideways against their neighbours, and the whole picture up or down.

A receiver that loses line sync shifts rows sideways (tearing); one that loses field sync lets the picture roll, its
blanking a dark bar across it.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay.picture.noise import ranked

Bytes = NDArray[np.uint8]
Floats = NDArray[np.float64]

_SHRINK = 3
_FAINT = 200.0
_ALIKE = 0.3
_TORN_PX = 2.0
_LEAST_ROWS = 6
_DARK = 40


class RowSteps(NamedTuple):
    """Sideways steps between neighbouring rows, one value per frame (B,).

    `step_px`: robust scatter of the steps in pixels. `torn`: share of rows stepping by more than two pixels against the
    rows about them. Both are NaN where too few rows can be told. `coherence`: median correlation of neighbouring rows
    as they lie, near 1 where lines continue lines and 0 where nothing does.
    """

    step_px: Floats
    torn: Floats
    coherence: Floats


def row_steps(row: Bytes, below: Bytes) -> RowSteps:
    """Compare rows (B, N, W) with the next rows of the same field, by correlating their gradients."""
    frames, lines, width = row.shape
    first, second = (_gradients(part.reshape(-1, width)) for part in (row, below))
    one, other = cv2.dft(first, flags=cv2.DFT_ROWS), cv2.dft(second, flags=cv2.DFT_ROWS)
    spectrum = cv2.mulSpectrums(one, other, cv2.DFT_ROWS, conjB=True)
    flags = cv2.DFT_ROWS | cv2.DFT_INVERSE | cv2.DFT_SCALE | cv2.DFT_REAL_OUTPUT
    correlation = cv2.dft(spectrum, flags=flags)
    energy = np.sqrt(np.einsum("ij,ij->i", first, first) * np.einsum("ij,ij->i", second, second)) + 1e-3
    shift, peak = _peaks(correlation)
    alike = (correlation[:, 0] / energy).reshape(frames, lines)
    energy = energy.reshape(frames, lines)
    told = (peak.reshape(frames, lines) > _ALIKE * energy) & (energy > _FAINT)
    told &= energy > 0.1 * np.median(energy, axis=1)[:, None]
    enough = np.count_nonzero(told, axis=1) >= _LEAST_ROWS
    shift = shift.reshape(frames, lines) * _SHRINK
    stray = np.abs(shift - ranked(shift, told, 0.5)[:, None])
    torn = np.count_nonzero((stray > _TORN_PX) & told, axis=1) / np.maximum(np.count_nonzero(told, axis=1), 1)
    return RowSteps(
        np.where(enough, 1.4826 * ranked(stray, told, 0.5), np.nan),
        np.where(enough, torn, np.nan),
        np.median(alike, axis=1).astype(np.float64),
    )


def _gradients(rows: Bytes) -> NDArray[np.float32]:
    samples = rows.shape[1] // _SHRINK // 16 * 16
    # Means of threes as a resize makes them, in half the time.
    small = cv2.blur(rows[:, : samples * _SHRINK], (_SHRINK, 1))[:, _SHRINK // 2 :: _SHRINK].astype(np.float32)
    slope = np.zeros_like(small)
    np.subtract(small[:, 2:], small[:, :-2], out=slope[:, 1:-1])
    return slope


def _peaks(correlation: NDArray[Any]) -> tuple[Floats, Floats]:
    """Place of each row's highest value, −half … half, to a fraction by a parabola, and that value."""
    index, place = np.arange(len(correlation)), np.argmax(correlation, axis=1)
    peak = correlation[index, place]
    samples = correlation.shape[1]
    left, right = correlation[index, place - 1], correlation[index, (place + 1) % samples]
    bent = 2.0 * peak - left - right
    shift = place + 0.5 * (right - left) / np.where(bent > 0, bent, np.inf)
    half = samples / 2
    return np.asarray((shift + half) % samples - half, dtype=np.float64), peak.astype(np.float64)


def vertical_shift(profiles: NDArray[np.float32], before: NDArray[np.float32]) -> Floats:
    """Rows (B,) moved down, cyclically, from row means (B, N) of frames and of those before; NaN where not told."""
    now, then = (part - part.mean(axis=1, keepdims=True) for part in (profiles, before))
    rows = profiles.shape[1]
    energy = np.sqrt(np.einsum("ij,ij->i", now, now) * np.einsum("ij,ij->i", then, then))
    spectrum = np.fft.rfft(now, axis=1) * np.conj(np.fft.rfft(then, axis=1))
    correlation = np.fft.irfft(spectrum, rows, axis=1)
    place = np.argmax(correlation, axis=1)
    told = (energy > 4.0 * rows) & (correlation[np.arange(len(place)), place] > 0.6 * energy)
    return np.where(told, (place + rows // 2) % rows - rows // 2, np.nan)


def dark_bar(rows: Bytes) -> Floats:
    """Share (B,) of rows (B, N, W) that are dark from side to side, top and bottom aside; 0 where all are."""
    dark = rows[..., 8:-8].max(axis=2) < _DARK
    edge = max(1, dark.shape[1] // 16)
    inside = dark[:, edge:-edge]
    return np.where(inside.all(axis=1), 0.0, inside.mean(axis=1))
