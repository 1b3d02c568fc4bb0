"""A file that a muxer writes to: a fault of the disk is kept for us to raise, and the muxer never sees it.

FFmpeg's muxers do not survive a failed write: closing one after it may crash the whole program, and would at best
rewrite the beginning of a file that could still be gone on from.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from av.container import OutputContainer

_FORMATS = {".mp4": "mp4", ".mov": "mov", ".mkv": "matroska"}


class Sink:
    """A new file at `path`; after the first fault nothing more is written to it."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file = path.open("wb", buffering=0)
        self._fault: OSError | None = None

    def container(self, options: dict[str, str]) -> OutputContainer:
        """A muxer of the kind that the suffix names, which writes here."""
        import av

        return av.open(self, "w", format=_FORMATS[self.path.suffix], options=options)

    def check(self) -> None:
        """Raise the fault, if there was one, as of this file."""
        if self._fault is not None:
            raise OSError(self._fault.errno, self._fault.strerror, str(self.path))

    def write(self, data: bytes) -> int:
        """Write all of it, or note why not."""
        left = memoryview(data)
        try:
            while self._fault is None and left:
                left = left[self._file.write(left) :]
        except OSError as error:
            self._fault = error
        return len(data)

    def seek(self, offset: int, whence: int = os.SEEK_SET) -> int:
        """See `io.IOBase.seek`."""
        return self._file.seek(offset, whence)

    def tell(self) -> int:
        """See `io.IOBase.tell`."""
        return self._file.tell()

    def give_up(self) -> None:
        """Leave the file as it is, whatever the muxer still has to say when it is closed."""
        self._fault = self._fault or OSError()

    def close(self) -> None:
        """Close the file, once the muxer is closed; raise the fault, if there was one."""
        self._file.close()
        self.check()
