"""The periodic maps that the land is painted from: noise, fields and hedges, gorse, tracks and becks, all on a torus."""

from __future__ import annotations

from functools import cache
from typing import Any

import cv2
import numpy as np
import scipy.fft
from numpy.typing import NDArray

from overlay_samples.ycc import Field, Plane, rgb_to_ycc

Maps = dict[str, tuple[tuple[int, NDArray[Any]], ...]]
"""For each map (period in texels, padded map), then its halvings."""

FEATURE = 8.0  # texels of one feature of the noise
_NOISE = 512  # texels of its period
_PADDING = 1100  # more than a tile turned by 45° and stretched to the next halving takes up
_PASTURES = (
    (88, 104, 60), (98, 112, 66), (80, 96, 56), (106, 116, 74), (94, 102, 64), (152, 140, 98), (112, 94, 74),
    (164, 149, 106), (84, 100, 62), (120, 116, 78),
)  # fmt: skip


@cache
def periodic_maps(seed: int, matrix: str) -> Maps:
    """The periodic maps, each with its coarser copies."""
    rng = np.random.default_rng([seed, 30])
    fields, hedges = _field_maps(rng, matrix)
    crowns, shadows, order = _bush_maps(rng)
    noise = periodic_noise(rng, _NOISE, FEATURE / 3)
    slope = np.roll(noise, -1, axis=0) - np.roll(noise, 1, axis=0)
    single = {
        "noise": noise,
        "slope": (slope / slope.std()).astype(np.float32),
        **dict(zip(("field_luma", "field_cb", "field_cr"), fields, strict=True)),
        "hedges": hedges,
        "crowns": crowns,
        "shadows": shadows,
        "order": order,
        "tracks": _line_map(rng, 420.0, 1.6),
        "becks": _line_map(rng, 260.0, 1.3),
    }
    return {name: _pyramid(image) for name, image in single.items()}


def _pyramid(image: NDArray[Any]) -> tuple[tuple[int, NDArray[Any]], ...]:
    """(period, map padded by more than a tile's extent) for the map and its halvings."""
    levels = [image]
    while levels[-1].shape[0] > 32:
        half = levels[-1].shape[0] // 2
        levels.append(cv2.resize(levels[-1], (half, half), interpolation=cv2.INTER_AREA))
    return tuple(
        (level.shape[0], cv2.copyMakeBorder(level, 0, _PADDING, 0, _PADDING, cv2.BORDER_WRAP)) for level in levels
    )


def periodic_noise(rng: np.random.Generator, size: int, sigma: float) -> Field:
    """Noise on a torus, unit deviation, smoothed by a Gaussian of `sigma` texels, without what is four times wider."""
    waves = np.hypot(np.fft.fftfreq(size)[:, None], np.fft.rfftfreq(size)[None, :]).astype(np.float32)
    smooth, wide = (np.exp(-2 * (np.pi * waves * width) ** 2) for width in (sigma, 4 * sigma))
    spectrum = scipy.fft.rfft2(rng.standard_normal((size, size), np.float32))
    noise = scipy.fft.irfft2(spectrum * smooth * (1 - wide), s=(size, size))
    return np.asarray(noise / noise.std(), np.float32)


def _field_maps(
    rng: np.random.Generator, matrix: str, size: int = 2048, cell: int = 80, margin: int = 200
) -> tuple[list[Plane], Plane]:
    """Fields as cells about jittered seeds on a torus: their Y′, Cb and Cr, and the hedges between them."""
    count = size // cell
    grid = np.stack(np.meshgrid(np.arange(count), np.arange(count)), axis=-1).reshape(-1, 2)
    seeds = ((grid + 0.5 + rng.uniform(-0.42, 0.42, grid.shape)) * (size / count)).astype(int)
    canvas = np.full((size + 2 * margin, size + 2 * margin), 255, np.uint8)
    places = (
        np.concatenate([seeds + np.array([dx * size, dy * size]) for dx in (-1, 0, 1) for dy in (-1, 0, 1)]) + margin
    )
    names = np.tile(np.arange(len(seeds)), 9)
    inside = np.all((places >= 0) & (places < canvas.shape[0]), axis=1)
    places, names = places[inside], names[inside]
    canvas[places[:, 1], places[:, 0]] = 0
    _, labels = cv2.distanceTransformWithLabels(canvas, cv2.DIST_L2, 5, labelType=cv2.DIST_LABEL_PIXEL)
    name_of = np.zeros(labels.max() + 1, int)
    name_of[labels[places[:, 1], places[:, 0]]] = names
    merged = np.where(rng.random(len(seeds)) < 0.25, np.roll(np.arange(len(seeds)), 1), np.arange(len(seeds)))
    cells = merged.astype(np.uint16)[name_of][labels]
    edges = (cells != np.roll(cells, 1, 0)) | (cells != np.roll(cells, 1, 1))
    away = cv2.distanceTransform((~edges).astype(np.uint8), cv2.DIST_L2, 5)
    inner = slice(margin, margin + size)
    palette = np.array(_PASTURES, np.float32)[rng.integers(0, len(_PASTURES), len(seeds))]
    palette *= rng.uniform(0.9, 1.08, (len(seeds), 1)).astype(np.float32)
    shades = np.round(rgb_to_ycc(palette, matrix)).astype(np.uint8)
    own = cells[inner, inner]
    return [shades[:, i][own] for i in range(3)], (np.clip(1.9 - away[inner, inner], 0, 1) * 255).astype(np.uint8)


def _bush_maps(rng: np.random.Generator, size: int = 2048, count: int = 14000) -> tuple[Plane, Plane, Plane]:
    """Crowns and shadows on a torus at half a metre a texel, and for each bush when it appears as thickets close."""
    crowns, shadows, order = (np.zeros((size, size), np.uint8) for _ in range(3))
    places, radii = rng.integers(0, size, (count, 2)), rng.uniform(1.6, 5.5, count)
    # Those that stand even in open country are drawn last, so that no missing neighbour takes a bite out of them.
    rank = np.sort(rng.uniform(5, 250, count))[::-1]
    for (x, y), radius, turn in zip(places.tolist(), radii.tolist(), rank.tolist(), strict=True):
        for dx in (-size, 0, size) if not 40 < x < size - 40 else (0,):
            for dy in (-size, 0, size) if not 40 < y < size - 40 else (0,):
                at, r = (x + dx, y + dy), round(radius)
                cv2.circle(order, at, 2 * r + 3, int(turn), -1)
                cv2.circle(shadows, (at[0], at[1] + max(1, r // 2)), r, 200, -1, cv2.LINE_AA)
                cv2.circle(crowns, at, r, 110, -1, cv2.LINE_AA)
                cv2.circle(crowns, (at[0], at[1] - r // 3), max(1, r // 2), 170, -1, cv2.LINE_AA)
    return crowns, np.asarray(cv2.GaussianBlur(shadows, (0, 0), 1.2), np.uint8), order


def _line_map(rng: np.random.Generator, wave: float, half_width: float, size: int = 2048) -> Plane:
    """Winding lines on a torus: where a smooth noise passes through zero."""
    coarse = periodic_noise(rng, 256, wave / 8 / 3)
    smooth = cv2.resize(
        np.pad(coarse, 8, mode="wrap"), None, fx=size / 256, fy=size / 256, interpolation=cv2.INTER_CUBIC
    )
    edge = 8 * size // 256
    sign = smooth > 0.35
    crossing = (sign != np.roll(sign, 1, 0)) | (sign != np.roll(sign, 1, 1))
    away = cv2.distanceTransform((~crossing).astype(np.uint8), cv2.DIST_L2, 5)[edge:-edge, edge:-edge]
    return np.asarray(np.clip(half_width - away, 0, 1) * 255, np.uint8)
