"""The process and its terminal: switches that the command line sets once, before it loads the numerical
libraries; text wrapped to the terminal's width, names of files made harmless, and progress.

No function of the library changes any of them; a program that calls the library sets what it wants.
"""

from __future__ import annotations

import codecs
import ctypes
import io
import os
import re
import shutil
import sys
import tempfile
import textwrap
import time
import traceback
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import TextIO

from promtrack.errors import printable

# Of mallopt(3), GNU C library.
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8
_ENVIRONMENT = {
    "OPENBLAS_NUM_THREADS": "1",  # on matrices as small as ours its threads only wait
    "OPENCV_FOR_THREADS_NUM": "1",  # each worker is a thread that works on an item of its own
    "OPENCV_LOG_LEVEL": "SILENT",  # damaged files are reported by us, by name
    "OPENCV_FFMPEG_LOGLEVEL": "-8",
}
_PLAIN_SIGNS = {"−": "-", "±": "+-", "²": "2", "°": " deg"}
NO_MEMORY = "there is not enough memory; close other programs, or crop the frames"
# What libraries say of it.
_LACKS = re.compile(
    "Insufficient memory|can't start new thread|Cannot allocate|bad_alloc|failed to map segment"
)


def set_switches() -> None:
    """One heap, one thread a call of OpenCV, quick turns of threads, silent decoders, one line for a bug."""
    for name, value in _ENVIRONMENT.items():
        os.environ.setdefault(name, value)
    # So long a thread back from OpenCV waits for one that computes in Python; with the usual 0.005 s the
    # encoder runs out of pictures while figures are drawn.
    sys.setswitchinterval(0.0005)
    sys.excepthook = _report_bug
    _one_heap()
    _own_error_stream()
    if isinstance(sys.stdout, io.TextIOWrapper):
        codecs.register_error("in-plain-signs", _in_plain_signs)
        sys.stdout.reconfigure(errors="in-plain-signs")  # names may hold what the terminal cannot show


def check_memory() -> None:
    """Raises MemoryError where the system lets this process have too little memory to load the libraries."""
    if sys.platform != "win32":
        import resource

        allowed = resource.getrlimit(resource.RLIMIT_AS)[0]
        # below 600 MB the numerical libraries neither load nor say why; negative: without a limit
        if 0 <= allowed < 600 << 20:
            raise MemoryError


def _one_heap() -> None:
    """Let the threads of this process share one heap, where the system's C library can do so. Each thread has
    its own by default and keeps what it frees: with arrays as large as ours more than 100 MB lie idle. And an
    array of a few megabytes is taken from the system and given back each time, which costs more than filling
    it: here it is taken from the heap, which gives back what is idle beyond 64 MB."""
    if sys.platform == "linux":
        with suppress(AttributeError):  # another C library than GNU's
            mallopt = ctypes.CDLL(None).mallopt
            mallopt(_M_ARENA_MAX, 1)
            mallopt(_M_MMAP_THRESHOLD, 32 << 20)  # the most that the library allows
            mallopt(_M_TRIM_THRESHOLD, 64 << 20)


def _own_error_stream() -> None:
    """Messages go to a copy of the error stream; what decoders write to the stream in C goes nowhere."""
    usual = sys.__stderr__
    if sys.stderr is None or usual is None:  # it was closed before we began
        sys.stderr = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
    elif sys.stderr is usual and usual.fileno() == 2:
        copy = os.dup(2)
        sys.stderr = os.fdopen(copy, "w", 1, usual.encoding, "backslashreplace")
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 2)
        os.close(nowhere)


def _in_plain_signs(error: UnicodeError) -> tuple[str, int]:
    """For a terminal that lacks a character: the signs of print in plain ones, all else as its code."""
    assert isinstance(error, UnicodeEncodeError), "only what is written is replaced"
    lacking = error.object[error.start : error.end]
    return "".join(_PLAIN_SIGNS.get(sign) or ascii(sign)[1:-1] for sign in lacking), error.end


def _report_bug(kind: type[BaseException], error: BaseException, trace: object) -> None:
    """A fault of the program itself: one line for the user, the traceback into a log."""
    said, place = " ".join(str(error).split()), ""
    if _LACKS.search(said):
        text = NO_MEMORY
    else:
        with suppress(OSError):  # not in the working folder, which may be the input's
            handle, name = tempfile.mkstemp(".log", "promtrack-fault-")
            with open(handle, "w", encoding="utf-8", errors="backslashreplace") as log:
                log.writelines(traceback.format_exception(error))
            place = f"; the details are in {name}"
        text = f"a fault in promtrack itself ({kind.__name__}: {said}){place}; please report it"
    with suppress(OSError, ValueError):  # the stream may be closed
        print(f"promtrack: {text}", file=sys.stderr)


_NAMES = {
    "scene": "making the frames",
    "lock": "locking on the limb",
    "strip": "unwrapping",
    "motion": "measuring motion",
    "clip": "rendering the clip",
    "figures": "drawing figures",
    "report": "writing the report",
    "trial": "measuring frames with test features",
}


def show(text: str, stream: TextIO | None) -> None:
    """Print a text, wrapped where `stream` is a terminal; lines with columns stay as they are. Raises
    BrokenPipeError: nobody reads standard output any more."""
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


@dataclass(slots=True)
class Progress:
    """Writes the progress of stages to one stream."""

    stream: TextIO
    quiet: bool = False

    def stage(self, name: str) -> Callable[[int, int], None]:
        """A callable (done, total) for one stage."""
        begun = shown = time.monotonic()
        label, live = _NAMES.get(name, name), self.stream.isatty()

        def advance(done: int, total: int) -> None:
            nonlocal shown
            if self.quiet:
                return
            now = time.monotonic()
            if done >= total:
                text, end = f"{label}: done in {now - begun:.1f} s", "\n"
            elif live and now - shown > 0.1:
                left, shown = _left(now - begun, done, total), now
                text, end = f"{label} [{'=' * round(24 * done / total):24}] {done}/{total}{left}", ""
            else:
                return
            columns = shutil.get_terminal_size().columns - 1
            text = f"\r{text[:columns]:<{columns}}" if live else text  # a longer line is overwritten
            with suppress(OSError, ValueError):  # nobody reads it any more: no reason to end the run
                print(text, end=end, file=self.stream, flush=True)

        return advance


def _left(elapsed: float, done: int, total: int) -> str:
    if done == 0 or elapsed < 1.0:
        return ""
    left = elapsed * (total - done) / done
    return f", {left:.0f} s left" if left < 90 else f", {left / 60:.0f} min left"
