"""A run under way: it holds its folder alone, and writes into promtrack.log what is done and decided."""

from __future__ import annotations

import errno
import logging
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import IO

from promtrack.errors import InputError, PromtrackError

if sys.platform == "win32":
    import msvcrt
else:
    import fcntl

LOCK = ".running"  # name of the file by which a folder is held
ELSEWHERE = "choose another folder with --out"
_HELD = (errno.EAGAIN, errno.EACCES, errno.EDEADLK)  # somebody else holds the lock; others are the disk's


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Hold a folder; a second run into it is refused. The system lets go when the process dies. Raises
    InputError: another run is using the folder, or it cannot be written."""
    handle = _held(folder)
    try:
        yield
    finally:
        with suppress(OSError):  # while it is held: whoever opens it now sees that it has gone
            (folder / LOCK).unlink()
        handle.close()
        if sys.platform == "win32":  # which removes no open file
            with suppress(OSError):
                (folder / LOCK).unlink()


def unwritable(folder: Path, error: OSError) -> InputError:
    """What to raise where a folder cannot be made or written."""
    return InputError(f"cannot be made or written ({error.strerror})", where=str(folder), remedy=ELSEWHERE)


def _held(folder: Path) -> IO[bytes]:
    while True:
        try:
            handle = (folder / LOCK).open("a+b")
        except OSError as error:
            raise unwritable(folder, error) from None
        try:
            if sys.platform == "win32":
                handle.seek(0)
                msvcrt.locking(handle.fileno(), msvcrt.LK_NBLCK, 1)
            else:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            with suppress(FileNotFoundError):
                if os.path.samestat(os.fstat(handle.fileno()), (folder / LOCK).stat()):
                    return handle
            handle.close()  # the run that held it has ended and removed it meanwhile
        except OSError as error:
            handle.close()
            what = f"lies on a disk that cannot be locked against a second run ({error.strerror})"
            if error.errno in _HELD:
                what = "another run is writing into this folder"
            remedy = f"wait until it ends, or {ELSEWHERE}" if error.errno in _HELD else ELSEWHERE
            raise InputError(what, where=str(folder), remedy=remedy) from None


@contextmanager
def journal(path: Path) -> Iterator[logging.Logger]:
    """A logger of this run's own that appends to the log at `path`, also how the block ended.

    What it is given goes on to the handlers of the logger 'promtrack', of which nothing is changed.

    Raises InputError: the log cannot be opened.
    """
    try:
        handler = logging.FileHandler(path, encoding="utf-8", errors="backslashreplace")
    except OSError as error:
        raise InputError(f"cannot be written ({error.strerror})", where=str(path), remedy=ELSEWHERE) from None
    # A full disk is reported by the product that does not fit, not by each line of the log.
    handler.handleError = lambda record: None  # type: ignore[method-assign]
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s", "%Y-%m-%dT%H:%M:%S"))
    log = logging.Logger("promtrack.run", logging.INFO)  # not among those that getLogger gives out
    log.parent = logging.getLogger("promtrack")
    log.addHandler(handler)
    ended = False
    try:
        yield log
        ended = True
    finally:
        end = None if ended else sys.exc_info()[1]
        if isinstance(end, KeyboardInterrupt):
            log.info("stopped")
        elif end is not None:
            log.error("%s", end, exc_info=not isinstance(end, PromtrackError))
        with suppress(OSError):
            handler.close()
