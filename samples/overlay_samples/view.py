"""What a camera in the aircraft's nose sees, as Y′CbCr planes ready for an encoder, some milliseconds a frame.

The ground is a plane, so each nested patch of it (see `clipmap`) is painted by one perspective warp a block of the
picture; the horizon lies at the dip of the round Earth. Coarse grids carry what is smooth: rays, sky, wisps of cloud.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from overlay_samples.clipmap import COARSEST, FINEST, Clipmap, Patch
from overlay_samples.earth import horizon_dip_rad
from overlay_samples.flight import Flight
from overlay_samples.hedgerow import Hedgerow
from overlay_samples.land import Land
from overlay_samples.lens import MountedLens, pixel_rays, undistort
from overlay_samples.scenario import Lens
from overlay_samples.sky import HAZE_RGB, Sky
from overlay_samples.weather import CloudHem, Grass
from overlay_samples.ycc import Plane, Planes, rgb_to_ycc, ycc_to_bgr

Floats = NDArray[np.float64]
Field = NDArray[np.float32]

_CELL = 16  # pixels between the rays of the coarse grid
_SKY_CELL = 12
_ROUGH = 4


class Viewer:
    """Renders one camera of one flight. Not shared between threads."""

    def __init__(self, flight: Flight, lens: Lens, matrix: str = "709") -> None:
        if lens.size[0] % 2 or lens.size[1] % 2:
            raise ValueError(f"picture size {lens.size} must be even in both directions")
        self.flight, self.lens, self.matrix = flight, lens, matrix
        self.mounted = MountedLens(flight, lens)
        self.sky = Sky(flight.scenario, matrix)
        haze = rgb_to_ycc(np.array(HAZE_RGB, np.float32), matrix)
        self._haze = haze
        self._focal = self._inner_focal()
        land = Land.of(flight.scenario, matrix)
        self._clipmap = Clipmap(land, self._focal[0], flight.scenario.visibility_m, tuple(haze.tolist()))
        self._hedgerow = Hedgerow(flight.scenario, land)
        self._grass, self._cloud_hem = Grass(flight, lens, matrix), CloudHem(flight, matrix)
        width, height = lens.size
        self._planes: Planes = _empty(height, width, 2)
        # Chroma of the ground is painted at a quarter of the luma's resolution and enlarged.
        self._sky: Planes = _empty(-(-height // _SKY_CELL) * _SKY_CELL, width, 2)
        self._ground: Planes = (self._planes[0], *_empty(height, width, _ROUGH)[1:])
        self._grid = self._rays(_CELL)
        self._sky_grid = self._rays(_SKY_CELL, centred=True)
        self._vignette = self._make_vignette()
        self._bend = self._bend_maps() if lens.distortion else None
        self._exposure = _exposure(flight)

    def planes(self, time_s: float) -> Planes:
        """Y′, Cb, Cr at a POSIX time; overwritten by the next call."""
        place, turn = self.mounted.position_m(time_s), self.mounted.to_earth(time_s)
        grid = self._grid @ turn.T.astype(np.float32)
        self._paint_ground(place, turn, grid, time_s)
        self._paint_sky(place, turn, grid, time_s)
        self._hedgerow.paint(self._planes, place, turn, self._focal)
        self._grass.paint(self._planes, time_s)
        self._cloud_hem.paint(self._planes, time_s)
        planes = self._planes
        if self._bend:
            luma, chroma = self._bend
            planes = tuple(  # type: ignore[assignment] # three planes
                cv2.remap(plane, *(luma if i == 0 else chroma), cv2.INTER_LINEAR) for i, plane in enumerate(planes)
            )
        self._expose(planes[0], time_s)
        return planes

    def bgr(self, time_s: float) -> Plane:
        """The picture as (H, W, 3) uint8 B′G′R′."""
        return ycc_to_bgr(self.planes(time_s), self.matrix)

    # Geometry

    def _inner_focal(self) -> tuple[float, float]:
        """Focal lengths of the undistorted picture that is wide enough to bend the lens's own from."""
        fx, fy = self.lens.focal_px
        if not self.lens.distortion:
            return fx, fy
        width, height = self.lens.size
        edge = [np.array(values, np.float64) for values in ([0.0, 0.0, width / 2], [0.0, height / 2, 0.0])]
        x, y = undistort(self.lens, *edge)
        wider = max(1 - 2 * x[1] / width, 1 - 2 * y[2] / height, 1 - 2 * x[0] / width, 1 - 2 * y[0] / height, 1.0)
        return float(fx / wider), float(fy / wider)

    def _rays(self, cell: int, *, centred: bool = False) -> Field:
        """Directions on a grid of picture points, corners of cells or their centres; north–east–down needs a turn."""
        width, height = self.lens.size
        if centred:
            x, y = (np.arange(-(-n // cell), dtype=np.float64) + 0.5 for n in (width, height))
        else:
            x, y = (np.arange(-(-n // cell) + 1, dtype=np.float64) for n in (width, height))
        return pixel_rays(self.lens, x[None, :] * cell, y[:, None] * cell, self._focal).astype(np.float32)

    def _ground_matrix(self, place: tuple[float, float, float], turn: Floats) -> Floats:
        """(3, 3) from pixel indices of the luma plane to (east, north, 1)·w."""
        (fx, fy), (width, height) = self._focal, self.lens.size
        to_ray = np.array([[1 / fx, 0, (0.5 - width / 2) / fx], [0, 1 / fy, (0.5 - height / 2) / fy], [0, 0, 1]])
        east, north, up = place
        north_row, east_row, down_row = turn @ to_ray
        return np.array([up * east_row + east * down_row, up * north_row + north * down_row, down_row])

    # Ground

    def _paint_ground(self, place: tuple[float, float, float], turn: Floats, grid: Field, time_s: float) -> None:
        for plane, colour in zip(self._ground, self._haze, strict=True):
            plane[:] = round(float(colour))
        down = grid[..., 2]
        with np.errstate(divide="ignore"):
            away = np.where(down > 1e-4, place[2] * np.hypot(grid[..., 0], grid[..., 1]) / down, np.inf)
        patches = self._clipmap.around(*place, self._finest(place, away, time_s))
        reach = [patch.reach(place[0], place[1]) for patch in patches]
        matrix = self._ground_matrix(place, turn)
        # Pixel indices of rough chroma planes are those of luma at (4·i + 1.5).
        rough = matrix @ np.array([[_ROUGH, 0, (_ROUGH - 1) / 2], [0, _ROUGH, (_ROUGH - 1) / 2], [0, 0, 1]])
        to_texels = [(_texel_matrix(patch, 1) @ matrix, _texel_matrix(patch, 2) @ rough) for patch in patches]
        for left, right in self._blocks(turn, away.shape[1] - 1):
            block = away[:, left : right + 1]
            nearest, farthest = block.min(axis=1), block.max(axis=1)
            nearest, farthest = np.minimum(nearest[:-1], nearest[1:]), np.maximum(farthest[:-1], farthest[1:])
            for i, patch in enumerate(patches):
                inside = reach[i + 1][0] if i + 1 < len(patches) else 0.0
                rows = np.flatnonzero((farthest >= inside) & (nearest <= reach[i][1]))
                if len(rows):
                    self._warp(patch, to_texels[i], (left, int(rows[0]), right, int(rows[-1]) + 1))
        for small, plane in zip(self._ground[1:], self._planes[1:], strict=True):
            cv2.resize(small, plane.shape[::-1], plane, interpolation=cv2.INTER_LINEAR)

    def _blocks(self, turn: Floats, cells: int) -> list[tuple[int, int]]:
        """Spans of grid columns: the more the horizon slopes, the narrower, so that rectangles waste little."""
        lean = abs(math.atan2(turn[2, 0], turn[2, 1]))
        count = max(1, min(12, round(22 * min(lean, math.pi - lean) * self.lens.size[0] / 1280)))
        edges = np.linspace(0, cells, count + 1).astype(int).tolist()
        return list(pairwise(edges))

    def _finest(self, place: tuple[float, float, float], away: Floats, time_s: float) -> int:
        """The finest level worth painting: a texel near a pixel's size, or the blur of the exposure if that is more."""
        near = math.hypot(float(np.nanmin(away)) if np.isfinite(away).any() else 1e4, place[2])
        f = self.flight
        speed = math.hypot(*(float(f.at(f.velocity_mps[:, axis], time_s)) for axis in (0, 1)))
        size = max(0.6 * near / self._focal[0], speed / 100.0)
        return min(max(FINEST, math.ceil(math.log2(max(size, 1e-3)))), COARSEST)

    def _warp(self, patch: Patch, to_texels: tuple[Floats, Floats], cells: tuple[int, int, int, int]) -> None:
        """Paint one rectangle of grid cells from one patch."""
        for i, plane in enumerate(self._ground):
            cell = _CELL if i == 0 else _CELL // _ROUGH
            x0, y0, x1, y1 = (index * cell for index in cells)
            matrix = to_texels[i > 0].copy()
            matrix[:, 2] += matrix[:, 0] * x0 + matrix[:, 1] * y0
            target = plane[y0:y1, x0:x1]
            cv2.warpPerspective(
                patch.planes[i],
                matrix,
                (target.shape[1], target.shape[0]),
                target,
                cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                cv2.BORDER_TRANSPARENT,
            )

    # Sky

    def _paint_sky(self, place: tuple[float, float, float], turn: Floats, grid: Field, time_s: float) -> None:
        length = np.linalg.norm(self._grid, axis=-1)
        below = grid[..., 2] / length - math.sin(horizon_dip_rad(place[2]))
        if below.min() > 0.02:
            return
        # Rows that hold sky; the rest of the picture has none.
        skyward = np.flatnonzero((below < 0.01).any(axis=1))
        top, bottom = int(skyward[0]) * _CELL // _SKY_CELL, -(-int(skyward[-1] + 1) * _CELL // _SKY_CELL)
        rays = self._sky_grid[top:bottom] @ turn.T.astype(np.float32)
        rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
        sky = self.sky.paint(rays, place, time_s - self.flight.start_s)
        blocks = self._blocks(turn, below.shape[1] - 1)
        for small, whole, unit in zip(sky, self._sky, (1, 2, 2), strict=True):
            part = whole[top * _SKY_CELL // unit : (top + len(rays)) * _SKY_CELL // unit]
            cv2.resize(small, part.shape[::-1], part, interpolation=cv2.INTER_LINEAR)
        for left, right in blocks:
            self._lay_over(self._sky, below[:, left : right + 1], left)
        self._paint_ridges(place, turn)

    def _lay_over(self, sky: Sequence[NDArray[Any]], below: Field, left: int) -> None:
        """Copy the sky into a block of columns where it is above the horizon, with a soft edge one pixel wide."""
        sharp, rim = self._focal[0], 1.5 / self._focal[0]
        highest, lowest = below.min(axis=1), below.max(axis=1)
        clear = np.maximum(lowest[:-1], lowest[1:]) < -rim
        mixed = np.flatnonzero(~clear & (np.minimum(highest[:-1], highest[1:]) < rim))
        right = left + below.shape[1] - 1
        for top, bottom in _runs(clear):
            for i, plane in enumerate(self._planes):
                part = _part(1 if i == 0 else 2, left, right, top, bottom)
                plane[part] = sky[i][part]
        if len(mixed) == 0:
            return
        top, bottom = int(mixed[0]), int(mixed[-1]) + 1
        share = np.clip(0.5 - _bilinear(below[top : bottom + 1], _CELL) * sharp, 0, 1)
        shares = share, cv2.resize(share, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        for i, plane in enumerate(self._planes):
            part = _part(1 if i == 0 else 2, left, right, top, bottom)
            target = plane[part]
            weight = np.ascontiguousarray(shares[i > 0][: target.shape[0], : target.shape[1]])
            cv2.blendLinear(np.ascontiguousarray(sky[i][part]), target.copy(), weight, 1 - weight, target)

    def _paint_ridges(self, place: tuple[float, float, float], turn: Floats) -> None:
        """Far hills as filled outlines, from the crest down to the horizon."""
        dip = horizon_dip_rad(place[2])
        ahead = math.atan2(turn[1, 2], turn[0, 2])
        for azimuth, elevation, colour in self.sky.ridges(place[2]):
            seen = (elevation > -dip) & (np.cos(azimuth - ahead) > 0.4)
            for start, end in _runs(seen):
                line = np.column_stack([azimuth[start:end], elevation[start:end]])
                base = np.column_stack([azimuth[start:end], np.full(end - start, -dip - 0.0012)])[::-1]
                outline = self._project(np.vstack([line, base]), turn)
                if end - start < 2 or not np.isfinite(outline).all() or not self._in_picture(outline):
                    continue
                for i, plane in enumerate(self._planes):
                    points = np.round((outline / (1 if i == 0 else 2) - 0.5) * 16).astype(np.int32)
                    cv2.fillPoly(plane, [points], float(colour[i]), cv2.LINE_AA, 4)

    def _in_picture(self, points: Floats) -> bool:
        (x0, y0), (x1, y1) = points.min(axis=0), points.max(axis=0)
        return bool(x1 > 0 and y1 > 0 and x0 < self.lens.size[0] and y0 < self.lens.size[1])

    def _project(self, directions: Floats, turn: Floats) -> Floats:
        """Picture points (N, 2) of azimuths and elevations (N, 2), NaN behind the camera."""
        azimuth, elevation = directions.T
        level = np.cos(elevation)
        rays = np.column_stack([level * np.cos(azimuth), level * np.sin(azimuth), -np.sin(elevation)]) @ turn
        with np.errstate(divide="ignore", invalid="ignore"):
            x = rays[:, 0] / rays[:, 2] * self._focal[0] + self.lens.size[0] / 2
            y = rays[:, 1] / rays[:, 2] * self._focal[1] + self.lens.size[1] / 2
        points = np.column_stack([x, y])
        points[rays[:, 2] < 0.05] = np.nan
        return points

    # The camera itself

    def _make_vignette(self) -> Plane:
        width, height = self.lens.size
        x, y = np.linspace(-1, 1, width)[None, :], np.linspace(-1, 1, height)[:, None]
        return np.asarray(255 * (1 - 0.13 * np.clip(x * x + 0.7 * y * y, 0, 2) ** 1.5 / 1.3), np.uint8)

    def _bend_maps(self) -> tuple[tuple[NDArray[Any], NDArray[Any]], ...]:
        """Fixed-point maps that bend the undistorted picture into the lens's, for luma and for chroma."""
        (fx, fy), (inner_x, inner_y) = self.lens.focal_px, self._focal
        maps: list[tuple[NDArray[Any], NDArray[Any]]] = []
        for unit in (1, 2):
            width, height = self.lens.size[0] // unit, self.lens.size[1] // unit
            grid = np.mgrid[:height, :width].astype(np.float64)
            x, y = undistort(self.lens, (grid[1] + 0.5) * unit, (grid[0] + 0.5) * unit)
            x = (x - self.lens.size[0] / 2) / fx * inner_x + self.lens.size[0] / 2
            y = (y - self.lens.size[1] / 2) / fy * inner_y + self.lens.size[1] / 2
            floats = (x / unit - 0.5).astype(np.float32), (y / unit - 0.5).astype(np.float32)
            whole, part = cv2.convertMaps(*floats, cv2.CV_16SC2)
            maps.append((np.asarray(whole), np.asarray(part)))
        return tuple(maps)

    def _expose(self, luma: Plane, time_s: float) -> None:
        cv2.multiply(luma, self._vignette, luma, float(self.flight.at(self._exposure, time_s)) / 255)
        np.minimum(luma, 235, out=luma)


def _exposure(flight: Flight) -> Floats:
    """What the camera's automatic exposure does, a second late: less sky in the picture, more gain."""
    from scipy.ndimage import gaussian_filter1d

    sky = np.sin(flight.pitch_rad)
    late = gaussian_filter1d(sky, 60, mode="nearest")
    return np.asarray(np.clip(1.02 - 0.45 * np.roll(late, 60), 0.82, 1.2))


def _empty(height: int, width: int, unit: int) -> Planes:
    """A luma plane, and chroma planes at 1/unit of its size, rounded up to whole grid cells' worth."""
    rough = (-(-height // unit), -(-width // unit))
    return np.empty((height, width), np.uint8), np.empty(rough, np.uint8), np.empty(rough, np.uint8)


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Spans [start, end) in which flags hold."""
    change = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in zip(change[::2], change[1::2], strict=True)]


def _part(unit: int, left: int, right: int, top: int, bottom: int) -> tuple[slice, slice]:
    """Rows and columns of a plane for a rectangle of grid cells."""
    cell = _CELL // unit
    return slice(top * cell, bottom * cell), slice(left * cell, right * cell)


def _bilinear(corners: Field, cell: int) -> Field:
    """Values between the corners of cells, at the centres of `cell` × `cell` pixels in each."""
    height, width = corners.shape
    first = 0.5 / cell
    matrix = np.array([[1 / cell, 0, first], [0, 1 / cell, first]])
    size = ((width - 1) * cell, (height - 1) * cell)
    return np.asarray(cv2.warpAffine(corners, matrix, size, flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP), np.float32)


def _texel_matrix(patch: Patch, unit: int) -> Floats:
    """(3, 3) from (east, north, 1)·w to texel indices of a patch's luma (unit 1) or chroma (unit 2) plane."""
    step = patch.step * unit
    return np.array([[1 / step, 0, -patch.left / unit - 0.5], [0, 1 / step, -patch.low / unit - 0.5], [0, 0, 1]])


@lru_cache(maxsize=4)
def _viewer(flight_id: int, lens: Lens) -> Viewer:
    return Viewer(_FLIGHTS[flight_id], lens)


_FLIGHTS: dict[int, Flight] = {}


def render_view(flight: Flight, time_s: float, lens: Lens) -> Plane:
    """One picture, (H, W, 3) uint8 B′G′R′, of a camera at a POSIX time. A `Viewer` is quicker for many."""
    _FLIGHTS[id(flight)] = flight
    return _viewer(id(flight), lens).bgr(time_s).copy()
