"""A bound on memory while a file of unknown kind is opened.

A few bytes can make a demuxer or decoder claim gigabytes (counts in an index, thousands of empty units in a packet).
With the bound, the claim fails inside the library, which reports it like any other fault.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

MORE_BYTES = 5 << 29  # beyond what the process holds already

_lock = threading.Lock()
_inside = 0
_before: tuple[int, int] | None = None


@contextmanager
def bounded_memory(more_bytes: int = MORE_BYTES) -> Iterator[None]:
    """Let the process's address space grow by `more_bytes` at most; without effect where the system cannot say.

    The bound is the whole process's. It may be entered by several threads at once and ends when the last one leaves.
    """
    _enter(more_bytes)
    try:
        yield
    finally:
        _leave()


def _enter(more_bytes: int) -> None:
    global _inside, _before
    with _lock:
        _inside += 1
        held = _address_space()
        if _inside > 1 or held is None:
            return
        import resource

        soft, hard = resource.getrlimit(resource.RLIMIT_AS)
        wanted = held + more_bytes
        if soft == resource.RLIM_INFINITY or soft > wanted:
            resource.setrlimit(resource.RLIMIT_AS, (wanted, hard))
            _before = soft, hard


def _leave() -> None:
    global _inside, _before
    with _lock:
        _inside -= 1
        if _inside == 0 and _before is not None:
            import resource

            resource.setrlimit(resource.RLIMIT_AS, _before)
            _before = None


def _address_space() -> int | None:
    """Bytes of address space in use; None where the system does not tell (any but Linux)."""
    try:
        pages = int(Path("/proc/self/statm").read_text().split()[0])
        import resource
    except (OSError, ImportError):
        return None
    return pages * resource.getpagesize()
