"""Work on a few items at a time, results in the order of the items.

Made for numpy and OpenCV, which leave the interpreter's lock: threads then keep all cores busy. Each thread
works on an item of its own, so OpenCV's own threads, which would fight for the same cores, are held to one
(`one_thread_each`).
"""

from __future__ import annotations

import os
import sys
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from typing import TypeVar

import cv2

__all__ = ["abreast", "one_thread_each"]

MOST_WORKERS = 4  # beyond, reading and writing set the pace and memory grows
TURN_S = 0.0005  # a thread that comes back from OpenCV waits so long for one that computes in Python; by default ten
# times as long, in which the encoder runs out of pictures while figures are drawn
Item = TypeVar("Item")
Result = TypeVar("Result")


def abreast(
    work: Callable[[Item], Result], items: Iterable[Item], *, workers: int | None = None
) -> Iterator[Result]:
    """`work(item)` for every item, in order; `workers` (default: one a core, 4 at most) at a time and one in
    reserve.

    Items are drawn as they are needed, in the caller's thread. An exception of `work` is raised in its turn.
    """
    workers = workers or min(os.cpu_count() or 1, MOST_WORKERS)
    waiting: deque[Future[Result]] = deque()
    with ThreadPoolExecutor(workers, thread_name_prefix="abreast") as pool:
        try:
            for item in items:
                waiting.append(pool.submit(work, item))
                if len(waiting) > workers:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


@contextmanager
def one_thread_each() -> Iterator[None]:
    """OpenCV calls in this block do not spread over threads of their own, and threads take turns quickly."""
    usual, usual_turn_s = cv2.getNumThreads(), sys.getswitchinterval()
    cv2.setNumThreads(1)
    sys.setswitchinterval(TURN_S)
    try:
        yield
    finally:
        cv2.setNumThreads(usual)
        sys.setswitchinterval(usual_turn_s)
