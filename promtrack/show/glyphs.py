"""Text that changes from picture to picture: characters in cells, stamped from a cache.

Every digit has a cell of the same width, so a running clock does not jitter; a glyph is drawn once a place.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from promtrack.show.canvas import Canvas, Stamp, blank_ink, lay, paint
from promtrack.show.marks import Page
from promtrack.show.text import WHITE, line_height, text_mask, text_width

__all__ = ["GlyphLine", "draw_glyphs", "glyph_line", "glyphs_mask", "glyphs_width"]


@dataclass(frozen=True, slots=True)
class GlyphLine:
    """A line of changing text; (x, y) is its top-left corner."""

    x: int
    y: int
    size: int
    weight: int
    strength: float
    page: Page
    cache: dict[tuple[str, int], Stamp] = field(default_factory=dict, compare=False)  # by character and place


def glyph_line(x: int, y: int, size: int, weight: int, page: Page, strength: float = 1.0) -> GlyphLine:
    """An empty line."""
    return GlyphLine(x, y, size, weight, strength, page)


def glyphs_width(text: str, size: int, weight: int) -> int:
    """Width of a text in px."""
    return sum(_advance(char, size, weight) for char in text)


def glyphs_mask(line: GlyphLine, text: str) -> np.ndarray:
    """uint8 mask of a whole text as the line would draw it."""
    mask = np.zeros(
        (line_height(line.size), glyphs_width(text, line.size, line.weight) + line.size // 4), np.uint8
    )
    x = 0
    for char in text:
        glyph = text_mask(char, line.size, line.weight)
        wide = min(glyph.shape[1], mask.shape[1] - x)
        mask[:, x : x + wide] |= glyph[:, :wide]
        x += _advance(char, line.size, line.weight)
    return mask


def draw_glyphs(line: GlyphLine, text: str, canvas: Canvas) -> None:
    """Stamp the text, character by character."""
    x = line.x
    for char in text:
        if char != " ":
            lay(_glyph(line, char, x), canvas)
        x += _advance(char, line.size, line.weight)


def _glyph(line: GlyphLine, char: str, x: int) -> Stamp:
    key = (char, x)
    if key not in line.cache:
        mask = text_mask(char, line.size, line.weight)
        ink = blank_ink(x, line.y, mask.shape[1], mask.shape[0])
        paint(ink, mask, WHITE, strength=line.strength)
        line.cache[key] = line.page.stamp(ink)
    return line.cache[key]


def _advance(char: str, size: int, weight: int) -> int:
    return text_width("0" if char.isdigit() else char, size, weight)
