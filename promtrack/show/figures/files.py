"""Sheets to files: PNG and SVG or PDF in each theme; the same run gives the same bytes.

A sheet is drawn once. For the second theme its colours are exchanged, which costs far less than drawing anew.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.colors import to_rgba, to_rgba_array
from matplotlib.figure import Figure

from promtrack.files import atomic_write
from promtrack.show.figures.style import DARK, LIGHT, Theme, themed
from promtrack.show.records import Measured

VECTOR_DPI = 100  # of pictures inside vector files
FONTS = "'DejaVu Sans', Verdana, sans-serif"  # Verdana has the same widths, where the first is missing
THEMES = {"light": (LIGHT,), "dark": (DARK,), "both": (LIGHT, DARK)}
PROPERTIES = ("color", "facecolor", "edgecolor", "markerfacecolor", "markeredgecolor")


def save_sheet(
    name: str, draw: Callable[[Measured, Theme], Figure], measured: Measured, folder: Path
) -> list[Path]:
    """Draw one sheet and write it in every theme asked for, PNG before vector.

    Raises
    ------
    InputError : a frame that is shown cannot be read
    """
    settings = measured.settings.figures
    themes = THEMES[settings.theme]
    made_by = f"promtrack {measured.version}"
    title = name.replace("_", " ").capitalize()
    written: list[Path] = []
    with themed(themes[0]):
        figure = draw(measured, themes[0])
        for theme in themes:
            png, vector = (folder / f"{name}{theme.suffix}.{kind}" for kind in ("png", settings.vector))
            first = folder / f"{name}{themes[0].suffix}.svg"
            if theme is not themes[0]:
                recolour(figure, old=themes[0], new=theme)
            # Level 1: of a flat drawing the next levels save little and take four times as long.
            about: dict[str, str | None] = {"Title": title, "Software": made_by}
            _save(figure, png, dpi=settings.dpi, metadata=about, pil_kwargs={"compress_level": 1})
            if vector.suffix == ".pdf":
                about = {"Title": title, "Producer": made_by, "CreationDate": None}
                _save(figure, vector, dpi=VECTOR_DPI, metadata=about)
            elif theme is themes[0]:
                about = {"Title": title, "Creator": made_by, "Date": None}
                _save(figure, vector, dpi=VECTOR_DPI, metadata=about)
                _rewrite(vector, vector, lambda text: text.replace("'DejaVu Sans'", FONTS))
            else:
                colours = dict(zip(themes[0].colours, theme.colours, strict=True))
                _rewrite(first, vector, partial(_exchanged, colours))
            written += [png, vector]
    return written


def save_upright(
    name: str, draw: Callable[[Measured, Theme], Figure], measured: Measured, folder: Path
) -> list[Path]:
    """A sheet for phones: SVG only, which the page shows."""
    written = []
    for theme in THEMES[measured.settings.figures.theme]:
        path = folder / f"{name}{theme.suffix}.svg"
        with themed(theme):
            about = {"Title": name, "Creator": f"promtrack {measured.version}", "Date": None}
            _save(draw(measured, theme), path, metadata=about)
        _rewrite(path, path, lambda text: text.replace("'DejaVu Sans'", FONTS))
        written.append(path)
    return written


def recolour(figure: Figure, *, old: Theme, new: Theme) -> None:
    """Exchange the colours of one theme for those of another in everything on the sheet."""
    colours = {_rgb(a): _rgb(b) for a, b in zip(old.colours, new.colours, strict=True)}
    for artist in figure.findobj():
        for name in PROPERTIES:
            get, put = getattr(artist, f"get_{name}", None), getattr(artist, f"set_{name}", None)
            if get is None or put is None or (name == "color" and hasattr(artist, "get_facecolor")):
                continue
            value = get()
            if value is None or (isinstance(value, str) and value in ("none", "auto")):
                continue
            found = [tuple(float(part) for part in one) for one in to_rgba_array(value)]
            if any(_rgb(one) in colours for one in found):  # others stay as they are, invisible ones too
                changed = [(*colours.get(_rgb(one), _rgb(one)), one[3]) for one in found]
                put(changed if np.ndim(value) == 2 else changed[0])


def _rgb(colour: Any) -> tuple[float, float, float]:
    red, green, blue, _ = to_rgba(colour)
    return red, green, blue


def _exchanged(colours: dict[str, str], text: str) -> str:
    return re.sub(r"#[0-9a-f]{6}", lambda found: colours.get(found[0], found[0]), text)


def _save(figure: Figure, path: Path, **options: Any) -> None:
    with atomic_write(path) as part:
        figure.savefig(part, format=path.suffix[1:], facecolor="auto", **options)


def _rewrite(source: Path, path: Path, change: Callable[[str], str]) -> None:
    text = change(source.read_text(encoding="utf-8"))
    with atomic_write(path) as part:
        part.write_text(text, encoding="utf-8", newline="\n")
