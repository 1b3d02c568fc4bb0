"""Aerials by their idealised published patterns, all of them figures of revolution about one axis.

===========  ============================================  ====================  =======================================
kind         axis                                          polarisation          pattern
===========  ============================================  ====================  =======================================
isotropic    none                                          as given              none
dipole       the rod                                       along the rod         half-wave, cos(π/2·cos θ)/sin θ (Kraus)
whip         the rod                                       along the rod         as a dipole: a model offers no ground
crossed      upright, across the plane of the elements     circular              the doughnut sin θ of ringed elements
turnstile    across the plane of the two dipoles           circular along it     √((1 + cos² θ)/2)
patch        straight ahead of the plate                   as given              12·(θ/θ₃)² dB (ITU-R F.699's main lobe)
helix        the coil, axial mode                          circular              Kraus: cos θ·sin(Nψ/2)/sin(ψ/2)
beam         straight ahead                                as given              12·(θ/θ₃)² dB, θ₃ from the gain
===========  ============================================  ====================  =======================================

Nulls and back lobes are cut off at `FLOOR_DB`: an aerial on a model or a tripod has reflections that fill them.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from overlay.errors import UsageError

Floats = NDArray[np.float64]
Kind = Literal["isotropic", "dipole", "whip", "crossed", "turnstile", "patch", "helix", "beam"]
Polarisation = Literal["vertical", "horizontal", "right-hand circular", "left-hand circular"]

FLOOR_DB = -20.0
CIRCULAR_TO_LINEAR_DB = 3.0
WRONG_HAND_DB = 15.0  # ideally nothing comes through; real aerials are elliptical
_CROSS_FLOOR_DB = 20.0
_CIRCULAR_KINDS = ("crossed", "turnstile", "helix")
_RODS = ("dipole", "whip")
_USUAL_GAIN_DBI = {"isotropic": 0.0, "dipole": 2.15, "whip": 2.15, "crossed": 1.8, "turnstile": 1.76, "patch": 8.0,
                   "helix": 10.0, "beam": 12.0}  # fmt: skip
_POLARISATIONS: tuple[Polarisation, ...] = ("right-hand circular", "left-hand circular", "horizontal", "vertical")
_NAMES: dict[str, Kind] = {
    "isotropic": "isotropic", "dipole": "dipole", "whip": "whip", "monopole": "whip", "rod": "whip",
    "crossed": "crossed", "cross-element": "crossed", "turnstile": "turnstile", "patch": "patch", "panel": "patch",
    "helix": "helix", "helical": "helix", "beam": "beam", "yagi": "beam", "directional": "beam",
}  # fmt: skip


@dataclass(frozen=True)
class Aerial:
    """An aerial of a kind; `gain_dBi` along its best direction, `turns` of a helix."""

    kind: Kind
    gain_dBi: float
    polarisation: Polarisation
    turns: float = 5.0

    @property
    def circular(self) -> bool:
        """Whether the wave it makes turns."""
        return self.polarisation.endswith("circular")

    @property
    def is_rod(self) -> bool:
        """Whether its wave swings along its own axis."""
        return self.kind in _RODS

    @property
    def directional(self) -> bool:
        """Whether it has to be pointed."""
        return self.kind in ("patch", "helix", "beam")

    @property
    def beamwidth_deg(self) -> float:
        """Angle between the half-power directions of a directional aerial, from its gain or its turns."""
        if self.kind == "helix":  # Kraus: 52°/(C/λ·√(N·S/λ)) with C = λ, S = λ/4
            return 52.0 / math.sqrt(self.turns / 4.0)
        return math.sqrt(27_000.0 / 10 ** (self.gain_dBi / 10))  # Stutzman's practical G ≈ 26 000–30 000/(θ₁·θ₂)

    def pattern_dB(self, off_axis_deg: Floats) -> Floats:
        """Gain off the axis over the best gain, between `FLOOR_DB` and 0."""
        off = 180.0 - np.abs(np.mod(off_axis_deg, 360.0) - 180.0)
        θ = np.radians(off)
        if self.kind == "isotropic":
            return np.zeros_like(θ)
        if self.directional and self.kind != "helix":
            return np.maximum(-12.0 * (off / self.beamwidth_deg) ** 2, FLOOR_DB)
        with np.errstate(divide="ignore"):
            return np.maximum(20.0 * np.log10(np.maximum(self._field(θ), 1e-6)), FLOOR_DB)

    def _field(self, θ: Floats) -> Floats:
        if self.kind in _RODS:
            sine = np.maximum(np.sin(θ), 1e-6)
            return np.abs(np.cos(np.pi / 2 * np.cos(θ)) / sine)
        if self.kind == "crossed":
            return np.abs(np.sin(θ))
        if self.kind == "turnstile":
            return np.asarray(np.sqrt((1.0 + np.cos(θ) ** 2) / 2.0))
        ψ = 2 * np.pi * (0.25 * (1 - np.cos(θ)) + 1 / (2 * self.turns))
        array = np.sin(self.turns * ψ / 2) / np.sin(ψ / 2)
        return np.abs(math.sin(math.pi / (2 * self.turns)) * np.cos(θ) * array)


def aerial_of(text: str, polarisation: Polarisation | None = None) -> Aerial:
    """Read an aerial from plain words, such as "8 dBi patch" or "6-turn helix"; UsageError for anything unknown.

    >>> aerial_of("11 dBi patch", "right-hand circular").gain_dBi
    11.0
    >>> aerial_of("6-turn helix").turns
    6.0
    """
    words = re.findall(r"[a-z]+(?:-[a-z]+)*", text.lower())
    kinds = {_NAMES[word] for word in words if word in _NAMES}
    if len(kinds) != 1:
        raise UsageError(f"{text!r} names {len(kinds) or 'no'} kinds of aerial: use one of {', '.join(sorted(_NAMES))}")
    kind = kinds.pop()
    gain = re.search(r"(-?\d+(?:\.\d+)?)\s*dbi?\b", text.lower())
    turns = re.search(r"(\d+(?:\.\d+)?)[\s-]*turn", text.lower())
    told = next((name for name in _POLARISATIONS if name in text.lower()), None)
    usual: Polarisation = "right-hand circular" if kind in _CIRCULAR_KINDS else "vertical"
    return Aerial(
        kind,
        float(gain.group(1)) if gain else _USUAL_GAIN_DBI[kind],
        told or polarisation or usual,
        float(turns.group(1)) if turns else 5.0,
    )


def polarisation_dB(sender: Aerial, receiver: Aerial, angle_deg: Floats) -> Floats:
    """Gain (≤ 0) by the aerials' polarisations; `angle_deg` between the planes of two linear ones seen along the path.

    Linear to linear −20·log|cos|, circular to linear −3 dB at any angle, circular of the wrong hand −15 dB.
    """
    if sender.circular and receiver.circular:
        loss = 0.0 if sender.polarisation == receiver.polarisation else WRONG_HAND_DB
        return np.full_like(angle_deg, -loss)
    if sender.circular or receiver.circular:
        return np.full_like(angle_deg, -CIRCULAR_TO_LINEAR_DB)
    least = 10 ** (-_CROSS_FLOOR_DB / 20)
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(np.cos(np.radians(angle_deg))), least)))
