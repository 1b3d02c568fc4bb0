"""MAVLink telemetry logs (tlog): frames of MAVLink 1 or 2, each behind the recorder's stamp in microseconds.

Frames are found and checked here; what their fields are is taken from pymavlink's tables. Times are the recorder's:
the vehicle's own UTC may be centuries off. Its time since power-up, which many messages carry, takes the jitter of the
link out of them.
"""

from __future__ import annotations

import binascii
import struct
from array import array
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from overlay.tracks import mavlink_columns
from overlay.tracks.samples import Contents, Floats, Options, finite
from overlay.tracks.source import Source

NAME = "MAVLink telemetry log"
LIMIT_BYTES = 80_000_000  # read in well under 20 s
BORN = datetime(2009, 1, 1, tzinfo=UTC).timestamp()  # from memory: the protocol's first year
EARLIEST_US, LATEST_US = 1_230_768_000_000_000, 4_102_444_800_000_000  # 2009 … 2100
SEARCHED = 4096  # bytes of damage at the beginning that are looked past
_STAMP = struct.Struct(">Q")
_REVERSED = bytes(int(f"{byte:08b}"[::-1], 2) for byte in range(256))


@dataclass(frozen=True)
class Frame:
    """A frame in the log: recorder's stamp, sender, message number, where its payload lies."""

    at: int
    stamp_us: int
    system: int
    component: int
    message: int
    payload: slice
    end: int  # of the frame's own bytes, its checksum included
    length: int  # of the whole record, a signature included


def matches(source: Source) -> bool:
    """Whether stamped frames follow one another near the file's beginning."""
    head = source.head
    for at in range(min(SEARCHED, len(head))):
        frame = frame_at(head, at)
        if frame is not None:
            following = at + frame.length
            if following == source.size or (following < len(head) and frame_at(head, following) is not None):
                return True
    return False


def frame_at(data: bytes, at: int) -> Frame | None:
    """The stamped frame at an offset, None where there is none that fits; its checksum is not looked at."""
    if at + 16 > len(data) or data[at + 8] not in (0xFE, 0xFD):
        return None
    (stamp,) = _STAMP.unpack_from(data, at)
    if not EARLIEST_US < stamp < LATEST_US:
        return None
    size = data[at + 9]
    if data[at + 8] == 0xFE:
        system, component, message = data[at + 11], data[at + 12], data[at + 13]
        first, signature = at + 14, 0
    elif at + 18 <= len(data):
        system, component = data[at + 13], data[at + 14]
        message = int.from_bytes(data[at + 15 : at + 18], "little")
        first, signature = at + 18, 13 if data[at + 10] & 1 else 0
    else:
        return None
    end = first + size + 2
    if end + signature > len(data):
        return None
    return Frame(at, stamp, system, component, message, slice(first, first + size), end, end + signature - at)


def checksum(data: bytes) -> int:
    """CRC-16/MCRF4XX as MAVLink uses it, by way of the bit-reversed CRC that the standard library has in C.

    >>> f"{checksum(b'123456789'):04X}"
    '6F91'
    """
    return int(f"{binascii.crc_hqx(data.translate(_REVERSED), 0xFFFF):016b}"[::-1], 2)


def read(source: Source, _: Options) -> Contents:
    """The vehicle's messages, a run from each power-up; other systems' are left out."""
    tables = _tables(source)
    log = _Log(source.bytes(), tables)
    for frame in log.frames():
        log.take(frame)
    source.count(log.lost, "bytes between frames passed over")
    source.count(log.wrong, "frames with a wrong checksum dropped")
    messages = log.messages()
    vehicle = mavlink_columns.vehicle_of(messages)
    if vehicle is None:
        raise source.error("MAVLink without a vehicle's position or attitude", "give the log of a flight")
    others = sorted({system for system, _ in messages} - {vehicle})
    if others:
        source.note(f"system {vehicle} is the vehicle; messages of system {', '.join(map(str, others))} left out")
    return Contents(NAME, mavlink_columns.runs_of(messages, vehicle, source), BORN)


def _tables(source: Source) -> dict[int, Any]:
    """The message classes of pymavlink by number."""
    try:
        from pymavlink.dialects.v20 import ardupilotmega
    except ImportError:
        remedy = "install the reader: pip install 'overlay[autopilot]'"
        raise source.error("a MAVLink telemetry log, which needs pymavlink", remedy) from None
    return dict(ardupilotmega.mavlink_map)


class _Log:
    """The frames of a log, unpacked as they come."""

    def __init__(self, data: bytes, tables: dict[int, Any]) -> None:
        self._data = data
        self._tables = {number: kind for number, kind in tables.items() if kind.msgname in mavlink_columns.WANTED}
        self._rows: dict[tuple[int, int], array[float]] = {}
        self.lost = self.wrong = 0

    def frames(self) -> Iterator[Frame]:
        """Frames in file order; where none begins, the next that does."""
        at, data = 0, self._data
        while at + 16 <= len(data):
            frame = frame_at(data, at)
            if frame is None:
                following = self._resume(at + 1)
                self.lost += following - at
                at = following
            else:
                yield frame
                at += frame.length

    def _resume(self, at: int) -> int:
        """Where the next frame begins whose successor fits too, the end of the data if none does."""
        data = self._data
        while at + 16 <= len(data):
            marks = [mark for mark in (data.find(b"\xfe", at + 8), data.find(b"\xfd", at + 8)) if mark >= 0]
            if not marks:
                break
            at = min(marks) - 8
            frame = frame_at(data, at)
            if frame is not None:
                following = at + frame.length
                if following == len(data) or frame_at(data, following) is not None:
                    return at
            at += 1
        return len(data)

    def take(self, frame: Frame) -> None:
        """Unpack one frame, if it is wanted and its checksum right."""
        kind = self._tables.get(frame.message)
        if kind is None:
            return
        covered = self._data[frame.at + 9 : frame.end - 2] + bytes((kind.crc_extra,))
        if checksum(covered) != int.from_bytes(self._data[frame.end - 2 : frame.end], "little"):
            self.wrong += 1
            return
        payload = self._data[frame.payload]
        size = kind.unpacker.size
        values = kind.unpacker.unpack(payload[:size].ljust(size, b"\0"))
        rows = self._rows.setdefault((frame.system, frame.message), array("d"))
        rows.extend((frame.at, frame.stamp_us / 1e6, *values))

    def messages(self) -> dict[tuple[int, str], dict[str, Floats]]:
        """Fields by (system, message name); beside them `place` in the file and the recorder's `stamp_s`."""
        result = {}
        for (system, number), rows in self._rows.items():
            kind = self._tables[number]
            table = finite(rows).reshape(-1, 2 + sum(max(count, 1) for count in kind.array_lengths))
            fields = {"place": table[:, 0], "stamp_s": table[:, 1]}
            index = 2
            for name, count in zip(kind.ordered_fieldnames, kind.array_lengths, strict=True):
                fields[name] = table[:, index]
                index += max(count, 1)
            result[system, str(kind.msgname)] = fields
        return result
