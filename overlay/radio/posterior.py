"""What is believed of a link's constant and strengths before the flight, and after it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from overlay.radio.evidence import Evidence
from overlay.radio.link import TERMS, Link

Floats = NDArray[np.float64]

# Mean and 1σ of each term's strength before any data. The airframe's are the depth of a shadow in dB under a Cauchy
# prior: most aircraft cast none to speak of, a few a deep one.
_PRIOR = {
    "range": (1.0, 0.05),
    "banking": (1.0, 0.35),
    "overhead": (0.8, 0.35),
    "ground aerial off axis": (1.0, 0.25),
    "ground reflection": (0.8, 0.35),
    "horizon or hill": (1.0, 0.3),
    "nose toward the station": (0.0, 1.0),
    "tail toward the station": (0.0, 1.0),
    "weather": (1.0, 0.3),
}
_UNREPORTED_WEATHER = (0.0, 0.2)  # share of the worst case
_FADING_DB, _FADING_LOG_SIGMA = 2.5, 0.35
_STRAY = 0.02  # share of windows that no model explains …
_STRAY_DENSITY = 0.1  # … and how likely what was seen is among them
_INDEPENDENT = 0.35  # of the windows: fading outlasts them
_NOISE_DBM = -174.0 + 10 * math.log10(18e6) + 6.0  # thermal noise in a television FM channel, a usual receiver
_NEEDED_DB = 10.0  # the threshold of FM
_BUDGET_SIGMA_DB = 8.0


@dataclass(frozen=True)
class Posterior:
    """Of the constant, the strengths and the log of the fading's 1σ, given windows of evidence.

    `design` (W, 1 + terms); prior `mean` and `sigma`, `least` values, and where the prior
    is a Cauchy one, over the parameters in that order.
    """

    design: Floats
    low: Floats
    high: Floats
    mean: Floats
    sigma: Floats
    least: Floats
    cauchy: NDArray[np.bool_]

    def with_column(self, term: int, values: Floats) -> Posterior:
        """The same with other values of one term."""
        design = self.design.copy()
        design[:, 1 + term] = values
        return replace(self, design=design)

    def cost(self, parameters: Floats) -> tuple[float, Floats]:
        """Negative log posterior and its gradient."""
        from scipy.special import ndtr

        fading = math.exp(float(np.clip(parameters[-1], -3.0, 4.0)))
        margin = self.design @ parameters[:-1]
        a, b = (self.low - margin) / fading, (self.high - margin) / fading
        inside = (1 - _STRAY) * np.maximum(ndtr(b) - ndtr(a), 0.0) + _STRAY * _STRAY_DENSITY
        peak_a, peak_b = _normal(a), _normal(b)
        by_margin = (1 - _STRAY) * (peak_a - peak_b) / fading / inside
        by_spread = (1 - _STRAY) * (_times(a, peak_a) - _times(b, peak_b)) / inside
        off = (parameters - self.mean) / self.sigma
        gradient = np.where(self.cauchy, 2.0 * off / (1.0 + off * off), off) / self.sigma
        gradient[:-1] -= _INDEPENDENT * self.design.T @ by_margin
        gradient[-1] -= _INDEPENDENT * by_spread.sum()
        prior = float(np.where(self.cauchy, np.log1p(off * off), 0.5 * off * off).sum())
        return prior - _INDEPENDENT * float(np.log(inside).sum()), gradient

    def mode(self, begin: Floats | None = None) -> tuple[Floats, float]:
        """The most probable parameters and their cost, from a start that is near them or from several."""
        from scipy.optimize import minimize

        # A dozen parameters: a method without BLAS, whose threads wait for each other longer than they work.
        bounds = [(low if np.isfinite(low) else None, None) for low in self.least]
        starts = [begin] if begin is not None else [np.concatenate([[c], self.mean[1:]]) for c in self._starts()]
        found = [
            minimize(self.cost, start, jac=True, method="TNC", bounds=bounds, options={"maxfun": 2000})
            for start in starts
        ]
        best = min(found, key=lambda one: float(one.fun))
        return np.asarray(best.x, np.float64), float(best.fun)

    def sampled(self, mode: Floats, count: int) -> tuple[Floats, Floats]:
        """Samples (count, P) about the mode, and their weights."""
        rng = np.random.default_rng(0)  # the same flight gives the same answer
        root = np.linalg.cholesky(self._covariance(mode))
        draws = rng.normal(size=(count, len(mode)))
        samples = np.maximum(mode + draws @ root.T, self.least)
        log_weight = self._log_posterior(samples) + 0.5 * np.sum(draws**2, axis=1)
        weights = np.exp(log_weight - log_weight.max())
        weights = np.minimum(weights, weights.mean() * math.sqrt(count))
        return samples, weights / weights.sum()

    def _log_posterior(self, samples: Floats) -> Floats:
        """Of many parameters at once, (count, P) → (count,); `cost` with its sign turned."""
        from scipy.special import ndtr

        off = (samples - self.mean) / self.sigma
        prior = np.where(self.cauchy, np.log1p(off * off), 0.5 * off * off).sum(axis=1)
        fading = np.exp(np.clip(samples[:, -1:], -3.0, 4.0))
        margin = samples[:, :-1] @ self.design.T
        inside = np.maximum(ndtr((self.high - margin) / fading) - ndtr((self.low - margin) / fading), 0.0)
        likelihood = np.log((1 - _STRAY) * inside + _STRAY * _STRAY_DENSITY).sum(axis=1)
        return np.asarray(_INDEPENDENT * likelihood - prior)

    def _starts(self) -> list[float]:
        """Constants that put the least and the median of the windows at margin 0."""
        rest = self.design[:, 1:] @ self.mean[1:-1]
        finite = np.concatenate([self.low[np.isfinite(self.low)], self.high[np.isfinite(self.high)]])
        level = float(np.median(finite)) if len(finite) else 0.0
        return [float(self.mean[0]), *(level - float(np.quantile(rest, share)) for share in (0.02, 0.5))]

    def _covariance(self, mode: Floats) -> Floats:
        step = 1e-3 * self.sigma
        rows = []
        for i in range(len(mode)):
            up, down = mode.copy(), mode.copy()
            up[i] += step[i]
            down[i] -= step[i]
            rows.append((self.cost(up)[1] - self.cost(down)[1]) / (2 * step[i]))
        curvature = np.array(rows)
        values, vectors = np.linalg.eigh((curvature + curvature.T) / 2)
        values = np.maximum(values, 1e-3)
        return np.asarray((vectors / values) @ vectors.T)


def posterior_of(table: Floats, evidence: Evidence, link: Link) -> Posterior:
    """The posterior for windows of terms (W, len(TERMS)) and what was seen in them."""
    prior = dict(_PRIOR)
    if not link.rain_reported:
        prior["weather"] = _UNREPORTED_WEATHER
    means, sigmas = (np.array([prior[name][i] for name in TERMS]) for i in (0, 1))
    constant = _constant_prior(evidence, link)
    return Posterior(
        np.column_stack([np.ones(len(table)), table]),
        evidence.low_dB,
        evidence.high_dB,
        np.concatenate([[constant[0]], means, [math.log(_FADING_DB)]]),
        np.concatenate([[constant[1]], sigmas, [_FADING_LOG_SIGMA]]),
        np.concatenate([[-np.inf], np.zeros(len(TERMS)), [-np.inf]]),
        np.array([False, *(name.endswith("toward the station") for name in TERMS), False]),
    )


def _constant_prior(evidence: Evidence, link: Link) -> tuple[float, float]:
    """Mean and 1σ of the margin at 1 km: the power budget of an FM picture where power is known, else nothing."""
    from overlay.radio.propagation import free_space_dB

    if link.power_mW is None or not evidence.source.startswith("the picture"):
        return 10.0, 40.0
    sent = 10 * math.log10(link.power_mW) + link.aircraft.gain_dBi + link.ground.gain_dBi
    return sent - float(free_space_dB(1000.0, link.frequency_MHz)) - _NOISE_DBM - _NEEDED_DB, _BUDGET_SIGMA_DB


def _normal(x: Floats) -> Floats:
    return np.asarray(np.where(np.isfinite(x), np.exp(-0.5 * np.minimum(x * x, 1400.0)), 0.0) / math.sqrt(2 * math.pi))


def _times(x: Floats, peak: Floats) -> Floats:
    return np.where(np.isfinite(x), x, 0.0) * peak
