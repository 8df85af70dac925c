"""Sheets to files: PNG and SVG or PDF in each theme; the same run gives the same bytes.

A sheet is drawn once. For the second theme its colours are exchanged, which costs far less than drawing anew.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgba, to_rgba_array
from matplotlib.figure import Figure
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from promtrack.files import atomic_write
from promtrack.show.figures.style import DARK, LIGHT, Theme, themed
from promtrack.show.records import Measured

FONTS = "'DejaVu Sans', Verdana, sans-serif"  # Verdana has the same widths, where the first is missing
THEMES = {"light": (LIGHT,), "dark": (DARK,), "both": (LIGHT, DARK)}
PROPERTIES = ("color", "facecolor", "edgecolor", "markerfacecolor", "markeredgecolor")


def save_sheet(
    name: str, draw: Callable[[Measured, Theme], Figure], measured: Measured, folder: Path
) -> list[Path]:
    """Draw one sheet and write it in every theme asked for, as PNG and in the vector format of the settings.

    Raises
    ------
    InputError : a frame that is shown cannot be read
    """
    settings, written = measured.settings.figures, []
    first, *others = THEMES[settings.theme]
    title, made_by = name.replace("_", " ").capitalize(), f"promtrack {measured.version}"
    about: dict[str, dict[str, str | None]] = {
        "pdf": {"Title": title, "Producer": made_by, "CreationDate": None},
        "svg": {"Title": title, "Creator": made_by, "Date": None},
    }
    with themed(first):
        figure = draw(measured, first)
        # alike in all themes, and a third of the time
        images = [image for axes in figure.axes for image in axes.images]
        for image in images:
            image.make_image = cache(image.make_image)  # type: ignore[method-assign]
        for theme in (first, *others):
            if theme is not first:
                recolour(figure, old=first, new=theme)
            png, vector = (folder / f"{name}{theme.suffix}.{kind}" for kind in ("png", settings.vector))
            _save_png(figure, png, settings.dpi, {"Title": title, "Software": made_by})
            if settings.vector == "pdf" or theme is first:
                with atomic_write(vector) as part:
                    figure.savefig(part, format=settings.vector, metadata=about[settings.vector], dpi=100)
            if settings.vector == "svg":
                colours = dict(zip(first.colours, theme.colours, strict=True))
                exchanged = {"'DejaVu Sans'": FONTS} if theme is first else colours
                _rewrite(folder / f"{name}{first.suffix}.svg", vector, exchanged)
            written += [png, vector]
    return written


def _save_png(figure: Figure, path: Path, dpi: int, about: dict[str, str]) -> None:
    """The sheet as an opaque picture: without alpha it is packed, and read again, in three quarters of the
    time. At level 1 it is larger by an eighth than at the usual 6, in a third of the time."""
    canvas, words = figure.canvas, PngInfo()
    assert isinstance(canvas, FigureCanvasAgg), "a sheet has a canvas of pixels"
    figure.set_dpi(dpi)
    canvas.draw()
    for key, value in about.items():
        words.add_text(key, value)
    packing = {"compress_level": 1, "compress_type": zlib.Z_RLE, "pnginfo": words, "dpi": (dpi, dpi)}
    with atomic_write(path) as part:
        Image.fromarray(np.asarray(canvas.buffer_rgba())).convert("RGB").save(part, "png", **packing)


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


def _rewrite(source: Path, path: Path, exchanged: dict[str, str]) -> None:
    """Write a text file with some words exchanged for others."""
    pattern = re.compile("|".join(map(re.escape, exchanged)))
    text = pattern.sub(lambda found: exchanged[found[0]], source.read_text(encoding="utf-8"))
    with atomic_write(path) as part:
        part.write_text(text, encoding="utf-8", newline="\n")
