"""How a radio wave gets from the aircraft to the ground: free space, the ground's mirror, the horizon, hills.

Sources: ITU-R P.525 (free space), ITU-R P.526 (Fresnel zones, knife edge, Bullington's construction), the effective
Earth radius of 8 500 km (4/3 of the true one, P.526 §1 for a median atmosphere). Losses are positive dB, gains signed.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

LIGHT_MPS = 299792458.0
EFFECTIVE_RADIUS_M = 8.5e6


def wavelength_m(frequency_MHz: float) -> float:
    """Length of the wave in free space."""
    return LIGHT_MPS / (frequency_MHz * 1e6)


def free_space_dB(distance_m: ArrayLike, frequency_MHz: float) -> Floats:
    """Loss between isotropic aerials in free space, 20·log(4πd/λ) (P.525 eq. 3); distances below 1 m count as 1 m.

    >>> round(float(free_space_dB(10_000.0, 1280.0)), 1)
    114.6
    """
    distance = np.maximum(np.asarray(distance_m, np.float64), 1.0)
    return np.asarray(20.0 * np.log10(4 * np.pi * distance / wavelength_m(frequency_MHz)))


def fresnel_radius_m(near_m: ArrayLike, far_m: ArrayLike, frequency_MHz: float, zone: int = 1) -> Floats:
    """Radius of a Fresnel zone at `near_m` from one end and `far_m` from the other, √(nλd₁d₂/(d₁+d₂)) (P.526 eq. 2).

    >>> round(float(fresnel_radius_m(5000.0, 5000.0, 1280.0)))
    24
    """
    near, far = np.asarray(near_m, np.float64), np.asarray(far_m, np.float64)
    return np.asarray(np.sqrt(zone * wavelength_m(frequency_MHz) * near * far / (near + far)))


def knife_edge_dB(parameter: ArrayLike) -> Floats:
    """Loss J(ν) over a single knife edge (P.526 eq. 31), 0 for ν ≤ −0.78.

    >>> [round(float(knife_edge_dB(v)), 1) for v in (-1.0, 0.0, 1.0)]
    [0.0, 6.0, 13.9]
    """
    given = np.asarray(parameter, np.float64)
    v = np.maximum(given, -0.78) - 0.1
    return np.where(given > -0.78, 6.9 + 20.0 * np.log10(np.sqrt(v**2 + 1.0) + v), 0.0)


def diffraction_parameter(above_m: ArrayLike, near_m: ArrayLike, far_m: ArrayLike, frequency_MHz: float) -> Floats:
    """ν of an edge `above_m` over the straight line between the ends, h·√(2(1/d₁+1/d₂)/λ) (P.526 eq. 26)."""
    near, far = np.asarray(near_m, np.float64), np.asarray(far_m, np.float64)
    return np.asarray(above_m * np.sqrt(2.0 * (1.0 / near + 1.0 / far) / wavelength_m(frequency_MHz)))


def horizon_m(height_m: ArrayLike) -> Floats:
    """Distance to the radio horizon over smooth ground, √(2·aₑ·h): 4.12·√h km.

    >>> round(float(horizon_m(100.0)) / 1000, 1)
    41.2
    """
    return np.asarray(np.sqrt(2.0 * EFFECTIVE_RADIUS_M * np.maximum(np.asarray(height_m, np.float64), 0.0)))


def bulge_m(near_m: ArrayLike, far_m: ArrayLike) -> Floats:
    """Height of the Earth's curve over the chord, d₁·d₂/(2·aₑ)."""
    return np.asarray(np.asarray(near_m, np.float64) * np.asarray(far_m, np.float64) / (2.0 * EFFECTIVE_RADIUS_M))


def bullington_dB(
    distance_m: Floats, ground_m: Floats, near_height_m: ArrayLike, far_height_m: ArrayLike, frequency_MHz: float
) -> tuple[Floats, Floats]:
    """Diffraction loss over terrain profiles, and their least clearance in first Fresnel radii.

    `distance_m` (…, P) rises from 0 at the near end to the far end; `ground_m` (…, P) and the aerials' heights (…) are
    over one level. Bullington's equivalent knife edge, P.526-15 §4.5.1 eq. 45–52, on the effective Earth; without that
    section's spherical-Earth supplement, which matters far beyond the horizon only.
    """
    total = distance_m[..., -1:]
    d, g = distance_m[..., 1:-1], ground_m[..., 1:-1]
    near, far = (np.asarray(height, np.float64)[..., None] for height in (near_height_m, far_height_m))
    if d.shape[-1] == 0:
        return np.zeros(d.shape[:-1]), np.full(d.shape[:-1], np.inf)
    curved = g + bulge_m(d, total - d)
    above = curved - (near + (far - near) * d / total)
    clearance = np.min(-above / fresnel_radius_m(d, total - d, frequency_MHz), axis=-1)
    rise = np.max((curved - near) / d, axis=-1, keepdims=True)  # S_tim, eq. 45
    fall = np.max((curved - far) / (total - d), axis=-1, keepdims=True)  # S_rim, eq. 49
    direct = (far - near) / total  # S_tr, eq. 46
    seen = np.max(diffraction_parameter(above, d, total - d, frequency_MHz), axis=-1)  # eq. 47
    hidden = (rise >= direct) & (rise + fall > 1e-9)  # grazing, both lines are one
    meeting = (far - near + fall * total) / np.where(hidden, rise + fall, 1.0)  # eq. 50
    at = np.clip(np.where(hidden, meeting, total / 2), np.minimum(1.0, total / 4), np.maximum(total - 1.0, total / 2))
    over = near + rise * at - (near * (total - at) + far * at) / total
    blocked = diffraction_parameter(over, at, total - at, frequency_MHz)[..., 0]  # eq. 51
    edge = knife_edge_dB(np.where(hidden[..., 0], blocked, seen))  # eq. 48
    return edge + (1.0 - np.exp(-edge / 6.0)) * (10.0 + 0.02 * total[..., 0] / 1000.0), clearance  # eq. 52


def smooth_earth_dB(distance_m: ArrayLike, height_m: ArrayLike, ground_height_m: float, frequency_MHz: float) -> Floats:
    """Loss by the Earth's curve over flat ground: a knife edge where the curve rises highest to the line.

    Exact where it grazes; beyond the horizon it is less than what a smooth sphere takes, so it never overstates.
    """
    total = np.maximum(np.asarray(distance_m, np.float64), 1.0)
    high = np.maximum(np.asarray(height_m, np.float64), 0.1)
    shares = np.linspace(0.02, 0.98, 49).reshape(-1, *([1] * total.ndim))
    near, far = shares * total, (1 - shares) * total
    above = bulge_m(near, far) - (ground_height_m * (1 - shares) + high * shares)
    return knife_edge_dB(diffraction_parameter(above, near, far, frequency_MHz).max(axis=0))


def mirror_gain_dB(
    distance_m: ArrayLike,
    near_m: ArrayLike,
    far_m: ArrayLike,
    frequency_MHz: float,
    *,
    reflection: ArrayLike,
    roughness_m: ArrayLike,
) -> Floats:
    """Gain of direct plus reflected wave over the direct one, above a plane: both heights, and the way along it.

    Near grazing, ground reflects either polarisation with −`reflection`; roughness weakens it by
    exp(−2·(k·σ_h·sin ψ)²) (Ament's factor). Nulls lie where the path difference is a whole number of waves: the
    farthest near 2·h·h_g/λ, beyond it the gain falls towards the plane-earth law.
    """
    d, down, up = (np.asarray(value, np.float64) for value in (distance_m, near_m, far_m))
    k = 2 * np.pi / wavelength_m(frequency_MHz)
    direct, bounced = np.hypot(d, up - down), np.hypot(d, up + down)
    mirror = -np.asarray(reflection) * np.exp(-2.0 * (k * np.asarray(roughness_m) * (up + down) / bounced) ** 2)
    field = 1.0 + mirror * (direct / bounced) * np.exp(-1j * k * (bounced - direct))
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(field), 1e-2)))


def two_ray_nulls_m(height_m: float, ground_height_m: float, frequency_MHz: float, count: int = 3) -> Floats:
    """Ground distances of the farthest `count` nulls over a plane, 2·h·h_g/(n·λ), farthest first.

    >>> [round(float(d)) for d in two_ray_nulls_m(100.0, 2.0, 1280.0, 2)]
    [1708, 854]
    """
    return np.asarray(2.0 * height_m * ground_height_m / (np.arange(1, count + 1) * wavelength_m(frequency_MHz)))


def over_tangent(distance_m: Floats, height_m: Floats, ground_height_m: Floats) -> tuple[Floats, Floats]:
    """Both heights over the plane that touches the Earth at the point of reflection (found on the flat Earth)."""
    near = distance_m * ground_height_m / (height_m + ground_height_m)
    far = distance_m - near
    up = height_m - far**2 / (2 * EFFECTIVE_RADIUS_M)
    down = ground_height_m - near**2 / (2 * EFFECTIVE_RADIUS_M)
    return np.maximum(up, 0.05), np.maximum(down, 0.05)
