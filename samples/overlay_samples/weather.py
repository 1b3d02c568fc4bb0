"""What comes between lens and land for moments: grass while the aircraft lies on the ground, the hem of a cloud."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from overlay_samples.flight import Flight
from overlay_samples.handling import BELLY_M
from overlay_samples.land_maps import periodic_noise
from overlay_samples.scenario import Lens
from overlay_samples.ycc import Planes, rgb_to_ycc

Field = NDArray[np.float32]
Floats = NDArray[np.float64]

_GRASS_TOP_M = 0.5  # lens height at which the last blade has sunk out of sight
_GRASS_RGB = ((66, 76, 46), (92, 98, 62), (122, 118, 84))
_CLOUD_RGB = (226, 229, 232)
_DENSEST = 0.93  # something of the land always shows through the hem


class Grass:
    """Blades close to the lens, far out of focus."""

    def __init__(self, flight: Flight, lens: Lens, matrix: str) -> None:
        width, height = lens.size
        rng = np.random.default_rng([flight.scenario.seed, 61])
        colours = [rgb_to_ycc(np.array(rgb, np.float32), matrix) for rgb in _GRASS_RGB]
        base = [np.full((height, 2 * width), colours[0][i], np.uint8) for i in range(3)]
        cover = np.zeros((height, 2 * width), np.uint8)
        for _ in range(260):
            outline = _blade(rng, width, height)
            shade = colours[rng.integers(0, 3)] * np.array([rng.uniform(0.8, 1.1), 1, 1])
            for plane, value in zip((*base, cover), (shade[0], shade[1], shade[2], 255), strict=True):
                cv2.fillPoly(plane, [outline], float(value), cv2.LINE_AA)
        blur = 0.006 * width
        self._images = [np.asarray(cv2.GaussianBlur(p, (0, 0), blur), np.uint8) for p in base]
        for i in (1, 2):
            self._images[i] = np.asarray(cv2.resize(self._images[i], (width, height // 2)), np.uint8)
        full = cv2.GaussianBlur(cover, (0, 0), blur).astype(np.float32) / np.float32(255)
        self._covers = [full, cv2.resize(full, (width, height // 2))]
        self._slid = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(flight.east_m), np.diff(flight.north_m)))])
        self.flight = flight

    def paint(self, planes: Planes, time_s: float) -> None:
        """Draw the blades over the planes when the lens is low enough."""
        lift = (float(self.flight.at(self.flight.up_m, time_s)) - BELLY_M) / (_GRASS_TOP_M - BELLY_M)
        if lift >= 1:
            return
        height, width = planes[0].shape
        sunk = 2 * int(max(lift, 0) * height / 2)
        along = 2 * (int(float(self.flight.at(self._slid, time_s)) * 0.9 * width) % width // 2)
        for i, plane in enumerate(planes):
            unit = 1 if i == 0 else 2
            part = slice(sunk // unit, None)
            columns = slice(along // unit, (along + width) // unit)
            rows = slice(0, (height - sunk) // unit)
            cover = np.ascontiguousarray(self._covers[i > 0][rows, columns])
            image = np.ascontiguousarray(self._images[i][rows, columns])
            plane[part] = cv2.blendLinear(image, np.ascontiguousarray(plane[part]), cover, 1 - cover)


def _blade(rng: np.random.Generator, width: int, height: int) -> NDArray[np.int32]:
    foot, lean = rng.uniform(-0.05, 2.05) * width, rng.normal(0, 0.10) * width
    tall = height * (0.12 + 0.5 * rng.beta(1.6, 4.0))
    thick = width * rng.uniform(0.004, 0.014)
    left = [(foot - thick, height), (foot + 0.4 * lean - 0.7 * thick, height - 0.55 * tall)]
    right = [(foot + 0.4 * lean + 0.7 * thick, height - 0.55 * tall), (foot + thick, height)]
    return np.array([*left, (foot + lean, height - tall), *right]).astype(np.int32)


class CloudHem:
    """White-outs: moments in which the aircraft brushes low cloud far from home."""

    def __init__(self, flight: Flight, matrix: str) -> None:
        rng = np.random.default_rng([flight.scenario.seed, 62])
        self.flight, self._noise = flight, periodic_noise(rng, 256, 14.0)
        self._colour = rgb_to_ycc(np.array(_CLOUD_RGB, np.float32), matrix)
        self.density = cloud_density(flight)

    def paint(self, planes: Planes, time_s: float) -> None:
        """Whiten the planes by the cloud's density now, in drifting shreds."""
        density = float(self.flight.at(self.density, time_s))
        if density < 0.01:
            return
        height, width = planes[0].shape
        since = time_s - self.flight.start_s
        zoom = 1.0 + (since * 1.7) % 1.0
        shift = np.array([[48 / zoom, 0, 37 * since % 256], [0, 27 / zoom, 11 * since % 256]]) / np.array([40, 40, 1])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        shreds = cv2.warpAffine(self._noise, shift, (40, 23), flags=flags, borderMode=cv2.BORDER_WRAP)
        cover = np.clip(density * (1 + 0.35 * shreds * (1 - density)), 0, 0.985).astype(np.float32)
        for i, plane in enumerate(planes):
            size = (width, height) if i == 0 else (width // 2, height // 2)
            share = cv2.resize(cover, size, interpolation=cv2.INTER_CUBIC)
            white = np.full(plane.shape, round(float(self._colour[i])), np.uint8)
            plane[:] = cv2.blendLinear(white, plane, share, 1 - share)


def cloud_density(flight: Flight) -> Floats:
    """How much of the view cloud takes away, 0…1, over the flight's samples."""
    density = np.zeros(len(flight.time_s))
    away = np.hypot(flight.east_m, flight.north_m)
    rng = np.random.default_rng([flight.scenario.seed, 63])
    far = flight.time_s[away > 0.6 * away.max()]
    for _ in range(flight.scenario.cloud_wisps):
        centre, length = rng.uniform(far[0], far[-1]), rng.uniform(1.2, 2.6)
        shape = np.exp(-(((flight.time_s - centre) / length) ** 4))
        ragged = 1 + 0.3 * gaussian_filter1d(rng.standard_normal(len(shape)), 25) * math.sqrt(25 * 3.5)
        density = np.maximum(density, shape * np.clip(0.86 * ragged, 0, 1))
    return np.asarray(np.minimum(gaussian_filter1d(density, 8), _DENSEST))
