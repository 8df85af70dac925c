"""One heap for all threads: memory that a thread has freed serves the next one."""

from __future__ import annotations

import contextlib
import ctypes
import sys

__all__ = ["one_heap"]

# Of mallopt(3), GNU C library.
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8
LARGEST_KEPT = 32 << 20  # bytes; the most the library allows
MOST_IDLE = 64 << 20  # bytes


def one_heap() -> None:
    """Let the threads of this process share one heap, where the system's C library can be told so.

    Each thread has its own by default and keeps what it frees: with arrays as large as ours more than 100 MB
    lie idle. And an array of a few megabytes is taken from the system and given back each time, which costs
    more than filling it: here it is taken from the heap, which gives back what is idle beyond `MOST_IDLE`.
    To be called before the libraries that start threads are loaded.
    """
    if sys.platform == "linux":
        with contextlib.suppress(AttributeError):  # another C library than GNU's
            tell = ctypes.CDLL(None).mallopt
            tell(_M_ARENA_MAX, 1)
            tell(_M_MMAP_THRESHOLD, LARGEST_KEPT)
            tell(_M_TRIM_THRESHOLD, MOST_IDLE)
