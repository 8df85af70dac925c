"""One promtrack command as a whole process: wall time and processor time, stage by stage, peak memory of
itself and of its encoder.

Processor time (of all cores together, promtrack's and its children's) depends far less on what else the
machine does.
"""

from __future__ import annotations

import contextlib
import os
import re
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["Timing", "children_cpu_s", "time_command"]

_DONE = re.compile(r"^(?P<stage>[a-z ]+): done in (?P<seconds>[0-9.]+) s$")


@dataclass(slots=True)
class Timing:
    """What one process cost. Memory and the stages' processor time are nan where the system does not tell
    (/proc is read)."""

    wall_s: float = 0.0
    cpu_s: float = 0.0  # of promtrack and its children
    encoder_cpu_s: float = float("nan")  # of the children alone: encoding, and decoding to verify
    first_words_s: float = float("nan")
    peak_mb: float = float("nan")
    encoder_mb: float = float("nan")
    scratch_mb: float = 0.0
    stages: dict[str, float] = field(default_factory=dict)  # seconds, in the order in which they ended
    stages_cpu: dict[str, float] = field(
        default_factory=dict
    )  # processor seconds of everything from the end before to this end
    output: str = ""
    status: int = 0


def time_command(arguments: list[str], *, scratch: Path | None = None) -> Timing:
    """Run `promtrack ARGUMENTS` in a process of its own; `scratch` is watched for files that come and go."""
    timing = Timing()
    begun, cpu_before = time.perf_counter(), children_cpu_s()
    with subprocess.Popen(
        [sys.executable, "-m", "promtrack", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    ) as process:
        watcher = threading.Thread(target=_watch, args=(process, timing, scratch), daemon=True)
        talker = threading.Thread(target=_listen, args=(process, timing), daemon=True)
        watcher.start()
        talker.start()
        lines = []
        for line in process.stdout:
            if not lines:
                timing.first_words_s = time.perf_counter() - begun
            lines.append(line)
        timing.status = process.wait()
        timing.wall_s = time.perf_counter() - begun
        timing.cpu_s = children_cpu_s() - cpu_before
        watcher.join()
        talker.join()
    timing.output = "".join(lines) + timing.output
    return timing


def children_cpu_s() -> float:
    """Processor time of this process's children that have ended, their own children included."""
    times = os.times()
    return times.children_user + times.children_system


def _listen(process: subprocess.Popen, timing: Timing) -> None:
    before = 0.0
    for line in process.stderr:
        match = _DONE.match(line.strip())
        if match:
            now = sum(_cpu_s(process.pid))
            timing.stages[match["stage"]] = float(match["seconds"])
            timing.stages_cpu[match["stage"]], before = now - before, now
        else:
            timing.output += line


def _watch(process: subprocess.Popen, timing: Timing, scratch: Path | None) -> None:
    while process.poll() is None:
        timing.peak_mb = _larger(timing.peak_mb, _peak_mb(process.pid))
        timing.encoder_cpu_s = _larger(timing.encoder_cpu_s, _cpu_s(process.pid)[1])
        for child in _children(process.pid):
            timing.encoder_mb = _larger(timing.encoder_mb, _peak_mb(child))
        if scratch is not None and scratch.exists():
            with contextlib.suppress(OSError):  # a file has just been renamed
                timing.scratch_mb = max(
                    timing.scratch_mb, sum(f.stat().st_size for f in scratch.glob("**/.part-*")) / 1e6
                )
        time.sleep(0.05)


def _peak_mb(pid: int) -> float:
    """High-water mark of the resident memory."""
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="ascii", errors="replace")
    except OSError:
        return float("nan")
    match = re.search(r"VmHWM:\s+(\d+) kB", status)
    return int(match[1]) / 1e3 if match else float("nan")


def _cpu_s(pid: int) -> tuple[float, float]:
    """Processor time of a process, and of its children, those under way included."""
    own, ended = _times(pid)
    return own, ended + sum(sum(_times(child)) for child in _children(pid))


def _times(pid: int) -> tuple[float, float]:
    """Processor time of a process itself and of its ended children; nan where the system does not tell."""
    try:
        fields = (
            Path(f"/proc/{pid}/stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()
        )
    except OSError:
        return float("nan"), float("nan")
    user, system, user_of_children, system_of_children = (
        int(part) / os.sysconf("SC_CLK_TCK") for part in fields[11:15]
    )
    return user + system, user_of_children + system_of_children


def _children(pid: int) -> list[int]:
    found = []
    for task in Path(f"/proc/{pid}/task").glob("*/children"):
        try:
            found += [int(n) for n in task.read_text(encoding="ascii").split()]
        except OSError:
            continue
    return found


def _larger(a: float, b: float) -> float:
    """The larger of two; nan counts as nothing (the process has just ended)."""
    return b if a != a or b > a else a
