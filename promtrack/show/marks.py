"""What is drawn over the picture, and when: a stamp with its time of life."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.show.canvas import Canvas, Ink, Stamp, blank_ink, lay, make_stamp, paint
from promtrack.show.layout import Rect
from promtrack.show.text import WHITE, halo_of

__all__ = ["KNOT_BGR", "SHADE", "Mark", "Page", "draw_mark", "line_mask", "shaded", "strokes", "text_ink"]

KNOT_BGR = (255.0, 232.0, 148.0)  # pale cyan: apart from every look's own colours, also for colour-blind eyes
SHADE = 0.60  # opacity of the dark surround of text
BLACK = (0.0, 0.0, 0.0)


@dataclass(frozen=True, slots=True)
class Page:
    """Size of the picture, of its type and of its colour planes."""

    width: int
    height: int
    unit: int  # px, size of a label's type
    step: int  # colour plane step of the canvas

    @property
    def margin(self) -> int:
        return round(1.5 * self.unit)

    @property
    def stroke(self) -> float:
        """Width of a plain line, px."""
        return max(1.0, self.unit / 14.0)

    @property
    def narrow(self) -> bool:
        """Too narrow for the footnote to stand between clock and scale bar."""
        return self.width < 1.3 * self.height

    def stamp(self, ink: Ink, born_s: np.ndarray | None = None) -> Stamp:
        return make_stamp(ink, self.width, self.height, self.step, born_s)


@dataclass(frozen=True, slots=True, eq=False)
class Mark:
    """A stamp that shows from `from_s` to `until_s` (seconds since the first strip)."""

    stamp: Stamp
    from_s: float = -np.inf
    until_s: float = np.inf
    ease_s: float = 0.0  # comes and goes over this time
    fade_s: float = 0.0  # pixels of a growing stamp fade with this time constant ...
    rest: float = 1.0  # ... towards this strength


def draw_mark(mark: Mark, canvas: Canvas, now_s: float) -> None:
    """Lay the mark as it stands at that time."""
    if now_s < mark.from_s:
        return
    strength = 1.0
    if mark.ease_s > 0.0:
        strength = min(1.0, 0.25 + (now_s - mark.from_s) / mark.ease_s)
    if now_s > mark.until_s:
        gone = min(1.0, (now_s - mark.until_s) / mark.ease_s) if mark.ease_s > 0.0 else 1.0
        strength *= 1.0 - gone
    if strength > 0.01:
        lay(mark.stamp, canvas, now_s=now_s, strength=strength, fade_s=mark.fade_s, rest=mark.rest)


def text_ink(
    mask: np.ndarray,
    x: int,
    y: int,
    unit: int,
    bgr: tuple[float, float, float] = WHITE,
    *,
    strength: float = 1.0,
) -> Ink:
    """Text at (x, y) over a soft dark surround."""
    reach = max(3, round(0.42 * unit))
    ink = blank_ink(x - reach, y - reach, mask.shape[1] + 2 * reach, mask.shape[0] + 2 * reach)
    paint(ink, halo_of(mask, reach), BLACK, strength=SHADE)
    paint(ink, mask, bgr, x=reach, y=reach, strength=strength)
    return ink


def shaded(
    rect: Rect,
    mask: np.ndarray,
    page: Page,
    bgr: tuple[float, float, float] = WHITE,
    *,
    strength: float = 1.0,
) -> Ink:
    """A line drawing (mask of the rectangle's size) over a soft dark surround."""
    reach = max(2, round(0.2 * page.unit))
    ink = blank_ink(rect.left - reach, rect.top - reach, rect.width + 2 * reach, rect.height + 2 * reach)
    paint(ink, halo_of(mask, reach), BLACK, strength=0.5)
    paint(ink, mask, bgr, x=reach, y=reach, strength=strength)
    return ink


def line_mask(
    width: int, height: int, lines: list[np.ndarray], stroke_px: float, *, closed: bool = False
) -> np.ndarray:
    """uint8 mask of anti-aliased polylines ((n, 2) x, y each) of any width."""
    finer = 4  # OpenCV's anti-aliased lines have whole widths only
    mask = np.zeros((height * finer, width * finer), np.uint8)
    points = [np.rint((line + 0.5) * finer - 0.5).astype(np.int32)[:, None] for line in lines]
    cv2.polylines(mask, points, closed, 255, max(1, round(stroke_px * finer)), cv2.LINE_8)
    return cv2.resize(mask, (width, height), interpolation=cv2.INTER_AREA)


def strokes(points_px: np.ndarray, pad: int) -> tuple[Rect, np.ndarray]:
    """The rectangle round a polyline, and the polyline relative to it."""
    low = np.floor(points_px.min(axis=0)).astype(int) - pad
    high = np.ceil(points_px.max(axis=0)).astype(int) + pad + 1
    return Rect(int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1])), points_px - low
