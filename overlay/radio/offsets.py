"""How many dB lie between the curves of several flights, and how well each flight's figure is known from itself.

A measure in dB is compared where flights share cells of range and condition: value = flight + cell. One that saturates
(grade, percent) is compared by how far its fall is shifted in range (`fall`). Errors of windows near each other in time
go together: the covariance sums them by blocks before squaring (the clustered form of Liang and Zeger, Biometrika 73,
1986).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from overlay.radio.fall import Fall, by_blocks
from overlay.radio.range_curves import Curve, Measure, Pool, pooled
from overlay.radio.usual import Figure

Floats = NDArray[np.float64]


def figures_of(measure: Measure, curves: list[Curve | None], this: int) -> list[Figure]:
    """Each flight's figure in dB by one measure, the better the higher; only differences between them mean anything."""
    pool = pooled(curves, this)
    found = dict.fromkeys(range(len(curves)), Figure.none("it has nothing to be compared with"))
    found |= {number: Figure.none(why) for number, why in pool.left_out.items()}
    if len(pool.members) > 1:
        found |= by_strength(pool) if measure.limits is None else by_range(pool, *measure.limits)
    return [found[number] for number in range(len(curves))]


def by_strength(pool: Pool) -> dict[int, Figure]:
    """Figures from a measure in dB, by flight: least squares of value = flight + cell over the shared cells."""
    pool = pool.kept(pool.shared())
    members, flight = np.unique(pool.flight, return_inverse=True)
    _, cell = np.unique(pool.cell, return_inverse=True)
    count = len(members)
    heights = np.zeros((cell.max() + 1, count))
    np.add.at(heights, (cell, flight), pool.weight)
    shares = heights / heights.sum(axis=1, keepdims=True)
    design = np.eye(count)[flight] - shares[cell]  # a window's flight, less what its cell has in common
    bread = np.linalg.inv(design.T @ (pool.weight[:, None] * design) + 1.0)  # the offsets add up to 0
    offsets = bread @ (design.T @ (pool.weight * pool.value))
    rest = pool.value - offsets[flight]
    level = np.bincount(cell, pool.weight * rest) / np.bincount(cell, pool.weight)
    scores = (pool.weight * (rest - level[cell]))[:, None] * design
    # Each cell's level takes a share 1/count of the errors with it.
    covariance = bread @ by_blocks(scores, pool.block) @ bread * count / (count - 1)
    sigma = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    return {int(n): Figure.of(float(a), float(s)) for n, a, s in zip(members, offsets, sigma, strict=True)}


def by_range(pool: Pool, worst: float, best: float) -> dict[int, Figure]:
    """Figures from a saturating measure, by flight: how many dB farther out its fall lies.

    A flight that was not flown to where the curve falls has a figure of at least what it was flown to.
    """
    pool = _normalised(pool, worst, best)
    members = [int(n) for n in pool.members]
    while members:
        theirs = pool.kept(np.isin(pool.flight, members))
        fall = Fall.fitted(theirs)
        unseen = [n for n in members if not fall.seen_by(pool.kept(pool.flight == n))]
        if not unseen:
            break
        members = [n for n in members if n not in unseen]
    if not members:
        return {int(n): Figure.none("no flight was flown to where this falls") for n in pool.members}
    sigma = fall.sigma_dB(theirs)
    found = {n: Figure.of(float(fall.offsets[row]), float(sigma[row])) for row, n in enumerate(members)}
    for number in {int(n) for n in pool.members} - set(members):
        found[number] = fall.bounded(pool.kept(pool.flight == number), theirs)
    return found


def _normalised(pool: Pool, worst: float, best: float) -> Pool:
    share = np.clip((pool.value - worst) / (best - worst), 0.0, 1.0)
    return replace(pool, value=share)
