"""What the radio links receive, from where the aircraft is and how it hangs in the air.

Free space after ITU-R P.525; a ground-reflected ray of a rough plane; a dipole that leans with the aircraft, shadowed
by the battery when the nose points at the receiver; a fixed directional aerial on the ground; slow and quick fading.
The terms are kept apart in the result, so that a cause can be told from the truth.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from overlay_samples.pilot import unrest
from overlay_samples.scenario import Scenario

Floats = NDArray[np.float64]

_ROUGHNESS_M = 0.12
_REFLECTION = 0.75
_LIGHT_MPS = 299792458.0


@dataclass(frozen=True)
class Budget:
    """Terms of a link over time, dB (N,), all ≤ 0 but `fading_dB` and `two_ray_dB`; they add to `total_dB`."""

    free_space_dB: Floats
    two_ray_dB: Floats
    ground_aerial_dB: Floats
    aircraft_aerial_dB: Floats  # pattern and shadowing by the aircraft itself
    polarisation_dB: Floats
    fading_dB: Floats

    @property
    def total_dB(self) -> Floats:
        """Gain of the path without the constant gains: what varies in flight."""
        parts = (self.two_ray_dB, self.ground_aerial_dB, self.aircraft_aerial_dB, self.polarisation_dB, self.fading_dB)
        return np.asarray(self.free_space_dB + sum(parts))


def free_space_dB(distance_m: Floats, frequency_MHz: float) -> Floats:
    """Loss between isotropic aerials, ITU-R P.525-4 (4): 32.4 + 20·log f + 20·log d, MHz and km."""
    return np.asarray(32.44 + 20 * np.log10(frequency_MHz * np.maximum(distance_m, 1.0) / 1000.0))


def two_ray_dB(distance_m: Floats, height_m: Floats, ground_height_m: float, frequency_MHz: float) -> Floats:
    """Gain of direct plus reflected ray over the direct one alone, on a rough plane."""
    h_t, h_r = np.maximum(height_m, 0.1), ground_height_m
    wave = 2 * np.pi * frequency_MHz * 1e6 / _LIGHT_MPS
    direct, bounced = np.hypot(distance_m, h_t - h_r), np.hypot(distance_m, h_t + h_r)
    grazing = (h_t + h_r) / bounced
    reflected = -_REFLECTION * np.exp(-2 * (wave * _ROUGHNESS_M * grazing) ** 2)
    return np.asarray(20 * np.log10(np.abs(1 + reflected * np.exp(-1j * wave * (bounced - direct)))))


def budget(
    scenario: Scenario,
    east_north_up_m: Floats,
    body_to_earth: Floats,
    *,
    frequency_MHz: float,
    fading_dB: float,
    step_s: float,
    beam_deg: float | None,
    stream: int,
) -> Budget:
    """The varying terms of one link; places (N, 3), attitude as matrices (N, 3, 3) to north–east–down."""
    east, north, up = east_north_up_m.T
    distance = np.hypot(east, north)
    ground_height = scenario.picture_link.ground_height_m
    to_ground = -np.column_stack([north, east, ground_height - up]) * np.array([1, 1, -1.0])
    to_ground /= np.maximum(np.linalg.norm(to_ground, axis=1, keepdims=True), 1e-6)
    body = np.einsum("nij,ni->nj", body_to_earth, to_ground)
    rng = np.random.default_rng([scenario.seed, 6, stream])
    fade = 0.8 * unrest(rng, len(up), step_s, 5.0) + 0.6 * unrest(rng, len(up), step_s, 0.35)
    fade *= fading_dB * np.clip(distance / 400.0, 0.15, 1.0)  # near by, the direct path rules
    return Budget(
        -free_space_dB(np.hypot(distance, up - ground_height), frequency_MHz),
        two_ray_dB(distance, up, ground_height, frequency_MHz),
        _ground_aerial(scenario, east, north, beam_deg),
        _aircraft_aerial(body),
        _polarisation(body_to_earth, to_ground),
        fade,
    )


def _ground_aerial(scenario: Scenario, east: Floats, north: Floats, beam_deg: float | None) -> Floats:
    """Off a fixed aerial's axis: 12·(θ/θ₃)² dB, θ₃ between half-power directions, until the all-round one is better."""
    if beam_deg is None:
        return np.zeros_like(east)
    off = np.degrees(np.arctan2(east, north)) - scenario.outbound_deg
    off = (off + 180) % 360 - 180
    return np.asarray(-np.minimum(12 * (off / beam_deg) ** 2, scenario.picture_link.ground_aside_dB))


def _aircraft_aerial(direction_body: Floats) -> Floats:
    """A half-wave dipole along the aircraft's vertical axis, behind a battery that shadows the nose direction."""
    cos_axis = np.clip(np.abs(direction_body[:, 2]), 0, 0.999)
    sin_axis = np.sqrt(1 - cos_axis**2)
    dipole = np.cos(np.pi / 2 * cos_axis) / sin_axis
    off_nose = np.degrees(np.arccos(np.clip(direction_body[:, 0], -1, 1)))
    return np.asarray(20 * np.log10(np.maximum(dipole, 0.05)) - 4.0 * np.exp(-((off_nose / 28.0) ** 2)))


def _polarisation(body_to_earth: Floats, to_ground: Floats) -> Floats:
    """Two linear aerials whose planes differ, seen along the path: −20·log|cos|, at most 18 dB."""
    axis = body_to_earth[:, :, 2]
    across = axis - np.sum(axis * to_ground, axis=1, keepdims=True) * to_ground
    upright = np.array([0, 0, 1.0]) - to_ground[:, 2:3] * to_ground
    size = np.linalg.norm(across, axis=1) * np.linalg.norm(upright, axis=1)
    cos = np.abs(np.sum(across * upright, axis=1)) / np.maximum(size, 1e-9)
    return np.asarray(20 * np.log10(np.maximum(cos, 10 ** (-18 / 20))))


def thermal_noise_dBm(bandwidth_MHz: float, noise_figure_dB: float) -> float:
    """k·T·B at 290 K plus the receiver's noise figure."""
    return -173.98 + 10 * float(np.log10(bandwidth_MHz * 1e6)) + noise_figure_dB


def picture_carrier_to_noise_dB(scenario: Scenario, terms: Budget) -> Floats:
    """C/N of the live picture at the ground receiver's discriminator."""
    link = scenario.picture_link
    fixed = 10 * np.log10(link.power_mW) + link.aircraft_gain_dBi + link.ground_gain_dBi
    return np.asarray(fixed + terms.total_dB - thermal_noise_dBm(link.bandwidth_MHz, link.noise_figure_dB))


def control_strength(scenario: Scenario, terms: Budget) -> tuple[Floats, Floats]:
    """Strength in dBm at the aircraft, and the share of packets that arrive in percent."""
    link = scenario.control_link
    strength = 10 * np.log10(link.power_mW) + link.gains_dBi + terms.total_dB
    margin = strength - link.sensitivity_dBm
    return np.asarray(strength), np.asarray(100 / (1 + np.exp(-(margin - 1.5) / 1.6)))
