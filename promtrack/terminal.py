"""What a terminal shows: text wrapped to its width, names of files made harmless, progress."""

from __future__ import annotations

import shutil
import textwrap
import time
from collections.abc import Callable
from contextlib import suppress
from typing import TextIO

from promtrack.errors import printable

__all__ = ["Progress", "show"]

_NAMES = {
    "scene": "making the frames",
    "lock": "locking on the limb",
    "strip": "unwrapping",
    "motion": "measuring motion",
    "clip": "rendering the clip",
    "figures": "drawing figures",
    "report": "writing the report",
    "trial": "measuring frames with bodies put in",
}
RENEW_S = 0.1  # time between two states of the bar


def show(text: str, stream: TextIO | None) -> None:
    """Print a text, wrapped where `stream` is a terminal; lines with columns stay as they are.

    Raises
    ------
    BrokenPipeError : nobody reads standard output any more
    """
    if stream is None:  # it was closed before the program began
        return
    for line in text.split("\n"):
        line = printable(line)
        if stream.isatty() and "  " not in line.strip():
            width = max(shutil.get_terminal_size().columns, 20)
            line = textwrap.fill(
                line, width, subsequent_indent="  ", break_long_words=False, break_on_hyphens=False
            )
        print(line, file=stream, flush=True)


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

        def advance(done: int, total: int) -> None:
            if self.quiet:
                return
            now = time.monotonic()
            if done >= total:
                self._write(f"{label}: done in {now - begun:.1f} s", end="\n")
            elif self.live and now - shown[0] > RENEW_S:
                shown[0] = now
                left = _left(now - begun, done, total)
                self._write(f"{label} {_bar(done / total)} {done}/{total}{left}", end="")

        return advance

    def _write(self, text: str, *, end: str) -> None:
        columns = shutil.get_terminal_size().columns - 1
        padded = f"\r{text[:columns]:<{columns}}" if self.live else text  # a longer line is overwritten
        with suppress(OSError, ValueError):  # nobody reads it any more: no reason to end the run
            self.stream.write(padded + end)
            self.stream.flush()


def _bar(part: float, width: int = 24) -> str:
    full = round(part * width)
    return "[" + "=" * full + " " * (width - full) + "]"


def _left(elapsed: float, done: int, total: int) -> str:
    if done == 0 or elapsed < 1.0:
        return ""
    left = elapsed * (total - done) / done
    return f", {left:.0f} s left" if left < 90 else f", {left / 60:.0f} min left"
