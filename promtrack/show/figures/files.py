"""Sheets to files: PNG and SVG or PDF in each theme; the same run gives the same bytes.

A sheet is drawn once. For the second theme its colours are exchanged, which costs far less than drawing anew.
"""

from __future__ import annotations

import re
import struct
import zlib
from collections.abc import Callable
from functools import cache, partial
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgba, to_rgba_array
from matplotlib.figure import Figure
from matplotlib.image import AxesImage

from promtrack.files import atomic_write
from promtrack.show.figures.style import DARK, LIGHT, Theme, themed
from promtrack.show.records import Measured

VECTOR_DPI = 100  # of pictures inside vector files
FONTS = "'DejaVu Sans', Verdana, sans-serif"  # Verdana has the same widths, where the first is missing
THEMES = {"light": (LIGHT,), "dark": (DARK,), "both": (LIGHT, DARK)}
# Differences of rows: as small as with the best of all filters for each row, in half the time.
PNG = (
    *(cv2.IMWRITE_PNG_COMPRESSION, 1),
    *(cv2.IMWRITE_PNG_STRATEGY, cv2.IMWRITE_PNG_STRATEGY_DEFAULT),
    *(cv2.IMWRITE_PNG_FILTER, cv2.IMWRITE_PNG_FILTER_UP),
)
PROPERTIES = ("color", "facecolor", "edgecolor", "markerfacecolor", "markeredgecolor")


def save_sheet(
    name: str,
    draw: Callable[[Measured, Theme], Figure],
    measured: Measured,
    folder: Path,
    kinds: tuple[str, ...] = (),
) -> list[Path]:
    """Draw one sheet and write it in every theme asked for.

    Parameters
    ----------
    kinds : of the files, in their order; by default PNG, then the vector format of the settings

    Raises
    ------
    InputError : a frame that is shown cannot be read
    """
    settings = measured.settings.figures
    themes = THEMES[settings.theme]
    title, made_by = name.replace("_", " ").capitalize(), f"promtrack {measured.version}"
    about: dict[str, dict[str, str | None]] = {
        "pdf": {"Title": title, "Producer": made_by, "CreationDate": None},
        "svg": {"Title": title, "Creator": made_by, "Date": None},
    }
    written: list[Path] = []
    with themed(themes[0]):
        figure = draw(measured, themes[0])
        canvas = figure.canvas
        assert isinstance(canvas, FigureCanvasAgg), "a sheet has a canvas of pixels"
        for image in figure.findobj(AxesImage):  # alike in all themes, and a third of the time
            image.make_image = cache(image.make_image)  # type: ignore[method-assign]
        for theme in themes:
            if theme is not themes[0]:
                recolour(figure, old=themes[0], new=theme)
            for kind in kinds or ("png", settings.vector):
                path = folder / f"{name}{theme.suffix}.{kind}"
                if kind == "svg" and theme is not themes[0]:
                    colours = dict(zip(themes[0].colours, theme.colours, strict=True))
                    first = folder / f"{name}{themes[0].suffix}.svg"
                    _rewrite(first, path, partial(_exchanged, colours))
                elif kind == "png":
                    with atomic_write(path) as part:
                        part.write_bytes(_png(canvas, settings.dpi, {"Title": title, "Software": made_by}))
                else:
                    with atomic_write(path) as part:
                        figure.savefig(
                            part, format=kind, facecolor="auto", dpi=VECTOR_DPI, metadata=about[kind]
                        )
                    if kind == "svg":
                        _rewrite(path, path, lambda text: text.replace("'DejaVu Sans'", FONTS))
                written.append(path)
    return written


def _png(canvas: FigureCanvasAgg, dpi: int, words: dict[str, str]) -> bytes:
    """The sheet as PNG; OpenCV packs it, since matplotlib leaves no choice of the filter."""
    canvas.figure.set_dpi(dpi)
    canvas.draw()
    _, data = cv2.imencode(".png", cv2.cvtColor(np.asarray(canvas.buffer_rgba()), cv2.COLOR_RGBA2BGR), PNG)
    chunks = [(b"pHYs", struct.pack(">IIB", round(dpi / 0.0254), round(dpi / 0.0254), 1))]  # per metre
    chunks += [(b"tEXt", f"{name}\0{text}".encode("latin-1")) for name, text in words.items()]
    packed = (struct.pack(">I", len(c)) + k + c + struct.pack(">I", zlib.crc32(k + c)) for k, c in chunks)
    head = 33  # bytes of the signature and the header, which come first
    return data[:head].tobytes() + b"".join(packed) + data[head:].tobytes()


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


def _rewrite(source: Path, path: Path, change: Callable[[str], str]) -> None:
    text = change(source.read_text(encoding="utf-8"))
    with atomic_write(path) as part:
        part.write_text(text, encoding="utf-8", newline="\n")
