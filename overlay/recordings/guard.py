"""A bound on memory while a file of unknown kind is opened.

A few bytes can make a demuxer or decoder claim gigabytes (counts in an index, thousands of empty units in a packet).
With the bound, the claim fails inside the library, which reports it like any other fault.
"""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

MOST_BYTES = 21 << 27  # 2.6 GiB resident in all
LEAST_MORE_BYTES = 1 << 29  # room to open a file in a process that already holds much

_lock = threading.Lock()
_inside = 0
_before: tuple[int, int] | None = None


@contextmanager
def bounded_memory(most_bytes: int = MOST_BYTES) -> Iterator[None]:
    """Let the process grow to about `most_bytes` of resident memory; without effect where the system cannot say.

    The bound is the whole process's. It may be entered by several threads at once and ends when the last one leaves.
    """
    _enter(most_bytes)
    try:
        yield
    finally:
        _leave()


def _enter(most_bytes: int) -> None:
    global _inside, _before
    with _lock:
        _inside += 1
        sizes = _sizes()
        if _inside > 1 or sizes is None:
            return
        held, resident = sizes
        import resource

        soft, hard = resource.getrlimit(resource.RLIMIT_AS)
        wanted = held + max(most_bytes - resident, LEAST_MORE_BYTES)
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


def _sizes() -> tuple[int, int] | None:
    """Bytes of address space and of resident memory in use; None where the system does not tell (any but Linux)."""
    try:
        held, resident = Path("/proc/self/statm").read_text().split()[:2]
        import resource
    except (OSError, ImportError):
        return None
    page = resource.getpagesize()
    return int(held) * page, int(resident) * page
