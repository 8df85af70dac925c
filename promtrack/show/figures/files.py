"""Sheets to files: PNG and SVG or PDF in each theme; the same run gives the same bytes.

A sheet is laid out once. For the second theme what was drawn is drawn again in other colours, which costs far
less.
"""

from __future__ import annotations

import re
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.backend_bases import GraphicsContextBase
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from PIL import Image
from PIL.PngImagePlugin import PngInfo

from promtrack.files import atomic_write
from promtrack.show.figures.style import DARK, LIGHT, Theme, themed
from promtrack.show.records import Measured

FONTS = "'DejaVu Sans', Verdana, sans-serif"  # Verdana has the same widths, where the first is missing
THEMES = {"light": (LIGHT,), "dark": (DARK,), "both": (LIGHT, DARK)}


def save_sheet(
    name: str, draw: Callable[[Measured, Theme], Figure], measured: Measured, folder: Path
) -> list[Path]:
    """Draw one sheet and write it in every theme asked for, as PNG and in the vector format of the settings.
    Raises InputError: a frame that is shown cannot be read."""
    settings = measured.settings.figures
    written: list[Path] = []
    title, made_by = name.replace("_", " ").capitalize(), f"promtrack {measured.version}"
    about: dict[str, dict[str, str | None]] = {
        "pdf": {"Title": title, "Producer": made_by, "CreationDate": None},
        "svg": {"Title": title, "Creator": made_by, "Date": None},
    }
    first, *others = THEMES[settings.theme]
    for theme in (first, *others):
        png, vector = (folder / f"{name}{theme.suffix}.{kind}" for kind in ("png", settings.vector))
        if theme is first or settings.vector == "pdf":
            with themed(theme):
                figure = draw(measured, theme)
                drawing = Drawing(figure, settings.dpi)
                with atomic_write(vector) as part:
                    figure.savefig(part, format=settings.vector, metadata=about[settings.vector], dpi=100)
            if settings.vector == "svg":
                _rewrite(vector, vector, {"'DejaVu Sans'": FONTS})
        else:
            drawing.recolour(first, theme)
            _rewrite(written[1], vector, dict(zip(first.colours, theme.colours, strict=True)))
        drawing.save(png, {"Title": title, "Software": made_by})
        written += [png, vector]
    return written


class Drawing:
    """A renderer that draws a sheet's pixels, and keeps what it was asked to draw."""

    def __init__(self, figure: Figure, dpi: int) -> None:
        assert isinstance(figure.canvas, FigureCanvasAgg), "a sheet has a canvas of pixels"
        figure.set_dpi(dpi)
        self._kept: list[tuple[str, GraphicsContextBase, tuple[Any, ...], dict[str, Any]]] = []
        self._pixels = figure.canvas.get_renderer()
        figure.draw(self)  # type: ignore[arg-type]

    def __getattr__(self, name: str) -> Any:
        """Whatever a renderer of pixels has."""
        found = getattr(self._pixels, name)
        if not name.startswith("draw_"):
            return found

        def kept(given: GraphicsContextBase, *arguments: Any, **options: Any) -> None:
            found(given, *arguments, **options)
            own = GraphicsContextBase()
            own.copy_properties(given)
            self._kept.append((name, own, arguments, options))

        return kept

    def recolour(self, old: Theme, new: Theme) -> None:
        """Draw everything again with the colours of one theme exchanged for those of another."""
        colours = {to_rgb(a): to_rgb(b) for a, b in zip(old.colours, new.colours, strict=True)}

        def changed(value: Any) -> Any:
            if isinstance(value, np.ndarray) and value.dtype.kind == "f" and value.shape[1:] == (4,):
                return np.array([changed(tuple(one)) for one in value]).reshape(-1, 4)
            if isinstance(value, tuple) and len(value) in (3, 4):
                return *colours.get(value[:3], value[:3]), *value[3:]
            return value

        self._pixels.clear()
        for name, one, arguments, options in self._kept:
            one.set_foreground(changed(one.get_rgb()), isRGBA=True)
            getattr(self._pixels, name)(one, *map(changed, arguments), **options)

    def save(self, path: Path, about: dict[str, str]) -> None:
        """Write it as PNG. Without alpha it is packed, and read again, in three quarters of the time; at
        level 1 it is larger by an eighth than at the usual 6, in a third of the time."""
        words, dpi = PngInfo(), (self._pixels.dpi,) * 2
        for key, value in about.items():
            words.add_text(key, value)
        packing = {"compress_level": 1, "compress_type": zlib.Z_RLE, "pnginfo": words, "dpi": dpi}
        with atomic_write(path) as part:
            Image.fromarray(np.asarray(self._pixels.buffer_rgba())).convert("RGB").save(
                part, "png", **packing
            )


def _rewrite(source: Path, path: Path, exchanged: dict[str, str]) -> None:
    """Write a text file with some words exchanged for others."""
    words = "|".join(map(re.escape, exchanged))
    text = re.sub(words, lambda found: exchanged[found[0]], source.read_text(encoding="utf-8"))
    with atomic_write(path) as part:
        part.write_text(text, encoding="utf-8", newline="\n")
