"""Heights from a single-band GeoTIFF (OGC 19-008): placed by its tags, unpacked by libtiff in OpenCV.

Degrees on a datum that lies within a metre or two of WGS 84 need nothing more; metres of a projection, and other
datums, need pyproj (``overlay[terrain]``).
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from overlay.errors import TerrainError
from overlay.terrain.surface import Floats, Grid, ToGrid

_WIDTH, _HEIGHT, _SAMPLES, _NO_DATA = 256, 257, 277, 42113
_STRIPS, _TILES = (273, 279), (324, 325)  # tags of their places and sizes
_SCALE, _TIE_POINTS, _MATRIX, _KEYS = 33550, 33922, 34264, 34735
_MODEL, _RASTER, _GEODETIC, _PROJECTED, _VERTICAL_UNIT = 1024, 1025, 2048, 3072, 4099
_POINT = 2
_LIKE_WGS84 = {4326, 4258, 4269, 4283, 4612, 4617, 4674, 4979, 6318, 6668, 7844}
_UNIT_M = {9001: 1.0, 9002: 0.3048, 9003: 1200 / 3937}  # metre, foot, US survey foot (EPSG)
_MOST_POSTS = 80_000_000
_LARGEST_FILE = 1 << 30


def read_geotiff(path: Path) -> Grid:
    """Read a GeoTIFF of heights. Raises TerrainError for what is not one, is cut short, or cannot be placed."""
    tags = _tags(path)
    _check(path, tags)
    keys = _keys(tags.get(_KEYS, ()))
    first_x, first_y, step_x, step_y = _placed(path, tags)
    if keys.get(_RASTER) != _POINT:  # the tags place corners of cells, and heights hold for their middles
        first_x, first_y = first_x + step_x / 2, first_y + step_y / 2
    unit = _UNIT_M.get(keys.get(_VERTICAL_UNIT, 9001))
    if unit is None:
        raise TerrainError(path, f"heights in the unit EPSG:{keys[_VERTICAL_UNIT]}", "convert them to metres")
    heights, void = _heights(path, tags), _void(tags)
    if unit != 1.0:
        lacking = heights == void if void is not None else np.zeros(heights.shape, dtype=bool)
        heights, void = np.where(lacking, np.nan, heights.astype(np.float32) * unit), None
    return Grid(heights, first_x, first_y, step_x, step_y, void, _projection(path, keys))


def _tags(path: Path) -> Mapping[int, Any]:
    """Tags of the first image, which in a file of several is the one of full size."""
    import struct

    from PIL.TiffImagePlugin import ImageFileDirectory_v2

    try:
        with path.open("rb") as file, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of damaged tags: what is lacking is said below
            header = file.read(8)
            if len(header) == 8 and 43 in header[2:4]:
                header += file.read(8)
            directory = ImageFileDirectory_v2(header)
            file.seek(directory.next)
            directory.load(file)
            return {tag: directory[tag] for tag in directory}
    except (SyntaxError, ValueError, TypeError, KeyError, IndexError, EOFError, OverflowError, struct.error) as error:
        raise TerrainError(path, "not a readable TIFF", "give a GeoTIFF of heights or an SRTM .hgt tile") from error


def _check(path: Path, tags: Mapping[int, Any]) -> None:
    samples, width, height = tags.get(_SAMPLES, 1), tags.get(_WIDTH, 0), tags.get(_HEIGHT, 0)
    if samples != 1:
        raise TerrainError(path, f"{samples} bands", "give a GeoTIFF whose one band is height")
    if not (isinstance(width, int) and isinstance(height, int) and width >= 2 and height >= 2):
        raise TerrainError(path, "no grid of heights in it", "give a GeoTIFF of heights")
    if width * height > _MOST_POSTS:
        raise TerrainError(path, f"{width} × {height} heights", "cut it to the flight's neighbourhood, or thin it")
    size = path.stat().st_size
    ends = [
        place + length
        for places, lengths in (_STRIPS, _TILES)
        for place, length in zip(_several(tags.get(places)), _several(tags.get(lengths)), strict=False)
    ]
    if not ends:
        raise TerrainError(path, "its tags do not say where its heights are", "fetch it again")
    if max(ends) > size:
        raise TerrainError(path, f"cut short: {size} bytes of {max(ends)}", "fetch it again")


def _several(value: Any) -> tuple[int, ...]:
    values = value if isinstance(value, tuple) else (value,)
    return tuple(v for v in values if isinstance(v, int))


def _keys(directory: Any) -> dict[int, int]:
    """GeoKeys that hold their short value themselves."""
    values = _several(directory)
    return {values[i]: values[i + 3] for i in range(4, len(values) - 3, 4) if values[i + 1] == 0}


def _placed(path: Path, tags: Mapping[int, Any]) -> tuple[float, float, float, float]:
    """Where the tags put raster point (0, 0), and a step across and down."""
    scale, tie, matrix = tags.get(_SCALE), tags.get(_TIE_POINTS), tags.get(_MATRIX)
    if matrix is not None and len(matrix) == 16:
        if matrix[1] or matrix[4]:
            raise TerrainError(path, "its grid is turned against north", "resample it to a grid along north")
        placed = matrix[3], matrix[7], matrix[0], matrix[5]
    elif scale is not None and tie is not None and len(scale) >= 2 and len(tie) == 6:
        placed = tie[3] - tie[0] * scale[0], tie[4] + tie[1] * scale[1], scale[0], -scale[1]
    else:
        raise TerrainError(path, "its tags do not place it on the Earth", "give a GeoTIFF, with its place in the file")
    if not np.isfinite(placed).all() or placed[2] <= 0 or placed[3] == 0:
        raise TerrainError(path, "its tags place it nowhere", "fetch it again")
    return float(placed[0]), float(placed[1]), float(placed[2]), float(placed[3])


def _heights(path: Path, tags: Mapping[int, Any]) -> NDArray[np.generic]:
    import cv2

    if path.stat().st_size > _LARGEST_FILE:
        raise TerrainError(path, "more than 1 GiB", "cut it to the flight's neighbourhood")
    try:
        found = cv2.imdecode(np.fromfile(path, np.uint8), cv2.IMREAD_UNCHANGED)
    except cv2.error:
        found = None
    if found is None or found.shape != (tags[_HEIGHT], tags[_WIDTH]):
        raise TerrainError(path, "its heights cannot be unpacked", "save it again uncompressed, or deflated")
    return np.asarray(found)


def _void(tags: Mapping[int, Any]) -> float | None:
    """The value for no data, which GDAL's tag holds as text."""
    try:
        return float(str(tags[_NO_DATA]).strip("\0 "))
    except (KeyError, ValueError):
        return None


def _projection(path: Path, keys: Mapping[int, int]) -> ToGrid | None:
    """From longitude and latitude on WGS 84 to the grid's own x and y; None where they are the same."""
    model = keys.get(_MODEL)
    code = keys.get({1: _PROJECTED, 2: _GEODETIC}.get(model or 0, 0))
    if model == 2 and (code is None or code in _LIKE_WGS84):
        return None
    remedy = "resample it to degrees on WGS 84 (EPSG:4326)"
    if code is None or code == 32767:
        raise TerrainError(path, "a map projection that its keys do not name by number", remedy)
    try:
        from pyproj import Transformer
        from pyproj.exceptions import ProjError
    except ImportError as error:
        raise TerrainError(path, f"a grid in EPSG:{code}", f"install overlay[terrain], or {remedy}") from error
    try:
        transform = Transformer.from_crs(4326, code, always_xy=True).transform
    except ProjError as error:
        raise TerrainError(path, f"an unknown map projection, EPSG:{code}", remedy) from error

    def to_grid(longitude: Floats, latitude: Floats) -> tuple[Floats, Floats]:
        x, y = transform(longitude, latitude)
        return np.asarray(x), np.asarray(y)

    return to_grid
