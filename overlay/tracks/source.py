"""Open a log without trusting it: only regular files of bearable size, decoded whatever their encoding."""

from __future__ import annotations

import codecs
import os
import stat
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from overlay.errors import Damage, TrackError

HEAD_BYTES = 1 << 16
LIMIT_BYTES = 1 << 29
LINE_LIMIT = 1 << 17
MOST_TRACKS = 1000


@dataclass
class Source:
    """A log file: its path, the first bytes that formats are told by, and the damage noted while reading it."""

    path: Path
    size: int
    head: bytes
    written_s: float  # POSIX time of the file's last change
    _noted: dict[str, tuple[int, str]] = field(default_factory=dict)

    @classmethod
    def open(cls, path: str | os.PathLike[str]) -> Source:
        """Look at the file; TrackError when it is missing, empty, not a regular file, too large or unreadable."""
        try:
            status = Path(path).stat()
        except (OSError, ValueError) as error:
            raise TrackError(path, f"cannot be opened ({_reason(error)})", "give the path of a log file") from None
        if not stat.S_ISREG(status.st_mode):
            raise TrackError(path, f"{_kind(status.st_mode)}, not a file", "give the path of a log file")
        if status.st_size == 0:
            raise TrackError(path, "an empty file", "copy the log from the recorder again")
        if status.st_size > LIMIT_BYTES:
            found = f"{status.st_size / 1e9:.1f} GB, more than any log of a flight"
            raise TrackError(path, found, f"give a log of at most {LIMIT_BYTES / 1e9:.1f} GB")
        try:
            with Path(path).open("rb") as file:
                head = file.read(HEAD_BYTES)
        except OSError as error:
            raise TrackError(path, f"cannot be read ({_reason(error)})", "check its permissions") from None
        return cls(Path(path), status.st_size, head, status.st_mtime)

    def bytes(self) -> bytes:
        """The whole file."""
        return self.head if self.size <= len(self.head) else self.path.read_bytes()

    def head_text(self) -> str:
        """The first bytes as text, line endings of any kind turned to a newline."""
        decoder = codecs.getincrementaldecoder(self.encoding())("replace")
        return decoder.decode(self.head).replace("\r\n", "\n").replace("\r", "\n").replace("\0", "")

    def encoding(self) -> str:
        """By the byte order mark, else UTF-16 or UTF-8 by content, else Latin-1."""
        encoding = unicode_of(self.head[:4096])
        try:
            codecs.getincrementaldecoder(encoding)().decode(self.head)
        except UnicodeDecodeError:
            return encoding if encoding.startswith("utf-16") else "latin-1"
        return encoding

    def lines(self) -> Iterator[str]:
        """Lines of the file as text, endings of any kind turned to a newline; an endless one comes in pieces."""
        with self.path.open("r", encoding=self.encoding(), errors="replace") as file:
            while line := file.readline(LINE_LIMIT):
                yield line.replace("\0", "") if "\0" in line else line  # cells of fixed width, filled up

    def note(self, what: str, where: str = "") -> None:
        """Keep a line on something skipped or repaired; the same line is kept once."""
        self._noted.setdefault(what, (0, where))

    def count(self, number: int | np.intp, what: str, where: str = "") -> None:
        """Keep a line on rows skipped or repaired; numbers of the same kind from several places add up."""
        if number:
            before, first = self._noted.get(what, (0, where))
            self._noted[what] = (before + int(number), first)

    def damage(self) -> tuple[Damage, ...]:
        """Everything noted so far."""
        lines = ((f"{number} {what}" if number else what, where) for what, (number, where) in self._noted.items())
        return tuple(Damage(str(self.path), what, where) for what, where in lines)

    def limit_tracks(self, count: int) -> None:
        """Refuse a file of more separate tracks than any recorder writes, before each is looked at."""
        if count > MOST_TRACKS:
            raise self.error(f"{count} separate tracks in one file", "export the flight's own track")

    def error(self, found: str, remedy: str) -> TrackError:
        """The error that this file cannot be used."""
        return TrackError(self.path, found, remedy)


def unicode_of(head: bytes) -> str:
    """The Unicode encoding that the first bytes speak for; Latin-1 cannot be told from UTF-8 here.

    >>> unicode_of("time,height".encode("utf-16-le")), unicode_of(b"time,height")
    ('utf-16-le', 'utf-8-sig')
    """
    if head.startswith((b"\xff\xfe", b"\xfe\xff")):
        return "utf-16"
    even, odd = head[0::2], head[1::2]
    if len(even) > 8 and odd.count(0) > 0.4 * len(odd) > even.count(0):
        return "utf-16-le"
    if len(even) > 8 and even.count(0) > 0.4 * len(even) > odd.count(0):
        return "utf-16-be"
    return "utf-8-sig"


def is_text(head: bytes) -> bool:
    r"""Whether bytes look like text, in whatever encoding.

    >>> is_text(b"a,b\r\n1,2"), is_text(bytes(range(64)))
    (True, False)
    """
    sample = head[:4096].replace(b"\0", b"") if unicode_of(head[:4096]).startswith("utf-16") else head[:4096]
    return sum(byte in b"\t\r\n" or byte >= 32 for byte in sample) > 0.95 * len(sample)


def _reason(error: OSError | ValueError) -> str:
    text = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return text[:1].lower() + text[1:]


def _kind(mode: int) -> str:
    kinds = {stat.S_IFDIR: "a folder", stat.S_IFIFO: "a named pipe", stat.S_IFSOCK: "a socket"}
    return kinds.get(stat.S_IFMT(mode), "a device")
