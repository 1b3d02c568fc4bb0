"""Offset, drift and mount together: robust least squares on the rotation vectors.

Model, for the reference rates ω(t) averaged over a window and the recording's rates c(u) over the same moment:

    ω(t) = R · diag(1, κ, κ) · c(u) + noise,      u = u_mid + (t − t_mid − δ) / (1 + d)

δ the correction to the offset at mid-overlap, d the drift, R the constant mount rotation and κ the guessed focal length
over the true one (rotation about the optical axis shows the same at any focal length). The mount has to be fitted along
with the clock: a camera tilted by one degree leaks roll rate into yaw rate, and in a coordinated turn roll rate is the
*derivative* of yaw rate, so a yaw-only fit reads the leak as some 30 ms of lag.

Cauchy weights keep panning, handling and break-ups from pulling; windows (blocks) of the overlap serve for the
interval, so that noise correlated within a block is counted as such.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from overlay.alignment.sampling import Averager, smoothed_means
from overlay.clock import AffineClock

Floats = NDArray[np.float64]

CAUCHY = 2.385  # 95 % efficiency for Gaussian noise (Huber & Ronchetti, Robust Statistics; from memory)
DRIFT_PRIOR = 100e-6  # 1σ: quartz is ±20 ppm, the worst phones near 300
BLOCK_S = 10.0
NO_SAY = 30.0  # times its own noise: the channel no longer counts
AXIS_SIGMA_RAD = np.radians(0.5)


@dataclass(frozen=True)
class Mount:
    """Camera axes to aircraft axes: ω = `rotation` (3, 3) · diag(1, `zoom`, `zoom`) · c."""

    rotation: Floats
    zoom: float = 1.0

    def apply(self, rates: Floats) -> Floats:
        """(N, 3) picture rates in aircraft axes."""
        return np.asarray((rates * [1.0, self.zoom, self.zoom]) @ self.rotation.T)

    @property
    def tilt_deg(self) -> float:
        """Angle of the whole mount rotation."""
        return float(np.degrees(np.arccos(np.clip((np.trace(self.rotation) - 1) / 2, -1, 1))))


@dataclass(frozen=True)
class Fit:
    """Clock and mount, with what each block says.

    ``theta`` = (δ s, d, mount rotation vector rad (3), log κ), last step's values 0 but for d; ``information``
    (B, 6, 6) and ``score`` (B, 6) of the blocks centred at reference times ``block_s`` (B,).
    """

    clock: AffineClock
    mount: Mount
    mid_reference_s: float
    overlap_s: float
    width_s: float
    noise_radps: Floats
    agreement: Floats
    block_s: Floats
    information: Floats
    score: Floats
    samples: int
    axis: Floats | None = None

    @property
    def mid_recording_s(self) -> float:
        """The middle of the overlap on the recording's clock."""
        return self.clock.to_recording(self.mid_reference_s)

    def covariance(self) -> Floats:
        """(6, 6) sandwich over blocks: H⁻¹ (Σ s sᵀ) H⁻¹, small-sample factor included, and never below H⁻¹ / 4."""
        bread = np.linalg.inv(self.information.sum(axis=0) + _prior(self.axis))
        corrected = self.score  # scores at the solution sum to about zero
        used = max(2, int(np.count_nonzero(self.information[:, 0, 0] > 0)))
        meat = corrected.T @ corrected * used / max(1, used - 1)
        prior = _prior(self.axis)
        sandwich = bread @ (meat + prior) @ bread
        floor = bread / 4
        return np.asarray(sandwich + np.diag(np.maximum(np.diag(floor) - np.diag(sandwich), 0)))


def _prior(axis: Floats | None = None) -> Floats:
    hold = 0.0 if axis is None else 1 / AXIS_SIGMA_RAD**2
    return np.diag([0.0, 1 / DRIFT_PRIOR**2, 0.0, hold, hold, 4.0])


@dataclass(frozen=True)
class Comparison:
    """Reference means (N, 3) over whole intervals of its own log, and where the recording's come from.

    `roll_extra_s`: the reference's roll is smoothed over that much more than its yaw, so the recording's must be too.
    """

    times: Floats
    widths: Floats
    wanted: Floats
    recording: Averager
    roll_extra_s: float = 0.0

    def seen(self, at: Floats, mount: Mount) -> Floats:
        """(N, 3) recording means around its own times `at`, in aircraft axes."""
        plain = mount.apply(self.recording.means(at, self.widths))
        if self.roll_extra_s > 0:
            plain[:, 0] = mount.apply(smoothed_means(self.recording, at, self.widths, self.roll_extra_s))[:, 0]
        return plain


def comparison(
    reference: Averager, recording: Averager, clock: AffineClock, width_s: float, step_s: float, roll_extra_s: float
) -> Comparison:
    """The part of the reference that meets the recording under `clock`. ValueError when almost nothing does."""
    times, widths = reference.groups(width_s, step_s)
    wanted = reference.means(times, widths)
    at = clock.to_recording(times)
    inside = np.all(np.isfinite(wanted), axis=1) & np.all(np.isfinite(recording.means(at, widths)), axis=1)
    if inside.sum() < 20:
        raise ValueError("fewer than 20 samples overlap")
    return Comparison(times[inside], widths[inside], wanted[inside], recording, roll_extra_s)


def first_mount(reference: Floats, recording: Floats) -> Mount:
    """Mount rotation of matched rates (N, 3), by Kabsch's method on clipped values, κ by the channels' spread."""
    known = np.all(np.isfinite(reference) & np.isfinite(recording), axis=1)
    x, y = _clipped(reference[known]), _clipped(recording[known])
    zoom = 1.0
    rotation = np.eye(3)
    for _ in range(8):
        u, _, vt = np.linalg.svd(x.T @ (y * [1.0, zoom, zoom]))
        rotation = u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))]) @ vt
        back = x @ rotation
        zoom = float(np.clip((back[:, 1:] * y[:, 1:]).sum() / max((y[:, 1:] ** 2).sum(), 1e-12), 0.3, 3.0))
    return Mount(np.asarray(rotation), zoom)


def _clipped(values: Floats) -> Floats:
    limit = 3 * np.percentile(np.abs(values), 90, axis=0) if len(values) else np.ones(3)
    return np.clip(values, -limit, limit)


def fit(
    compared: Comparison, clock: AffineClock, mount: Mount | None, *, rounds: int = 25, axis: Floats | None = None
) -> Fit:
    """Gauss–Newton with Cauchy weights from a start within about half a second.

    `axis`: the roll axis in camera coordinates, where the picture itself has told it (see `roll_axis`). The mount is
    then held to it, and the reference's roll, which a position-only log has from its second differences, has no say.
    """
    middle = float((compared.times[0] + compared.times[-1]) / 2)
    if mount is None:
        as_is = Mount(np.eye(3))
        mount = first_mount(compared.wanted, compared.seen(clock.to_recording(compared.times), as_is))
    for _ in range(rounds):
        residual, jacobian, known = _linearised(compared, clock, mount, middle)
        noise = np.maximum(1.4826 * np.median(np.abs(residual[known]), axis=0), 1e-6)
        if axis is not None:
            noise[0] *= NO_SAY
        unit, slope = residual[known] / noise, jacobian[known] / noise[:, None]
        weight = 1 / (1 + (unit / CAUCHY) ** 2)
        normal = np.einsum("nki,nk,nkj->ij", slope, weight, slope) + _prior(axis)
        pull = _prior(axis) @ [0, clock.drift, 0, *_off_axis(mount, axis), np.log(mount.zoom)]
        step = -np.linalg.solve(normal, np.einsum("nki,nk,nk->i", slope, weight, unit) + pull)
        clock, mount = _moved(clock, mount, step, middle)
        if abs(step[0]) < 1e-5 and abs(step[1]) < 1e-8:
            break
    return _summed(compared, clock, mount, middle, noise, axis)


def _off_axis(mount: Mount, axis: Floats | None) -> tuple[float, float]:
    """Rotations about right and down by which the mount, as it stands, takes the roll axis off forward."""
    if axis is None:
        return 0.0, 0.0
    forward = mount.rotation @ (axis * [1.0, mount.zoom, mount.zoom])
    forward = forward / np.linalg.norm(forward)
    return -float(forward[2]), float(forward[1])


def _linearised(
    compared: Comparison, clock: AffineClock, mount: Mount, middle: float
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Residual (N, 3), its derivatives (N, 3, 6) by δ, d, mount rotation vector and log κ, and where both are known."""
    at = clock.to_recording(compared.times)
    half = np.minimum(0.05, compared.widths / 4)
    got = compared.seen(at, mount)
    slope = (compared.seen(at + half, mount) - compared.seen(at - half, mount)) / (2 * half[:, None])
    jacobian = np.empty((len(at), 3, 6))
    jacobian[:, :, 0] = slope
    jacobian[:, :, 1] = slope * (compared.times - middle)[:, None]
    jacobian[:, :, 2:5] = _cross(got)
    along_axis = np.outer(got @ mount.rotation[:, 0], mount.rotation[:, 0])
    jacobian[:, :, 5] = along_axis - got
    residual = compared.wanted - got
    return residual, jacobian, np.all(np.isfinite(residual), axis=1) & np.all(np.isfinite(slope), axis=1)


def _cross(v: Floats) -> Floats:
    """[v]× (N, 3, 3): −∂(exp(ε)·v)/∂ε."""
    matrix = np.zeros((len(v), 3, 3))
    matrix[:, 0, 1], matrix[:, 0, 2] = -v[:, 2], v[:, 1]
    matrix[:, 1, 0], matrix[:, 1, 2] = v[:, 2], -v[:, 0]
    matrix[:, 2, 0], matrix[:, 2, 1] = -v[:, 1], v[:, 0]
    return matrix


def _moved(clock: AffineClock, mount: Mount, step: Floats, middle: float) -> tuple[AffineClock, Mount]:
    from scipy.spatial.transform import Rotation

    drift = float(np.clip(clock.drift + step[1], -0.08, 0.08))
    at_middle = clock.to_recording(middle)
    offset = middle + float(step[0]) - (1 + drift) * at_middle
    rotation = Rotation.from_rotvec(step[2:5]).as_matrix() @ mount.rotation
    zoom = float(np.clip(mount.zoom * np.exp(np.clip(step[5], -0.3, 0.3)), 0.2, 5.0))
    return AffineClock(offset, drift), Mount(rotation, zoom)


def _summed(
    compared: Comparison, clock: AffineClock, mount: Mount, middle: float, noise: Floats, axis: Floats | None
) -> Fit:
    residual, jacobian, known = _linearised(compared, clock, mount, middle)
    times, wanted = compared.times[known], compared.wanted[known]
    block = np.floor((compared.times - compared.times[0]) / BLOCK_S).astype(np.intp)
    score = _block_scores(residual, jacobian, known, noise, block)
    information = np.empty((len(score), 6, 6))
    for k, h in enumerate((2e-3, 5e-6, 2e-3, 2e-3, 2e-3, 5e-3)):
        step = np.zeros(6)
        step[k] = h
        up, down = (
            _block_scores(*_linearised(compared, *_moved(clock, mount, sign * step, middle), middle), noise, block)
            for sign in (1, -1)
        )
        information[:, :, k] = -(up - down) / (2 * h)
    agreement = np.array([_correlation(wanted[:, k], (wanted - residual[known])[:, k]) for k in range(3)])
    step_s = float(np.median(np.diff(times)))
    return Fit(
        clock, mount, middle, step_s * len(times), float(np.median(compared.widths)), noise, agreement,
        compared.times[0] + (np.arange(len(score)) + 0.5) * BLOCK_S, information, score, len(times), axis,
    )  # fmt: skip


def _block_scores(
    residual: Floats, jacobian: Floats, known: NDArray[np.bool_], noise: Floats, block: NDArray[np.intp]
) -> Floats:
    """(B, 6) −Σ ψ(r)·∂r/∂θ of each block; its slope is the information, camera noise in the derivatives included."""
    unit, slope = residual[known] / noise, jacobian[known] / noise[:, None]
    psi = unit / (1 + (unit / CAUCHY) ** 2)
    score = np.zeros((int(block[-1]) + 1, 6))
    np.add.at(score, block[known], -np.einsum("nki,nk->ni", slope, psi))
    return score


def _correlation(a: Floats, b: Floats) -> float:
    """Correlation of clipped signals: a pan must not decide it."""
    a, b = (
        np.clip(v, *(np.median(v) + np.array([-4, 4]) * (1.4826 * np.median(np.abs(v - np.median(v))) + 1e-9)))
        for v in (a, b)
    )
    return float(np.corrcoef(a, b)[0, 1]) if a.std() > 0 and b.std() > 0 else 0.0


def refined(
    reference: Averager,
    recording: Averager,
    clock: AffineClock,
    spacing_s: float,
    inferred: bool,
    axis: Floats | None = None,
) -> tuple[Fit, Comparison]:
    """Coarse-to-fine: wide means to be caught by the right slope, then the width that the reference's rate supports."""
    extra = 2 * spacing_s if inferred else 0.0
    wide = comparison(reference, recording, clock, max(1.5, 1.5 * spacing_s), max(0.5, spacing_s), extra)
    first = fit(wide, clock, None, rounds=12, axis=axis)
    fine = comparison(reference, recording, first.clock, max(spacing_s, 0.5), max(spacing_s, 0.1), extra)
    return fit(fine, first.clock, first.mount, axis=axis), fine


def at_drift(found: Fit, drift: float) -> Fit:
    """The same fit with its drift stated, mid-overlap kept."""
    offset = found.mid_reference_s - (1 + drift) * found.mid_recording_s
    return replace(found, clock=AffineClock(offset, drift))
