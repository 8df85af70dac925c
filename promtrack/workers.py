"""How many items to work on at a time, and the one look-ahead pool that all rooms share.

Threads serve where numpy and OpenCV do the work, since those leave the interpreter's lock.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")
WORKER_BYTES = 100_000_000  # of one more worker on frames of 1920 x 1200; benchmark row "memory"


def worker_count(*, worker_bytes: int = WORKER_BYTES) -> int:
    """Workers that this process should start: one a core that the operating system (affinity) and the quota
    of its container (cgroup v2, `cpu.max`) let it use, all in at most half of the free memory; at least 1.
    `worker_bytes`: memory that one worker needs."""
    if hasattr(os, "process_cpu_count"):
        cores = os.process_cpu_count() or 1
    elif hasattr(os, "sched_getaffinity"):
        cores = len(os.sched_getaffinity(0))
    else:
        cores = os.cpu_count() or 1
    return max(1, int(min(cores, _container_cores(), free_bytes() / 2.0 / worker_bytes)))


def map_ahead(
    function: Callable[[Item], Result], items: Iterable[Item], workers: int | None = None
) -> Iterator[Result]:
    """`function(item)` for every item, in the order of the items, `workers` (`worker_count()`) at a time in
    threads. Items are drawn as they are needed, in the caller's thread: at most `workers` + 1 are under way.
    Raises whatever `function` raises, in the place of that item's result; what has not begun is given up."""
    workers = workers or worker_count()
    waiting: deque[Future[Result]] = deque()
    with ThreadPoolExecutor(workers, thread_name_prefix="ahead") as pool:
        try:
            for item in items:
                waiting.append(pool.submit(function, item))
                if len(waiting) > workers:
                    yield waiting.popleft().result()
            while waiting:
                yield waiting.popleft().result()
        finally:
            pool.shutdown(wait=False, cancel_futures=True)


def _container_cores(root: Path = Path("/sys/fs/cgroup"), own: Path = Path("/proc/self/cgroup")) -> float:
    """The smallest quota of processor time of this process's control group and those above it, in cores."""
    cores = float("inf")
    for group in _groups(root, own):
        with suppress(OSError, ValueError):
            quota, period = (group / "cpu.max").read_text().split()
            if quota != "max":
                cores = min(cores, int(quota) / int(period))
    return cores


def free_bytes(
    root: Path = Path("/sys/fs/cgroup"),
    own: Path = Path("/proc/self/cgroup"),
    machine: Path = Path("/proc/meminfo"),
) -> float:
    """Memory that is free for this process, infinite where the system does not say."""
    free = float("inf")
    with suppress(OSError, ValueError, StopIteration):
        lines = machine.read_text().splitlines()
        free = 1024.0 * float(next(line for line in lines if line.startswith("MemAvailable:")).split()[1])
    for group in _groups(root, own):
        with suppress(OSError, ValueError):  # "max" where there is no limit
            limit = int((group / "memory.max").read_text())
            free = min(free, limit - int((group / "memory.current").read_text()))
    return max(free, 0.0)


def _groups(root: Path, own: Path) -> list[Path]:
    """Folders of the control groups (version 2) that hold this process, its own first."""
    try:
        path = next(line[3:].strip("/") for line in own.read_text().splitlines() if line.startswith("0::"))
    except (OSError, StopIteration):
        return []
    parts = Path(path).parts
    return [root.joinpath(*parts[:n]) for n in range(len(parts), -1, -1)]
