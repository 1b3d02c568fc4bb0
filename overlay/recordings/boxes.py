"""The boxes of an MP4 or QuickTime file, looked over before a demuxer allocates what they claim.

ISO/IEC 14496-12: a file is a row of boxes (32-bit size, type, 64-bit size where the first is 1; 0: "to the end").
Three things are worth knowing beforehand. A recorder that lost power leaves `mdat` without `moov`, the index without
which no picture can be found. Of a fragmented file cut inside a fragment's index (`moof`), demuxers refuse the whole.
And an index of a few bytes can claim a thousand million pictures, for which memory is then taken.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path
from typing import BinaryIO, NamedTuple

from overlay.recordings.sniffing import Refusal

MAX_SAMPLES = 24_000_000  # nine hours of 240 pictures per second, twice over, and their sound
MAX_BOXES = 2_000_000  # an hour of a fragment for every picture at 60 frames per second
MAX_DEPTH = 8
MAX_UNPACKED = 64 << 20
_TOP = {b"ftyp", b"moov", b"mdat", b"free", b"skip", b"wide", b"uuid", b"moof", b"sidx", b"styp", b"pnot", b"meta"}
_INSIDE = {b"moov", b"trak", b"mdia", b"minf", b"stbl", b"moof", b"traf", b"cmov"}
_COUNTED = {b"hdlr", b"stsz", b"stz2", b"trun", b"cmvd"}


class Box(NamedTuple):
    """One box: its type, where it begins, where its content does, where it ends, and whether all of it is there."""

    kind: bytes
    at: int
    begin: int
    end: int
    whole: bool


class Layout(NamedTuple):
    """`fault`: why the file cannot be used. `cut_at`: where to stop reading, before an incomplete fragment's index."""

    fault: Refusal | None = None
    cut_at: int | None = None


def layout(path: str) -> Layout:
    """Look over an MP4 or QuickTime file; of other containers nothing is said. OSError when it cannot be read."""
    state = Path(path).stat()
    return _looked_over(path, (state.st_size, state.st_mtime_ns))


@lru_cache(maxsize=32)
def _looked_over(path: str, state: tuple[int, int]) -> Layout:
    """Once for each state of a file: recordings are opened again for every window that is read."""
    whole, _ = state
    with Path(path).open("rb") as file:
        if file.read(8)[4:] not in _TOP:
            return Layout()
        seen: set[bytes] = set()
        cut_at = None
        claims = _Claims(whole)
        for count, box in enumerate(_boxes(file, 0, whole)):
            seen.add(box.kind)
            if box.kind in _COUNTED:
                file.seek(box.begin)
                claims.add(box.kind, file.read(12))
            if box.kind == b"moof" and not box.whole and cut_at is None:
                cut_at = box.at
            if count > MAX_BOXES or claims.absurd:
                return Layout(("an index that claims more than a recording can hold", "copy it again from the card"))
    if b"moov" not in seen and seen & {b"mdat", b"ftyp", b"wide"}:
        found = "no index (moov): the recorder stopped before writing it, or the copy is cut short"
        return Layout((found, "copy it again, or put the card back into the recorder and let it repair the file"))
    return Layout(None, cut_at)


class _Claims:
    """Adds up how many pictures and sounds the index claims."""

    def __init__(self, whole: int) -> None:
        self.whole, self.samples, self.handler, self.absurd = whole, 0, b"", False

    def add(self, kind: bytes, body: bytes) -> None:
        first, second, third = body[:4], body[4:8], body[8:12]
        if kind == b"hdlr" and second != b"dhlr":  # QuickTime names the data handler in a box of the same type
            self.handler = third
        elif kind == b"cmvd":
            self.absurd |= int.from_bytes(first, "big") > MAX_UNPACKED
        elif kind == b"trun":
            self.samples += int.from_bytes(second, "big")
        elif kind in (b"stsz", b"stz2"):
            constant = int.from_bytes(second, "big") if kind == b"stsz" else 0
            count = int.from_bytes(third, "big")
            if self.handler == b"soun" and constant:  # plain sound is indexed by chunks, not sample by sample
                self.absurd |= count > self.whole
            else:
                self.samples += count
        self.absurd |= self.samples > MAX_SAMPLES


def _boxes(file: BinaryIO, begin: int, end: int, depth: int = 0) -> Iterator[Box]:
    """Boxes between two places, each followed by those inside it; stops where sizes make no sense."""
    while begin + 8 <= end:
        file.seek(begin)
        head = file.read(16)
        size, kind = struct.unpack(">I4s", head[:8])
        content = begin + 8
        if size == 1 and len(head) == 16:
            size, content = struct.unpack(">Q", head[8:])[0], begin + 16
        stop = end if size == 0 else min(begin + size, end)
        if stop < content:
            return
        yield Box(kind, begin, content, stop, begin + size <= end)
        if kind in _INSIDE and depth < MAX_DEPTH:
            yield from _boxes(file, content, stop, depth + 1)
        begin = stop
