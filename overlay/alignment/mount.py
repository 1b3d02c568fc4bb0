"""How the camera sits in the aircraft."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ZOOM_RANGE = (0.1, 5.0)


@dataclass(frozen=True)
class Mount:
    """Camera axes to aircraft axes: ω = `rotation` (3, 3) · diag(1, `zoom`, `zoom`) · c.

    `zoom` is the guessed focal length over the true one: rotation about the optical axis shows the same at any focal
    length, the other two in proportion to it.
    """

    rotation: Floats
    zoom: float = 1.0

    def apply(self, rates: Floats) -> Floats:
        """(N, 3) picture rates in aircraft axes."""
        return np.asarray((rates * [1.0, self.zoom, self.zoom]) @ self.rotation.T)

    @property
    def tilt_deg(self) -> float:
        """Angle of the whole mount rotation."""
        return float(np.degrees(np.arccos(np.clip((np.trace(self.rotation) - 1) / 2, -1, 1))))

    @property
    def roll_deg(self) -> float:
        """Turn about the optical axis, −180 … 180: near 180 the camera is mounted upside down."""
        return float(np.degrees(np.arctan2(self.rotation[2, 1], self.rotation[1, 1])))

    def moved(self, vector_rad: Floats, log_zoom: float) -> Mount:
        """Turned by a small rotation vector (3,), the zoom multiplied by exp(`log_zoom`)."""
        from scipy.spatial.transform import Rotation

        rotation = Rotation.from_rotvec(vector_rad).as_matrix() @ self.rotation
        return Mount(rotation, float(np.clip(self.zoom * np.exp(np.clip(log_zoom, -0.3, 0.3)), *ZOOM_RANGE)))

    def slopes(self, applied: Floats) -> Floats:
        """(N, 3, 4) derivatives of wanted − `applied` (N, 3) by the rotation vector and by the log of the zoom."""
        axis = self.rotation[:, 0]
        by_zoom = np.outer(applied @ axis, axis) - applied
        return np.concatenate((_cross(applied), by_zoom[:, :, None]), axis=2)


def first_mount(reference: Floats, recording: Floats) -> Mount:
    """Rotation that best takes `recording` to matched `reference` (N, 3) rates: Kabsch's method on clipped values."""
    known = np.all(np.isfinite(reference) & np.isfinite(recording), axis=1)
    x, y = _clipped(reference[known]), _clipped(recording[known])
    u, _, vt = np.linalg.svd(x.T @ y)
    return Mount(np.asarray(u @ np.diag([1.0, 1.0, np.sign(np.linalg.det(u @ vt))]) @ vt))


def _clipped(values: Floats) -> Floats:
    limit = 3 * np.percentile(np.abs(values), 90, axis=0) if len(values) else np.ones(3)
    return np.clip(values, -limit, limit)


def _cross(v: Floats) -> Floats:
    """[v]× (N, 3, 3): −∂(exp(ε)·v)/∂ε."""
    matrix = np.zeros((len(v), 3, 3))
    matrix[:, 0, 1], matrix[:, 0, 2] = -v[:, 2], v[:, 1]
    matrix[:, 1, 0], matrix[:, 1, 2] = v[:, 2], -v[:, 0]
    matrix[:, 2, 0], matrix[:, 2, 1] = -v[:, 1], v[:, 0]
    return matrix
