"""How the C library keeps the memory that pictures leave behind."""

from __future__ import annotations

import ctypes

_M_ARENA_MAX = -8  # malloc.h of the GNU C library


def one_heap() -> bool:
    """Have the threads that decode, draw and encode share one heap; whether the C library can be told so.

    Otherwise the GNU C library gives each its own, and what a picture leaves in one is of no use to the others: a
    tenth to a sixth more memory in all, and no time won.
    """
    try:
        mallopt = ctypes.CDLL(None).mallopt
    except (OSError, AttributeError, TypeError):  # another C library
        return False
    return bool(mallopt(_M_ARENA_MAX, 1))
