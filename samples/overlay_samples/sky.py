"""Sky: blue that pales towards the horizon, a glow about the sun, drifting heaps of cloud, far hills inland."""

from __future__ import annotations

import math
from functools import lru_cache

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from overlay_samples.earth import MEAN_RADIUS_M
from overlay_samples.land_maps import periodic_noise
from overlay_samples.scenario import Scenario
from overlay_samples.ycc import Planes, rgb_to_ycc

Field = NDArray[np.float32]
Floats = NDArray[np.float64]

HAZE_RGB = (190, 200, 210)
_HORIZON, _MIDDLE, _ZENITH = (206, 219, 230), (142, 180, 216), (78, 124, 186)
_CLOUD_LIT, _CLOUD_DARK, _GLOW = (240, 240, 238), (158, 164, 174), (255, 246, 226)
_CLOUD_TEXEL_M = 9.0
_CLOUD_MAP, _CLOUD_COPIES = 1024, 6
_CRISP_UP = 0.55  # sine of the elevation above which the sheet is seen crisp
_RIDGES = ((23000.0, 420.0, (150, 166, 184)), (15500.0, 250.0, (128, 144, 158)))  # range, height, colour through haze


class Sky:
    """Colours of directions, in limited-range Y′CbCr of one matrix."""

    def __init__(self, scenario: Scenario, matrix: str) -> None:
        self.scenario, self.matrix = scenario, matrix
        azimuth, elevation = math.radians(scenario.sun_azimuth_deg), math.radians(scenario.sun_elevation_deg)
        level = math.cos(elevation)
        self.sun = np.array([level * math.cos(azimuth), level * math.sin(azimuth), -math.sin(elevation)], np.float32)
        self._clouds = _cloud_maps(scenario.seed, scenario.cloud_cover)
        self._blues, self._crests = self._gradient(), self._ridge_crests()
        dark = np.linspace(0, 1, 256, dtype=np.float32)[:, None]
        shades = self.ycc(_CLOUD_LIT) + (self.ycc(_CLOUD_DARK) - self.ycc(_CLOUD_LIT)) * np.clip(1.3 * dark - 0.3, 0, 1)
        self._cloud_shades = (shades + 0.5).astype(np.uint8)

    def ycc(self, rgb: tuple[int, int, int]) -> Field:
        """One colour in the sky's own coordinates."""
        return rgb_to_ycc(np.array(rgb, np.float32), self.matrix)

    def _gradient(self) -> Field:
        """Colour over sine of elevation, 256 steps from −0.1 to 1."""
        degrees = np.degrees(np.arcsin(np.clip(np.linspace(-0.1, 1, 256), -1, 1)))
        marks = [-90, 0, 1.5, 11, 40, 90]
        colours = np.array([_HORIZON, _HORIZON, _HORIZON, _MIDDLE, _ZENITH, _ZENITH], np.float32)
        rgb = np.stack([np.interp(degrees, marks, colours[:, i]) for i in range(3)], axis=-1)
        return rgb_to_ycc(rgb.astype(np.float32), self.matrix)

    def paint(self, rays: Field, position_m: tuple[float, float, float], since_s: float) -> Planes:
        """Y′, Cb, Cr, all (2h, 2w), of directions (h, w, 3), north–east–down of unit length, seen from a place."""
        up = -rays[..., 2]
        shade = np.clip((up + 0.1) * (255 / 1.1), 0, 255)
        towards_sun = np.clip(rays @ self.sun, 0, 1)
        glow = 0.55 * towards_sun**24 + 0.3 * towards_sun**5 + np.clip((towards_sun - 0.9993) * 4000, 0, 1)
        glow = np.clip(glow, 0, 1)
        size = 2 * up.shape[1], 2 * up.shape[0]
        thick = self._cloud(rays, up, position_m, since_s, size)
        cover = np.clip(thick * np.float32(2.4 / 255), 0, 0.94)
        clear, dark = 1 - cover, thick.astype(np.uint8)
        planes = []
        for i, sun in enumerate(self.ycc(_GLOW)):
            base = np.interp(shade, np.arange(256), self._blues[:, i])
            base += (sun - base) * glow
            blue = cv2.resize(base.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
            cloud = cv2.LUT(dark, self._cloud_shades[:, i])
            planes.append(np.clip(blue * clear + cloud * cover + 0.5, 16, 240).astype(np.uint8))
        return planes[0], planes[1], planes[2]

    def _cloud(
        self, rays: Field, up: Field, place: tuple[float, float, float], since_s: float, size: tuple[int, int]
    ) -> Field:
        """Thickness 0…255 of the sheet of cloud along the rays, on a finer grid of `size`."""
        reach = np.float32((self.scenario.cloud_base_m - place[2]) / _CLOUD_TEXEL_M) / np.maximum(up, 0.03)
        drift = since_s * self.scenario.wind_mps * 2.2 / _CLOUD_TEXEL_M
        towards = math.radians(self.scenario.wind_from_deg + 180)
        x0 = (place[0] / _CLOUD_TEXEL_M - drift * math.sin(towards)) % _CLOUD_MAP
        y0 = (place[1] / _CLOUD_TEXEL_M - drift * math.cos(towards)) % _CLOUD_MAP
        x = cv2.resize(rays[..., 1] * reach + np.float32(x0), size, interpolation=cv2.INTER_LINEAR)
        y = cv2.resize(rays[..., 0] * reach + np.float32(y0), size, interpolation=cv2.INTER_LINEAR)
        x -= _CLOUD_MAP * np.floor(x * np.float32(1 / _CLOUD_MAP))  # by hand: sampling is slow where it has to wrap
        y -= _CLOUD_MAP * np.floor(y * np.float32(1 / _CLOUD_MAP))
        height = cv2.resize(up, size, interpolation=cv2.INTER_LINEAR)
        # The lower the sight, the longer its way through the sheet: smoother copies stand for the mean along a ray.
        smoothness = np.clip(np.log2(_CRISP_UP / np.maximum(height, 0.01)) * 1.45, 0, _CLOUD_COPIES - 1.001)
        copy = np.floor(smoothness)
        y = y + copy * np.float32(_CLOUD_MAP + 1)
        crisp = cv2.remap(self._clouds, x, y, cv2.INTER_LINEAR)
        smooth = cv2.remap(self._clouds, x, y + np.float32(_CLOUD_MAP + 1), cv2.INTER_LINEAR)
        thick = crisp + (smooth - crisp) * (smoothness - copy)
        return np.asarray(thick * np.clip((height - 0.025) * 12, 0, 1), np.float32)

    def ridges(self, height_m: float) -> list[tuple[Floats, Floats, Field]]:
        """Far hills: for each ridge azimuths and elevations in rad of its crest, and its colour."""
        azimuth = np.radians(np.arange(0.0, 360.0, 0.75))
        drop = 1 / (2 * MEAN_RADIUS_M)
        return [
            (azimuth, (crest - height_m) / distance - distance * drop, colour)
            for (distance, _, _), (crest, colour) in zip(_RIDGES, self._crests, strict=True)
        ]

    def _ridge_crests(self) -> list[tuple[Floats, Field]]:
        """Heights in m along each ridge, none to seaward, and its colour."""
        azimuth = np.radians(np.arange(0.0, 360.0, 0.75))
        inland = np.clip(-np.cos(azimuth - math.radians(self.scenario.sea_bearing_deg)) - 0.1, 0, 0.6) / 0.6
        rng = np.random.default_rng([self.scenario.seed, 50])
        found = []
        for _, crest, rgb in _RIDGES:
            waves = rng.uniform(0, 2 * np.pi, 7)
            shape = sum(np.sin(azimuth * (3 + 4 * n) + waves[n]) / (1 + 0.8 * n) for n in range(7))
            found.append((np.asarray(crest * inland * np.clip(0.55 + 0.32 * shape, 0, None)), self.ycc(rgb)))
        return found


@lru_cache(maxsize=2)
def _cloud_maps(seed: int, cloud_cover: float) -> Field:
    """Thickness of the cloud sheet, 0…255: copies from crisp to smooth under each other, a texel more than a period."""
    rng = np.random.default_rng([seed, 51])
    heaps = np.zeros((_CLOUD_MAP, _CLOUD_MAP), np.float32)
    for octave, sigma in enumerate((48.0, 22.0, 10.0, 4.5, 2.2)):
        heaps += periodic_noise(rng, _CLOUD_MAP, sigma) * np.float32(0.56**octave)
    cut = np.quantile(heaps, 1 - np.clip(cloud_cover, 0.01, 0.99))
    thick = np.clip((heaps - cut) / (1.7 * heaps.std()), 0, 1) * np.float32(255)
    waves = np.hypot(np.fft.fftfreq(_CLOUD_MAP)[:, None], np.fft.rfftfreq(_CLOUD_MAP)[None, :]).astype(np.float32)
    spectrum = scipy.fft.rfft2(thick)
    smoothed = (spectrum * np.exp(-2 * (np.pi * waves * 1.2 * 2.6**n) ** 2) for n in range(_CLOUD_COPIES))
    copies = [np.pad(scipy.fft.irfft2(s, s=thick.shape), (0, 1), mode="wrap") for s in smoothed]
    return np.asarray(np.vstack(copies), np.float32)
