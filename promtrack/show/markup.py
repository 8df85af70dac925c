"""HTML text from pieces: whatever is not markup already is escaped, so that no file name can become
markup."""

from __future__ import annotations

import base64
import html
import os
from collections.abc import Iterable
from importlib.resources import files
from pathlib import Path
from urllib.parse import quote, unquote_to_bytes

HERE = "\0"  # about the name of a file whose contents come here; HTML knows no such letter
BLOCK_BYTES = 3 << 18  # a multiple of 3, so that base64 needs no filling in between

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
        text = value if isinstance(value, Markup) else _escaped(str(value), quote=True)
        words.append(key if value is True else f'{key}="{text}"')
    opening = f"<{' '.join(words)}>"
    return Markup(opening if tag in EMPTY else f"{opening}{joined(children)}</{tag}>")


def joined(children: Iterable[str]) -> Markup:
    """Pieces one after the other, each escaped unless it is Markup."""
    return Markup(
        "".join(
            child if isinstance(child, Markup) else _escaped(str(child), quote=False) for child in children
        )
    )


def whole_page(title: str, style: str, *body: str, extra: Iterable[Markup] = ()) -> Markup:
    """A page by itself; `extra` are further elements of its head."""
    head = element(
        "head",
        element("meta", charset="utf-8"),
        *extra,
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("title", title),
        element("style", Markup(style)),
    )
    page = element("html", head, element("body", *body), lang="en")
    return joined([Markup("<!DOCTYPE html>\n"), page, Markup("\n")])


def contents_of(path: Path) -> Markup:
    """Stands for a file's contents in base64, which `write_markup` puts in its place: a long film need not be
    in memory."""
    return Markup(f"{HERE}{quote(os.fsencode(os.path.abspath(path)))}{HERE}")


def write_markup(page: Markup, path: Path) -> None:
    """Write a page with the contents of the files that it names."""
    # a file's name may hold bytes that are no UTF-8: they are shown as \\udcXX
    with path.open("w", encoding="utf-8", errors="backslashreplace", newline="\n") as out:
        for number, piece in enumerate(page.split(HERE)):
            if number % 2 == 0:
                out.write(piece)
                continue
            with open(os.fsdecode(unquote_to_bytes(piece)), "rb") as file:
                while block := file.read(BLOCK_BYTES):
                    out.write(base64.b64encode(block).decode("ascii"))


def resource(name: str) -> str:
    """A text file that lies beside this module: style, script or page."""
    return files("promtrack.show").joinpath(name).read_text(encoding="utf-8")


def _escaped(text: str, *, quote: bool) -> str:
    return html.escape(text.replace(HERE, "\N{REPLACEMENT CHARACTER}"), quote=quote)
