"""The clip's picture as Y'CbCr planes, and painting masks onto it in one colour."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.show.palette import bgr_to_ycc, palette_ycc, ycc_to_bgr

__all__ = ["Canvas", "blank_canvas", "canvas_from_tone", "canvas_to_bgr", "dim", "paint", "planes_of"]

BAND_ROWS = 128  # of a picture turned into B, G, R at a time: its floats would fill a hundred megabytes


@dataclass(frozen=True, slots=True, eq=False)
class Canvas:
    """One picture as uint8 planes that are drawn on in place."""

    y: np.ndarray  # (height, width)
    cb: np.ndarray  # (height / step, width / step)
    cr: np.ndarray
    step: int  # 2: colour at half resolution as in yuv420p; 1: at full resolution


def canvas_from_tone(tone: np.ndarray, look: str, step: int) -> Canvas:
    """A toned picture, (height, width) uint8, in colour."""
    y, cb, cr = palette_ycc(look)[:, None]  # (1, 256) each, as cv2.LUT wants
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
    bgr = np.empty((*canvas.y.shape, 3), np.uint8)
    for top in range(0, len(bgr), BAND_ROWS):
        band = slice(top, top + BAND_ROWS)
        bgr[band] = ycc_to_bgr(np.stack([plane[band] for plane in (canvas.y, *colour)], axis=-1))
    return bgr


def planes_of(canvas: Canvas) -> tuple[memoryview, memoryview, memoryview]:
    """The planes' bytes in the order of raw yuv420p."""
    return canvas.y.data.cast("B"), canvas.cb.data.cast("B"), canvas.cr.data.cast("B")


def dim(canvas: Canvas, share: float) -> None:
    """Darken the whole picture to a share of its light code values, in place."""
    for plane, zero in ((canvas.y, 16.0), (canvas.cb, 128.0), (canvas.cr, 128.0)):
        cv2.addWeighted(plane, share, plane, 0.0, (1.0 - share) * zero, dst=plane)


def paint(
    canvas: Canvas,
    mask: np.ndarray,
    bgr: tuple[float, float, float],
    *,
    x: int,
    y: int,
    strength: float = 1.0,
) -> None:
    """Paint a uint8 mask (opacity) in one colour, with its top-left corner at (x, y); in place.

    What lies beyond the picture is left out.
    """
    rows, columns = canvas.y.shape
    left, top = max(x, 0), max(y, 0)
    right, bottom = min(x + mask.shape[1], columns), min(y + mask.shape[0], rows)
    if right <= left or bottom <= top:
        return
    part = mask[top - y : bottom - y, left - x : right - x]
    luma, blue, red = bgr_to_ycc(np.array(bgr))
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


def _blend(plane: np.ndarray, mask: np.ndarray, value: float, strength: float) -> None:
    mask = mask[: plane.shape[0], : plane.shape[1]]
    share = mask * np.float32(strength / 255.0)
    plane[:] = np.rint(plane + share * (np.float32(value) - plane))
