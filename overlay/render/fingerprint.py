"""Whether two runs would make the same video: a digest of all that goes into one."""

from __future__ import annotations

import hashlib
import os
import struct
from collections.abc import Iterable, Mapping
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from types import FunctionType
from typing import Any

import numpy as np

_PACKAGE = Path(__file__).resolve().parent.parent


def fingerprint(*parts: object) -> str:
    """Hexadecimal digest of values: equal in every run of the same program for equal values.

    Objects count by their class and what they would be pickled as; what they merely keep for speed does not. Raises
    TypeError for what has no value that could be compared, such as an open file.
    """
    digest = hashlib.sha256()
    _Walk(digest).take(parts)
    return digest.hexdigest()


def files(paths: Iterable[str]) -> list[tuple[str, int, int]]:
    """(absolute path, bytes, time of change in ns): what tells a file that was replaced without reading it all."""
    found = [(path, Path(path).stat()) for path in paths]
    return [(str(Path(path).absolute()), status.st_size, status.st_mtime_ns) for path, status in found]


def program() -> list[object]:
    """The program itself and the libraries that make pixels."""
    import av
    import cv2
    import PIL

    sources = sorted(path for path in _PACKAGE.rglob("*") if path.suffix in (".py", ".ttf"))
    code = hashlib.sha256(b"".join(path.read_bytes() for path in sources)).hexdigest()
    # an encoder left to itself divides its work by the machine's cores
    return [code, av.__version__, av.library_versions, cv2.__version__, np.__version__, PIL.__version__, os.cpu_count()]


class _Walk:
    """Feeds values to a digest, each with its kind and length, so that no two different ones read alike."""

    def __init__(self, digest: Any) -> None:
        self._digest = digest
        self._seen: dict[int, int] = {}
        self._alive: list[object] = []  # so that no number in `_seen` is given out again

    def take(self, value: object) -> None:
        if value is None or isinstance(value, (bool, int, Fraction)):
            self._feed(type(value).__name__, repr(value).encode())
        elif isinstance(value, float):
            self._feed("float", struct.pack("<d", value))
        elif isinstance(value, (str, Path)):
            self._feed("str", str(value).encode("utf-8", "surrogateescape"))
        elif isinstance(value, (bytes, bytearray)):
            self._feed("bytes", bytes(value))
        elif isinstance(value, (type, FunctionType)):
            self._feed("name", f"{value.__module__}.{value.__qualname__}".encode())
        elif id(value) in self._seen:
            self._feed("again", str(self._seen[id(value)]).encode())
        else:
            self._seen[id(value)] = len(self._seen)
            self._alive.append(value)
            self._compound(value)

    def _compound(self, value: object) -> None:
        if isinstance(value, (np.ndarray, np.generic)):
            array = np.asarray(value)
            self._feed("array", f"{array.dtype.str}{array.shape}".encode())
            self._feed("values", array.tobytes())
        elif isinstance(value, Mapping):
            self._many("mapping", [(key, value[key]) for key in sorted(value, key=repr)])
        elif isinstance(value, (set, frozenset)):
            self._many("set", sorted(value, key=repr))
        elif isinstance(value, (tuple, list)):
            self._many(type(value).__name__, value)
        else:
            self._object(value)

    def _object(self, value: object) -> None:
        reduced: str | tuple[Any, ...] = value.__reduce_ex__(2)
        if isinstance(reduced, str):
            self._feed("name", reduced.encode())
            return
        made, arguments, state, *listed = (*reduced, None, None, None, None)[:5]
        if isinstance(state, dict):
            kept_for_speed = {k for k in state if isinstance(getattr(type(value), k, None), cached_property)}
            state = {k: v for k, v in state.items() if k not in kept_for_speed}
        self.take(made if isinstance(made, (type, FunctionType)) else getattr(made, "__qualname__", repr(made)))
        self.take(arguments)
        self.take(state)
        for items in listed:
            self.take(None if items is None else list(items))

    def _many(self, kind: str, items: Iterable[object]) -> None:
        listed = list(items)
        self._feed(kind, str(len(listed)).encode())
        for item in listed:
            self.take(item)

    def _feed(self, kind: str, data: bytes) -> None:
        self._digest.update(f"{kind}:{len(data)}:".encode())
        self._digest.update(data)
