"""Distances and directions on the WGS 84 ellipsoid, for whole tracks at once.

Vincenty's nested equations (Survey Review XXII no. 176, 1975) are iterated over arrays; the few pairs on which they do
not converge (nearly antipodal points) go to Karney's algorithm (J. Geodesy 87, 2013) in `geographiclib`, which is the
reference that the tests hold everything to.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

SEMI_MAJOR_M = 6378137.0
FLATTENING = 1 / 298.257223563
SEMI_MINOR_M = SEMI_MAJOR_M * (1 - FLATTENING)
_ECCENTRICITY2 = (SEMI_MAJOR_M**2 - SEMI_MINOR_M**2) / SEMI_MINOR_M**2  # second eccentricity, squared
_NEARLY_ANTIPODAL = np.radians(178.0)  # beyond it the iteration may settle on a wrong line


def compass(angle_deg: ArrayLike) -> Floats:
    """Any angle as a bearing, [0, 360): unlike the remainder alone, which makes 360 of −1e−15.

    >>> float(compass(-1e-15)), float(compass(-90.0))
    (0.0, 270.0)
    """
    turned = np.mod(np.asarray(angle_deg, np.float64), 360.0)
    return np.where(turned == 360.0, 0.0, turned)


def inverse(lat1: ArrayLike, lon1: ArrayLike, lat2: ArrayLike, lon2: ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Geodesic from points 1 to points 2 (degrees, broadcast together).

    Returns distance in metres, forward azimuth at 1 and at 2 in degrees [0, 360). Coincident points have azimuth 0. NaN
    in, NaN out. Agrees with Karney's algorithm to better than 1 mm.
    """
    φ1, λ1, φ2, λ2 = np.broadcast_arrays(*(np.radians(np.asarray(v, np.float64)) for v in (lat1, lon1, lat2, lon2)))
    sin1, cos1 = _reduced(φ1)
    sin2, cos2 = _reduced(φ2)
    span = np.mod(λ2 - λ1 + np.pi, 2 * np.pi) - np.pi
    λ = span.copy()
    settled = ~np.isfinite(span)
    for _ in range(30):
        step, σ, sin_σ, cos_2σm, cos2_α = _longitude_step(λ, sin1, cos1, sin2, cos2)
        change = np.abs(span + step - λ)
        λ = span + step
        settled = settled | (change < 1e-13)
        if settled.all():
            break
    distance = SEMI_MINOR_M * _arc(σ, sin_σ, cos_2σm, cos2_α)
    azimuth1 = np.arctan2(cos2 * np.sin(λ), cos1 * sin2 - sin1 * cos2 * np.cos(λ))  # eq. 20
    azimuth2 = np.arctan2(cos1 * np.sin(λ), -sin1 * cos2 + cos1 * sin2 * np.cos(λ))  # eq. 21
    result = np.stack([distance, compass(np.degrees(azimuth1)), compass(np.degrees(azimuth2))])
    doubtful = ~settled | (σ > _NEARLY_ANTIPODAL)
    if doubtful.any():
        ends = np.degrees(np.stack([φ1, λ1, φ2, λ2])[:, doubtful])
        result[:, doubtful] = np.array([_karney(*pair) for pair in ends.T]).T
    return result[0], result[1], result[2]


def direct(lat1: ArrayLike, lon1: ArrayLike, azimuth: ArrayLike, distance: ArrayLike) -> tuple[Floats, Floats]:
    """Latitude and longitude (degrees) reached from points 1 along `azimuth` (degrees) after `distance` metres."""
    φ1, λ1, α1 = (np.radians(np.asarray(v, np.float64)) for v in (lat1, lon1, azimuth))
    s = np.asarray(distance, np.float64)
    sin1, cos1 = _reduced(φ1)
    σ1 = np.arctan2(sin1, cos1 * np.cos(α1))  # eq. 1
    sin_α = cos1 * np.sin(α1)  # eq. 2
    cos2_α = 1 - sin_α**2
    A, B = _series(cos2_α)
    σ = s / (SEMI_MINOR_M * A)
    for _ in range(20):
        cos_2σm = np.cos(2 * σ1 + σ)  # eq. 5
        σ_next = s / (SEMI_MINOR_M * A) + _delta_σ(B, np.sin(σ), np.cos(σ), cos_2σm)  # eq. 6, 7
        done = np.nanmax(np.abs(σ_next - σ), initial=0.0) < 1e-14
        σ = σ_next
        if done:
            break
    sin_σ, cos_σ, cos_2σm = np.sin(σ), np.cos(σ), np.cos(2 * σ1 + σ)
    x = sin1 * sin_σ - cos1 * cos_σ * np.cos(α1)
    φ2 = np.arctan2(sin1 * cos_σ + cos1 * sin_σ * np.cos(α1), (1 - FLATTENING) * np.hypot(sin_α, x))  # eq. 8
    λ = np.arctan2(sin_σ * np.sin(α1), cos1 * cos_σ - sin1 * sin_σ * np.cos(α1))  # eq. 9
    L = λ - _longitude_correction(sin_α, cos2_α, σ, sin_σ, cos_σ, cos_2σm)  # eq. 10, 11
    longitude = np.mod(np.degrees(λ1 + L) + 180.0, 360.0) - 180.0
    return np.degrees(φ2), longitude


@dataclass(frozen=True)
class LocalPlane:
    """East and north of one place by the azimuthal equidistant projection.

    Range and bearing from the origin are exact; lengths elsewhere are too long by at most (range/R)²/6 of themselves,
    1 cm a kilometre at 50 km.
    """

    latitude_deg: float
    longitude_deg: float

    def polar(self, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> tuple[Floats, Floats]:
        """Range in metres and azimuth at the origin in degrees [0, 360)."""
        distance, azimuth, _ = inverse(self.latitude_deg, self.longitude_deg, latitude_deg, longitude_deg)
        return distance, azimuth

    def to_plane(self, latitude_deg: ArrayLike, longitude_deg: ArrayLike) -> tuple[Floats, Floats]:
        """East and north in metres."""
        distance, azimuth = self.polar(latitude_deg, longitude_deg)
        return distance * np.sin(np.radians(azimuth)), distance * np.cos(np.radians(azimuth))

    def to_geodetic(self, east_m: ArrayLike, north_m: ArrayLike) -> tuple[Floats, Floats]:
        """Latitude and longitude in degrees."""
        east, north = np.asarray(east_m, np.float64), np.asarray(north_m, np.float64)
        azimuth = np.degrees(np.arctan2(east, north))
        return direct(self.latitude_deg, self.longitude_deg, azimuth, np.hypot(east, north))


def _reduced(φ: Floats) -> tuple[Floats, Floats]:
    """Sine and cosine of the reduced latitude, tan U = (1 − f)·tan φ."""
    x, y = np.cos(φ), (1 - FLATTENING) * np.sin(φ)
    length = np.hypot(x, y)
    return y / length, x / length


def _longitude_step(
    λ: Floats, sin1: Floats, cos1: Floats, sin2: Floats, cos2: Floats
) -> tuple[Floats, Floats, Floats, Floats, Floats]:
    """One round of the inverse iteration: (λ − L, σ, sin σ, cos 2σm, cos²α)."""
    sin_λ, cos_λ = np.sin(λ), np.cos(λ)
    sin_σ = np.hypot(cos2 * sin_λ, cos1 * sin2 - sin1 * cos2 * cos_λ)  # eq. 14
    cos_σ = sin1 * sin2 + cos1 * cos2 * cos_λ  # eq. 15
    σ = np.arctan2(sin_σ, cos_σ)  # eq. 16
    apart = sin_σ > 0
    sin_α = np.where(apart, cos1 * cos2 * sin_λ / np.where(apart, sin_σ, 1.0), 0.0)  # eq. 17
    cos2_α = 1 - sin_α**2
    tilted = cos2_α > 1e-14  # along the equator σm is undefined and drops out
    cos_2σm = np.where(tilted, cos_σ - 2 * sin1 * sin2 / np.where(tilted, cos2_α, 1.0), 0.0)  # eq. 18
    return _longitude_correction(sin_α, cos2_α, σ, sin_σ, cos_σ, cos_2σm), σ, sin_σ, cos_2σm, cos2_α


def _longitude_correction(
    sin_α: Floats, cos2_α: Floats, σ: Floats, sin_σ: Floats, cos_σ: Floats, cos_2σm: Floats
) -> Floats:
    C = FLATTENING / 16 * cos2_α * (4 + FLATTENING * (4 - 3 * cos2_α))  # eq. 10
    inner = cos_2σm + C * cos_σ * (2 * cos_2σm**2 - 1)
    return (1 - C) * FLATTENING * sin_α * (σ + C * sin_σ * inner)  # eq. 11


def _series(cos2_α: Floats) -> tuple[Floats, Floats]:
    u2 = cos2_α * _ECCENTRICITY2
    A = 1 + u2 / 16384 * (4096 + u2 * (-768 + u2 * (320 - 175 * u2)))  # eq. 3
    B = u2 / 1024 * (256 + u2 * (-128 + u2 * (74 - 47 * u2)))  # eq. 4
    return A, B


def _delta_σ(B: Floats, sin_σ: Floats, cos_σ: Floats, cos_2σm: Floats) -> Floats:
    tail = B / 6 * cos_2σm * (4 * sin_σ**2 - 3) * (4 * cos_2σm**2 - 3)
    return B * sin_σ * (cos_2σm + B / 4 * (cos_σ * (2 * cos_2σm**2 - 1) - tail))  # eq. 6


def _arc(σ: Floats, sin_σ: Floats, cos_2σm: Floats, cos2_α: Floats) -> Floats:
    A, B = _series(cos2_α)
    return A * (σ - _delta_σ(B, sin_σ, np.cos(σ), cos_2σm))  # eq. 19


def _karney(lat1: float, lon1: float, lat2: float, lon2: float) -> tuple[float, float, float]:
    from geographiclib.geodesic import Geodesic

    line = Geodesic.WGS84.Inverse(lat1, lon1, lat2, lon2)
    return line["s12"], line["azi1"] % 360.0, line["azi2"] % 360.0
