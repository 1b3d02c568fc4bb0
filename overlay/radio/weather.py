"""What rain and cloud take from a radio path: ITU-R P.838-3 and P.840, for acquitting the weather or convicting it."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# P.838-3, tables 1 to 4: a_j, b_j, c_j of the Gaussians in log10 f, then m and c of the straight line.
_K_HORIZONTAL = (
    (
        (-5.33980, -0.10008, 1.13098),
        (-0.35351, 1.26970, 0.45400),
        (-0.23789, 0.86036, 0.15354),
        (-0.94158, 0.64552, 0.16817),
    ),
    -0.18961,
    0.71147,
)
_K_VERTICAL = (
    (
        (-3.80595, 0.56934, 0.81061),
        (-3.44965, -0.22911, 0.51059),
        (-0.39902, 0.73042, 0.11899),
        (0.50167, 1.07319, 0.27195),
    ),
    -0.16398,
    0.63297,
)
_ALPHA_HORIZONTAL = (
    (
        (-0.14318, 1.82442, -0.55187),
        (0.29591, 0.77564, 0.19822),
        (0.32177, 0.63773, 0.13164),
        (-5.37610, -0.96230, 1.47828),
        (16.1721, -3.29980, 3.43990),
    ),
    0.67849,
    -1.95537,
)
_ALPHA_VERTICAL = (
    (
        (-0.07771, 2.33840, -0.76284),
        (0.56727, 0.95545, 0.54039),
        (-0.20238, 1.14520, 0.26809),
        (-48.2991, 0.791669, 0.116226),
        (48.5833, 0.791459, 0.116479),
    ),
    -0.053739,
    0.83433,
)
_Fit = tuple[tuple[tuple[float, float, float], ...], float, float]

LOWEST_RAIN_MHZ = 1000.0  # below it the recommendation gives nothing; what it gives there is an upper bound


def rain_dB_per_km(rate_mm_h: float, frequency_MHz: float, polarisation: str = "circular") -> float:
    """Specific attenuation k·R^α of rain on a level path (P.838-3); below 1 GHz the value at 1 GHz, an upper bound.

    `polarisation`: "horizontal", "vertical" or "circular" (tilt 45°).

    >>> round(rain_dB_per_km(50.0, 5800.0, "horizontal"), 2)
    0.31
    """
    tilt = {"horizontal": 0.0, "vertical": 90.0, "circular": 45.0}[polarisation]
    k, alpha = rain_coefficients(frequency_MHz, tilt)
    return float(k * rate_mm_h**alpha) if rate_mm_h > 0 else 0.0


def rain_coefficients(frequency_MHz: float, tilt_deg: float, elevation_deg: float = 0.0) -> tuple[float, float]:
    """The k and α of P.838-3 eq. 4 and 5 for a polarisation tilted `tilt_deg` from the horizontal."""
    log_f = float(np.log10(max(frequency_MHz, LOWEST_RAIN_MHZ) / 1000.0))
    k_h, k_v = (10.0 ** _fitted(log_f, fit) for fit in (_K_HORIZONTAL, _K_VERTICAL))
    a_h, a_v = (_fitted(log_f, fit) for fit in (_ALPHA_HORIZONTAL, _ALPHA_VERTICAL))
    mix = float(np.cos(np.radians(elevation_deg)) ** 2 * np.cos(2 * np.radians(tilt_deg)))
    k = (k_h + k_v + (k_h - k_v) * mix) / 2
    return k, (k_h * a_h + k_v * a_v + (k_h * a_h - k_v * a_v) * mix) / (2 * k)


def cloud_dB_per_km(water_g_m3: float, frequency_MHz: float, temperature_C: float = 10.0) -> float:
    """Specific attenuation of cloud or fog droplets, Rayleigh absorption by water's double-Debye permittivity (P.840).

    >>> round(cloud_dB_per_km(1.0, 5800.0), 3)
    0.023
    """
    f = frequency_MHz / 1000.0
    theta = 300.0 / (temperature_C + 273.15)
    e0, e1, e2 = 77.66 + 103.3 * (theta - 1), 0.0671 * (77.66 + 103.3 * (theta - 1)), 3.52
    fp = 20.20 - 146 * (theta - 1) + 316 * (theta - 1) ** 2
    fs = 39.8 * fp
    lossy = f * (e0 - e1) / (fp * (1 + (f / fp) ** 2)) + f * (e1 - e2) / (fs * (1 + (f / fs) ** 2))
    real = (e0 - e1) / (1 + (f / fp) ** 2) + (e1 - e2) / (1 + (f / fs) ** 2) + e2
    eta = (2 + real) / lossy
    return float(0.819 * f / (lossy * (1 + eta**2)) * water_g_m3)


def _fitted(log_f: float, fit: _Fit) -> float:
    bumps, m, c = fit
    return sum(a * float(np.exp(-(((log_f - b) / width) ** 2))) for a, b, width in bumps) + m * log_f + c
