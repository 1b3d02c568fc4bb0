"""What stands up around the field: hedges and a few trees, pasted in as cut-outs while the aircraft is low.

The ground carries the same hedges as flat texture (see `land`), which is all that shows from above; as the aircraft
climbs, the standing ones sink into it.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay_samples.land import Land
from overlay_samples.land_maps import periodic_noise
from overlay_samples.scenario import Scenario
from overlay_samples.ycc import Planes, rgb_to_ycc

Field = NDArray[np.float32]
Floats = NDArray[np.float64]

WITHIN_M = 420.0
GONE_M = 40.0  # height from which on they are flat
_SPACING_M = 3.8
_ALL_WITHIN_M = 48.0
_NEAREST_M, _LARGEST = 9.0, 500  # what is nearer, or taller in pixels, is gone in a blink
_TINY = 9  # pixels; smaller cut-outs change the luma alone
_DEEP, _LIT = (38, 46, 30), (104, 112, 70)
_BUSHES, _TREES = 6, 4
_CUTOUT = 160  # pixels of the largest copy
_TURN = math.radians(12.0)
_SIZE_STEP = 1.3  # of cut-outs kept ready


class Hedgerow:
    """Bushes and trees about home: places, sizes and looks, the same for the same seed."""

    def __init__(self, scenario: Scenario, land: Land) -> None:
        rng = np.random.default_rng([scenario.seed, 60])
        self.east, self.north = _thinned(rng, *land.hedges(WITHIN_M))
        count = len(self.east)
        tree = rng.random(count) < 0.07
        self.height = np.where(tree, rng.uniform(4.5, 8.5, count), rng.uniform(1.5, 2.3, count))
        self.width = np.where(tree, self.height * rng.uniform(0.75, 1.05, count), rng.uniform(4.0, 5.4, count))
        self.look = np.where(tree, rng.integers(_BUSHES, _BUSHES + _TREES, count), rng.integers(0, _BUSHES, count))
        self._plants = [_smaller(_foliage(rng, look >= _BUSHES, land.matrix)) for look in range(_BUSHES + _TREES)]
        self._rank = np.where(tree, 0.0, rng.random(count))
        self._copies: dict[tuple[int, int, int, int], Cutout] = {}

    def paint(
        self, planes: Planes, place: tuple[float, float, float], turn: Floats, focal_px: tuple[float, float]
    ) -> None:
        """Draw over planes what a camera sees; `turn` (3, 3) from camera axes to north–east–down."""
        share = min(1.0, (GONE_M - place[2]) / (0.6 * GONE_M))
        if share <= 0 or math.hypot(place[0], place[1]) > 2 * WITHIN_M:
            return
        away = np.column_stack([self.north - place[1], self.east - place[0], np.full(len(self.east), place[2])])
        foot = away @ turn
        # The farther, the fewer and the wider: distant hedges are a line anyway.
        kept = np.clip(_ALL_WITHIN_M / np.maximum(foot[:, 2], 1.0), 0.12, 1.0)
        seen = (foot[:, 2] > _NEAREST_M) & (np.abs(foot[:, 0]) < 1.3 * foot[:, 2] + 6) & (self._rank < kept)
        rows = np.flatnonzero(seen)
        rows = rows[np.argsort(-foot[rows, 2])]
        foot = foot[rows]
        scale = np.array(focal_px) / foot[:, 2:3]
        centre = np.array([planes[0].shape[1] / 2, planes[0].shape[0] / 2])
        upright = -turn[2]  # the vertical in camera axes
        middle = (foot[:, :2] + 0.45 * share * self.height[rows, None] * upright[None, :2]) * scale + centre
        angle = math.atan2(upright[0], -upright[1])
        wide, tall = (
            self.width[rows] / self._sparse(kept[rows], rows) * scale[:, 0],
            self.height[rows] * share * scale[:, 1],
        )
        reach = np.hypot(wide, tall)[:, None] / 2
        inside = ((middle > -reach) & (middle < 2 * centre + reach)).all(axis=1) & (tall > 1.5) & (tall < _LARGEST)
        for look, (x, y), w, h in zip(
            self.look[rows][inside].tolist(),
            middle[inside].tolist(),
            wide[inside].tolist(),
            tall[inside].tolist(),
            strict=True,
        ):
            _paste(planes, self._copy(look, w, h, angle), x, y)

    def _sparse(self, kept: Floats, rows: NDArray[np.intp]) -> Floats:
        """Share of its bushes that a hedge shows; trees are all shown and stay as they are."""
        return np.where(self.look[rows] >= _BUSHES, 1.0, kept)

    def _copy(self, look: int, width: float, height: float, angle: float) -> Cutout:
        """A cut-out near the wanted size and lean; kept, since few sizes and leans occur."""
        key = (look, _size_step(width), _size_step(height), round(angle / _TURN))
        copy = self._copies.get(key)
        if copy is None:
            if len(self._copies) > 4000:
                self._copies.clear()
            copy = self._copies[key] = _resized(
                self._plants[look], _SIZE_STEP ** key[1], _SIZE_STEP ** key[2], key[3] * _TURN
            )
        return copy


Cutout = list[tuple[NDArray[np.int16], NDArray[np.int16]]]
"""For each plane what is pasted, and how much it covers, 0 … 127."""


def _size_step(size: float) -> int:
    return round(math.log(max(size, 1.0)) / math.log(_SIZE_STEP))


def _thinned(rng: np.random.Generator, east: Floats, north: Floats) -> tuple[Floats, Floats]:
    """One place in each cell of the spacing, none where the aircraft is launched."""
    order = rng.permutation(len(east))
    cells = np.floor(np.column_stack([east, north])[order] / _SPACING_M).astype(int)
    _, first = np.unique(cells, axis=0, return_index=True)
    kept = order[np.sort(first)]
    kept = kept[np.hypot(east[kept], north[kept]) > 25]
    return east[kept], north[kept]


def _foliage(rng: np.random.Generator, tree: bool, matrix: str) -> Field:
    """One plant, square: Y′CbCr and cover 0…1, (n, n, 4)."""
    n = _CUTOUT
    x, y = np.linspace(-1, 1, n, dtype=np.float32)[None, :], np.linspace(1, -1, n, dtype=np.float32)[:, None]
    leaves = periodic_noise(rng, n, 1.6)
    clumps = periodic_noise(rng, n, 7.0) + 0.6 * periodic_noise(rng, n, 3.5)
    if tree:
        radius = np.hypot(x / 0.88, (y - 0.22) / 0.74)
        inside = (0.8 - radius) * 5 + 0.75 * clumps + 0.4 * leaves
        trunk = (0.05 - np.abs(x + 0.04 * y)) * 30 + np.clip(-2 * (y - 0.1), -9, 0)
        inside = np.maximum(inside, trunk)
    else:
        inside = np.minimum((0.95 - np.abs(x)) * 9, (0.62 - y) * 5) + 0.8 * clumps + 0.4 * leaves
    cover = np.clip(inside * 1.3 + 0.4, 0, 1)
    light = np.clip(0.34 + 0.26 * y - 0.12 * x + 0.19 * clumps + 0.15 * leaves, 0, 1)[..., None]
    deep, lit = (rgb_to_ycc(np.array(rgb, np.float32), matrix) for rgb in (_DEEP, _LIT))
    return np.dstack([deep + (lit - deep) * light, cover]).astype(np.float32)


def _smaller(plant: Field) -> list[Field]:
    """A plant (n, n, 4) and its halvings."""
    sizes = [plant]
    while sizes[-1].shape[0] > 12:
        half = sizes[-1].shape[0] // 2
        sizes.append(np.asarray(cv2.resize(sizes[-1], (half, half), interpolation=cv2.INTER_AREA), np.float32))
    return sizes


def _resized(plant: list[Field], width: float, height: float, angle: float) -> Cutout:
    """A plant of a size in pixels, leaning by an angle; made from the halving next larger."""
    c, s = math.cos(angle), math.sin(angle)
    across, upward = abs(width * c) + abs(height * s), abs(width * s) + abs(height * c)
    w, h = max(2, 2 * math.ceil(across / 2)), max(2, 2 * math.ceil(upward / 2))
    source = next((p for p in reversed(plant) if p.shape[0] >= max(width, height)), plant[0])
    n = source.shape[0]
    matrix = np.array([[c * n / width, s * n / width, 0], [-s * n / height, c * n / height, 0]])
    matrix[:, 2] = (n - 1) / 2 - matrix[:, :2] @ np.array([(w - 1) / 2, (h - 1) / 2])
    image = cv2.warpAffine(source, matrix, (w, h), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP)
    half = np.asarray(cv2.resize(image, (w // 2, h // 2), interpolation=cv2.INTER_AREA)).reshape(h // 2, w // 2, 4)
    whole = np.asarray(image)
    layers = (whole[..., 0], half[..., 1], half[..., 2])
    covers = (whole[..., 3], half[..., 3], half[..., 3])
    # Integers, so that pasting is quick: a difference of two bytes times 127 still fits into sixteen bits.
    return [
        (np.ascontiguousarray(layer + 0.5, np.int16), np.ascontiguousarray(cover * 127 + 0.5, np.int16))
        for layer, cover in zip(layers, covers, strict=True)
    ]


def _paste(planes: Planes, cutout: Cutout, x: float, y: float) -> None:
    """Blend a cut-out whose middle goes to picture point (x, y)."""
    height, width = cutout[0][0].shape
    left, top = 2 * round((x - width / 2) / 2), 2 * round((y - height / 2) / 2)
    for i, plane in enumerate(planes if height > _TINY else planes[:1]):
        unit = 1 if i == 0 else 2
        x0, y0 = left // unit, top // unit
        x1, y1 = min(x0 + width // unit, plane.shape[1]), min(y0 + height // unit, plane.shape[0])
        from_x, from_y = max(-x0, 0), max(-y0, 0)
        if x1 <= x0 + from_x or y1 <= y0 + from_y:
            return
        target = plane[y0 + from_y : y1, x0 + from_x : x1]
        part = (slice(from_y, y1 - y0), slice(from_x, x1 - x0))
        layer, cover = cutout[i]
        change = layer[part] - target
        change *= cover[part]
        change >>= 7
        change += target
        target[:] = change
