"""How the C library keeps the memory that pictures leave behind."""

from __future__ import annotations

import ctypes

_M_MMAP_THRESHOLD, _M_ARENA_MAX = -3, -8  # malloc.h of the GNU C library
_LARGE = 512 << 10  # bytes: every plane of a picture of 1080 lines is larger, or nearly so


def one_heap() -> bool:
    """Have the threads that decode, draw and encode share one heap, large blocks outside it; whether that can be told.

    Otherwise the GNU C library gives each thread its own, and what a picture leaves in one is of no use to the others: a
    tenth to a sixth more memory in all, and no time won. Large blocks would come to lie in the heap as well once one
    was freed, and the holes that each segment's encoder left were seldom filled by the next: twenty MiB more in a minute.
    """
    return bool(_call("mallopt", _M_ARENA_MAX, 1)) and bool(_call("mallopt", _M_MMAP_THRESHOLD, _LARGE))


def give_back() -> bool:
    """Give what lies free between the heap's blocks back to the system; whether there was anything.

    What a picture leaves is seldom filled again to the last byte: in an hour of 1080p60 the holes grew by 260 MiB, twice what
    was in use.
    """
    return bool(_call("malloc_trim", 0))


def _call(name: str, *numbers: int) -> int:
    """A function of the GNU C library; 0 where there is another."""
    try:
        return int(getattr(ctypes.CDLL(None), name)(*numbers))
    except (OSError, AttributeError, TypeError):
        return 0
