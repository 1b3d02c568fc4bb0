"""Offset, drift and mount together: least squares on the rotation vectors, robust and weighted by frequency.

Model, for the reference rates ω(t) averaged over a window and the recording's rates c(u) over the same moment:

    ω(t) = R · diag(1, κ, κ) · c(u) + noise,      u = u_mid + (t − t_mid − δ) / (1 + d)

δ the correction to the offset at mid-overlap, d the drift, R the constant mount rotation and κ the zoom. The mount has to
be fitted along with the clock: a camera tilted by one degree leaks roll rate into yaw rate, and in a coordinated turn
roll rate is the *derivative* of yaw rate, so a yaw-only fit reads the leak as some 30 ms of lag.

Two stages. `caught` is a Gauss–Newton fit with Cauchy weights, which shrugs off panning, handling and break-ups.
`polished` keeps its verdict on outliers and weighs each frequency by what it is worth.

The recording is noisy too: it sees gusts yaw the nose that a track of positions never hears of. So the derivatives carry
noise, their squares overstate the information, and the slope of the score is taken numerically instead.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from overlay.alignment.comparison import Comparison, Pose, Reference
from overlay.alignment.mount import Mount
from overlay.alignment.sampling import Averager
from overlay.alignment.trust import noise, trust
from overlay.alignment.weighting import FrequencyWeights
from overlay.clock import AffineClock

Floats = NDArray[np.float64]

FITTED = 9  # of `Pose.moved`
CAUCHY = 2.385  # 95 % efficiency for Gaussian noise (Huber & Ronchetti, Robust Statistics; from memory)
CAUCHY_ROUNDS = 4
DRIFT_PRIOR = 100e-6  # 1σ: quartz is ±20 ppm, the worst phones near 300
ZOOM_PRIOR = 0.5
# Mean and 1σ of how late the nose follows the path, as a weathercock does: the chords of flight that it takes.
NOSE_LATE_S = (0.05, 0.05)
# 1σ of bank per turn of the nose: side force over lift is about 0.7 per radian of sideslip (a slope of 0.35 over a lift
# coefficient of 0.5), a gust of the same angle pushes the other way while the air takes the aircraft along.
PUSHED = 0.5
BLOCK_S = 10.0
MOST_SHARE = 0.7
EDGES_S = (-0.2, -0.1, 0.1, 0.2)
HALVINGS = 5
DAMPING = 0.05  # of what `_UNITS` are worth
AT_REST, SETTLED = 1e-3, 0.1  # squared standard errors that the score may still ask for
SETTLED_S = 2e-3  # a pose that moves less keeps its slopes: they cost more than all the rest
# Motion that a recording samples fewer than four times a period is partly an alias of faster motion, which lies at another
# time, and between two samples it is guessed: at 15 frames a second both drew clocks up to 5 ms toward a frame's middle.
OF_NYQUIST = 0.5
FINEST_S = 1 / 16  # faster motion than half of this a second tells nothing that slower does not
_STEPS = np.diag([2e-3, 5e-6, 2e-3, 2e-3, 2e-3, 5e-3, 2e-3, 2e-3, 5e-2])  # for numeric slopes
_UNITS = np.diag([1e-2, 3e-5, 2e-2, 2e-2, 2e-2, 5e-2, 5e-2, 5e-2, 0.5])  # what each is known to, about


@dataclass(frozen=True)
class Prior:
    """What is known before: the clock's nominal drift, the lens roughly, and how late path and nose are."""

    drift: float = 0.0
    bank_late_s: tuple[float, float] = (0.0, 1.0)  # mean and 1σ
    drift_sigma: float = DRIFT_PRIOR

    @property
    def information(self) -> Floats:
        """(9, 9) for the nine of `Pose.moved`."""
        rest = [self.bank_late_s[1] ** -2, NOSE_LATE_S[1] ** -2, PUSHED**-2]
        return np.diag([0.0, self.drift_sigma**-2, 0.0, 0.0, 0.0, ZOOM_PRIOR**-2, *rest])

    def pull(self, pose: Pose) -> Floats:
        """(9,) slope of the prior's misfit."""
        late, nose = pose.bank_late_s - self.bank_late_s[0], pose.nose_late_s - NOSE_LATE_S[0]
        off = np.array([0, pose.clock.drift - self.drift, 0, 0, 0, np.log(pose.mount.zoom), late, nose, pose.pushed])
        return np.asarray(self.information @ off)


@dataclass(frozen=True)
class Fit:
    """Clock and mount, with what each block says.

    `information` (B, C, 9, 9) and `score` (B, C, 9) are those of each channel in the blocks centred at reference times
    `block_s` (B,), by the nine of `Pose.moved`; `agreement` is the correlation of each channel at the solution; `settled`:
    whether the last stage came to rest.
    """

    pose: Pose
    overlap_s: float
    agreement: dict[str, float]
    block_s: Floats
    information: Floats
    score: Floats
    prior: Prior
    settled: bool
    # Covariance from what was taken out beforehand.
    shared: Floats = field(default_factory=lambda: np.zeros((FITTED, FITTED)))

    @property
    def clock(self) -> AffineClock:
        """The fitted clock."""
        return self.pose.clock

    @property
    def mount(self) -> Mount:
        """The fitted mount."""
        return self.pose.mount

    @property
    def mid_recording_s(self) -> float:
        """Middle of the overlap on the recording's clock."""
        return self.clock.to_recording(self.pose.middle_s)

    def covariance(self) -> Floats:
        """(9, 9) of the nine, from the scatter of the blocks' scores (jackknife over blocks, CR3).

        Bell & McCaffrey 2002, Survey Methodology 28(2): leaving each block out in turn is honest when few blocks carry most
        of the information. Never below the variance that the noise alone would give: few blocks agree by chance.
        """
        prior = self.prior.information
        total = _safe(self.information.sum(axis=(0, 1))) + prior
        # In units of the whole: a block's share, symmetric and at most `MOST_SHARE` so that none is irreplaceable.
        root = np.linalg.inv(np.linalg.cholesky(total))
        share = root @ self.information.sum(axis=1) @ root.T
        values, vectors = np.linalg.eigh((share + np.swapaxes(share, 1, 2)) / 2)
        left = 1 / (1 - np.clip(values, 0.0, MOST_SHARE))
        asked = np.einsum("bij,bi->bj", vectors, self.score.sum(axis=1) @ root.T)
        shift = np.einsum("bij,bj->bi", vectors, left * asked) @ root
        bread = root.T @ root
        spread = shift.T @ shift + bread @ prior @ bread
        floor = np.maximum(np.diag(bread), 0.0)
        return np.asarray(spread + np.diag(np.maximum(floor - np.diag(spread), 0.0)) + self.shared)

    @property
    def measured_drift_sigma(self) -> float:
        """1σ of the drift by the flight alone, without what is known of clocks before."""
        alone = replace(self, prior=replace(self.prior, drift_sigma=1.0))
        return float(np.sqrt(alone.covariance()[1, 1]))

    def pulled_by(self, blocks: NDArray[np.bool_]) -> Floats:
        """(9,) how far the nine follow when these blocks (B,) are moved by a second."""
        total = _safe(self.information.sum(axis=(0, 1))) + self.prior.information
        return np.asarray(np.linalg.solve(total, self.information[blocks].sum(axis=(0, 1))[:, 0]))


def refined(reference: Reference, recording: Averager, clock: AffineClock) -> tuple[Fit, Comparison]:
    """From a start within about half a second, whose drift is the nominal one. ValueError when the overlap is too small."""
    spacing, prior = reference.spacing_s, Prior(clock.drift, reference.bank_late_s)
    width = max(1.5, 1.5 * spacing)
    wide = reference.against(recording, clock, width, max(0.5, spacing))
    pose = caught(wide, reference.likely_mount(recording, clock, width), clock, prior)
    narrow = reference.against(recording, pose.clock, max(spacing, 0.5), max(spacing, 0.1))
    pose = caught(narrow, pose.mount, pose.clock, prior, (pose.bank_late_s, pose.nose_late_s))
    step = max(spacing, FINEST_S)
    fine = reference.against(recording, pose.clock, step, step)
    return polished(fine, pose, prior), fine


def caught(
    compared: Comparison,
    mount: Mount,
    clock: AffineClock,
    prior: Prior,
    late_s: tuple[float, float] | None = None,
    rounds: int = 25,
) -> Pose:
    """Gauss–Newton with robust weights."""
    pose = Pose(clock, mount, compared.middle_s, *(late_s or (prior.bank_late_s[0], NOSE_LATE_S[0])))
    none = Steps(np.zeros((len(compared.times), 0), bool), np.zeros(0), np.zeros(0))
    return stepped(compared, pose, prior, none, rounds)[0]


@dataclass(frozen=True)
class Steps:
    """Times lost between chapters, fitted along with the clock.

    `owned` (N, K): which samples lie in each of the chapters that may be late; `lags_s` (K,) by how much they are thought to
    be, `sigma_s` (K,) how well that is known before.
    """

    owned: NDArray[np.bool_]
    lags_s: Floats
    sigma_s: Floats


def stepped(
    compared: Comparison, pose: Pose, prior: Prior, steps: Steps, rounds: int = 25
) -> tuple[Pose, Floats, Floats]:
    """(pose, lags (K,), their covariance from the scatter of the blocks' scores) by Gauss–Newton with robust weights."""
    lags = steps.lags_s
    # Pans are left out from the start: they are leverage, which no weight on the residual alone withstands.
    residual, _, known = compared.linearised(pose, -(steps.owned @ lags))
    believed = trust(residual, known, compared.grid(), compared.step_s)
    known_before = np.zeros((FITTED + len(lags),) * 2)
    known_before[:FITTED, :FITTED] = prior.information
    known_before[FITTED:, FITTED:] = np.diag(steps.sigma_s**-2)
    for turn in range(rounds):
        residual, jacobian, known = compared.linearised(pose, -(steps.owned @ lags))
        own = jacobian[:, :, :1] * steps.owned[:, None, :]  # a chapter's lag is its own offset
        usual = noise(residual[known])
        unit = residual[known] / usual
        slope = np.concatenate((jacobian, own), axis=2)[known] / usual[:, None]
        weight = believed[known] / (1 + (unit / CAUCHY) ** 2)
        if turn >= CAUCHY_ROUNDS:
            weight **= 2  # Geman & McClure's: what is far off must not pull at all
        normal = np.einsum("nki,nk,nkj->ij", slope, weight, slope) + known_before
        scores = np.einsum("nki,nk,nk->ni", slope, weight, unit)
        pull = np.concatenate((prior.pull(pose), (lags - steps.lags_s) / steps.sigma_s**2))
        step = -np.linalg.solve(normal, scores.sum(axis=0) + pull)
        step = np.concatenate((_bounded(step[:FITTED]), np.clip(step[FITTED:], -0.1, 0.1)))
        pose, lags = pose.moved(step[:FITTED]), lags + step[FITTED:]
        if turn > CAUCHY_ROUNDS and np.abs(step[[0, *range(FITTED, len(step))]]).max() < 1e-4 and abs(step[1]) < 1e-7:
            break
    block = np.floor((compared.times[known] - compared.times[0]) / BLOCK_S).astype(np.intp)
    return pose, lags, _jackknifed(normal, slope, weight, scores, block)[FITTED:, FITTED:]


def _jackknifed(normal: Floats, slope: Floats, weight: Floats, scores: Floats, block: NDArray[np.intp]) -> Floats:
    """Covariance of all that is fitted, by what leaving out each block in turn would change (as `Fit.covariance`)."""
    inverse = np.linalg.inv(normal)
    spread = np.zeros_like(normal)
    for each in np.unique(block):
        rows = block == each
        own = np.einsum("nki,nk,nkj->ij", slope[rows], weight[rows], slope[rows])
        shift = np.linalg.solve(normal - MOST_SHARE * own, scores[rows].sum(axis=0))
        spread += np.outer(shift, shift)
    return np.asarray(spread + inverse)


def polished(compared: Comparison, pose: Pose, prior: Prior, rounds: int = 12) -> Fit:
    """Newton's method on the frequency-weighted score; outliers are those of `pose`."""
    index = compared.grid()
    residual, _, known = compared.linearised(pose)
    # A sample that comes and goes as the clock moves would pass for information: those at the edge of a gap stay out.
    for late in EDGES_S:
        known &= np.all(np.isfinite(compared.seen(pose, late)), axis=1)
    believed = np.where(known[:, None], trust(residual, known, index, compared.step_s), 0.0)
    compared = compared.beside_path(pose, believed[:, -1])
    both = _regular(compared, pose, believed, known, index)
    highest_Hz = OF_NYQUIST / (2 * compared.recording.sampled_s)
    weights = FrequencyWeights.estimated(*both, compared.step_s, highest_Hz)
    block = np.floor((compared.times - compared.times[0]) / BLOCK_S).astype(np.intp)

    def scores(at: Pose) -> Floats:
        return _block_scores(compared, at, believed, weights, index, block)

    pose, information, settled = _newton(scores, pose, prior, rounds)
    score = scores(pose)
    residual, _, known = compared.linearised(pose)
    return Fit(
        pose,
        float(known.sum()) * compared.step_s,
        {
            name: _correlation(compared.wanted[known, k], (compared.wanted - residual)[known, k])
            for k, name in enumerate(compared.channels)
        },
        compared.times[0] + (np.arange(len(score)) + 0.5) * BLOCK_S,
        information,
        score,
        prior,
        settled,
    )  # fmt: skip


def _newton(scores: Callable[[Pose], Floats], pose: Pose, prior: Prior, rounds: int) -> tuple[Pose, Floats, bool]:
    """(pose, information there, whether it came to rest): a step that brings the score no nearer to nothing is halved.

    How near is measured in squared standard errors: gᵀ N⁻¹ g of the score g and the information N.
    """

    def pull(at: Pose) -> Floats:
        return np.asarray(scores(at).sum(axis=(0, 1)) - prior.pull(at))

    information, moved = _slopes(scores, pose), 0.0
    normal, asked = _damped(information, prior), pull(pose)
    for _ in range(rounds):
        step = np.linalg.solve(normal, asked)
        left = float(asked @ step)
        if left < AT_REST:
            break
        step = _bounded(np.asarray(step))
        for _ in range(HALVINGS):
            tried = pose.moved(step)
            then = pull(tried)
            after = float(then @ np.linalg.solve(normal, then))
            if after < left:
                pose, asked, moved = tried, then, moved + float(np.abs(step[0]))
                break
            step = step / 2
        if after > left / 3 and moved > 0:
            information, moved = _slopes(scores, pose), 0.0
            normal = _damped(information, prior)
        elif after >= left:
            break
    if moved > SETTLED_S:
        information = _slopes(scores, pose)
    return pose, information, float(asked @ np.linalg.solve(normal, asked)) < SETTLED


def _damped(information: Floats, prior: Prior) -> Floats:
    """(9, 9) for a step: what nothing tells, as a mount's roll where only roll is compared, stays about where it is."""
    return np.asarray(
        _safe(information.sum(axis=(0, 1))) + prior.information + DAMPING * np.diag(_UNITS.diagonal() ** -2)
    )


def _block_scores(
    compared: Comparison,
    pose: Pose,
    believed: Floats,
    weights: FrequencyWeights,
    index: NDArray[np.intp],
    block: NDArray[np.intp],
) -> Floats:
    """(B, C, 9) minus the derivative of the weighted squares by the nine, block by block and channel by channel."""
    residual, jacobian, known = compared.linearised(pose)
    grid = np.zeros((index[-1] + 1, residual.shape[1]))
    grid[index[known]] = (believed * residual)[known]
    heavy = weights.of(grid)[index] * compared.worth
    pulls = np.where(known[:, None, None], -jacobian * (believed * heavy)[:, :, None], 0.0)
    score = np.zeros((int(block[-1]) + 1, *jacobian.shape[1:]))
    filled, first = np.unique(block, return_index=True)  # times rise, and blocks with them
    score[filled] = np.add.reduceat(pulls, first, axis=0)
    return score


def _slopes(scores: Callable[[Pose], Floats], pose: Pose) -> Floats:
    """(B, C, 9, 9) minus the slope of the blocks' scores."""
    columns = []
    for step in _STEPS:
        h = float(step.sum())
        columns.append((scores(pose.moved(-step)) - scores(pose.moved(step))) / (2 * h))
    return np.stack(columns, axis=3)


def _regular(
    compared: Comparison, pose: Pose, believed: Floats, known: NDArray[np.bool_], index: NDArray[np.intp]
) -> tuple[Floats, Floats]:
    """(wanted, got) on the regular grid, NaN where not believed."""
    both = np.full((2, index[-1] + 1, believed.shape[1]), np.nan)
    sound = known[:, None] & (believed > 0.3)
    both[0, index] = np.where(sound, compared.wanted, np.nan)
    both[1, index] = np.where(sound, compared.seen(pose), np.nan)
    return both[0], both[1]


def _bounded(step: Floats) -> Floats:
    reach = np.array([0.3, 500e-6, 0.3, 0.3, 0.3, 0.3, 0.1, 0.1, 0.5])
    return np.clip(step, -reach, reach)


def _safe(information: Floats) -> Floats:
    """Symmetric and positive definite: a noisy slope need be neither. Judged in units that make the nine alike."""
    scaled = _UNITS @ (information + information.T) @ _UNITS / 2
    values, vectors = np.linalg.eigh(scaled)
    back = np.linalg.inv(_UNITS)
    return np.asarray(back @ vectors @ np.diag(np.maximum(values, 1e-6 * values.max())) @ vectors.T @ back)


def _correlation(a: Floats, b: Floats) -> float:
    """Correlation of clipped signals: a pan must not decide it."""
    a, b = _clipped(a), _clipped(b)
    return float(np.corrcoef(a, b)[0, 1]) if a.std() > 0 and b.std() > 0 else 0.0


def _clipped(values: Floats) -> Floats:
    centre = np.median(values)
    reach = 4 * 1.4826 * np.median(np.abs(values - centre)) + 1e-9
    return np.clip(values, centre - reach, centre + reach)
