"""What was measured in a recording's frames, such as motion, kept beside its flight so that it is measured once.

The cache is a folder of its own inside the flight's folder and may be deleted at any time. An entry counts only for the
very same files, measured by the same version of the program; anything unreadable is measured again.
"""

from __future__ import annotations

import hashlib
import zipfile
import zlib
from collections.abc import Callable
from dataclasses import fields
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from overlay import __version__
from overlay.errors import OverlayError

if TYPE_CHECKING:
    from overlay.motion import MotionSeries
    from overlay.recordings import Recording

_Kind = TypeVar("_Kind")

FOLDER = "cache"
_MEASURED_AS = 8  # raise when overlay.motion, overlay.picture.visibility or its features measure differently


def motion_kept(
    folder: Path | None, recording: Recording, way: str, measure: Callable[[], MotionSeries]
) -> MotionSeries:
    """The recording's motion from the cache in `folder`, or measured and kept there; None keeps nothing.

    `way` names how it is measured: the same files watched in another way are another entry.
    """
    from overlay.motion import MotionSeries

    return kept(MotionSeries, folder, recording, f"motion {way}", measure)


def kept(kind: type[_Kind], folder: Path | None, recording: Recording, way: str, measure: Callable[[], _Kind]) -> _Kind:
    """The same of anything whose fields are arrays and single values; the first word of `way` names it."""
    if folder is None:
        return measure()
    name, _, how = way.partition(" ")
    entry = folder / FOLDER / f"{name}-{_fingerprint(recording, how)}.npz"
    found = _read(entry, kind)
    if found is not None:
        return found
    measured = measure()
    _write(entry, measured)
    return measured


def _fingerprint(recording: Recording, way: str) -> str:
    """Names, sizes and times of the files, their frame times, the program and the way of measuring."""
    digest = hashlib.sha256(f"{__version__} {_MEASURED_AS} {way}".encode())
    for chapter in recording.chapters:
        stat = Path(chapter.path).stat()
        digest.update(f"{Path(chapter.path).name} {stat.st_size} {stat.st_mtime_ns} {chapter.rotation_deg}".encode())
    digest.update(recording.pts_index.tobytes())
    return digest.hexdigest()[:24]


def _read(entry: Path, kind: type[_Kind]) -> _Kind | None:
    try:
        with entry.open("rb") as file, np.load(file, allow_pickle=False) as arrays:
            return kind(**{f.name: _value(arrays[f.name]) for f in fields(kind)})  # type: ignore[arg-type]  # a dataclass
    except (OSError, EOFError, ValueError, KeyError, TypeError, zipfile.BadZipFile, zlib.error):
        return None


def _value(array: Any) -> Any:
    return array.item() if array.ndim == 0 else array


def _write(entry: Path, measured: Any) -> None:
    from overlay.output import writing

    try:
        entry.parent.mkdir(exist_ok=True)
        with writing(entry, overwrite=True) as temporary:
            np.savez_compressed(temporary, **{f.name: getattr(measured, f.name) for f in fields(measured)})
    except (OSError, OverlayError):
        return  # a flight on a read-only disk is measured every time, and that is all
