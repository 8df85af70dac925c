"""What is drawn over the picture: text and lines, each over a dark surround."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.show.canvas import Canvas, paint
from promtrack.show.layout import Rect
from promtrack.show.palette import LUMA_B, LUMA_G, LUMA_R, ON_DARK, bgr_of
from promtrack.show.text import CAP_HEIGHT, Block

__all__ = ["ANNOTATION", "Page", "draw_line", "draw_marker", "draw_text", "letter_strength", "make_page"]

ANNOTATION = bgr_of(ON_DARK.annotation)
BLACK = (0.0, 0.0, 0.0)
PHONE_PX, LEAST_CAPITAL_PX = 390.0, 10.0  # width of an upright phone's screen, and height of a capital there
LEAST_TYPE_PX = 11
# Parts of the picture at left, top, right and bottom that nothing is written in: a feed lays its own controls
# over a tall picture's foot, and a player its bar over a wide one's.
MARGINS = {"wide": (0.035, 0.05, 0.035, 0.07), "tall": (0.06, 0.09, 0.06, 0.15)}


@dataclass(frozen=True, slots=True)
class Page:
    """Size of the picture, of its type, and where words may stand."""

    width: int
    height: int
    unit: int  # px, type size
    inside: Rect  # the picture without its margins
    ink: float = 0.9  # opacity of what stands all the time

    @property
    def stroke(self) -> int:
        """Width of a plain line, px."""
        return max(1, round(self.unit / 18.0))


def make_page(width: int, height: int, *, larger: float = 1.0) -> Page:
    """The page of a picture; capitals are 10 px high where it is shown 390 px wide.

    Parameters
    ----------
    larger : factor on the type size
    """
    unit = int(np.ceil(larger * LEAST_CAPITAL_PX / PHONE_PX / CAP_HEIGHT * width))
    unit = max(min(unit, round(0.064 * height * larger)), LEAST_TYPE_PX)
    left, top, right, bottom = MARGINS["tall" if height > 1.3 * width else "wide"]
    x, y = round(left * width), round(top * height)
    inside = Rect(x, y, round((1.0 - right) * width) - x, round((1.0 - bottom) * height) - y)
    return Page(width, height, unit, inside)


def draw_text(
    canvas: Canvas,
    block: Block,
    x: int,
    y: int,
    bgr: tuple[float, float, float] = ANNOTATION,
    *,
    strength: float = 0.9,
) -> None:
    """Text with its top-left corner at (x, y)."""
    paint(canvas, block.halo, BLACK, x=x - block.reach, y=y - block.reach, strength=0.7)
    paint(canvas, block.mask, bgr, x=x, y=y, strength=strength)


def letter_strength(bgr: tuple[float, float, float]) -> float:
    """Opacity of letters in a colour: dark ones need more to be read, bright ones less."""
    luma = (LUMA_B * bgr[0] + LUMA_G * bgr[1] + LUMA_R * bgr[2]) / 255.0
    return 1.0 - 0.33 * luma


def draw_line(
    canvas: Canvas,
    points_px: np.ndarray,
    width: int,
    bgr: tuple[float, float, float] = ANNOTATION,
    *,
    strength: float = 0.9,
    closed: bool = False,
) -> None:
    """A polyline, (n, 2) x, y in px, over a dark surround 1 px wider on each side."""
    if len(points_px) < 2 or not np.isfinite(points_px).all():
        return
    points_px = np.clip(points_px, -4.0 * canvas.y.shape[1], 5.0 * canvas.y.shape[1])
    low = np.maximum(np.floor(points_px.min(axis=0)).astype(int) - width - 3, -16)
    high = np.minimum(np.ceil(points_px.max(axis=0)).astype(int) + width + 4, canvas.y.shape[::-1])
    if (high <= low).any():
        return
    mask = np.zeros((high[1] - low[1], high[0] - low[0]), np.uint8)
    dark = mask.copy()
    fixed = np.rint((points_px - low) * 16.0).astype(np.int32)[:, None]  # 4 fractional bits
    cv2.polylines(dark, [fixed], closed, 255, width + 2, cv2.LINE_AA, 4)
    cv2.polylines(mask, [fixed], closed, 255, width, cv2.LINE_AA, 4)
    paint(canvas, dark, BLACK, x=int(low[0]), y=int(low[1]), strength=0.5 * strength)
    paint(canvas, mask, bgr, x=int(low[0]), y=int(low[1]), strength=strength)


def draw_marker(
    canvas: Canvas,
    place_px: np.ndarray,
    order: int,
    page: Page,
    bgr: tuple[float, float, float],
    *,
    strength: float = 0.9,
) -> None:
    """The mark of the first (ring), second (triangle) or any other (square) lettered knot round its place."""
    corners = (24, 3, 4)[min(order, 2)]
    radius = (0.30, 0.40, 0.38)[min(order, 2)] * page.unit
    start = -0.5 * np.pi if corners == 3 else 0.25 * np.pi
    angle = start + 2.0 * np.pi * np.arange(corners) / corners
    points = place_px + radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    draw_line(canvas, points, page.stroke, bgr, strength=strength, closed=True)
