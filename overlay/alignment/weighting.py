"""How much each frequency of each channel is worth, from the data themselves.

A log's noise is anything but white: a white error in velocity is ∝ f² in turn rate and ∝ f⁴ in the roll inferred from it,
while gusts move nose and path apart at low frequencies. The best weight for a delay is that of Hannan & Thomson
(1973, Biometrika 60; Knapp & Carter 1976, IEEE Trans. ASSP 24(4), table I): γ² / (|Gxy|·(1 − γ²)), γ² the squared
coherence. It is estimated at a first solution and applied as a zero-phase filter to the residuals.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Floats = NDArray[np.float64]

SEGMENT_S = (9.0, 16.0)
BREADTH = 0.3
_COHERENT = 0.98  # no frequency is trusted beyond this


class FrequencyWeights:
    """Zero-phase filters (K, C) for residuals sampled every `step_s`; `of` applies them."""

    def __init__(self, response: Floats, segment: int) -> None:
        self._response, self._segment = response, segment

    @classmethod
    def estimated(cls, wanted: Floats, got: Floats, step_s: float, highest_Hz: float) -> FrequencyWeights:
        """From matched signals (N, C) on a regular grid, none above `highest_Hz`; what is not known on both sides is NaN."""
        unknown = ~(np.isfinite(wanted) & np.isfinite(got))
        known = np.asarray(~unknown.all(axis=1))
        wanted, got = (_bridged(np.where(unknown, np.nan, signal)) for signal in (wanted, got))
        length = float(known.sum()) * step_s
        segment = max(20, 2 * round(np.clip(length / 40, *SEGMENT_S) / step_s / 2))
        x, y = _spectra(wanted, known, segment), _spectra(got, known, segment)
        count = max(1.0, 0.6 * len(x))  # half-overlapping tapered segments are not all independent
        gxx, gyy = (np.abs(x) ** 2).mean(axis=0), (np.abs(y) ** 2).mean(axis=0)
        gxy = (np.conj(x) * y).mean(axis=0)
        gxx, gyy = _smooth(gxx), _smooth(gyy)
        cross = np.abs(_smooth(gxy.real) + 1j * _smooth(gxy.imag))
        coherence = np.clip(cross**2 / np.maximum(gxx * gyy, 1e-30), 0.0, 1.0)
        chance = 1 / (3 * count)
        coherence = np.clip((coherence - chance) / (1 - chance), 0.0, _COHERENT)
        weight = coherence / (np.maximum(cross, 1e-30) * (1 - coherence))
        weight[0] = 0.0  # a constant difference says nothing of time
        weight[np.arange(len(weight)) > highest_Hz * segment * step_s] = 0.0
        return cls(weight, segment)

    def of(self, residual: Floats) -> Floats:
        """(N, C) residuals filtered; what is not known must be 0."""
        size = fft.next_fast_len(len(residual) + self._segment, real=True)
        kernel = fft.irfft(self._response, self._segment, axis=0)  # symmetric about 0, circular
        half = self._segment // 2
        padded = np.zeros((size, residual.shape[1]))
        padded[:half], padded[-half:] = kernel[:half], kernel[-half:]
        filtered = fft.irfft(fft.rfft(residual, size, axis=0) * fft.rfft(padded, axis=0), size, axis=0)
        return np.asarray(filtered[: len(residual)])


def _bridged(signal: Floats) -> Floats:
    """NaN filled by straight lines: smooth in both signals alike, so that no gap's edge counts as common fast motion."""
    row = np.arange(len(signal))
    filled = np.zeros_like(signal)
    for k, column in enumerate(signal.T):
        known = np.isfinite(column)
        if known.any():
            filled[:, k] = np.interp(row, row[known], column[known])
    return filled


def _spectra(signal: Floats, known: NDArray[np.bool_], segment: int) -> NDArray[np.complex128]:
    """(S, F, C) spectra of half-overlapping Hann segments known for the most part, scaled to variance per sample."""
    taper = np.hanning(segment)[:, None]
    rows = []
    for start in range(0, max(1, len(signal) - segment + 1), segment // 2):
        part, mask = signal[start : start + segment], known[start : start + segment]
        if len(part) == segment and mask.mean() > 0.5:
            rows.append(fft.rfft((part - part.mean(axis=0)) * taper, axis=0) / np.sqrt((taper**2).sum()))
    return np.array(rows) if rows else np.zeros((1, segment // 2 + 1, signal.shape[1]), complex)


def _smooth(spectrum: Floats) -> Floats:
    """Mean over a quarter octave or so of neighbouring frequencies, three at least: fewer numbers to get wrong."""
    count = len(spectrum)
    total = np.vstack((np.zeros((1, spectrum.shape[1])), np.cumsum(spectrum[1:], axis=0)))  # without the constant term
    k = np.arange(1, count)
    reach = np.maximum(1, np.rint(BREADTH * k).astype(np.intp))
    low, high = np.maximum(k - reach, 1), np.minimum(k + reach, count - 1)
    mean = (total[high] - total[low - 1]) / (high - low + 1)[:, None]
    return np.asarray(np.vstack((mean[:1], mean)))
