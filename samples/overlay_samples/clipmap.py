"""The ground around the aircraft as nested patches, each twice as coarse and wide as the one inside it.

A patch fades into the next coarser one before it ends, so that no seam shows where it is painted over it; haze is
already in it. A patch is made anew when the aircraft has moved away from its middle.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay_samples.land import TILE, Land
from overlay_samples.ycc import Plane, Planes

Field = NDArray[np.float32]

SIZE = 1024  # texels of a patch
FINEST, COARSEST = -6, 6  # levels: texels of 2⁻⁶ to 2⁶ m
_FADED = 0.485 * SIZE  # radius in texels where a patch has become the next coarser one
_PURE = 0.86  # share of that radius inside which it shows its own level alone
_MOVE = 60  # texels the aircraft may be off the middle
_FORESHORTENED = 9.0  # how many texels may fall into one pixel's depth, squared, against an even footprint


@dataclass(frozen=True)
class Patch:
    """One level's picture of the ground; `left` and `low` are texel indices of its first column and row."""

    level: int
    left: int
    low: int
    made_at: tuple[float, float, float]  # east, north, height in m
    pure_m: float
    faded_m: float
    planes: Planes

    @property
    def step(self) -> float:
        """Metres of one texel."""
        return 2.0**self.level

    def reach(self, east_m: float, north_m: float) -> tuple[float, float]:
        """Ranges from a place: up to the first all ground is the patch's own, beyond the second none is needed."""
        off = math.hypot(east_m - self.made_at[0], north_m - self.made_at[1])
        return self.pure_m - off, self.faded_m + off


class Clipmap:
    """The patches about a moving camera of one focal length, kept up to date by `around`."""

    def __init__(self, land: Land, focal_px: float, visibility_m: float, haze: tuple[float, ...]) -> None:
        self.land, self.focal_px, self.visibility_m, self.haze = land, focal_px, visibility_m, haze
        self._patches: dict[int, Patch] = {}

    def around(self, east_m: float, north_m: float, height_m: float, finest: int) -> list[Patch]:
        """Patches from the coarsest to `finest`, all good for a camera at this place."""
        levels = [
            level for level in range(COARSEST, finest - 1, -1) if level < 3 or level % 2 == 0
        ]  # haze hides the rest
        return [self._patch(level, (east_m, north_m, height_m)) for level in levels]

    def _patch(self, level: int, place: tuple[float, float, float]) -> Patch:
        patch = self._patches.get(level)
        if patch is None or self._outgrown(patch, place):
            patch = self._patches[level] = self._make(level, place)
        return patch

    def _outgrown(self, patch: Patch, place: tuple[float, float, float]) -> bool:
        east, north, height = patch.made_at
        moved = max(abs(place[0] - east), abs(place[1] - north)) / patch.step
        # Haze depends on range: coarse patches, which are cheap to keep fresh, follow more closely.
        allowed = _MOVE if patch.level < 2 else _MOVE / 2
        return moved > allowed or abs(place[2] - height) > 0.1 + 0.25 * height

    def _radius_m(self, level: int, height: float) -> float:
        """How far a level is worth showing: as far as it reaches, or until its texels crowd at grazing sight."""
        step = float(2.0**level)
        if level == COARSEST:
            return _FADED * step
        dense = math.pow(step * self.focal_px * math.sqrt(_FORESHORTENED * max(height, 0.05)), 2 / 3)
        return max(min(_FADED * step, dense), 0.1 * SIZE * step)

    def _make(self, level: int, place: tuple[float, float, float]) -> Patch:
        step = 2.0**level
        left = 2 * round(place[0] / step / 2) - SIZE // 2
        low = 2 * round(place[1] / step / 2) - SIZE // 2
        planes = self._assemble(level, left, low, SIZE)
        faded = self._radius_m(level, place[2])
        if level < COARSEST:
            coarse = self._assemble(level + 1, left // 2, low // 2, SIZE // 2)
            radius = 8 * int(faded / step / 8)  # few different ones, so that weights are kept
            weights = [_fade_weight(size, radius) for size in (SIZE, SIZE // 2, SIZE // 2)]
            luma, cb, cr = (
                _blend(fine, _enlarge(rough), *weight)
                for fine, rough, weight in zip(planes, coarse, weights, strict=True)
            )
            planes = luma, cb, cr
        if math.hypot(faded, place[2]) > 30.0:
            self._veil(planes, step, place[2])
        return Patch(level, left, low, place, _PURE * faded, faded, planes)

    def _assemble(self, level: int, left: int, low: int, size: int) -> Planes:
        """A square of texels out of tiles."""
        luma, cb, cr = (np.empty((n, n), np.uint8) for n in (size, size // 2, size // 2))
        for row in range(low // TILE, (low + size - 1) // TILE + 1):
            for column in range(left // TILE, (left + size - 1) // TILE + 1):
                tile = self.land.tile(level, column, row)
                for plane, part, unit in ((luma, tile[0], 1), (cb, tile[1], 2), (cr, tile[2], 2)):
                    _paste(plane, part, (column * TILE - left) // unit, (row * TILE - low) // unit)
        return luma, cb, cr

    def _veil(self, planes: Planes, step: float, height: float) -> None:
        """Haze after Koschmieder: contrast falls to 2 % at the visibility."""
        ground = _radii(SIZE // 16) * np.float32(step)
        coarse = np.exp(-3.912 / self.visibility_m * np.hypot(ground, np.float32(height)))
        for plane, colour in zip(planes, self.haze, strict=True):
            clear = cv2.resize(coarse, plane.shape, interpolation=cv2.INTER_LINEAR)
            haze = np.full(plane.shape, round(colour), np.uint8)
            cv2.blendLinear(plane, haze, clear, 1 - clear, plane)


def _paste(plane: Plane, part: Plane, x: int, y: int) -> None:
    """Copy `part` to column x and row y, either of which may lie outside."""
    size, length = plane.shape[0], part.shape[0]
    x0, y0, x1, y1 = max(x, 0), max(y, 0), min(x + length, size), min(y + length, size)
    if x0 < x1 and y0 < y1:
        plane[y0:y1, x0:x1] = part[y0 - y : y1 - y, x0 - x : x1 - x]


@cache
def _radii(size: int) -> Field:
    """Distance of each texel from the middle in texels of the whole patch."""
    along = (np.arange(size, dtype=np.float32) + 0.5 - size / 2) / size * SIZE
    return np.hypot(along[:, None], along[None, :])


@lru_cache(maxsize=24)
def _fade_weight(size: int, faded: int) -> tuple[Field, Field]:
    """Shares of a patch and of the coarser one under it."""
    slope = np.float32(1 / ((1 - _PURE) * faded))
    weight = np.clip(np.float32(faded) * slope - _radii(size) * slope, 0, 1)
    return weight, 1 - weight


def _enlarge(plane: Plane) -> Plane:
    return np.asarray(cv2.resize(plane, None, fx=2, fy=2, interpolation=cv2.INTER_LINEAR), np.uint8)


def _blend(inside: Plane, outside: Plane, weight: Field, rest: Field) -> Plane:
    return np.asarray(cv2.blendLinear(inside, outside, weight, rest), np.uint8)
