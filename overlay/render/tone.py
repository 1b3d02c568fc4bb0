"""High dynamic range brought into BT.709: PQ and HLG signals by the tone curve of Report ITU-R BT.2390.

The way of light: signal → light of the display that it was made for (ITU-R BT.2100-2) → highlights rolled off by the
EETF of Report ITU-R BT.2390-10 §5.4, on R, G and B each → primaries of BT.709 (Recommendation ITU-R BT.2087, reversed;
what lies outside is clipped) → signal of a display of BT.1886. All formulas from memory of these documents, checked in
the tests against colour-science.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

PQ, HLG = 16, 18  # ITU-T H.273 transfer codes
HIGH_DYNAMIC_RANGE = {PQ: "PQ (SMPTE ST 2084)", HLG: "HLG (ARIB STD-B67)"}
PEAK_CD_M2 = 1000.0  # of the display that the recording was made for: the usual grading monitor, and HLG's nominal one
WHITE_CD_M2 = 203.0  # Report ITU-R BT.2408: the reference white of HDR, here the brightest that SDR can show
_M1, _M2 = 2610 / 16384, 2523 / 4096 * 128  # SMPTE ST 2084, equations 4.1 … 5.2
_C1, _C2, _C3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32
_HLG_A = 0.17883277  # BT.2100-2 table 5
_HLG_B = 1 - 4 * _HLG_A
_HLG_C = 0.5 - _HLG_A * np.log(4 * _HLG_A)
_HLG_GAMMA = 1.2  # of the system at 1000 cd/m²
_LUMINANCE_2020 = np.array([0.2627, 0.6780, 0.0593])
# BT.2020 linear light to BT.709: the inverse of BT.2087-0 annex 2 (M2)
_TO_709 = np.linalg.inv(np.array([[0.6274, 0.3293, 0.0433], [0.0691, 0.9195, 0.0114], [0.0164, 0.0880, 0.8956]]))
_POINTS = 65  # to an axis: between them a colour strays by less than 0.7 of ΔE (CIE 2000), which nobody sees


def pq_light(signal: Floats) -> Floats:
    """PQ signal 0 … 1 → cd/m²."""
    power = np.clip(signal, 0.0, 1.0) ** (1 / _M2)
    light: Floats = 10000.0 * (np.maximum(power - _C1, 0.0) / (_C2 - _C3 * power)) ** (1 / _M1)
    return light


def pq_signal(light: Floats | float) -> Floats:
    """cd/m² → PQ signal 0 … 1."""
    power = np.clip(np.asarray(light, np.float64) / 10000.0, 0.0, 1.0) ** _M1
    signal: Floats = ((_C1 + _C2 * power) / (1 + _C3 * power)) ** _M2
    return signal


def hlg_light(signal: Floats) -> Floats:
    """HLG signal (…, 3), red, green, blue, 0 … 1 → cd/m² on a display of `PEAK_CD_M2`."""
    signal = np.clip(signal, 0.0, 1.0)
    scene = np.where(signal <= 0.5, signal**2 / 3, (np.exp((signal - _HLG_C) / _HLG_A) + _HLG_B) / 12)
    luminance = (scene @ _LUMINANCE_2020)[..., None]
    light: Floats = PEAK_CD_M2 * luminance ** (_HLG_GAMMA - 1) * scene
    return light


def rolled_off(light: Floats) -> Floats:
    """cd/m² up to `PEAK_CD_M2` → up to `WHITE_CD_M2`: as it is below the knee, a Hermite spline in PQ above it."""
    peak = float(pq_signal(PEAK_CD_M2))
    most = float(pq_signal(WHITE_CD_M2)) / peak
    knee = 1.5 * most - 0.5
    signal = np.minimum(pq_signal(light) / peak, 1.0)
    t = (np.maximum(signal, knee) - knee) / (1 - knee)
    spline = (2 * t**3 - 3 * t**2 + 1) * knee + (t**3 - 2 * t**2 + t) * (1 - knee) + (-2 * t**3 + 3 * t**2) * most
    return pq_light(np.where(signal < knee, signal, spline) * peak)


def standard(signal: Floats, transfer: int) -> Floats:
    """(…, 3) R′G′B′ of BT.2020 in `PQ` or `HLG`, 0 … 1 → R′G′B′ of BT.709, 0 … 1."""
    light = rolled_off(pq_light(signal) if transfer == PQ else hlg_light(signal))
    linear = np.clip(light @ _TO_709.T / WHITE_CD_M2, 0.0, 1.0)
    shown: Floats = linear ** (1 / 2.4)  # BT.1886 with black at nought
    return shown


@cache
def table(transfer: int) -> Path:
    """File of `standard` as libavfilter's lut3d reads it, red running fastest; it goes when the program ends."""
    axis = np.linspace(0.0, 1.0, _POINTS)
    blue, green, red = np.meshgrid(axis, axis, axis, indexing="ij")
    mapped = standard(np.stack([red, green, blue], axis=-1).reshape(-1, 3), transfer)
    path = Path(_folder().name) / f"{transfer}.cube"
    path.write_text(f"LUT_3D_SIZE {_POINTS}\n" + "\n".join(f"{r:.6f} {g:.6f} {b:.6f}" for r, g, b in mapped) + "\n")
    return path


@cache
def _folder() -> TemporaryDirectory[str]:
    return TemporaryDirectory(prefix="overlay-")
