"""The air the aircraft flies in: a mean wind that grows and veers with height, and gusts.

Gusts follow the Dryden forms of MIL-F-8785C, section 3.7, low-altitude model: scale lengths and intensities from height
and the wind 20 feet up. Constants from memory of the standard's text, which gives them in feet.
"""

from __future__ import annotations

import math

import numpy as np

from overlay_samples.scenario import Scenario

FOOT_M = 0.3048
LOWEST_M = 3.0  # the standard begins at 10 ft


def dryden_low_altitude(height_m: float, wind_mps: float) -> tuple[float, float, float, float]:
    """Scale lengths (L_u = L_v, L_w) in m and intensities (σ_u = σ_v, σ_w) in m/s, below 1000 ft."""
    feet = min(max(height_m, LOWEST_M), 300.0) / FOOT_M
    base = 0.177 + 0.000823 * feet
    sigma_w = 0.1 * wind_mps
    return feet / base**1.2 * FOOT_M, feet * FOOT_M, sigma_w / base**0.4, sigma_w


class Air:
    """Wind at the aircraft, stepped along with it. All in m/s, towards north, east and down."""

    def __init__(self, scenario: Scenario, step_s: float, steps: int) -> None:
        self.scenario, self.step_s = scenario, step_s
        rng = np.random.default_rng([scenario.seed, 1])
        self._noise = rng.standard_normal((steps, 4)) / math.sqrt(step_s)
        self._u = self._v1 = self._v2 = self._w1 = self._w2 = self._p = 0.0
        self.roll_gust_radps = 0.0

    def mean(self, height_m: float) -> tuple[float, float]:
        """Mean wind towards north and east at a height over home."""
        s = self.scenario
        height = max(height_m, 0.5)
        speed = s.wind_mps * (min(height, 400.0) / 10.0) ** s.wind_shear_exponent
        blows_from = math.radians(s.wind_from_deg + s.wind_veer_deg_per_100m * (height - 10.0) / 100.0)
        return -speed * math.cos(blows_from), -speed * math.sin(blows_from)

    def step(self, index: int, height_m: float, airspeed_mps: float, heading_rad: float) -> tuple[float, float, float]:
        """Advance the gusts by one step along the flight and return the whole wind."""
        north, east = self.mean(height_m)
        along, across, down = self._gusts(index, height_m, max(airspeed_mps, 3.0))
        c, s = math.cos(heading_rad), math.sin(heading_rad)
        return north + along * c - across * s, east + along * s + across * c, down

    def _gusts(self, index: int, height_m: float, airspeed_mps: float) -> tuple[float, float, float]:
        s, dt = self.scenario, self.step_s
        length_u, length_w, sigma_u, sigma_w = dryden_low_altitude(height_m, s.wind_mps * s.turbulence)
        nu, nv, nw, np_ = self._noise[index].tolist()
        tau_u, tau_w = length_u / airspeed_mps, length_w / airspeed_mps
        # First-order along the path, (1 + √3·τs)/(1 + τs)² across it; scaled so that the variance is σ².
        self._u += dt / tau_u * (nu - self._u)
        self._v1 += dt / tau_u * (nv - self._v1)
        self._v2 += dt / tau_u * (self._v1 - self._v2)
        self._w1 += dt / tau_w * (nw - self._w1)
        self._w2 += dt / tau_w * (self._w1 - self._w2)
        tau_p = math.sqrt(length_w * s.airframe.span_m) / 2.6 / airspeed_mps
        self._p += dt / tau_p * (np_ - self._p)
        sigma_p = 1.9 / math.sqrt(length_w * s.airframe.span_m) * sigma_w
        self.roll_gust_radps = sigma_p * math.sqrt(2 * tau_p) * self._p
        root3 = math.sqrt(3.0)
        return (
            sigma_u * math.sqrt(2 * tau_u) * self._u,
            sigma_u * math.sqrt(tau_u) * (root3 * self._v1 + (1 - root3) * self._v2),
            sigma_w * math.sqrt(tau_w) * (root3 * self._w1 + (1 - root3) * self._w2),
        )
