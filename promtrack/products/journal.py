"""promtrack.log: what was done and decided, with the time of each line."""

from __future__ import annotations

import logging
from contextlib import suppress
from types import TracebackType

from promtrack.errors import InputError, PromtrackError
from promtrack.products.folder import ProductFolder

__all__ = ["Journal"]

_LOG = logging.getLogger("promtrack")


class Journal:
    """Appends what the program logs to a folder's log, and how the block ended (an open resource).

    Entering raises InputError where the log cannot be opened.
    """

    def __init__(self, folder: ProductFolder):
        self.path = folder["log"]

    def __enter__(self) -> None:
        try:
            self.handler = logging.FileHandler(self.path, encoding="utf-8", errors="backslashreplace")
        except OSError as error:
            raise InputError(
                f"cannot be written ({error.strerror})",
                where=str(self.path),
                remedy="choose another folder with --out",
            ) from None
        # A full disk is told by the product that does not fit, not by each line of the log.
        self.handler.handleError = lambda record: None  # type: ignore[method-assign]
        self.handler.setFormatter(
            logging.Formatter("%(asctime)s %(levelname)s %(message)s", "%Y-%m-%dT%H:%M:%S")
        )
        _LOG.addHandler(self.handler)
        _LOG.setLevel(logging.INFO)
        _LOG.propagate = False

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if isinstance(error, KeyboardInterrupt):
            _LOG.info("stopped")
        elif error is not None:
            _LOG.error("%s", error, exc_info=not isinstance(error, PromtrackError))
        _LOG.removeHandler(self.handler)
        with suppress(OSError):
            self.handler.close()
