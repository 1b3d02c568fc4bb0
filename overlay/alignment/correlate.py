"""Normalised cross-correlation of gapped, many-channel signals over every possible overlap.

Convention: at lag ``l`` sample ``n`` of the recording meets sample ``n + l`` of the reference.

>>> import numpy as np
>>> recording = np.array([[0.0, 1.0, 3.0, 2.0, -1.0, 0.5]])
>>> reference = np.concatenate((np.array([[5.0, -2.0]]), recording), axis=1)   # the same, two samples later
>>> every = lambda signal: np.ones(signal.shape[1], bool)
>>> surface = masked_correlation(reference, every(reference), recording, every(recording))
>>> int(surface.lag[np.nanargmax(np.where(surface.count > 4, surface.correlation[:, 0, 0], -1.0))])
2
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import fft

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

SINGULAR = 1e-30  # a pivot is no less


@dataclass(frozen=True)
class Surface:
    """What the overlap at each `lag` (L,) of `count` (L,) pairs holds.

    `joint` (K, K, L) are the correlations among all channels there, the reference's first; `correlation` (L, C, D) is
    its block of reference channel c with recording channel d.
    """

    lag: NDArray[np.intp]
    joint: Floats
    count: Floats
    reference_channels: int

    @property
    def correlation(self) -> Floats:
        """Reference channels against recording channels, (L, C, D)."""
        return np.moveaxis(self.joint[: self.reference_channels, self.reference_channels :], 2, 0)


def masked_correlation(reference: Floats, reference_known: Mask, recording: Floats, recording_known: Mask) -> Surface:
    """Pearson correlation over the pairs known on both sides, at every lag, by FFT.

    reference (C, N), recording (D, M); masks (N,), (M,). Means and variances are those of the overlap at each lag
    (Padfield 2012, IEEE Trans. Image Process. 21(5), eqs. 11–13, in one dimension).
    """
    ahead, behind = reference.shape[1], recording.shape[1]
    size = fft.next_fast_len(ahead + behind - 1, real=True)
    lag = np.arange(-(behind - 1), ahead)
    x = np.vstack((reference_known, np.where(reference_known, reference, 0.0)))
    y = np.vstack((recording_known, np.where(recording_known, recording, 0.0)))
    fx, fy = fft.rfft(x, size, axis=1), np.conj(fft.rfft(y, size, axis=1))
    sums = fft.irfft(fx[:, None] * fy[None], size, axis=2)[..., lag]  # (C+1, D+1, L)
    count = np.rint(sums[0, 0])
    mean = np.vstack((sums[1:, 0], sums[0, 1:])) / np.maximum(count, 1.0)
    c, d = len(reference), len(recording)
    products = np.empty((c + d, c + d, len(lag)))
    products[:c, c:], products[c:, :c] = sums[1:, 1:], np.swapaxes(sums[1:, 1:], 0, 1)
    products[:c, :c] = _moments(x[1:], lambda own: own * fy[0], size)[..., lag]
    products[c:, c:] = _moments(y[1:], lambda own: fx[0] * np.conj(own), size)[..., lag]
    covariance = products / np.maximum(count, 1.0) - mean[:, None] * mean[None]
    variance = np.einsum("kkl->kl", covariance)
    # A channel that does not vary in an overlap correlates with nothing there; the floor is rounding error of the sums.
    floor = 1e-9 * np.max(np.abs(np.vstack((x[1:].max(1, initial=0), -x[1:].min(1, initial=0)))), initial=0) ** 2
    alive = variance > max(floor, 1e-12)
    scale = np.where(alive, 1 / np.sqrt(np.where(alive, variance, 1.0)), 0.0)
    joint = np.clip(covariance * scale[:, None] * scale[None], -1.0, 1.0)
    joint[np.arange(c + d), np.arange(c + d)] = 1.0
    return Surface(lag, joint, count, c)


def _moments(signal: Floats, meet: Callable[[Floats], Floats], size: int) -> Floats:
    """Σ of the products of a side's own channels over the other side's known samples, (C, C, size)."""
    channels = len(signal)
    moments = np.empty((channels, channels, size))
    for i in range(channels):
        for j in range(i, channels):
            moments[i, j] = moments[j, i] = fft.irfft(meet(fft.rfft(signal[i] * signal[j], size)), size)
    return moments


def whitened(signal: Floats, known: Mask) -> Floats:
    """Channels (C, N) mixed so that their covariance over the known samples is the identity; dead channels stay zero."""
    centred = np.where(known, signal - signal[:, known].mean(axis=1, keepdims=True), 0.0) if known.any() else signal * 0
    covariance = centred @ centred.T / max(1, int(known.sum()))
    values, vectors = np.linalg.eigh(covariance)
    alive = values > 1e-6 * max(float(values.max(initial=0.0)), 1e-12)
    scale = np.where(alive, 1 / np.sqrt(np.where(alive, values, 1.0)), 0.0)
    return np.asarray(scale[:, None] * (vectors.T @ centred))


def independent_share(reference: Floats, reference_known: Mask, recording: Floats, recording_known: Mask) -> float:
    """Independent pairs per pair of samples: 1 / Σ ρx(k)·ρy(k) over lags (Bartlett's formula), at most 1."""
    product = _autocorrelation(reference, reference_known) * _autocorrelation(recording, recording_known)
    return float(1.0 / max(1.0, 1.0 + 2.0 * product[1:].sum()))


def _autocorrelation(signal: Floats, known: Mask, longest: int = 100) -> Floats:
    filled = np.where(known, signal, 0.0)
    size = fft.next_fast_len(2 * filled.shape[1], real=True)
    power = (np.abs(fft.rfft(filled, size, axis=1)) ** 2).sum(axis=0)
    acf = fft.irfft(power, size)[: min(longest, filled.shape[1])]
    return np.asarray(acf / max(float(acf[0]), 1e-12))


def evidence(surface: Surface, share: float, least: float) -> Floats:
    """Log-likelihood ratio (L,) of "these move together" against "these do not", over the overlap at each lag.

    −(n/2)·log(det R / (det Rx · det Ry)): the statistic of canonical correlation, and therefore blind to how the camera
    is mounted, to its field of view and to the units of either side. Its mean under the null, half the number of
    coefficients (Wilks), is taken off. Zero where fewer than `least` pairs meet. `share` is `independent_share`.
    """
    c, channels = surface.reference_channels, len(surface.joint)
    enough = surface.count >= least
    joint = surface.joint[:, :, enough] + 1e-6 * np.eye(channels)[:, :, None]
    # Eliminated in order, the reference's channels first, so that its own determinant comes out on the way.
    pivots = _log_pivots(joint)
    gain = pivots[c:].sum(axis=0) - _log_pivots(joint[c:, c:]).sum(axis=0)
    ratio = np.zeros(len(enough))
    ratio[enough] = -0.5 * share * surface.count[enough] * gain - 0.5 * c * (channels - c)
    return np.maximum(ratio, 0.0)


def _log_pivots(matrices: Floats) -> Floats:
    """(K, L) logs of the pivots of L symmetric matrices (K, K, L); their sum is the log of the determinant.

    Gauss's elimination side by side for all of them: one call of a library for each of so many small ones takes longer.
    """
    left, pivots = matrices.copy(), []
    while len(left):
        pivot = np.maximum(np.abs(left[0, 0]), SINGULAR)
        left = left[1:, 1:] - left[1:, :1] * (left[:1, 1:] / pivot)
        pivots.append(np.log(pivot))
    return np.array(pivots)
