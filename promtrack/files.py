"""Files that all rooms write and read: whole or not at all, and TOML.

A file is written under a temporary name and renamed when it is whole.

So neither a crash nor Ctrl-C nor a full disk leaves half a file under a product's name.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from promtrack.errors import SettingsError, unwritable

PART = ".part-"  # what a file's name begins with until it is whole; an interrupted run may leave such files


@contextmanager
def atomic_write(path: Path) -> Iterator[Path]:
    """A temporary path beside `path`, renamed to it when the block ends well and removed when it does not.
    Raises InputError: the disk is full or the folder cannot be written."""
    path = Path(path)
    part = path.with_name(PART + path.name)
    try:
        yield part
        os.replace(part, path)
    except OSError as error:
        raise unwritable(path, error) from error
    finally:
        with suppress(OSError):
            part.unlink(missing_ok=True)


def read_toml(path: Path | Traversable, *, remedy: str) -> dict[str, Any]:
    """The tables and values of a TOML file. `remedy`: what to do where the file is not TOML, for the
    message. Raises SettingsError: the file cannot be read, or is not TOML."""
    try:
        return tomllib.loads(path.read_text(encoding="utf-8").removeprefix("\ufeff"))
    except OSError as error:
        what = f"cannot be read ({error.strerror})"
        raise SettingsError(what, where=str(path), remedy="check the path") from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError, RecursionError) as error:
        raise SettingsError(f"is not valid TOML: {error}", where=str(path), remedy=remedy) from None


def toml_value(value: bool | str | int | float | tuple[Any, ...]) -> str:
    """A value as TOML writes it."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        escaped = (f"\\{c}" if c in '\\"' else c if c.isprintable() else f"\\U{ord(c):08x}" for c in value)
        return '"' + "".join(escaped) + '"'
    if isinstance(value, tuple):
        return "[" + ", ".join(toml_value(one) for one in value) + "]"
    return repr(value)


def absolute(path: Path | str) -> Path:
    """The whole path as it was named, with `..` followed as the system does: through links, and through
    folders that are not there yet."""
    return Path(os.path.realpath(path) if ".." in Path(path).parts else os.path.abspath(path))


def relative_path(path: Path, start: Path | str) -> str:
    """The path as seen from a folder; the absolute path where it lies on another drive."""
    whole = str(absolute(path))
    try:
        return os.path.relpath(whole, start)
    except ValueError:
        return whole
