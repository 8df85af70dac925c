"""One heap for all threads: memory that a thread has freed serves the next one."""

from __future__ import annotations

import contextlib
import ctypes
import sys

__all__ = ["one_heap"]

_M_ARENA_MAX = -8       # of mallopt(3), GNU C library


def one_heap() -> None:
    """Let the threads of this process share one heap, where the system's C library can be told so.

    Each thread has its own by default and keeps what it frees: with arrays as large as ours more than 100 MB lie idle.
    To be called before the libraries that start threads are loaded.
    """
    if sys.platform == "linux":
        with contextlib.suppress(AttributeError):     # another C library than GNU's
            ctypes.CDLL(None).mallopt(_M_ARENA_MAX, 1)
