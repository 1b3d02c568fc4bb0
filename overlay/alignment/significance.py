"""How high the best correlation of unrelated signals gets: the null that a true peak must beat.

Two kinds of surrogate of the recording are correlated with the reference, over all lags, and the worse verdict counts.
Phase-randomised ones (Ebisuzaki 1997, J. Climate 10, 2147) keep the spectrum, so that slow or periodic motion is given
its due. Shuffled ones (pieces of a minute, permuted, reversed in time and mirrored) keep the bursts, which phase
randomisation smooths away. The maxima follow a Gumbel law, whose tail gives probabilities below one in the number of
surrogates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.alignment.correlate import evidence, masked_correlation

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]


@dataclass(frozen=True)
class Null:
    """Maxima (K,) of the evidence over all lags for surrogates of the recording, one array per kind."""

    phases: Floats
    shuffled: Floats

    def probability(self, peak: float) -> float:
        """Chance that unrelated signals reach `peak`, the worse of both kinds."""
        return max(_gumbel_tail(self.phases, peak), _gumbel_tail(self.shuffled, peak))

    def z(self, peak: float) -> float:
        """How many standard deviations of the surrogates' maxima `peak` lies above their mean, the lesser of both."""
        return min(float(peak - kind.mean()) / max(float(kind.std()), 1e-9) for kind in (self.phases, self.shuffled))


def null(
    reference: Floats, reference_known: Mask, recording: Floats, recording_known: Mask, share: float, least: float,
    *, piece: int, count: int = 30, seed: int = 5,
) -> Null:  # fmt: skip
    """Surrogate maxima for whitened channels as `evidence` takes them; `piece` samples make a shuffled piece."""
    rng = np.random.default_rng(seed)

    def best(surrogate: Floats, known: Mask) -> float:
        return float(evidence(masked_correlation(reference, reference_known, surrogate, known), share, least).max())

    filled = np.where(recording_known, recording, 0.0)
    phases = [best(phase_randomised(filled, rng), recording_known) for _ in range(count)]
    shuffled = [best(*reshuffled(filled, recording_known, piece, rng)) for _ in range(count)]
    return Null(np.array(phases), np.array(shuffled))


def phase_randomised(signal: Floats, rng: np.random.Generator) -> Floats:
    """Channels (C, N) with the same random phases added, so spectra and cross-spectra stay; end points matched first."""
    count = signal.shape[1]
    ramp = np.linspace(-0.5, 0.5, count)
    joined = signal - (signal[:, -1:] - signal[:, :1]) * ramp
    spectrum = np.fft.rfft(joined, axis=1)
    turn = np.exp(2j * np.pi * rng.random(spectrum.shape[1]))
    turn[0] = 1.0
    if count % 2 == 0:
        turn[-1] = 1.0
    return np.asarray(np.fft.irfft(spectrum * turn, count, axis=1))


def reshuffled(signal: Floats, known: Mask, piece: int, rng: np.random.Generator) -> tuple[Floats, Mask]:
    """Pieces of the channels permuted, each reversed in time, each channel mirrored or not; the mask goes along."""
    count = signal.shape[1]
    edges = np.arange(0, count, max(2, min(piece, count // 3)))
    pieces = [np.arange(end - 1, start - 1, -1) for start, end in zip(edges, [*edges[1:], count], strict=True)]
    order = np.concatenate([pieces[k] for k in rng.permutation(len(pieces))])
    mirror = rng.choice((-1.0, 1.0), size=(signal.shape[0], 1))
    return signal[:, order] * mirror, known[order]


def _gumbel_tail(maxima: Floats, peak: float) -> float:
    """P(max ≥ peak) of the Gumbel law with the sample's mean and deviation (method of moments)."""
    scale = max(float(maxima.std(ddof=1)) * np.sqrt(6) / np.pi, 1e-9)
    mode = float(maxima.mean()) - np.euler_gamma * scale
    return float(-np.expm1(-np.exp(-np.clip((peak - mode) / scale, -50.0, 700.0))))
