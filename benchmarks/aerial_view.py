"""A cheap aerial view through a pinhole: hazy ground without end, sky with clouds, drawn from an attitude and a place.

Shares nothing with the package: a ray that looks down meets a plane below, one that looks up a plane of cloud, each a
homography from picture to tile. Axes: forward, right, down; attitudes turn the aircraft's axes into north, east, down.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

Floats = NDArray[np.float64]
Grey = NDArray[np.uint8]

_TILE = 2048  # pixels
_FINE_M, _COARSE_M, _CLOUD_M = 0.4, 6.0, 8.0  # of a pixel
_CLOUD_BASE_M = 900.0
_FADED_M = 900.0  # fine texture has gone from here on
_VISIBLE_M = 6000.0


def _texture(seed: int, sizes: tuple[int, ...], contrast: float) -> NDArray[np.float32]:
    """A tile (N, N) without seams about zero: noise smoothed to several sizes."""
    rng = np.random.default_rng(seed)
    tile = np.zeros((_TILE, _TILE), np.float32)
    for size in sizes:
        cells = rng.standard_normal((_TILE // size, _TILE // size)).astype(np.float32)
        wrapped = cv2.copyMakeBorder(cells, 2, 2, 2, 2, cv2.BORDER_WRAP)
        large = cv2.resize(wrapped, None, fx=size, fy=size, interpolation=cv2.INTER_CUBIC)
        tile += large[2 * size : 2 * size + _TILE, 2 * size : 2 * size + _TILE]
    return tile * (contrast / float(tile.std()))


class AerialView:
    """Draws grey pictures (height, width); `focal` in widths of the picture."""

    def __init__(self, width: int = 384, height: int = 216, focal: float = 0.5, seed: int = 1) -> None:
        self.size, focal_px = (width, height), focal * width
        self._fine = np.clip(95 + _texture(seed, (4, 16, 64), 55.0), 0, 255).astype(np.uint8)
        self._coarse = np.clip(95 + _texture(seed + 1, (8, 32, 128), 30.0), 0, 255).astype(np.uint8)
        self._cloud = np.clip(205 + _texture(seed + 2, (32, 128, 256), 22.0), 150, 255).astype(np.uint8)
        self.rng = np.random.default_rng(seed + 3)
        self._noise = [np.clip(self.rng.normal(6, 2, (height, width)), 0, 12).astype(np.uint8) for _ in range(12)]
        self._haze = np.full((height, width), 195, np.uint8)
        to_ray = np.array([[0, 0, focal_px], [1, 0, -(width - 1) / 2], [0, 1, -(height - 1) / 2]])
        self._to_ray = to_ray / focal_px  # pixel (x, y, 1) to forward, right, down

    def picture(self, attitude: Rotation, place: Floats, number: int) -> Grey:
        """From `place` (north, east, height over the ground) in metres; `number` chooses the noise."""
        ray = attitude.as_matrix() @ self._to_ray
        width, height = self.size
        down = (
            ray[2, 0].astype(np.float32) * np.arange(width, dtype=np.float32)[None]
            + (ray[2, 1] * np.arange(height) + ray[2, 2]).astype(np.float32)[:, None]
        )
        nearness = np.maximum(down, 1e-4) / float(place[2])
        clear = cv2.exp(-1 / (_VISIBLE_M * nearness))
        near = np.maximum(0.5 - 0.5 / (_FADED_M * nearness), 0)
        ground = cv2.blendLinear(
            self._seen(self._coarse, ray, place, place[2], _COARSE_M),
            self._seen(self._fine, ray, place, place[2], _FINE_M),
            1 - near,
            near,
        )
        picture = cv2.blendLinear(ground, self._haze, clear, 1 - clear)
        thin = np.clip(-4 * down, 0, 1)
        sky = self._seen(self._cloud, ray, place, -_CLOUD_BASE_M, _CLOUD_M)
        np.copyto(picture, cv2.blendLinear(sky, self._haze, thin, 1 - thin), where=down <= 0)
        return np.asarray(cv2.add(picture, self._noise[number % len(self._noise)]), np.uint8)

    def _seen(self, tile: Grey, ray: Floats, place: Floats, depth_m: float, pixel_m: float) -> Grey:
        """The plane `depth_m` below, where the tile's pixel (0, 0) lies at the origin and columns go north."""
        scale = depth_m / pixel_m
        start = np.mod(place[:2] / pixel_m, _TILE)
        to_tile = np.array([scale * ray[0] + start[0] * ray[2], scale * ray[1] + start[1] * ray[2], ray[2]])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return np.asarray(
            cv2.warpPerspective(tile, to_tile, self.size, flags=flags, borderMode=cv2.BORDER_WRAP), np.uint8
        )
