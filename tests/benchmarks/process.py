"""One promtrack command as a whole process: wall time, seconds of each stage, peak memory of itself and of its encoder."""

from __future__ import annotations

import re
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["Timing", "time_command"]

_DONE = re.compile(r"^(?P<stage>[a-z ]+): done in (?P<seconds>[0-9.]+) s$")


@dataclass(slots=True)
class Timing:
    """What one process cost. Memory is nan where the system does not tell (it is read from /proc)."""

    wall_s: float = 0.0
    first_words_s: float = float("nan")
    peak_mb: float = float("nan")
    encoder_mb: float = float("nan")
    scratch_mb: float = 0.0
    stages: dict[str, float] = field(default_factory=dict)
    output: str = ""
    status: int = 0


def time_command(arguments: list[str], *, scratch: Path | None = None) -> Timing:
    """Run `promtrack ARGUMENTS` in a process of its own; `scratch` is watched for files that come and go."""
    timing = Timing()
    begun = time.perf_counter()
    with subprocess.Popen([sys.executable, "-m", "promtrack", *arguments], stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                          text=True, encoding="utf-8") as process:
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
        watcher.join()
        talker.join()
    timing.output = "".join(lines) + timing.output
    return timing


def _listen(process: subprocess.Popen, timing: Timing) -> None:
    for line in process.stderr:
        match = _DONE.match(line.strip())
        if match:
            timing.stages[match["stage"]] = float(match["seconds"])
        else:
            timing.output += line


def _watch(process: subprocess.Popen, timing: Timing, scratch: Path | None) -> None:
    while process.poll() is None:
        timing.peak_mb = _larger(timing.peak_mb, _peak_mb(process.pid))
        for child in _children(process.pid):
            timing.encoder_mb = _larger(timing.encoder_mb, _peak_mb(child))
        if scratch is not None and scratch.exists():
            timing.scratch_mb = max(timing.scratch_mb, sum(f.stat().st_size for f in scratch.glob("**/.part-*")) / 1e6)
        time.sleep(0.05)


def _peak_mb(pid: int) -> float:
    """High-water mark of the resident memory."""
    try:
        status = Path(f"/proc/{pid}/status").read_text(encoding="ascii", errors="replace")
    except OSError:
        return float("nan")
    match = re.search(r"VmHWM:\s+(\d+) kB", status)
    return int(match[1]) / 1e3 if match else float("nan")


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
