"""Motion seen in a recording, kept beside its flight so that it is measured once.

The cache is a folder of its own inside the flight's folder and may be deleted at any time. An entry counts only for the
very same files, measured by the same code; anything unreadable is measured again.
"""

from __future__ import annotations

import hashlib
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from overlay.errors import OverlayError

if TYPE_CHECKING:
    from overlay.motion import MotionSeries
    from overlay.recordings import Recording

FOLDER = "cache"
_MEASURED_AS = 1  # raise when overlay.motion measures differently


def motion_kept(
    folder: Path | None, recording: Recording, way: str, measure: Callable[[], MotionSeries]
) -> MotionSeries:
    """The recording's motion from the cache in `folder`, or measured and kept there; None keeps nothing.

    `way` names how it is measured: the same files watched in another way are another entry.
    """
    if folder is None:
        return measure()
    entry = folder / FOLDER / f"motion-{_fingerprint(recording, way)}.npz"
    kept = _read(entry)
    if kept is not None:
        return kept
    motion = measure()
    _write(entry, motion)
    return motion


def _fingerprint(recording: Recording, way: str) -> str:
    """Names, sizes and times of the files, their frame times, and the way of measuring."""
    digest = hashlib.sha256(f"{_MEASURED_AS} {way}".encode())
    for chapter in recording.chapters:
        stat = Path(chapter.path).stat()
        digest.update(f"{Path(chapter.path).name} {stat.st_size} {stat.st_mtime_ns} {chapter.rotation_deg}".encode())
    digest.update(recording.pts_index.tobytes())
    return digest.hexdigest()[:24]


def _read(entry: Path) -> MotionSeries | None:
    from overlay.motion import MotionSeries

    try:
        with entry.open("rb") as file, np.load(file, allow_pickle=False) as arrays:
            return MotionSeries(**{f.name: _value(arrays[f.name]) for f in fields(MotionSeries)})
    except (OSError, EOFError, ValueError, KeyError, TypeError, zipfile.BadZipFile, zlib.error):
        return None


def _value(array: Any) -> Any:
    return array.item() if array.ndim == 0 else array


def _write(entry: Path, motion: MotionSeries) -> None:
    from overlay.output import writing

    try:
        entry.parent.mkdir(exist_ok=True)
        with writing(entry, overwrite=True) as temporary:
            np.savez_compressed(temporary, **{f.name: getattr(motion, f.name) for f in fields(motion)})
    except (OSError, OverlayError):
        return  # a flight on a read-only disk is measured every time, and that is all
