"""Errors that a user can act on: where, what was wrong with figures, what to do next."""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterable


class PromtrackError(Exception):
    """Something the user can mend. `where` is filled in by whoever knows the file or frame. The science
    function says what and how much; the caller that knows the file or frame says where with `at`; the class,
    or the raiser, holds the remedy."""

    remedy: str = ""
    exit_status: int = 1

    def __init__(self, what: str, *, where: str = "", remedy: str = ""):
        super().__init__(what)
        self.what = what
        self.where = where
        if remedy:
            self.remedy = remedy

    def at(self, where: str) -> PromtrackError:
        """The same error, saying where it arose; the innermost place is kept."""
        if not self.where:
            self.where = where
        return self

    def __str__(self) -> str:
        head = f"{self.where}: " if self.where else ""
        tail = f"; {self.remedy}" if self.remedy else ""
        return f"{head}{self.what}{tail}"


class InputError(PromtrackError):
    """The input cannot be read or measured (exit status 1)."""


class SettingsError(PromtrackError):
    """A setting or an option is wrong (exit status 2)."""

    exit_status = 2


def unwritable(
    path: object,
    error: OSError,
    *,
    what: str = "cannot be written",
    remedy: str = "free some space, make sure that you may write there, or choose another folder with --out",
) -> InputError:
    """What to raise where a file or a folder cannot be written; of a library's sentences the first clause."""
    why = error.strerror or str(error).partition(": ")[0]
    return InputError(f"{what} ({why})", where=str(path), remedy=remedy)


def command_line(*words: object) -> str:
    """A command as it is typed, words with spaces quoted as the system's own shell reads them."""
    if os.name == "nt":
        return " ".join(f'"{word}"' if " " in str(word) else str(word) for word in words)
    return shlex.join(str(word) for word in words)


def nearest(word: str, known: Iterable[str], otherwise: str) -> str:
    """A remedy for a mistyped word: "did you mean 'X'?", or `otherwise` where nothing known is like it."""
    from difflib import get_close_matches  # only after a mistake

    near = get_close_matches(word, list(known), n=1, cutoff=0.5)
    return f"did you mean '{near[0]}'?" if near else otherwise


def printable(text: str) -> str:
    """The text with everything that steers a terminal, or is no character at all, written as its code. Names
    of files may hold any byte: an escape sequence, a line feed, bytes that are no UTF-8."""
    if text.isprintable():
        return text
    codes = (f"\\x{ord(s) - 0xDC00:02x}" if "\udc80" <= s <= "\udcff" else ascii(s)[1:-1] for s in text)
    return "".join(s if s.isprintable() else code for s, code in zip(text, codes, strict=True))
