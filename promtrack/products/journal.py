"""promtrack.log: what was done and decided, with the time of each line."""

from __future__ import annotations

import logging
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress

from promtrack.errors import InputError, PromtrackError
from promtrack.products.folder import ProductFolder


@contextmanager
def journal(folder: ProductFolder) -> Iterator[logging.Logger]:
    """A logger of this run's own that appends to the folder's log, also how the block ended.

    What it is given goes on to the handlers of the logger 'promtrack', of which nothing is changed.

    Raises
    ------
    InputError : the log cannot be opened
    """
    try:
        handler = logging.FileHandler(folder["log"], encoding="utf-8", errors="backslashreplace")
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})",
            where=str(folder["log"]),
            remedy="choose another folder with --out",
        ) from None
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
