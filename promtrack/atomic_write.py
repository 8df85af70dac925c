"""Whole files or none: written under a temporary name, renamed when they are whole.

So neither a crash nor Ctrl-C nor a full disk leaves half a file under a product's name.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from promtrack.errors import InputError

__all__ = ["PART", "atomic_write"]

PART = ".part-"  # what a file's name begins with until it is whole; an interrupted run may leave such files


@contextmanager
def atomic_write(path: Path) -> Iterator[Path]:
    """A temporary path beside `path`, renamed to it when the block ends well and removed when it does not.

    Raises
    ------
    InputError : the disk is full or the folder cannot be written
    """
    path = Path(path)
    part = path.with_name(PART + path.name)
    try:
        yield part
        os.replace(part, path)
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror or error})",
            where=str(path),
            remedy="free some space, make sure that you may write there, or choose another folder with --out",
        ) from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)
