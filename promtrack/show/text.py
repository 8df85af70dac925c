"""Text as anti-aliased masks, drawn once a string at its final size.

The type is DejaVu Sans, which matplotlib brings along: the same as in the figures, with open zeros and digits
that are all equally wide.
"""

from __future__ import annotations

import threading
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

import cv2
import numpy as np

CAP_HEIGHT = 0.779  # of the type size: height of a capital as OpenCV draws DejaVu Sans; a test measures it
HALO = 0.16  # of the type size: reach of the dark surround that keeps text legible on a bright ground


_OF_THREAD = threading.local()


def _face() -> cv2.FontFace:
    """The face of this thread: two threads that draw with one disturb each other's widths."""
    if not hasattr(_OF_THREAD, "face"):
        found = find_spec("matplotlib")
        assert found is not None, "matplotlib is installed with this package"
        folder = Path(next(iter(found.submodule_search_locations or ())))
        _OF_THREAD.face = cv2.FontFace(str(folder / "mpl-data/fonts/ttf/DejaVuSans.ttf"))
    return _OF_THREAD.face


@lru_cache(maxsize=4096)
def text_mask(text: str, size: int) -> np.ndarray:
    """uint8 mask of one line, `line_height(size)` px tall the baseline at 0.95 of the size; read-only."""
    width = max(text_width(text, size), 1)
    mask = np.zeros((line_height(size), width + size // 8 + 2), np.uint8)
    cv2.putText(mask, text, (1, round(0.95 * size)), (255,), _face(), size, 0)  # x, y; one channel
    mask.setflags(write=False)
    return mask


@lru_cache(maxsize=4096)
def text_width(text: str, size: int) -> int:
    """Advance of one line in px."""
    scratch = np.zeros((1, 1), np.uint8)
    end, _ = cv2.putText(
        scratch, text, (0, 0), (255,), _face(), size, 0, cv2.PUT_TEXT_ALIGN_LEFT, (0, 1 << 20)
    )
    return int(end[0])


def line_height(size: int) -> int:
    """Distance of the base lines of two lines of this type size, px."""
    return round(1.24 * size)


class Block:
    """Lines of text as a mask with its dark surround, which reaches `reach` px beyond it on every side."""

    __slots__ = ("halo", "mask", "reach")

    def __init__(self, mask: np.ndarray, size: int):
        self.mask, self.reach = mask, max(2, round(HALO * size))
        reach = self.reach
        wide = cv2.copyMakeBorder(mask, reach, reach, reach, reach, cv2.BORDER_CONSTANT, value=0)
        kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (self.reach | 1, self.reach | 1))
        self.halo = cv2.GaussianBlur(cv2.dilate(wide, kernel), (0, 0), max(self.reach / 3.0, 0.6))

    @property
    def width(self) -> int:
        """Of the mask, px."""
        return self.mask.shape[1]

    @property
    def height(self) -> int:
        """Of the mask, px."""
        return self.mask.shape[0]


@lru_cache(maxsize=1024)
def block(lines: tuple[tuple[str, int], ...]) -> Block:
    """Lines (text, type size in px) under one another, flush left."""
    masks = [text_mask(*line) for line in lines]
    widest = max(mask.shape[1] for mask in masks)
    whole = np.vstack([np.pad(mask, ((0, 0), (0, widest - mask.shape[1]))) for mask in masks])
    return Block(whole, max(size for _, size in lines))
