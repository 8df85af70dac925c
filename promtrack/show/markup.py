"""HTML text from pieces: whatever is not markup already is escaped, so that no file name can become markup."""

from __future__ import annotations

import html
from collections.abc import Iterable

__all__ = ["Markup", "element", "joined"]

EMPTY = frozenset({"img", "meta", "link", "source", "br", "hr"})


class Markup(str):
    """Text that is HTML already."""

    __slots__ = ()


def element(tag: str, *children: str, **attributes: str | bool | None) -> Markup:
    """One element. Children that are not Markup are escaped.

    attributes : `class_` for class, `_` for `-`; True gives a bare attribute, False and None leave it out
    """
    words = [tag]
    for name, value in attributes.items():
        if value is None or value is False:
            continue
        key = name.rstrip("_").replace("_", "-")
        words.append(key if value is True else f'{key}="{html.escape(str(value), quote=True)}"')
    opening = f"<{' '.join(words)}>"
    return Markup(opening if tag in EMPTY else f"{opening}{joined(children)}</{tag}>")


def joined(children: Iterable[str]) -> Markup:
    """Pieces one after the other, each escaped unless it is Markup."""
    return Markup("".join(child if isinstance(child, Markup) else html.escape(str(child), quote=False) for child in children))
