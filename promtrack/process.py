"""Switches of the whole process. The command line sets them once, before it loads the numerical libraries.

No function of the library changes any of them; a program that calls the library sets what it wants.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import sys
import tempfile
import traceback

__all__ = ["check_memory", "set_switches"]

# Of mallopt(3), GNU C library.
_M_TRIM_THRESHOLD, _M_MMAP_THRESHOLD, _M_ARENA_MAX = -1, -3, -8
LARGEST_KEPT = 32 << 20  # bytes; the most the library allows
MOST_IDLE = 64 << 20  # bytes
SWITCH_INTERVAL_S = (
    0.0005  # a thread back from OpenCV waits so long for one that computes in Python; with the
)
# usual 0.005 s the encoder runs out of pictures while figures are drawn
_ENVIRONMENT = {
    "OPENBLAS_NUM_THREADS": "1",  # on matrices as small as ours its threads only wait
    "OPENCV_FOR_THREADS_NUM": "1",  # each worker is a thread that works on an item of its own
    "OPENCV_LOG_LEVEL": "SILENT",  # damaged files are reported by us, by name
    "OPENCV_FFMPEG_LOGLEVEL": "-8",
}
LEAST_ADDRESS_SPACE = 600 << 20  # bytes; below, the numerical libraries neither load nor say why
_NO_MEMORY = (
    "Insufficient memory",
    "can't start new thread",
    "Cannot allocate memory",
    "bad_alloc",
    "failed to map segment",
)


def set_switches() -> None:
    """One heap, one thread a call of OpenCV, quick turns of threads, silent decoders, one line for a bug."""
    for name, value in _ENVIRONMENT.items():
        os.environ.setdefault(name, value)
    sys.setswitchinterval(SWITCH_INTERVAL_S)
    sys.excepthook = _report_bug
    _one_heap()
    _own_error_stream()


def check_memory() -> None:
    """Raises MemoryError where the system lets this process have too little memory to load the libraries."""
    if sys.platform != "win32":
        import resource

        allowed = resource.getrlimit(resource.RLIMIT_AS)[0]
        if 0 <= allowed < LEAST_ADDRESS_SPACE:  # negative: without a limit
            raise MemoryError


def _one_heap() -> None:
    """Let the threads of this process share one heap, where the system's C library can do so.

    Each thread has its own by default and keeps what it frees: with arrays as large as ours more than 100 MB
    lie idle. And an array of a few megabytes is taken from the system and given back each time, which costs
    more than filling it: here it is taken from the heap, which gives back what is idle beyond `MOST_IDLE`.
    """
    if sys.platform == "linux":
        with contextlib.suppress(AttributeError):  # another C library than GNU's
            mallopt = ctypes.CDLL(None).mallopt
            mallopt(_M_ARENA_MAX, 1)
            mallopt(_M_MMAP_THRESHOLD, LARGEST_KEPT)
            mallopt(_M_TRIM_THRESHOLD, MOST_IDLE)


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


def _report_bug(kind: type[BaseException], error: BaseException, trace: object) -> None:
    """A fault of the program itself: one line for the user, the traceback into a log."""
    if any(words in str(error) for words in _NO_MEMORY):
        _write("promtrack: there is not enough memory; close other programs, or crop the frames")
        return
    place = ""
    with contextlib.suppress(OSError):  # not in the working folder, which may be the input's
        with tempfile.NamedTemporaryFile(
            "w",
            prefix="promtrack-fault-",
            suffix=".log",
            encoding="utf-8",
            delete=False,
            errors="backslashreplace",
        ) as log:
            log.write("".join(traceback.format_exception(error)))
        place = f"; the details are in {log.name}"
    said = " ".join(str(error).split())
    _write(f"promtrack: a fault in promtrack itself ({kind.__name__}: {said}){place}; please report it")


def _write(text: str) -> None:
    with contextlib.suppress(OSError, ValueError):  # the stream may be closed
        print(text, file=sys.stderr)
