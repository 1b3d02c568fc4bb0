"""WGS 84 by formulas of our own, so that the truth leans on nothing that it is used to test.

Sources: NIMA TR8350.2 for the ellipsoid; T. Vincenty, "Direct and inverse solutions of geodesics on the ellipsoid with
application of nested equations", Survey Review 23 (1975), for the direct problem.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SEMI_MAJOR_M = 6378137.0
FLATTENING = 1 / 298.257223563
SEMI_MINOR_M = SEMI_MAJOR_M * (1 - FLATTENING)
MEAN_RADIUS_M = 6371008.8


def place_from_home(
    latitude_deg: float, longitude_deg: float, east_m: Floats, north_m: Floats
) -> tuple[Floats, Floats]:
    """Latitude and longitude, degrees, of points given by azimuthal equidistant coordinates about home.

    Range and bearing from home are then exactly hypot(east, north) and atan2(east, north); distances between other
    points are true to 1 part in 10⁶ within 15 km.
    """
    return vincenty_direct(latitude_deg, longitude_deg, np.arctan2(east_m, north_m), np.hypot(east_m, north_m))


def vincenty_direct(
    latitude_deg: float, longitude_deg: float, azimuth_rad: Floats, distance_m: Floats
) -> tuple[Floats, Floats]:
    """End of a geodesic from a start, an azimuth and a length; 0.1 mm for any length flown by a model."""
    f = FLATTENING
    sin_a, cos_a = np.sin(azimuth_rad), np.cos(azimuth_rad)
    tan_u1 = (1 - f) * np.tan(np.radians(latitude_deg))
    cos_u1 = 1 / np.sqrt(1 + tan_u1**2)
    sin_u1 = tan_u1 * cos_u1
    sigma1 = np.arctan2(tan_u1, cos_a)  # (1)
    sin_alpha = cos_u1 * sin_a  # (2)
    cos2_alpha = 1 - sin_alpha**2
    u2 = cos2_alpha * (SEMI_MAJOR_M**2 - SEMI_MINOR_M**2) / SEMI_MINOR_M**2
    A = 1 + u2 / 16384 * (4096 + u2 * (-768 + u2 * (320 - 175 * u2)))  # (3)
    B = u2 / 1024 * (256 + u2 * (-128 + u2 * (74 - 47 * u2)))  # (4)
    sigma = distance_m / (SEMI_MINOR_M * A)
    for _ in range(6):
        cos_2m = np.cos(2 * sigma1 + sigma)  # (5)
        sin_s, cos_s = np.sin(sigma), np.cos(sigma)
        third = B / 6 * cos_2m * (-3 + 4 * sin_s**2) * (-3 + 4 * cos_2m**2)
        sigma = distance_m / (SEMI_MINOR_M * A) + B * sin_s * (
            cos_2m + B / 4 * (cos_s * (-1 + 2 * cos_2m**2) - third)
        )  # (6), (7)
    sin_s, cos_s, cos_2m = np.sin(sigma), np.cos(sigma), np.cos(2 * sigma1 + sigma)
    down = np.hypot(sin_alpha, sin_u1 * sin_s - cos_u1 * cos_s * cos_a)
    latitude = np.arctan2(sin_u1 * cos_s + cos_u1 * sin_s * cos_a, (1 - f) * down)  # (8)
    lam = np.arctan2(sin_s * sin_a, cos_u1 * cos_s - sin_u1 * sin_s * cos_a)  # (9)
    C = f / 16 * cos2_alpha * (4 + f * (4 - 3 * cos2_alpha))  # (10)
    longitude = lam - (1 - C) * f * sin_alpha * (
        sigma + C * sin_s * (cos_2m + C * cos_s * (-1 + 2 * cos_2m**2))
    )  # (11)
    return np.degrees(latitude), (longitude_deg + np.degrees(longitude) + 180) % 360 - 180


def horizon_dip_rad(height_m: float) -> float:
    """How far the sea horizon lies under the horizontal, without refraction: arccos(R / (R + h))."""
    return float(np.arccos(MEAN_RADIUS_M / (MEAN_RADIUS_M + max(height_m, 0.0))))
