"""The least that any estimator's error can be: the Cramér–Rao figure of a delay between two noisy signals.

σ² = 1 / (2T ∫ (2πf)² C/(1 − C) df), C the coherence of what each side measured (Carter 1981, Proc. IEEE 69(7), on
magnitude-squared coherence and delay; form from memory), taken from the generator's own truth and noise with the mount
and all delays of the aircraft known. What a path tells is held against roll and rate of turn together: C is then their
multiple coherence.
"""

from __future__ import annotations

from typing import Any

import alignment_flights as af
import numpy as np
from numpy.typing import NDArray
from scipy.signal import csd, welch

Floats = NDArray[np.float64]


def bound(
    flown: af.Flown, seen: af.Seen, log_choices: dict[str, Any], logged: af.Logged, camera: dict[str, Any]
) -> float:
    """1σ (s) for a known mount: three rates where the log has attitude, else the path's rate of turn against the nose's."""
    start = camera.get("start", 7.3)
    flying = flown.time[flown.airborne]  # carried or standing it has no path to compare
    low = max(start, logged.time[0] - af.EPOCH, flying[0])
    high = min(start + seen.time[-1], logged.time[-1] - af.EPOCH, flying[-1])
    known = np.isfinite(seen.rates[:, 0]) & ~seen.aside
    share = float(known.mean())
    step = float(np.median(np.diff(logged.time)))
    if low >= high:
        return float("nan")
    grid = np.arange(low + 1, high - 1, step)
    body = _means(flown, flown.rates(), grid, step)
    eye = body + _eye_noise(seen, step) * np.random.default_rng(3).standard_normal(body.shape)
    if log_choices.get("holds") == "attitude":
        told = body + np.radians(0.17) * np.sqrt(2) / step * _differenced(body.shape)
        return _delay_bound(eye, told, step, share)
    path = np.unwrap(np.arctan2(flown.velocity[:, 0], flown.velocity[:, 1]))
    true = (np.interp(grid + step / 2, flown.time, path) - np.interp(grid - step / 2, flown.time, path)) / step
    speed = float(np.median(np.hypot(*flown.velocity[flown.airborne, :2].T)))
    if log_choices.get("holds", "places") == "places":
        noise = 0.03 * np.sqrt(2) / step * np.diff(_differenced((len(true) + 1, 1))[:, 0]) / step
    else:
        noise = 0.05 * np.sqrt(2) / step * _differenced((len(true), 1))[:, 0]
    told = true + noise / speed
    shown = np.column_stack((body[:, 0], _heading_rate(flown, grid, step)))
    shown += _eye_noise(seen, step) * np.random.default_rng(4).standard_normal(shown.shape)
    return _delay_bound(shown, told[:, None], step, share)


def bound_of_recordings(flown: af.Flown, choices: dict[str, Any]) -> float:
    """1σ (s) between two recordings of known mounts."""
    step = 1 / 12.5
    grid = np.arange(20.0, flown.duration - 20, step)
    body = _means(flown, flown.rates(), grid, step)
    rng = np.random.default_rng(3)
    eyes = [body + sigma * rng.standard_normal(body.shape) for sigma in (0.016, 0.022)]
    blind = sum(b - a for a, b in choices.get("blind", ()))
    return _delay_bound(eyes[0], eyes[1], step, 1 - blind / flown.duration)


def drift_bound(sigma_s: float, overlap_s: float) -> float:
    """1σ of the drift where the information of `sigma_s` is spread evenly over the overlap."""
    return float(np.sqrt(12) * sigma_s / overlap_s) if overlap_s > 0 else float("nan")


def _eye_noise(seen: af.Seen, step: float) -> float:
    usual = float(np.median(seen.interval))
    return 0.016 * float(np.sqrt(min(1.0, usual / step)))


def _means(flown: af.Flown, rates: Floats, grid: Floats, step: float) -> Floats:
    turned = np.vstack((np.zeros(3), np.cumsum(rates, axis=0) * af.STEP))
    ahead, behind = (
        np.column_stack([np.interp(grid + s * step / 2, flown.time, c) for c in turned.T]) for s in (1, -1)
    )
    return np.asarray((ahead - behind) / step)


def _heading_rate(flown: af.Flown, grid: Floats, step: float) -> Floats:
    heading = np.unwrap(flown.attitude.as_euler("ZYX")[:, 0])
    turned = np.interp(grid + step / 2, flown.time, heading) - np.interp(grid - step / 2, flown.time, heading)
    return np.asarray(turned / step)


def _differenced(shape: tuple[int, ...]) -> Floats:
    """White noise differenced, of unit variance: what noise of an angle leaves in its rate."""
    white = np.random.default_rng(2).standard_normal((shape[0] + 1, *shape[1:]))
    return np.asarray(np.diff(white, axis=0) / np.sqrt(2))


def _delay_bound(a: Floats, b: Floats, step: float, share: float) -> float:
    """Each channel of `b` against its own of `a`; a single one against all of them, by their multiple coherence."""
    alike = b.shape[1] == a.shape[1]
    pairs = [(x[:, None], y) for x, y in zip(a.T, b.T, strict=True)] if alike else [(a, b[:, 0])]
    information = sum(_information(x, y, step, share) for x, y in pairs)
    return float(1 / np.sqrt(max(information, 1e-12)))


def _information(x: Floats, y: Floats, step: float, share: float) -> float:
    """About the delay of y (N,) against x (N, K), per s²."""
    segment = min(256, len(y) // 10)
    f, gyy = welch(y, 1 / step, nperseg=segment)
    gxy = csd(x.T, y, 1 / step, nperseg=segment)[1].T
    gxx = np.stack([csd(x.T, column, 1 / step, nperseg=segment)[1] for column in x.T], axis=2).transpose(1, 0, 2)
    told = np.einsum("fk,fk->f", np.conj(gxy), np.linalg.solve(gxx, gxy[:, :, None])[:, :, 0]).real
    c = np.clip(told / np.maximum(gyy, 1e-30), 0, 0.9999)
    chance = x.shape[1] * segment / len(y)
    c = np.clip((c - chance) / (1 - chance), 0, 0.9999)
    return 2 * share * len(y) * step * float(np.trapezoid((2 * np.pi * f) ** 2 * c / (1 - c), f))
