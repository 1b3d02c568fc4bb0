"""ULog files as their published description has them: self-describing topics, each message with its size before it.

Read here rather than through pyulog because that never returns from some damaged files; it is the reference in the
tests.
"""

from __future__ import annotations

import re
import struct
from array import array
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from overlay.tracks import ulog_columns
from overlay.tracks.samples import Contents, Floats, Options, finite
from overlay.tracks.source import Source

NAME = "ULog"
LIMIT_BYTES = 200_000_000  # read in well under 20 s
BORN = datetime(2016, 1, 1, tzinfo=UTC).timestamp()  # from memory: the format's first year
MAGIC = b"ULog\x01\x12\x35"
_HEADER = 16
_KINDS = b"ABCDFILMOPQRS"
_FIXED = {ord("S"): 8, ord("O"): 2, ord("R"): 2, ord("B"): 40}
_LONGEST_TEXT = 1 << 13  # of definitions, parameters and messages
_SIZE = struct.Struct("<H")
_APPENDED = struct.Struct("<3Q")
_WINDOW = 1 << 16
_CHAIN = 4  # message heads in a row that make a place to resume
_DEPTH = 8  # of topics within topics
_WIDEST = 1 << 16  # bytes of a message
_TYPES = {
    "int8_t": "i1", "uint8_t": "u1", "int16_t": "<i2", "uint16_t": "<u2", "int32_t": "<i4", "uint32_t": "<u4",
    "int64_t": "<i8", "uint64_t": "<u8", "float": "<f4", "double": "<f8", "bool": "u1", "char": "u1",
}  # fmt: skip
_FIELD = re.compile(r"(\w+)(?:\[(\d{1,5})\])?\s+(\w+)")
_ALLOWED = np.zeros(256, np.bool_)
_ALLOWED[list(_KINDS)] = True


def matches(source: Source) -> bool:
    """Whether the file begins with ULog's magic bytes."""
    return source.head.startswith(MAGIC)


def read(source: Source, _: Options) -> Contents:
    """One power-up, as the format keeps it."""
    runs = ulog_columns.runs_of(topics_of(source), source)
    if not runs:
        raise source.error("a ULog without positions or attitude", "give the log of a flight")
    return Contents(NAME, runs, BORN)


@dataclass
class _Index:
    """What a log holds and where: formats by name, topics by number, where their messages begin by (number, size)."""

    formats: dict[str, str] = field(default_factory=dict)
    topics: dict[int, tuple[str, int]] = field(default_factory=dict)  # number -> (name, instance)
    places: dict[tuple[int, int], array[int]] = field(default_factory=dict)
    dropouts_ms: list[int] = field(default_factory=list)
    lost: int = 0
    _sizes: dict[int, int] = field(default_factory=dict)  # of a topic's messages, 0 where its format is not clear

    def fits(self, data: bytes, at: int, size: int) -> bool:
        """Whether the message at an offset is as long as its kind must be, so that noise is not taken for one."""
        kind = data[at + 2]
        if kind == ord("D"):
            if size < 2:
                return False
            (number,) = _SIZE.unpack_from(data, at + 3)
            return number in self.topics and self._size_of(number) in (size, 0)
        if kind in _FIXED:
            return size == _FIXED[kind]
        return kind in _KINDS and size < _LONGEST_TEXT

    def _size_of(self, number: int) -> int:
        if number not in self._sizes:
            dtype = _dtype(self.formats, self.topics[number][0])
            self._sizes[number] = 0 if dtype is None else dtype.itemsize + 2
        return self._sizes[number]


def topics_of(source: Source) -> dict[str, dict[str, Floats]]:
    """The first instance of each wanted topic, its fields as numbers by name; stretches of damage are noted."""
    data = source.bytes()
    index = _indexed(data)
    source.count(index.lost, "bytes between messages passed over")
    source.count(sum(index.dropouts_ms), "ms lost to dropouts of the autopilot's own logging")
    octets = np.frombuffer(data, np.uint8)
    topics: dict[str, dict[str, Floats]] = {}
    for number, (name, _) in sorted(index.topics.items(), key=lambda item: item[1][1]):
        dtype = _dtype(index.formats, name)
        size = 0 if dtype is None else dtype.itemsize
        places = index.places.get((number, size + 2))
        if name in ulog_columns.WANTED and name not in topics and dtype is not None and places:
            rows = octets[np.array(places)[:, None] + np.arange(5, 5 + size)].view(dtype)[:, 0]
            topics[name] = _numbers(rows)
    return {name: topic for name, topic in topics.items() if "timestamp" in topic}


def _indexed(data: bytes) -> _Index:
    """One pass over the messages; where none begins, on to where several in a row do."""
    index, at = _Index(), _HEADER
    appended: list[int] = []
    while at + 3 <= len(data):
        (size,) = _SIZE.unpack_from(data, at)
        kind, end = data[at + 2], at + 3 + size
        cut = next((offset for offset in appended if at < offset < end), None)
        if cut is not None:  # the crash that the appended part tells of cut this message short
            at = cut
            continue
        if end > len(data) or (end + 3 <= len(data) and data[end + 2] not in _KINDS) or not index.fits(data, at, size):
            following = _resume(data, at + 1)
            index.lost += following - at
            at = following
            continue
        if kind == ord("D"):
            (number,) = _SIZE.unpack_from(data, at + 3)
            index.places.setdefault((number, size), array("q")).append(at)
        elif kind == ord("B") and data[at + 11] & 1:
            appended = [offset for offset in _APPENDED.unpack_from(data, at + 19) if offset > at]
        else:
            _learn(index, kind, data[at + 3 : end])
        at = end
    return index


def _resume(data: bytes, at: int) -> int:
    """The next place from which several messages follow one another, the end of the data if there is none."""
    octets = np.frombuffer(data, np.uint8)
    while at + 3 <= len(data):
        place = np.arange(at, min(at + _WINDOW, len(data) - 2))
        start = place
        for _ in range(_CHAIN):
            good = (start + 2 < len(data)) & _ALLOWED[octets[np.minimum(start + 2, len(data) - 1)]]
            place, start = place[good], start[good]
            start = start + 3 + octets[start].astype(np.int64) + 256 * octets[start + 1].astype(np.int64)
        if len(place):
            return int(place[0])
        at += _WINDOW
    return len(data)


def _learn(index: _Index, kind: int, body: bytes) -> None:
    if kind == ord("F"):
        name, _, fields = body.decode("latin-1").partition(":")
        index.formats.setdefault(name, fields)
    elif kind == ord("A") and len(body) > 3:
        (number,) = _SIZE.unpack_from(body, 1)
        index.topics.setdefault(number, (body[3:].decode("latin-1"), body[0]))
    elif kind == ord("O") and len(body) >= 2:
        index.dropouts_ms.append(_SIZE.unpack_from(body)[0])


def _dtype(formats: dict[str, str], name: str) -> np.dtype[np.void] | None:
    """The record of a topic; padding at its end is not written."""
    fields = _fields(formats, name, 0)
    while fields and fields[-1][0].startswith("_padding"):
        fields.pop()
    dtype = np.dtype(fields) if fields and len({f[0] for f in fields}) == len(fields) else None
    return dtype if dtype is not None and dtype.itemsize <= _WIDEST else None


def _fields(formats: dict[str, str], name: str, depth: int) -> list[tuple[str, str]]:
    """(name, numpy type) of the fields of a topic, arrays and topics within it laid out flat; empty when unclear."""
    result: list[tuple[str, str]] = []
    for part in formats.get(name, "").split(";"):
        match = _FIELD.fullmatch(part.strip())
        if not match:
            if part.strip():
                return []
            continue
        kind, count, label = match[1], int(match[2] or 1), match[3]
        inner = [("", _TYPES[kind])] if kind in _TYPES else _fields(formats, kind, depth + 1) if depth < _DEPTH else []
        if not inner or len(result) + count * len(inner) > _WIDEST:
            return []
        for i in range(count):
            whole = f"{label}[{i}]" if match[2] else label
            result += [(f"{whole}.{sub}" if sub else whole, dtype) for sub, dtype in inner]
    return result


def _numbers(rows: NDArray[np.void]) -> dict[str, Floats]:
    assert rows.dtype.names is not None
    return {name: finite(rows[name]) for name in rows.dtype.names if not name.startswith("_padding")}
