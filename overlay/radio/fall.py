"""The fall of a saturating measure with range: one logistic curve for several flights, shifted in range by each.

Not all of a link's path is free space: the ground's nulls and an aerial's lobes stand at the same place in every
flight. So the curve may also be shifted by condition and by place (condition and stretch of range), as far as the data
say, from a prior about free space.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay.radio.evidence import WINDOW_S
from overlay.radio.range_curves import Pool
from overlay.radio.usual import Figure

Floats = NDArray[np.float64]
Numbers = NDArray[np.intp]

_FALLEN = 0.75  # of the way from worst to best: below it a curve has left its flat part
_LEAVES_FLAT = float(np.log(_FALLEN / (1.0 - _FALLEN)))  # scales before the middle
_LEAST_FALLEN_S = 10.0
_FARTHEST_DB = 60.0
_STEEPEST_DB, _GENTLEST_DB = 0.3, 15.0  # scale of the fall
_CONDITION_DB, _PLACE_DB = 4.0, 2.5  # 1σ of what may shift the fall, before any data
_STRETCH_DB = 1.5  # of range
_OWN_PATH_DB, _OWN_STRETCH_DB = 1.0, 3.0  # 1σ of a flight's own ground nulls, at its own height, over such stretches
_REST = 0.3  # how far a window lies off the fall, as a share of its depth, neighbours that err alike counted in


def by_blocks(scores: Floats, block: Numbers) -> Floats:
    """Sum over blocks of the outer product of each block's summed scores: (P, P) from (W, P)."""
    _, number = np.unique(block, return_inverse=True)
    sums = np.zeros((number.max() + 1, scores.shape[1]))
    np.add.at(sums, number, scores)
    blocks = len(sums)
    return np.asarray(sums.T @ sums * blocks / max(blocks - 1, 1))


@dataclass(frozen=True)
class Fall:
    """A fall from `high` to `low`, shares of the measure; what shifts it is in dB of range.

    `parameters` in a row: a shift for each of `members`, `conditions` and `places`, then the middle (dB), the logarithm
    of the scale (dB), low, high.
    """

    members: Numbers
    conditions: Numbers
    places: Numbers
    parameters: Floats

    @property
    def offsets(self) -> Floats:
        """How much farther out the fall of each member lies; they add up to 0."""
        return self.parameters[: len(self.members)]

    @classmethod
    def fitted(cls, pool: Pool) -> Fall:
        """Least squares over all windows of the pool, whose values are shares, 0 … 1."""
        from scipy.optimize import least_squares

        members, conditions, places = pool.members, np.unique(pool.condition), np.unique(_place(pool))
        steps = np.array([_step_at(pool.kept(pool.flight == n)) for n in members])
        level = np.zeros(len(conditions) + len(places))
        start = np.concatenate([steps - steps.mean(), level, [steps.mean(), np.log(2.0), 0.1, 0.9]])
        reach = np.full(len(start) - 3, _FARTHEST_DB)
        lows = np.concatenate([-reach, [np.log(_STEEPEST_DB), 0.0, 0.55]])
        highs = np.concatenate([reach, [np.log(_GENTLEST_DB), 0.45, 1.0]])
        shape = cls(members, conditions, places, start)
        design = shape._design(pool)
        found = least_squares(
            lambda p: shape._at(p)._residuals(pool, design),
            np.clip(start, lows + 1e-6, highs - 1e-6),
            jac=lambda p: shape._at(p)._slopes(pool, design),
            bounds=(lows, highs),
            x_scale="jac",
            ftol=1e-6,
            xtol=1e-5,  # hundredths of a dB matter to nobody
        )
        return shape._at(found.x)

    def sigma_dB(self, pool: Pool) -> Floats:
        """1σ of each offset: scatter of the windows by blocks, what the prior leaves open, and each flight's own path."""
        design, seen = self._design(pool), len(pool.flight)
        slopes, rest = self._slopes(pool, design), self._residuals(pool, design)
        bread = np.linalg.pinv(slopes.T @ slopes)
        shifted = slopes[:seen] * slopes[:seen, -4, None]  # what a decibel more of path does
        meat = by_blocks(slopes[:seen] * rest[:seen, None], pool.block)
        meat += _REST**2 * slopes[seen + 1 :].T @ slopes[seen + 1 :]
        meat += _OWN_PATH_DB**2 * by_blocks(shifted, _own_path(pool))
        return np.asarray(np.sqrt(np.diag(bread @ meat @ bread))[: len(self.members)])

    def seen_by(self, windows: Pool) -> bool:
        """Whether a flight has enough windows on both sides of the point at which its curve leaves the flat part."""
        fallen, least = np.count_nonzero(self._fallen(windows)), _LEAST_FALLEN_S / WINDOW_S
        return bool(least <= fallen <= len(windows.flight) - least)

    def bounded(self, windows: Pool, theirs: Pool) -> Figure:
        """What a flight that did not show its fall says: at least so good, where it was clean all the way.

        Only where it was flown under conditions in which `theirs`, those of the fit, show the fall.
        """
        low, high = self.parameters[-2:]
        if np.median(windows.value) < low + _FALLEN * (high - low):
            return Figure.none("it was bad at nearly every range flown")
        shown, often = np.unique(theirs.condition[self._fallen(theirs)], return_counts=True)
        windows = windows.kept(np.isin(windows.condition, shown[often >= _LEAST_FALLEN_S / WINDOW_S]))
        if not len(windows.flight):
            return Figure.none("it was flown at heights and headings where no other flight shows the fall")
        beyond = self._past(windows, self._design(windows)) + _LEAVES_FLAT
        reached = float(np.quantile(beyond, 0.95) * np.exp(self.parameters[-3]))
        return Figure(reached, float("nan"), at_least=True)

    def _at(self, parameters: Floats) -> Fall:
        return Fall(self.members, self.conditions, self.places, parameters)

    def _design(self, pool: Pool) -> Floats:
        """Which of the shifts act on each window, 0 or 1; none where nothing is known of its flight or place."""
        parts = ((pool.flight, self.members), (pool.condition, self.conditions), (_place(pool), self.places))
        return np.hstack([np.asarray(code[:, None] == known, np.float64) for code, known in parts])

    def _past(self, pool: Pool, design: Floats) -> Floats:
        """How many scales of the fall each window lies beyond its middle."""
        middle, log_scale = self.parameters[-4:-2]
        return np.asarray((pool.distance_dB - middle - design @ self.parameters[:-4]) / np.exp(log_scale))

    def _residuals(self, pool: Pool, design: Floats) -> Floats:
        from scipy.special import expit

        low, high = self.parameters[-2:]
        rest = np.sqrt(pool.weight) * (pool.value - low - (high - low) * expit(-self._past(pool, design)))
        return np.concatenate([rest, [self.offsets.sum()], self._ties() * self.parameters[len(self.members) : -4]])

    def _ties(self) -> Floats:
        """How firmly the shifts of conditions and places are held to 0."""
        doubt = [np.full(len(self.conditions), _CONDITION_DB), np.full(len(self.places), _PLACE_DB)]
        return np.asarray(_REST / np.concatenate(doubt))

    def _slopes(self, pool: Pool, design: Floats) -> Floats:
        """Derivatives of the residuals."""
        from scipy.special import expit

        low, high = self.parameters[-2:]
        past = self._past(pool, design)
        fallen = expit(past)
        bend = (high - low) * fallen * (1.0 - fallen)
        steep = bend / np.exp(self.parameters[-3])
        table = np.column_stack([steep[:, None] * design, steep, bend * past, fallen, 1.0 - fallen])
        flights, ties = len(self.members), self._ties()
        held = np.zeros((1 + len(ties), len(self.parameters)))
        held[0, :flights] = 1.0
        held[np.arange(len(ties)) + 1, flights + np.arange(len(ties))] = ties
        return np.vstack([-np.sqrt(pool.weight)[:, None] * table, held])

    def _fallen(self, pool: Pool) -> NDArray[np.bool_]:
        """Windows beyond the point at which the curve leaves its flat part."""
        return np.asarray(self._past(pool, self._design(pool)) > -_LEAVES_FLAT)


def _place(pool: Pool) -> Numbers:
    """A code for condition and stretch of range."""
    return np.asarray(1000 * pool.condition + 500 + np.floor(pool.distance_dB / _STRETCH_DB), np.intp)


def _own_path(pool: Pool) -> Numbers:
    """A code for flight and stretch of range."""
    return np.asarray(1000 * pool.flight + 500 + np.floor(pool.distance_dB / _OWN_STRETCH_DB), np.intp)


def _step_at(windows: Pool) -> float:
    """The range, dB, that best divides a flight's good windows from its bad ones."""
    order = np.argsort(windows.distance_dB)
    value = windows.value[order]
    before, after = np.cumsum(1.0 - value), np.cumsum(value[::-1])[::-1]
    cost = np.concatenate([[after[0]], before + np.append(after[1:], 0.0)])
    edge = int(np.argmin(cost))
    distance = windows.distance_dB[order]
    return float(distance[min(edge, len(distance) - 1)])
