"""Terrain files, told apart by their suffix and, where that says nothing, by their first bytes."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from overlay.errors import TerrainError
from overlay.terrain.geotiff import read_geotiff
from overlay.terrain.hgt import read_hgt
from overlay.terrain.surface import Surface

_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_MOST_FILES = 16


def read_terrain(paths: Iterable[Path]) -> Surface:
    """Read every file into one surface; where files overlap, the first that knows a height is believed.

    Raises TerrainError for the first file that cannot be used.
    """
    listed = list(paths)
    if len(listed) > _MOST_FILES:
        raise TerrainError(listed[_MOST_FILES], f"file {_MOST_FILES + 1} of the terrain", "give those under the flight")
    grids = []
    for path in listed:
        try:
            with path.open("rb") as file:
                tiff = file.read(4) in _TIFF
            if not tiff and path.suffix.lower() not in (".hgt", ".zip"):
                remedy = "give .hgt, .hgt.zip or a GeoTIFF of heights"
                raise TerrainError(path, "neither an SRTM tile nor a TIFF", remedy)
            grids.append(read_geotiff(path) if tiff else read_hgt(path))
        except OSError as error:
            raise TerrainError(
                path, error.strerror or "cannot be read", "check the name and its permissions"
            ) from error
    return Surface(tuple(grids))
