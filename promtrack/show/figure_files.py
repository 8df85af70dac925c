"""Sheets to files: SVG or PDF, the same SVG in another theme, and PNG; the same run gives the same bytes."""

from __future__ import annotations

import re
from collections.abc import Callable
from concurrent.futures import Executor, Future
from functools import partial
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from promtrack.show.figure_style import DARK, Theme
from promtrack.show.png import png_bytes
from promtrack.show.records import Measured
from promtrack.whole import whole_file

__all__ = ["save_png", "save_recoloured", "save_vector"]

VECTOR_DPI = 100  # of pictures inside vector files


def save_vector(figure: Figure, path: Path, measured: Measured) -> None:
    """Write a sheet as SVG or PDF without a date of writing, so that the same run gives the same bytes."""
    made_by = f"promtrack {measured.version}"
    about: dict[str, str | None] = {"Title": _title_of(path), "Creator": made_by}
    about |= {"Date": None} if path.suffix == ".svg" else {"Producer": made_by, "CreationDate": None}
    _whole(path, lambda part: figure.savefig(part, format=path.suffix[1:], dpi=VECTOR_DPI, metadata=about))


def save_recoloured(drawn: Path, path: Path, *, old: Theme, new: Theme) -> None:
    """The same SVG in another theme: colours are plain text in it, and drawing it again costs far more."""
    colours = dict(zip(old.colours, new.colours, strict=True))
    text = re.sub(
        r"#[0-9a-f]{6}", lambda found: colours.get(found[0], found[0]), drawn.read_text(encoding="utf-8")
    )
    _whole(path, lambda part: part.write_text(text, encoding="utf-8", newline="\n"))


def save_png(figure: Figure, path: Path, measured: Measured, pool: Executor) -> Future[None]:
    """Write a sheet as PNG: drawn now, compressed in `pool`; the future is done, or raises, when it lies on
    disk."""
    dpi = measured.settings.figures.dpi
    figure.set_dpi(dpi)
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    pixels = np.asarray(canvas.buffer_rgba())[..., :3].copy()
    about = {"Title": _title_of(path), "Software": f"promtrack {measured.version}"}
    return pool.submit(_whole, path, partial(_write_png, pixels, dpi, about))


def _title_of(path: Path) -> str:
    return path.stem.removesuffix(DARK.suffix).replace("_", " ").capitalize()


def _write_png(pixels: np.ndarray, dpi: int, about: dict[str, str], path: Path) -> None:
    path.write_bytes(png_bytes(pixels, dpi, about))


def _whole(path: Path, write: Callable[[Path], object]) -> None:
    with whole_file(path) as part:
        write(part)
