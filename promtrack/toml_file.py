"""TOML as all rooms read and write it: a tree of Python values, or one sentence that says what is wrong."""

from __future__ import annotations

import tomllib
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from promtrack.errors import SettingsError

__all__ = ["read_toml", "toml_value"]


def read_toml(path: Path | Traversable, *, remedy: str) -> dict[str, Any]:
    """The tables and values of a TOML file.

    Parameters
    ----------
    remedy : what to do where the file is not TOML, for the message

    Raises
    ------
    SettingsError : the file cannot be read, or is not TOML
    """
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
