"""How a camera hangs in the aircraft and where a direction falls in its picture.

Camera axes: right, down, ahead along the optical axis. Pixel (0, 0) has its centre at (0.5, 0.5).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from overlay_samples.flight import Flight, attitude_matrices
from overlay_samples.scenario import Lens

Floats = NDArray[np.float64]

# Camera axes (right, down, ahead) in body axes (forward, right, down), before the mount turns them.
_IN_BODY = np.array([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
_SHAKES_Hz = (61.3, 83.9, 127.1)


@dataclass(frozen=True)
class MountedLens:
    """A lens in an aircraft on one flight: its place and attitude at any moment."""

    flight: Flight
    lens: Lens

    @cached_property
    def mount(self) -> Floats:
        """(3, 3) from camera axes to body axes, the pan servo centred."""
        lens = self.lens
        angles = np.radians([lens.mount_roll_deg, lens.mount_pitch_deg, lens.mount_yaw_deg])
        turned = attitude_matrices(*(np.array([angle]) for angle in angles))[0]
        return np.asarray(turned @ _IN_BODY)

    @cached_property
    def _pan(self) -> Floats:
        """Angle of the pan servo (N,) in rad, right positive: looks aside that fill `pan_share` of the flight."""
        f = self.flight
        pan = np.zeros(len(f.time_s))
        start, end = f.span("flying")
        rng = np.random.default_rng([f.scenario.seed, 40])
        flown = (f.time_s >= start) & (f.time_s <= end)
        while np.mean(pan[flown] != 0) < self.lens.pan_share:
            length = rng.uniform(2.0, 6.0)
            at = rng.uniform(start + 5, max(start + 6, end - 10))
            edge = min(0.6, length / 3)  # s, the servo's travel
            rise = np.clip((f.time_s - at) / edge, 0, 1) * np.clip((at + length - f.time_s) / edge, 0, 1)
            look = rng.choice([-1, 1]) * math.radians(rng.uniform(20, 60)) * rise * rise * (3 - 2 * rise)
            pan = np.where(np.abs(look) > np.abs(pan), look, pan)
        return pan

    def pan_rad(self, time_s: float) -> float:
        """Where the pan servo points at a POSIX time, right positive."""
        return float(self.flight.at(self._pan, time_s)) if self.lens.pan_share else 0.0

    def position_m(self, time_s: float) -> tuple[float, float, float]:
        """East, north and height over home's ground."""
        f = self.flight
        return float(f.at(f.east_m, time_s)), float(f.at(f.north_m, time_s)), float(f.at(f.up_m, time_s))

    def to_earth(self, time_s: float, *, steady: bool = False) -> Floats:
        """(3, 3) from camera axes to north–east–down at a POSIX time; `steady` leaves the motor's shaking out."""
        f = self.flight
        bank, pitch, heading = (f.at(values, time_s) for values in (f.bank_rad, f.pitch_rad, f.heading_rad))
        if not steady:
            shake = self._shake(time_s)
            bank, pitch, heading = bank + shake[0], pitch + shake[1], heading + shake[2]
        body = attitude_matrices(*(np.array([float(angle)]) for angle in (bank, pitch, heading)))[0]
        pan = self.pan_rad(time_s)
        c, s = math.cos(pan), math.sin(pan)
        panned = np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]])
        return np.asarray(body @ panned @ self.mount)

    def _shake(self, time_s: float) -> Floats:
        """Small turns about the body axes that the motor makes, rad."""
        since = time_s - self.flight.start_s
        strength = (
            math.radians(self.lens.shake_deg) * math.sqrt(2) * float(self.flight.at(self.flight.throttle, time_s))
        )
        return strength * np.array([math.sin(2 * math.pi * hz * since + n) for n, hz in enumerate(_SHAKES_Hz)])


def pixel_rays(lens: Lens, x: Floats, y: Floats, focal_px: tuple[float, float] | None = None) -> Floats:
    """Directions (..., 3) in camera axes through picture points of a lens without distortion; the last is 1."""
    fx, fy = lens.focal_px if focal_px is None else focal_px
    width, height = lens.size
    x, y = np.broadcast_arrays((x - width / 2) / fx, (y - height / 2) / fy)
    return np.stack([x, y, np.ones_like(x)], axis=-1)


def distort(lens: Lens, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Where the real lens shows what an undistorted one shows at (x, y), pixels."""
    (fx, fy), (width, height) = lens.focal_px, lens.size
    u, v = (x - width / 2) / fx, (y - height / 2) / fy
    stretch = 1 + lens.distortion * (u * u + v * v)
    return u * stretch * fx + width / 2, v * stretch * fy + height / 2


def undistort(lens: Lens, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """The inverse of `distort`, by fixed-point steps."""
    (fx, fy), (width, height) = lens.focal_px, lens.size
    u0, v0 = (x - width / 2) / fx, (y - height / 2) / fy
    u, v = u0, v0
    for _ in range(12):
        stretch = 1 + lens.distortion * (u * u + v * v)
        u, v = u0 / stretch, v0 / stretch
    return u * fx + width / 2, v * fy + height / 2
