"""Text as anti-aliased masks, drawn once a string at its final size.

The type is the variable sans serif that OpenCV carries inside itself, so it exists on every machine. Its
digits are all equally wide.
"""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np

__all__ = [
    "MEDIUM",
    "REGULAR",
    "WHITE",
    "ascent",
    "block_of",
    "halo_of",
    "line_height",
    "text_mask",
    "text_width",
    "tight",
]

WHITE = (255.0, 255.0, 255.0)
REGULAR, MEDIUM = 400, 500


@lru_cache(maxsize=8)
def _face() -> cv2.FontFace:
    return cv2.FontFace("sans")


@lru_cache(maxsize=4096)
def text_mask(text: str, size: int, weight: int = REGULAR) -> np.ndarray:
    """uint8 mask of one line, `line_height(size)` px tall with the baseline at `ascent(size)`, read-only."""
    width = max(text_width(text, size, weight), 1)
    mask = np.zeros((line_height(size), width + size // 8 + 2), np.uint8)
    cv2.putText(
        mask, text, (1, ascent(size)), (255,), _face(), size, weight
    )  # org x, y; colour of one channel
    mask.setflags(write=False)
    return mask


@lru_cache(maxsize=4096)
def text_width(text: str, size: int, weight: int = REGULAR) -> int:
    """Advance of one line in px."""
    scratch = np.zeros((1, 1), np.uint8)
    end, _ = cv2.putText(
        scratch, text, (0, 0), (255,), _face(), size, weight, cv2.PUT_TEXT_ALIGN_LEFT, (0, 1 << 20)
    )
    return int(end[0])


def tight(mask: np.ndarray) -> np.ndarray:
    """A mask without its empty rows and columns."""
    x, y, width, height = cv2.boundingRect(mask)
    return mask[y : y + height, x : x + width]


def ascent(size: int) -> int:
    return round(0.95 * size)


def line_height(size: int) -> int:
    return round(1.24 * size)


def block_of(lines: list[tuple[str, int, int]], *, right: bool = False, gap: float = 0.08) -> np.ndarray:
    """uint8 mask of lines (text, size, weight) under one another, flush left or right."""
    masks = [text_mask(*line) for line in lines]
    spaces = [0, *(round(gap * size) for _, size, _ in lines[1:])]
    block = np.zeros((sum(m.shape[0] for m in masks) + sum(spaces), max(m.shape[1] for m in masks)), np.uint8)
    top = 0
    for mask, space in zip(masks, spaces, strict=True):
        top += space
        left = block.shape[1] - mask.shape[1] if right else 0
        block[top : top + mask.shape[0], left : left + mask.shape[1]] = mask
        top += mask.shape[0]
    return block


def halo_of(mask: np.ndarray, reach: int) -> np.ndarray:
    """Soft dark surround of a mask, `reach` px wider on every side: keeps text readable over a bright
    disc."""
    padded = cv2.copyMakeBorder(mask, reach, reach, reach, reach, cv2.BORDER_CONSTANT, value=0)
    wide = max(reach // 2, 1) | 1
    spread = cv2.dilate(padded, cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (wide, wide)))
    near = cv2.GaussianBlur(spread, (0, 0), max(reach / 6.0, 0.6))
    far = cv2.GaussianBlur(cv2.dilate(spread, np.ones((wide, wide), np.uint8)), (0, 0), max(reach / 3.2, 0.6))
    return cv2.max(near, cv2.convertScaleAbs(far, alpha=0.8))
