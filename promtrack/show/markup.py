"""HTML text from elements and templates: whatever is not markup already is escaped, so that no file name can
become markup."""

from __future__ import annotations

import base64
import html
from collections.abc import Iterable
from importlib.resources import files
from pathlib import Path
from string import Template

from promtrack.files import atomic_write

EMPTY = frozenset({"img", "input", "meta", "link", "source", "br", "hr"})


class Markup(str):
    """Text that is HTML already."""

    __slots__ = ()


def element(tag: str, *children: str, **attributes: str | bool | None) -> Markup:
    """One element. Children that are not Markup are escaped.

    attributes : `class_` for class, `_` for `-`; True gives a bare attribute, False and None leave it out;
        Markup is not escaped
    """
    words = [tag]
    for name, value in attributes.items():
        if value is None or value is False:
            continue
        key = name.rstrip("_").replace("_", "-")
        text = value if isinstance(value, Markup) else html.escape(str(value))
        words.append(key if value is True else f'{key}="{text}"')
    opening = f"<{' '.join(words)}>"
    return Markup(opening if tag in EMPTY else f"{opening}{joined(children)}</{tag}>")


def joined(children: Iterable[str]) -> Markup:
    """Pieces one after the other, each escaped unless it is Markup."""
    return Markup("".join(c if isinstance(c, Markup) else html.escape(str(c), quote=False) for c in children))


def filled(template: str, **pieces: str) -> Markup:
    """A template that lies beside this module, with its pieces put in, each escaped unless it is Markup."""
    text = Template(resource(template))
    return Markup(text.substitute({name: joined([piece]) for name, piece in pieces.items()}))


def data_address(kind: str, contents: bytes) -> Markup:
    """An address that holds a file's contents, for instance of kind 'image/webp'."""
    return Markup(f"data:{kind};base64,{base64.b64encode(contents).decode('ascii')}")


def write_page(path: Path, page: Markup) -> Path:
    """Write a page; it appears under its name only when it is whole. Raises InputError: it cannot."""
    with atomic_write(path) as part:
        # a file's name may hold bytes that are no UTF-8: they are shown as \\udcXX
        part.write_text(page, encoding="utf-8", errors="backslashreplace", newline="\n")
    return path


def resource(name: str) -> Markup:
    """A text file that lies beside this module: style, script or page."""
    return Markup(files("promtrack.show").joinpath(name).read_text(encoding="utf-8"))
