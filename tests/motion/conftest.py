"""A textured plain under a cloudy sky seen through a pinhole, drawn from known attitudes: truth that shares no code.

Axes as in the trade: attitudes (scipy's Rotation) take aircraft axes (forward, right, down) to north, east, down.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

Floats = NDArray[np.float64]
Grey = NDArray[np.uint8]

_TILE, _METRE = 1024, 2.0  # pixels of the ground's texture in all, and to a metre


def attitude(heading_deg: Any = 0.0, pitch_deg: Any = 0.0, bank_deg: Any = 0.0) -> Rotation:
    """From numbers, or arrays (N,)."""
    columns = np.broadcast_arrays(heading_deg, pitch_deg, bank_deg)
    return Rotation.from_euler("ZYX", np.stack(columns, axis=-1), degrees=True)


def _texture(seed: int) -> NDArray[np.float32]:
    """(N, N) noise of several sizes without seams, of unit deviation."""
    rng = np.random.default_rng(seed)
    tile = np.zeros((_TILE, _TILE), np.float32)
    for size in (4, 16, 64):
        cells = rng.standard_normal((_TILE // size, _TILE // size)).astype(np.float32)
        rim = cv2.copyMakeBorder(cells, 2, 2, 2, 2, cv2.BORDER_WRAP)
        large = cv2.resize(rim, None, fx=size, fy=size, interpolation=cv2.INTER_CUBIC)
        tile += large[2 * size : 2 * size + _TILE, 2 * size : 2 * size + _TILE]
    return tile / tile.std()


@dataclass(frozen=True)
class Scene:
    """Brightness and contrast of ground and sky, grey levels; distances in metres."""

    ground: float = 90.0
    texture: float = 35.0
    sky: float = 200.0
    cloud: float = 4.0
    visible_m: float = 4000.0
    noise: float = 1.5
    barrel: float = 0.0  # a point seen at r focal lengths from the middle truly lies at r·(1 + barrel·r²)
    field_of_view_deg: float = 95.0
    width: int = 320
    height: int = 180

    def but(self, **changed: Any) -> Scene:
        return replace(self, **changed)

    def rays(self) -> Floats:
        """(2H, 2W, 3) forward, right, down through every pixel of a picture of twice the size."""
        focal = self.width / np.tan(np.radians(self.field_of_view_deg) / 2)
        x, y = np.meshgrid(np.arange(2 * self.width) + 0.5, np.arange(2 * self.height) + 0.5)
        x, y = (x - self.width) / focal, (y - self.height) / focal
        stretch = 1 + self.barrel * (x**2 + y**2)
        return np.stack((np.ones_like(x), x * stretch, y * stretch), axis=-1)

    def picture(self, camera: Rotation, place_m: tuple[float, float, float] = (0.0, 0.0, 120.0), seed: int = 0) -> Grey:
        """(H, W) from north, east and height. `camera` is one attitude, or one for each of the 2·H rows (rolling shutter)."""
        turned = camera.as_matrix()
        rays = self.rays()
        rays = rays @ turned.T if camera.single else np.einsum("rij,rcj->rci", turned, rays)
        rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
        down = rays[..., 2]
        far = place_m[2] / np.maximum(down, 1e-4)
        clear = np.exp(-far / self.visible_m)
        fine = np.exp(-far / 700.0)  # what is far away is smaller than a pixel
        north, east = (place_m[k] + far * rays[..., k] for k in (0, 1))
        spot = fine * _seen(_GROUND, north * _METRE, east * _METRE) + _seen(_GROUND, 0.1 * north, 0.1 * east)
        ground = clear * (self.ground + self.texture * spot / 1.4) + (1 - clear) * self.sky
        up = np.maximum(-down, 0.02)
        cloud = _seen(_CLOUD, 200 * rays[..., 0] / up, 200 * rays[..., 1] / up)
        sky = self.sky + self.cloud * cloud * np.clip(-8 * down, 0, 1)
        whole = np.where(down > 0, ground, sky).astype(np.float32)
        small = cv2.resize(whole, (self.width, self.height), interpolation=cv2.INTER_AREA)
        small = small + self.noise * np.random.default_rng(seed).standard_normal(small.shape)
        return np.clip(np.rint(small), 0, 255).astype(np.uint8)

    def film(
        self, times_s: Floats, flown: Callable[[Floats], Rotation], *, readout_s: float = 0.0, forward_mps: float = 0.0
    ) -> Iterator[tuple[float, Grey]]:
        """(seconds, picture) at the times given, each the moment of the picture's middle row."""
        rows = (np.arange(2 * self.height) + 0.5) / (2 * self.height) - 0.5
        for number, time in enumerate(times_s.tolist()):
            camera = flown(time + readout_s * rows) if readout_s else flown(np.array([time]))[0]
            yield time, self.picture(camera, (forward_mps * time, 0.0, 120.0), seed=number)


_GROUND, _CLOUD = _texture(1), _texture(2)


def _seen(tile: NDArray[np.float32], rows: Floats, columns: Floats) -> Floats:
    maps = [np.mod(values, _TILE).astype(np.float32) for values in (columns, rows)]
    return np.asarray(cv2.remap(tile, *maps, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP), np.float64)


@pytest.fixture(scope="session")
def scene() -> Scene:
    return Scene()


@pytest.fixture(scope="session")
def turned() -> Callable[..., Rotation]:
    """`attitude`, since tests import nothing from each other."""
    return attitude
