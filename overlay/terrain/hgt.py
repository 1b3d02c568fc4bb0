"""SRTM height tiles: one degree square, named after its south-west corner, big-endian 16-bit metres from the north-west.

1 201 or 3 601 posts a side (3″ or 1″), the outer ones shared with the neighbours; −32 768 is a void (SRTM topography
notes of its public release). Also as they are handed out, alone in a ZIP.
"""

from __future__ import annotations

import math
import re
import zipfile
import zlib
from io import BytesIO
from pathlib import Path
from typing import BinaryIO

import numpy as np

from overlay.errors import TerrainError
from overlay.terrain.surface import Grid

_NAME = re.compile(r"([NS])(\d{2})([EW])(\d{3})", re.IGNORECASE)
_SIDES = (1201, 3601)
_VOID = -32768.0
_LARGEST = 2 * max(_SIDES) ** 2


def read_hgt(path: Path) -> Grid:
    """Read a tile, `.hgt` or `.hgt.zip`. Raises TerrainError."""
    if path.suffix.lower() == ".zip":
        name, data = _unpacked(path)
    else:
        name = path.name
        with path.open("rb") as file:
            data = _all_of(file)
    south, west = _corner(path, name)
    side = math.isqrt(len(data) // 2)
    if side not in _SIDES or len(data) != 2 * side * side:
        raise TerrainError(
            path, f"{len(data)} bytes, where a tile has {' or '.join(str(2 * s * s) for s in _SIDES)}", "fetch it again"
        )
    step = 1.0 / (side - 1)
    heights = np.frombuffer(data, ">i2").reshape(side, side).astype(np.int16)
    return Grid(heights, west, south + 1.0, step, -step, _VOID)


def _all_of(file: BinaryIO) -> bytes:
    return file.read(_LARGEST + 1)


def _corner(path: Path, name: str) -> tuple[float, float]:
    found = _NAME.match(Path(name).name)
    latitude, longitude = (int(found[2]), int(found[4])) if found else (90, 180)
    if found is None or latitude > 90 or longitude > 180:
        raise TerrainError(
            path, "its name does not say where it lies", "name it after its south-west corner, such as N47W034.hgt"
        )
    south = -latitude if found[1] in "Ss" else latitude
    return float(south), float(-longitude if found[3] in "Ww" else longitude)


def _unpacked(path: Path) -> tuple[str, bytes]:
    """Name and bytes of the one tile in a ZIP; never more of it than a tile can hold."""
    try:
        with zipfile.ZipFile(BytesIO(path.read_bytes()) if path.stat().st_size <= _LARGEST else path) as archive:
            tiles = [entry for entry in archive.infolist() if entry.filename.lower().endswith(".hgt")]
            if len(tiles) != 1:
                raise TerrainError(path, f"{len(tiles) or 'no'} .hgt tiles in it", "give a ZIP of one tile")
            with archive.open(tiles[0]) as file:
                return tiles[0].filename, file.read(_LARGEST + 1)
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise TerrainError(path, f"not a whole ZIP ({error})", "fetch it again") from error
