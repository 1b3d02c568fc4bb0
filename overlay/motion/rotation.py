"""Camera rotation from the motion of points between two pictures.

Axes as for the aircraft: the optical axis is forward, x to the right and y down in the picture, both in focal lengths.
Between two pictures a far point moves by (Longuet-Higgins & Prazdny 1980, Proc. R. Soc. B 208, eq. 2.8, axes renamed)

    Δx = y·p − (1 + x²)·r + x·y·q          p, q, r: angles turned about forward, right and down
    Δy = −x·p + (1 + y²)·q − x·y·r

taken at the midpoint, which makes the small-angle form good to second order. Flying forward adds (x, y)·V/Z. Over flat
ground 1/Z is linear in (x, y), so three more coefficients, held near zero, take up the ground's streaming; what they
cannot (trees, cloud, figures burned in) is an outlier to the Cauchy weights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

STREAMING_SIGMA = 0.02  # 1σ of V·Δt/Z: 17 m/s at 30 Hz and 30 m over the ground
TRIALS = 40
_ROUNDS = 8


@dataclass(frozen=True)
class Turn:
    """Angles (3,) turned about forward, right, down; their σ (3,), the share of points that fit, and the misfit (rad).

    `below`: how far below the optical axis the points that fit lie on average, in focal lengths.
    """

    angles_rad: Floats
    sigma_rad: Floats
    fitting: float
    misfit_rad: float
    points: int
    below: float


def turn_between(before: Floats, after: Floats, rng: np.random.Generator, *, tolerance: float) -> Turn | None:
    """Rotation from points (N, 2) before and after, in focal lengths; None when they do not tell.

    `tolerance`: flow error of a good point (focal lengths), about a tenth of a pixel.
    """
    if len(before) < 8:
        return None
    middle, flow = (before + after) / 2, after - before
    design = _design(middle)
    start = _consensus(design[:, :, :3], flow, rng, 3 * tolerance)
    theta = np.concatenate((start, np.zeros(3)))
    ridge = np.diag([1e-9, 1e-9, 1e-9, *([tolerance**2 / STREAMING_SIGMA**2] * 3)])
    scale = tolerance * 3
    for _ in range(_ROUNDS):
        error = flow - design @ theta
        size = np.hypot(*error.T)
        scale = float(np.clip(1.4826 * np.median(size) / 1.1774, tolerance, scale))
        weight = 1 / (1 + (size / (2.385 * scale)) ** 2) ** 2
        normal = np.einsum("nki,n,nkj->ij", design, weight, design) + ridge
        theta = np.linalg.solve(normal, np.einsum("nki,n,nk->i", design, weight, flow))
    error = np.hypot(*(flow - design @ theta).T)
    fits = error < 3 * scale
    sigma = scale * np.sqrt(np.diag(np.linalg.inv(normal)))
    return Turn(theta[:3], sigma[:3], float(fits.mean()), scale, int(fits.sum()), float(middle[fits, 1].mean()))


def _design(points: Floats) -> Floats:
    """(N, 2, 6): what each of p, q, r and the three streaming coefficients does to each point."""
    x, y = points.T
    design = np.empty((len(x), 2, 6))
    design[:, 0, :3] = np.column_stack((y, x * y, -(1 + x * x)))
    design[:, 1, :3] = np.column_stack((-x, 1 + y * y, -x * y))
    plane = np.column_stack((np.ones_like(x), x, y))
    design[:, 0, 3:], design[:, 1, 3:] = x[:, None] * plane, y[:, None] * plane
    return design


def _consensus(design: Floats, flow: Floats, rng: np.random.Generator, tolerance: float) -> Floats:
    """The rotation through two points that most others agree with: a start that half the points cannot spoil."""
    pairs = rng.integers(0, len(flow), (TRIALS, 2))
    rows = design[pairs].reshape(TRIALS, 4, 3)
    seen = flow[pairs].reshape(TRIALS, 4, 1)
    square = np.swapaxes(rows, 1, 2) @ rows + 1e-6 * np.eye(3)
    trial = np.linalg.solve(square, np.swapaxes(rows, 1, 2) @ seen)[:, :, 0]
    error = flow[None] - np.einsum("nki,ti->tnk", design, trial)
    cost = np.minimum((error**2).sum(axis=2), tolerance**2).sum(axis=1)
    return np.asarray(trial[int(np.argmin(cost))])
