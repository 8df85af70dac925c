"""The clip's picture as Y'CbCr planes, and what is painted onto it: text, lines and marks, each over a dark
surround."""

from __future__ import annotations

import threading
from dataclasses import dataclass
from functools import lru_cache
from importlib.util import find_spec
from pathlib import Path

import cv2
import numpy as np

from promtrack.show import palette
from promtrack.show.layout import Rect
from promtrack.show.palette import LUMA_B, LUMA_G, LUMA_R, ON_DARK, Colour


@dataclass(frozen=True, slots=True, eq=False)
class Canvas:
    """One picture as uint8 planes that are drawn on in place."""

    y: np.ndarray  # (height, width)
    cb: np.ndarray  # (height / step, width / step)
    cr: np.ndarray
    step: int  # 2: colour at half resolution as in yuv420p; 1: at full resolution


def canvas_from_tone(tone: np.ndarray, look: str, step: int) -> Canvas:
    """A toned picture, (height, width) uint8, in colour."""
    y, cb, cr = palette.palette_ycc(look)[:, None]  # (1, 256) each, as cv2.LUT wants
    size = tone.shape[1] // step, tone.shape[0] // step
    small = cv2.resize(tone, size, interpolation=cv2.INTER_AREA) if step > 1 else tone
    return Canvas(cv2.LUT(tone, y), cv2.LUT(small, cb), cv2.LUT(small, cr), step)


def blank_canvas(width: int, height: int, luma: int) -> Canvas:
    """A grey picture in full colour resolution; luma 16 is black, 235 white."""
    grey = np.full((height, width), 128, np.uint8)
    return Canvas(np.full_like(grey, luma), grey, grey.copy(), 1)


def canvas_to_bgr(canvas: Canvas) -> np.ndarray:
    """(height, width, 3) uint8 B, G, R."""
    size = canvas.y.shape[1], canvas.y.shape[0]
    colour = [cv2.resize(p, size) if canvas.step > 1 else p for p in (canvas.cb, canvas.cr)]
    return palette.ycc_to_bgr(cv2.merge([canvas.y, *colour]))


def planes_of(canvas: Canvas) -> tuple[memoryview, memoryview, memoryview]:
    """The planes' bytes in the order of raw yuv420p."""
    return canvas.y.data.cast("B"), canvas.cb.data.cast("B"), canvas.cr.data.cast("B")


def dim(canvas: Canvas, share: float) -> None:
    """Darken the whole picture to a share of its light code values, in place."""
    for plane, zero in ((canvas.y, 16.0), (canvas.cb, 128.0), (canvas.cr, 128.0)):
        cv2.addWeighted(plane, share, plane, 0.0, (1.0 - share) * zero, dst=plane)


def paint(canvas: Canvas, mask: np.ndarray, bgr: Colour, *, x: int, y: int, strength: float = 1.0) -> None:
    """Paint a uint8 mask (opacity) in one colour, with its top-left corner at (x, y), in place; what lies
    beyond the picture is left out."""
    rows, columns = canvas.y.shape
    left, top = max(x, 0), max(y, 0)
    right, bottom = min(x + mask.shape[1], columns), min(y + mask.shape[0], rows)
    if right <= left or bottom <= top:
        return
    part = mask[top - y : bottom - y, left - x : right - x]
    luma, blue, red = _ycc_of(bgr)
    _blend(canvas.y[top:bottom, left:right], part, luma, strength)
    step = canvas.step
    if step > 1:  # onto the coarser grid of the colour planes
        pad = (top % step, -bottom % step, left % step, -right % step)
        part = cv2.copyMakeBorder(part, *pad, cv2.BORDER_CONSTANT, value=0)
        size = part.shape[1] // step, part.shape[0] // step
        part = cv2.resize(part, size, interpolation=cv2.INTER_AREA)
    place = np.s_[top // step : top // step + part.shape[0], left // step : left // step + part.shape[1]]
    _blend(canvas.cb[place], part, blue, strength)
    _blend(canvas.cr[place], part, red, strength)


@lru_cache(maxsize=256)
def _ycc_of(bgr: Colour) -> list[float]:
    return palette.bgr_to_ycc(np.array(bgr)).tolist()


def _blend(plane: np.ndarray, mask: np.ndarray, value: float, strength: float) -> None:
    mask = mask[: plane.shape[0], : plane.shape[1]]
    share = mask * np.float32(strength / 255.0)
    plane[:] = np.rint(plane + share * (np.float32(value) - plane))


ANNOTATION = palette.bgr_of(ON_DARK.annotation)
BLACK = (0.0, 0.0, 0.0)
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


def make_page(width: int, height: int) -> Page:
    """The page of a picture; capitals are 10 px high where it is shown 390 px wide, as on a phone."""
    unit = int(np.ceil(10.0 / 390.0 / CAP_HEIGHT * width))
    unit = max(min(unit, round(0.064 * height)), 11)
    left, top, right, bottom = MARGINS["tall" if height > 1.3 * width else "wide"]
    x, y = round(left * width), round(top * height)
    inside = Rect(x, y, round((1.0 - right) * width) - x, round((1.0 - bottom) * height) - y)
    return Page(width, height, unit, inside)


def draw_text(
    canvas: Canvas, block: Block, x: int, y: int, bgr: Colour = ANNOTATION, *, strength: float | None = None
) -> None:
    """Text with its top-left corner at (x, y). Its opacity: dark letters need all to be read, bright ones
    show their colour with less."""
    if strength is None:
        luma = LUMA_B * bgr[0] + LUMA_G * bgr[1] + LUMA_R * bgr[2]
        strength = float(np.clip(0.6 * 255.0 / luma, 0.75, 1.0))
    paint(canvas, block.halo, BLACK, x=x - block.reach, y=y - block.reach)
    paint(canvas, block.mask, bgr, x=x, y=y, strength=strength)


def draw_words(canvas: Canvas, words: str, page: Page, x: float, y: float) -> None:
    """One line in the page's type, as opaque as all that stands for the whole time."""
    draw_text(canvas, block(((words, page.unit),)), round(x), round(y), strength=page.ink)


def draw_line(
    canvas: Canvas,
    points_px: np.ndarray,
    width: int,
    bgr: Colour = ANNOTATION,
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
    canvas: Canvas, place_px: np.ndarray, order: int, page: Page, bgr: Colour, *, strength: float = 0.9
) -> None:
    """Mark of the first (ring), second (triangle), third (square) or any other (dot) knot in its place."""
    corners = (24, 3, 4, 24)[min(order, 3)]
    radius = (0.30, 0.40, 0.38, 0.10)[min(order, 3)] * page.unit
    start = -0.5 * np.pi if corners == 3 else 0.25 * np.pi
    angle = start + 2.0 * np.pi * np.arange(corners) / corners
    points = place_px + radius * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    draw_line(canvas, points, 3 * page.stroke, BLACK, strength=0.6, closed=True)
    draw_line(canvas, points, page.stroke, bgr, strength=strength, closed=True)


CAP_HEIGHT = 0.779  # of the type size: height of a capital as OpenCV draws DejaVu Sans; a test measures it
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
    scratch, flush = np.zeros((1, 1), np.uint8), cv2.PUT_TEXT_ALIGN_LEFT
    end, _ = cv2.putText(scratch, text, (0, 0), (255,), _face(), size, 0, flush, (0, 1 << 20))
    return int(end[0])


def line_height(size: int) -> int:
    """Distance of the base lines of two lines of this type size, px."""
    return round(1.24 * size)


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Lines of text as a mask with its dark surround, which reaches `reach` px beyond it on every side and
    keeps it legible on a bright ground."""

    mask: np.ndarray
    halo: np.ndarray
    reach: int

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
    mask = np.vstack([np.pad(mask, ((0, 0), (0, widest - mask.shape[1]))) for mask in masks])
    solid = max(2, round(0.16 * max(size for _, size in lines)))
    kernel = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * solid + 1, 2 * solid + 1))
    wide = cv2.copyMakeBorder(mask, *(2 * solid,) * 4, cv2.BORDER_CONSTANT, value=0)
    halo = cv2.GaussianBlur(cv2.dilate(wide, kernel), (0, 0), max(solid / 3.0, 0.6))
    return Block(mask, halo, 2 * solid)
