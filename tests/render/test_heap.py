"""Threads that share one heap, where the C library is GNU's."""

import platform
import re
import subprocess
import sys

import pytest

from overlay.render.heap import give_back, one_heap

_HEAPS = """
import ctypes, sys, threading
from overlay.render.heap import one_heap
if sys.argv[1] == "one":
    one_heap()
libc = ctypes.CDLL(None)
libc.malloc.restype = ctypes.c_void_p
together = threading.Barrier(4)
def work():
    together.wait()
    for _ in range(1000):
        libc.malloc(1000)
    together.wait()
threads = [threading.Thread(target=work) for _ in range(4)]
[thread.start() for thread in threads]
[thread.join() for thread in threads]
libc.fopen.restype = ctypes.c_void_p
libc.malloc_info(0, ctypes.c_void_p(libc.fopen(b"/dev/stdout", b"w")))
libc.fflush(None)
"""
glibc = pytest.mark.skipif(platform.libc_ver()[0] != "glibc", reason="not the GNU C library")


def heaps(which: str) -> int:
    """How many heaps the C library itself reports after four threads have asked for memory at once."""
    run = subprocess.run([sys.executable, "-c", _HEAPS, which], capture_output=True, text=True, check=True)
    return run.stdout.count("<heap nr=")


@glibc
def test_threads_share_one_heap() -> None:
    assert one_heap()
    assert heaps("one") == 1
    assert heaps("own") > 1  # what is tested can be told apart


_LARGE = """
import ctypes, sys
from overlay.render.heap import one_heap
if sys.argv[1] == "one":
    one_heap()
libc = ctypes.CDLL(None)
libc.malloc.restype = ctypes.c_void_p
libc.free.argtypes = [ctypes.c_void_p]
libc.free(libc.malloc(3 << 20))  # after which the C library, left alone, keeps the like of it in the heap
libc.malloc(3 << 20)
libc.fopen.restype = ctypes.c_void_p
libc.malloc_info(0, ctypes.c_void_p(libc.fopen(b"/dev/stdout", b"w")))
libc.fflush(None)
"""


def outside(which: str) -> int:
    """Bytes outside the heap, as the C library itself reports, once a block of three MiB was freed and had again."""
    run = subprocess.run([sys.executable, "-c", _LARGE, which], capture_output=True, text=True, check=True)
    return int(re.findall(r'type="mmap" count="\d+" size="(\d+)"', run.stdout)[-1])


@glibc
def test_large_blocks_stay_outside_the_heap() -> None:
    assert outside("one") - outside("own") >= 3 << 20


_HOLES = """
import ctypes
from pathlib import Path
from overlay.render.heap import give_back
libc = ctypes.CDLL(None)
libc.malloc.restype = ctypes.c_void_p
libc.free.argtypes = [ctypes.c_void_p]
def resident():
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4096
blocks = [(libc.malloc(100_000), libc.malloc(100)) for _ in range(1000)]  # the small ones stay
for large, _ in blocks:
    ctypes.memset(large, 1, 100_000)
full = resident()
for large, _ in blocks:
    libc.free(large)
freed = resident()
give_back()
print(full - freed, full - resident())
"""


@glibc
def test_holes_between_blocks_are_given_back() -> None:
    """What `free` alone keeps: a hundred megabytes."""
    run = subprocess.run([sys.executable, "-c", _HOLES], capture_output=True, text=True, check=True)
    by_itself, given_back = map(int, run.stdout.split())
    assert by_itself < 20_000_000
    assert given_back > 80_000_000


def test_another_c_library_is_left_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("ctypes.CDLL", lambda _: object())
    assert not one_heap()
    assert not give_back()
