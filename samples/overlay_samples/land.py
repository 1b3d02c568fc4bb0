"""The land from above: moor, fields with hedges, gorse, tracks, becks, a coast. Invented, endless, fixed by the seed.

A tile is 512 × 512 texels of 2ᵏ m. Every tile is made by sampling a few periodic maps, each turned and stretched its
own way so that no period shows, down to octaves of about four texels: whatever the distance, the ground has texture at
the scale of a pixel and none below it. Colours are kept as limited-range Y′CbCr planes, chroma at half resolution,
because that is what is drawn and encoded.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay_samples.land_maps import FEATURE, Maps, periodic_maps
from overlay_samples.scenario import Scenario
from overlay_samples.ycc import Field, Planes, rgb_to_ycc

Floats = NDArray[np.float64]

TILE = 512
_KEPT = 500  # tiles, 0.4 MB each

_GRASS, _DRY, _HEATHER = (94, 98, 62), (140, 128, 86), (95, 77, 74)
_BRACKEN, _BOG, _SAND = (122, 92, 60), (68, 70, 54), (190, 177, 146)
_SEA, _SHALLOW, _FOAM = (46, 72, 88), (70, 104, 104), (214, 220, 220)
_HEDGE, _BUSH, _TRACK, _WATER = (56, 64, 44), (58, 66, 42), (158, 146, 122), (66, 78, 84)


class Land:
    """Tiles of the ground, made when first asked for and kept; positions in m east and north of home."""

    def __init__(
        self, seed: int, matrix: str, *, sea_bearing_deg: float, sea_distance_m: float, sun_azimuth_deg: float
    ) -> None:
        self.matrix, self.sea_distance_m = matrix, sea_distance_m
        self._tiles: dict[tuple[int, int, int], Planes] = {}
        self._maps = periodic_maps(seed, matrix)
        self._sea = math.sin(math.radians(sea_bearing_deg)), math.cos(math.radians(sea_bearing_deg))
        self._sun = math.radians(sun_azimuth_deg)

    @classmethod
    def of(cls, scenario: Scenario, matrix: str = "709") -> Land:
        """The land of a scenario; one and its tiles are shared by all who look at it in one process."""
        s = scenario
        return _land(s.seed, matrix, s.sea_bearing_deg, s.sea_distance_m, s.sun_azimuth_deg)

    def tile(self, level: int, column: int, row: int) -> Planes:
        """Planes of the tile that spans [column, column+1) × [row, row+1) · 512·2^level m; rows run north."""
        key = (level, column, row)
        planes = self._tiles.pop(key, None)
        if planes is None:
            planes = self._paint(level, column, row)
            if len(self._tiles) >= _KEPT:
                self._tiles.pop(next(iter(self._tiles)))
        self._tiles[key] = planes  # most recent last
        return planes

    def hedges(self, within_m: float) -> tuple[Floats, Floats]:
        """East and north, m, of places on hedges around home, two or three metres apart."""
        tiles = math.ceil(within_m / TILE)
        found = []
        for row in range(-tiles, tiles):
            for column in range(-tiles, tiles):
                canvas = _Canvas(self._maps, 1.0, column, row, self.matrix)
                hedged = _enclosures(canvas, self.sea_distance_m)[1]
                spots = hedged.reshape(TILE // 2, 2, TILE // 2, 2).max(axis=(1, 3)) > 0.5
                y, x = np.nonzero(spots)
                found.append(np.column_stack([canvas.east + 2 * x + 1.0, canvas.north + 2 * y + 1.0]))
        places = np.concatenate(found)
        places = places[np.hypot(*places.T) < within_m]
        return places[:, 0], places[:, 1]

    def _paint(self, level: int, column: int, row: int) -> Planes:
        canvas = _Canvas(self._maps, 2.0**level, column, row, self.matrix)
        _moor(canvas)
        _enclose(canvas, self.sea_distance_m)
        _bushes(canvas)
        _ways(canvas)
        canvas.shade(self._relief(canvas))
        self._coast(canvas)
        return canvas.planes()

    def _relief(self, canvas: _Canvas) -> Field:
        """Light and shade of the ground's own roughness, lit from the sun, octave by octave."""
        shade = np.zeros((TILE, TILE), np.float32)
        wave, octave = 256.0, 0
        while wave >= 3.5 * canvas.step and wave > 0.05:
            shade += (0.055 if wave > 12 else 0.07) * canvas.sample("slope", wave, self._sun, 31 * octave + 7)
            if wave < 40:
                shade += 0.03 * canvas.noise(wave * 0.8, 500 + octave)
            wave, octave = wave / 2.1, octave + 1
        return np.asarray(1 + 0.55 * np.tanh(shade / 0.55), np.float32)

    def _coast(self, canvas: _Canvas) -> None:
        """Beach, shallows, foam and open sea on the far side of a ragged line."""
        beyond = self._beyond_coast(canvas)
        if beyond.max() < -60:
            return
        step = max(canvas.step, 1.5)
        sand = np.clip(1.3 - np.abs(beyond + 16) / 20, 0, 1) * np.clip(0.9 + 0.4 * canvas.noise(60, 71), 0, 1)
        canvas.mix(_SAND, sand)
        sea = np.clip(0.5 + beyond / step, 0, 1)
        canvas.mix(_SHALLOW, sea)
        canvas.mix(_SEA, sea * np.clip(beyond / 160, 0, 1))
        ripple = np.ones((TILE, TILE), np.float32)
        for n, wave in enumerate((3.0, 8.0, 21.0, 70.0, 260.0)):
            if canvas.step < wave / 3:
                ripple += 0.045 * sea * canvas.sample("slope", wave, 0.4 + 0.1 * n, 80 + n)
        canvas.shade(ripple)
        surf = np.clip(1 - np.abs(beyond - 5 - 4 * canvas.noise(35, 77)) / max(3.0, canvas.step), 0, 1)
        surf += 0.7 * np.clip(1 - np.abs(beyond - 26 - 9 * canvas.noise(50, 78)) / max(2.5, canvas.step), 0, 1)
        canvas.mix(_FOAM, np.clip(surf, 0, 1) * np.clip(0.6 + 0.7 * canvas.noise(25, 79), 0, 1))

    def _beyond_coast(self, canvas: _Canvas) -> Field:
        """Metres out to sea."""
        east, north = canvas.places()
        ragged = 330 * canvas.noise(2900, 70) + 80 * canvas.noise(520, 72) + 14 * canvas.noise(80, 73)
        out = east * self._sea[0] + north * self._sea[1] - self.sea_distance_m
        return np.asarray(out - ragged, np.float32)


@lru_cache(maxsize=2)
def _land(seed: int, matrix: str, sea_bearing_deg: float, sea_distance_m: float, sun_azimuth_deg: float) -> Land:
    return Land(
        seed,
        matrix,
        sea_bearing_deg=sea_bearing_deg,
        sea_distance_m=sea_distance_m,
        sun_azimuth_deg=sun_azimuth_deg,
    )


class _Canvas:
    """One tile being painted in Y′CbCr, full luma and half chroma; samples the periodic maps at its place and scale."""

    def __init__(self, maps: Maps, step: float, column: int, row: int, matrix: str) -> None:
        self.maps, self.step, self.matrix = maps, step, matrix
        self.east, self.north = column * TILE * step, row * TILE * step
        self.luma = np.zeros((TILE, TILE), np.float32)
        self.chroma = np.zeros((TILE // 2, TILE // 2, 2), np.float32)

    def places(self) -> tuple[Field, Field]:
        """East (1, 512) and north (512, 1) of the texels, m."""
        along = (np.arange(TILE, dtype=np.float32) + 0.5) * self.step
        return (self.east + along)[None, :], (self.north + along)[:, None]

    def noise(self, wave_m: float, salt: int) -> Field:
        """Smooth noise of unit deviation whose features are `wave_m` wide; zero when they are finer than texels."""
        if wave_m < 3 * self.step:
            return np.zeros((TILE, TILE), np.float32)
        return self.sample("noise", wave_m, 0.7 * salt, salt)

    def sample(self, name: str, wave_m: float, turn: float, salt: int) -> Field:
        """The map `name`, (512, 512), with features `wave_m` wide; wide ones are sampled coarsely and stretched."""
        reduce = 1
        while reduce < 16 and wave_m > 18 * reduce * self.step:
            reduce *= 2
        coarse = self.lookup(name, wave_m / FEATURE, turn, salt, reduce)
        return coarse if reduce == 1 else _stretch(coarse, TILE)

    def lookup(self, name: str, texel_m: float, turn: float, salt: int, reduce: int = 1) -> Field:
        """A periodic map of `texel_m`, turned, shifted by `salt`; (512/reduce,)·2; coarser copies for coarser tiles."""
        pyramid, step = self.maps[name], self.step * reduce
        depth = min(max(0, round(math.log2(max(step / texel_m, 1e-9)))), len(pyramid) - 1)
        period, source = pyramid[depth]
        texel = texel_m * 2**depth
        c, s = math.cos(turn) / texel, math.sin(turn) / texel
        east, north, across = self.east + step / 2, self.north + step / 2, self.step * TILE
        # The period is shifted so that the whole tile falls inside the padded map: wrapping while sampling is slow.
        left, low = (
            min(0.0, c * across, -s * across, (c - s) * across),
            min(0.0, (c + s) * across, s * across, c * across),
        )
        x0 = (c * east - s * north + 137.31 * salt + left) % period - left
        y0 = (s * east + c * north + 59.77 * salt + low) % period - low
        matrix = np.array([[c * step, -s * step, x0], [s * step, c * step, y0]])
        size = (TILE // reduce, TILE // reduce)
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        return np.asarray(cv2.warpAffine(source, matrix, size, flags=flags, borderMode=cv2.BORDER_WRAP), np.float32)

    def cover(self, name: str, texel_m: float, turn: float, salt: int) -> Field:
        """A coverage map 0…255 as 0…1."""
        return self.lookup(name, texel_m, turn, salt) * np.float32(1 / 255)

    def fill(self, ycc: Field) -> None:
        """Lay down a ground of (h, w, 3), stretched to the tile."""
        self.luma[:] = _stretch(ycc[..., 0], TILE)
        self.chroma[:] = _stretch(ycc[..., 1:], TILE // 2)

    def mix(self, rgb: tuple[int, int, int], weight: Field) -> None:
        """Blend towards one colour with weights (512, 512)."""
        ycc = rgb_to_ycc(np.array(rgb, np.float32), self.matrix)
        self.luma += (ycc[0] - self.luma) * weight
        self.chroma += (ycc[1:] - self.chroma) * _halve(weight)[..., None]

    def shade(self, factor: Field) -> None:
        """Multiply R′G′B′ by a factor (512, 512): luma over black and chroma over grey alike."""
        self.luma = 16 + (self.luma - 16) * factor
        self.chroma = 128 + (self.chroma - 128) * _halve(factor)[..., None]

    def planes(self) -> Planes:
        """What was painted, as bytes."""
        luma = np.clip(self.luma + 0.5, 16, 235).astype(np.uint8)
        chroma = np.clip(self.chroma + 0.5, 16, 240).astype(np.uint8)
        return luma, np.ascontiguousarray(chroma[..., 0]), np.ascontiguousarray(chroma[..., 1])


def _stretch(image: Field, size: int) -> Field:
    return np.asarray(cv2.resize(image, (size, size), interpolation=cv2.INTER_LINEAR), np.float32)


def _halve(image: Field) -> Field:
    return np.asarray(cv2.resize(image, (TILE // 2, TILE // 2), interpolation=cv2.INTER_AREA), np.float32)


def _ramp(values: NDArray[Any], low: float, high: float) -> Field:
    return np.asarray(np.clip((values - low) / (high - low), 0, 1), np.float32)


def _moor(canvas: _Canvas) -> None:
    """Grass, dry grass, heather, bracken and bog in patches; painted at a quarter of the resolution."""

    def noise(wave_m: float, salt: int) -> Field:
        return np.ascontiguousarray(canvas.noise(wave_m, salt)[2::4, 2::4])

    large, small = noise(520, 1), noise(130, 2)
    mottle = noise(34, 3) + 0.7 * noise(9, 4)
    dry, bog = noise(300, 5) + 0.6 * small + 0.5 * mottle, noise(700, 7) + 0.6 * small
    patches = (
        (_DRY, 0.85 * _ramp(dry, 0.0, 1.5)),
        (_HEATHER, 0.9 * _ramp(large + 0.5 * small + 0.35 * mottle, 0.15, 0.9)),
        (_BRACKEN, 0.8 * _ramp(noise(210, 6) + 0.4 * mottle - 0.5 * large, 0.9, 1.5)),
        (_BOG, 0.8 * _ramp(bog, 1.0, 1.7)),
    )
    ycc = np.empty((*large.shape, 3), np.float32)
    ycc[:] = rgb_to_ycc(np.array(_GRASS, np.float32), canvas.matrix)
    for rgb, weight in patches:
        ycc += (rgb_to_ycc(np.array(rgb, np.float32), canvas.matrix) - ycc) * weight[..., None]
    canvas.fill(ycc)


def _enclosures(canvas: _Canvas, around_m: float) -> tuple[Field, Field]:
    """Where someone once enclosed the moor, and always in a belt around home; and the hedges there, both 0…1."""
    east, north = canvas.places()
    near = np.exp(-(((east - 300) ** 2 + (north + 200) ** 2) / (0.55 * around_m) ** 2)).astype(np.float32)
    region = _ramp(canvas.noise(1900, 11) + 0.25 * canvas.noise(240, 12) + 0.9 * near, 0.36, 0.42)
    if region.max() <= 0:
        return region, region
    return region, region * canvas.cover("hedges", 2.0, 0.42, 13)


def _enclose(canvas: _Canvas, around_m: float) -> None:
    """Fields between hedges."""
    region, hedges = _enclosures(canvas, around_m)
    if region.max() <= 0:
        return
    weight = 0.9 * region
    luma = canvas.lookup("field_luma", 2.0, 0.42, 13) + 4 * canvas.noise(45, 14)
    canvas.luma += (luma - canvas.luma) * weight
    for i, name in enumerate(("field_cb", "field_cr")):
        chroma = canvas.chroma[..., i]
        chroma += (canvas.lookup(name, 2.0, 0.42, 13, reduce=2) - chroma) * _halve(weight)
    canvas.mix(_HEDGE, hedges * np.clip(0.95 + 0.5 * canvas.noise(11, 15), 0.1, 1))


def _bushes(canvas: _Canvas) -> None:
    """Gorse and thorn, singly and in thickets; each bush throws its shadow away from the sun."""
    density = _ramp(canvas.noise(800, 21) + 0.3 * canvas.noise(160, 22), 0.9, 1.15)
    density = np.maximum(density, 0.2 * _ramp(canvas.noise(330, 23), 0.3, 1.0))
    if density.max() <= 0:
        return
    if canvas.step > 8:
        canvas.mix(_BUSH, 0.25 * density)  # what single bushes come to on the whole
        return
    grown = density
    if canvas.step < 3:
        grown = _ramp(density - canvas.cover("order", 0.5, 0.2, 24), -0.04, 0.04)
    crowns = canvas.cover("crowns", 0.5, 0.2, 24)
    canvas.shade(1 - 0.55 * canvas.cover("shadows", 0.5, 0.2, 24) * grown)
    covered = np.clip(crowns * 2.2, 0, 1) * grown
    canvas.mix(_BUSH, covered)
    canvas.shade(1 + (0.9 * crowns - 0.35) * covered)


def _ways(canvas: _Canvas) -> None:
    """Becks, tarns, and tracks of two wheels' width."""
    if canvas.step < 12:
        canvas.mix(_WATER, 0.8 * canvas.cover("becks", 2.0, 1.1, 41))
        canvas.mix(_TRACK, 0.85 * canvas.cover("tracks", 2.0, 0.9, 45))
    tarn = _ramp(canvas.noise(240, 42) + 0.12 * canvas.noise(40, 43) + 0.5 * canvas.noise(1500, 44), 2.05, 2.1)
    if tarn.max() > 0:
        canvas.mix(_WATER, tarn)
