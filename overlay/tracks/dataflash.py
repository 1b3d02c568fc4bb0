"""Autopilot logs in the self-describing DataFlash form: FMT messages name the fields of all others; binary or text.

Read here rather than through pymavlink because a log of a flight holds a million messages: offsets are collected in
one pass and fields taken out with numpy. pymavlink is the reference in the tests.
"""

from __future__ import annotations

import re
from array import array
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from overlay.tracks import dataflash_columns
from overlay.tracks.samples import BLOCK, Contents, Floats, Options, finite, numbers
from overlay.tracks.source import Source

NAME = "DataFlash"
LIMIT_BYTES = 200_000_000  # read in well under 20 s
BORN = datetime(2009, 1, 1, tzinfo=UTC).timestamp()  # from memory: no open autopilot wrote the format earlier
_HEAD = b"\xa3\x95"
_FMT = 128
_FMT_LENGTH = 89
_TEXT_FMT = re.compile(r"^\s*FMT\s*,\s*\d+\s*,\s*\d+\s*,\s*\w+\s*,", re.MULTILINE)

# letter of a format -> (numpy type, factor); published in the autopilots' logging documentation
_TYPES: dict[str, tuple[str, float]] = {
    "a": ("V64", 1.0), "b": ("i1", 1.0), "B": ("u1", 1.0), "h": ("<i2", 1.0), "H": ("<u2", 1.0), "i": ("<i4", 1.0),
    "I": ("<u4", 1.0), "f": ("<f4", 1.0), "d": ("<f8", 1.0), "n": ("S4", 1.0), "N": ("S16", 1.0), "Z": ("S64", 1.0),
    "c": ("<i2", 0.01), "C": ("<u2", 0.01), "e": ("<i4", 0.01), "E": ("<u4", 0.01), "L": ("<i4", 1e-7),
    "M": ("u1", 1.0), "q": ("<i8", 1.0), "Q": ("<u8", 1.0), "g": ("<f2", 1.0),
}  # fmt: skip


@dataclass(frozen=True)
class Message:
    """All messages of one name: where each began in the file, its fields as numbers, its texts."""

    place: NDArray[np.int64]
    fields: Mapping[str, Floats]
    texts: Mapping[str, list[str]] = field(default_factory=dict)


@dataclass(frozen=True)
class _Format:
    name: str
    length: int
    letters: str
    columns: tuple[str, ...]


def matches(source: Source) -> bool:
    """Whether the file begins with the format of formats, in binary or as text."""
    if _HEAD + bytes([_FMT]) in source.head[:4096]:
        return True
    return _TEXT_FMT.search(source.head_text()[:8192]) is not None


def read(source: Source, _: Options) -> Contents:
    """Each power-up as a run of its own."""
    binary = _HEAD + bytes([_FMT]) in source.head[:4096]
    messages = read_binary(source) if binary else read_text(source)
    runs = dataflash_columns.runs_of(messages, source)
    if not runs:
        raise source.error("a DataFlash log without positions or attitude", "give the log of a flight")
    return Contents(f"{NAME} ({'binary' if binary else 'text'})", runs, BORN)


def read_binary(source: Source) -> dict[str, Message]:
    """The wanted messages of a binary log; stretches without a message are passed over and noted."""
    data = source.bytes()
    formats: dict[int, _Format] = {
        _FMT: _Format("FMT", _FMT_LENGTH, "BBnNZ", ("Type", "Length", "Name", "Format", "Columns"))
    }
    offsets = _offsets(source, data, formats)
    octets = np.frombuffer(data, np.uint8)
    messages = {}
    for kind, places in offsets.items():
        layout = formats[kind]
        dtype = _dtype(layout)
        if layout.name in dataflash_columns.WANTED and dtype is not None and places:
            messages[layout.name] = _gathered(octets, np.array(places), layout, dtype)
    return messages


def _offsets(source: Source, data: bytes, formats: dict[int, _Format]) -> dict[int, array[int]]:
    """Where the messages of each kind begin; a message counts when another, or the end, follows it."""
    offsets: dict[int, array[int]] = {}
    lengths = {_FMT: _FMT_LENGTH}
    size, at, lost = len(data), 0, 0
    while at + 3 <= size:
        kind = data[at + 2]
        length = lengths.get(kind, 0) if data[at] == 0xA3 and data[at + 1] == 0x95 else 0
        end = at + length
        if not length or end > size or (end + 2 <= size and data[end : end + 2] != _HEAD):
            following = data.find(_HEAD, at + 1)
            following = following if following >= 0 else size
            lost += following - at
            at = following
            continue
        if kind == _FMT:
            _learn(data[at + 3 : end], formats, lengths)
        offsets.setdefault(kind, array("q")).append(at)
        at = end
    source.count(lost, "bytes between messages passed over")
    return offsets


def _learn(body: bytes, formats: dict[int, _Format], lengths: dict[int, int]) -> None:
    kind, length = body[0], body[1]
    name, letters, columns = (part.split(b"\0")[0].decode("latin-1") for part in (body[2:6], body[6:22], body[22:86]))
    if length >= 3 and kind != _FMT:
        formats[kind] = _Format(name, length, letters, tuple(columns.split(",")))
        lengths[kind] = length


def _dtype(layout: _Format) -> np.dtype[np.void] | None:
    """The record of a message; None when the format does not add up."""
    if any(letter not in _TYPES for letter in layout.letters) or len(layout.letters) != len(layout.columns):
        return None
    if len(set(layout.columns)) != len(layout.columns) or "" in layout.columns:
        return None
    dtype = np.dtype([(name, _TYPES[letter][0]) for name, letter in zip(layout.columns, layout.letters, strict=True)])
    return dtype if dtype.itemsize == layout.length - 3 else None


def _gathered(
    octets: NDArray[np.uint8], places: NDArray[np.int64], layout: _Format, dtype: np.dtype[np.void]
) -> Message:
    rows = octets[places[:, None] + np.arange(3, layout.length)].view(dtype)[:, 0]
    fields, texts = {}, {}
    for name, letter in zip(layout.columns, layout.letters, strict=True):
        if letter in "nNZ":
            texts[name] = [bytes(text).decode("latin-1") for text in rows[name]]
        elif letter != "a":
            fields[name] = finite(rows[name]) * _TYPES[letter][1]
    return Message(places, fields, texts)


def read_text(source: Source) -> dict[str, Message]:
    """The wanted messages of a log turned into text, one a line; lines of another width are dropped and noted."""
    columns: dict[str, tuple[str, ...]] = {}
    lines: dict[str, list[str]] = {}
    places: dict[str, array[int]] = {}
    bad = 0
    for count, line in enumerate(source.lines()):
        name, _, rest = line.partition(",")
        name = name.strip()
        if name == "FMT":
            parts = [part.strip() for part in rest.split(",")]
            if len(parts) > 4 and len(set(parts[4:])) == len(parts[4:]):
                columns[parts[2]] = tuple(parts[4:])
        elif name in dataflash_columns.WANTED and name in columns:
            if rest.count(",") >= len(columns[name]) - 1:
                lines.setdefault(name, []).append(rest)
                places.setdefault(name, array("q")).append(count)
            else:
                bad += 1
    source.count(bad, "messages cut short dropped")
    return {name: _of_lines(columns[name], places[name], rows) for name, rows in lines.items()}


def _of_lines(columns: tuple[str, ...], places: array[int], lines: list[str]) -> Message:
    """Columns of lines, cut a block at a time: the cells of a whole log as texts would fill the memory."""
    fields: dict[str, list[Floats]] = {name: [] for name in columns}
    texts: dict[str, list[str]] = {name: [] for name in columns}
    for first in range(0, len(lines), BLOCK):
        rows = (line.split(",", len(columns) - 1) for line in lines[first : first + BLOCK])
        for name, cells in zip(columns, zip(*rows, strict=True), strict=True):
            block = numbers(cells)
            fields[name].append(block)
            if not np.isfinite(block).any():
                texts[name] += (cell.strip() for cell in cells)
    whole = {name: np.concatenate(blocks) for name, blocks in fields.items()}
    return Message(
        np.array(places), whole, {name: values for name, values in texts.items() if len(values) == len(lines)}
    )
