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

_FORMATS = {".mp4": "mp4", ".mov": "mov", ".mkv": "matroska", ".webm": "webm"}


class Sink:
    """A new file at `path` and the muxer of the kind that its suffix names, which writes there.

    After the first fault nothing more is written. As a context it ends itself.
    """

    def __init__(self, path: Path, options: dict[str, str] | None = None) -> None:
        import av

        self.path = path
        self._file = path.open("wb", buffering=0)
        self._fault: OSError | None = None
        self._given_up = False
        self.container: OutputContainer = av.open(self, "w", format=_FORMATS[path.suffix.lower()], options=options)

    def check(self) -> None:
        """Raise the fault, if there was one, as of this file."""
        if self._fault is not None:
            raise OSError(self._fault.errno, self._fault.strerror, str(self.path))

    def end(self, *, finished: bool) -> None:
        """Close muxer and file; raise the fault, if there was one. Unfinished, the file is left as far as it is written."""
        self._given_up = not finished
        try:
            self.container.close()
        finally:
            self._file.close()
        if finished:
            self.check()

    def __enter__(self) -> Sink:
        return self

    def __exit__(self, kind: type[BaseException] | None, *_: object) -> None:
        self.end(finished=kind is None)

    def write(self, data: bytes) -> int:
        """Write all of it, or note why not."""
        left = memoryview(data)
        try:
            while left and self._fault is None and not self._given_up:
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
