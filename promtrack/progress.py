"""Progress on a terminal (a bar with the time left) or in a file (one quiet line a stage)."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TextIO

__all__ = ["Progress"]

_NAMES = {
    "scene": "making the frames",
    "lock": "locking on the limb",
    "strip": "unwrapping",
    "motion": "measuring motion",
    "clip": "rendering the clip",
    "figures": "drawing figures",
    "report": "writing the report",
}


class Progress:
    """Writes progress to one stream. An open resource: it remembers what stands on the line."""

    def __init__(self, stream: TextIO, *, quiet: bool = False):
        self.stream = stream
        self.quiet = quiet
        self.live = stream.isatty()

    def stage(self, name: str) -> Callable[[int, int], None]:
        """A callable (done, total) for one stage."""
        begun = time.monotonic()
        shown = [0.0]
        label = _NAMES.get(name, name)

        def tell(done: int, total: int) -> None:
            if self.quiet:
                return
            now = time.monotonic()
            if done >= total:
                self._write(f"{label}: done in {now - begun:.1f} s", end="\n")
            elif self.live and now - shown[0] > 0.1:
                shown[0] = now
                self._write(
                    f"{label} {_bar(done / total)} {done}/{total}{_left(now - begun, done, total)}", end=""
                )

        return tell

    def _write(self, text: str, *, end: str) -> None:
        self.stream.write(
            (f"\r{text:<78}" if self.live else text) + end
        )  # padded: a longer line is overwritten
        self.stream.flush()


def _bar(part: float, width: int = 24) -> str:
    full = round(part * width)
    return "[" + "=" * full + " " * (width - full) + "]"


def _left(elapsed: float, done: int, total: int) -> str:
    if done == 0 or elapsed < 1.0:
        return ""
    left = elapsed * (total - done) / done
    return f", {left:.0f} s left" if left < 90 else f", {left / 60:.0f} min left"
