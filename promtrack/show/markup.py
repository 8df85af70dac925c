"""HTML text from elements, tables and templates: whatever is not markup already is escaped, so that no file
name can become markup."""

from __future__ import annotations

import base64
import html
import math
from collections.abc import Iterable
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from string import Template

from promtrack.files import atomic_write

MOST_PX = 1600  # of a picture in a page
EMPTY = frozenset({"img", "input", "meta", "link", "source", "br", "hr"})


class Markup(str):
    """Text that is HTML already."""

    __slots__ = ()


def element(tag: str, *children: str, **attributes: str | bool | None) -> Markup:
    """One element. Children that are not Markup are escaped. `attributes`: `class_` for class, `_` for `-`;
    True gives a bare attribute, False and None leave it out; Markup is not escaped."""
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


@dataclass(frozen=True, slots=True)
class Cell:
    """What is shown, and the number by which it is sorted where the text would not do."""

    text: str
    value: float | None = None
    kind: str = ""  # 'words' for text, 'long' for text that may run over several lines


@dataclass(frozen=True, slots=True)
class Row:
    """Cells of one row under the heads of their columns; the first is the row's own head."""

    cells: dict[str, Cell]
    class_: str = ""


def table_of(rows: list[Row], label: str, caption: str = "") -> Markup:
    """A table in a box of its own that scrolls sideways, reached by keyboard and named for screen readers.
    One with a caption can be sorted; in one without, each cell knows its column's head."""
    heads = []
    for column, (head, cell) in enumerate(rows[0].cells.items() if rows else ()):
        kind = "words" if column == 0 or "words" in cell.kind else None  # the first heads the rows
        heads.append(element("th", element("span", head), scope="col", class_=kind))
    words = element("caption", element("span", caption)) if caption else Markup("")
    body = element("tbody", *(_table_row(row, labelled=not caption) for row in rows))
    class_ = "sortable" if caption else None
    table = element("table", words, element("thead", element("tr", *heads)), body, class_=class_)
    return element("div", table, class_="scroll", role="region", aria_label=f"Table: {label}", tabindex="0")


def _table_row(row: Row, *, labelled: bool) -> Markup:
    """A row; where it is labelled, cells name their columns, for pages that stack them."""
    cells = []
    for column, (head, cell) in enumerate(row.cells.items()):
        value = None if cell.value is None else "NaN" if math.isnan(cell.value) else repr(float(cell.value))
        more = {"scope": "row"} if column == 0 else {"data_label": head} if labelled else {}
        tag = "td" if column else "th"
        cells.append(element(tag, cell.text, class_=cell.kind or None, data_value=value, **more))
    return element("tr", *cells, class_=row.class_ or None)
