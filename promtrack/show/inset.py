"""The growing height-time plot in a corner of the clip: the front where there is one, else the knots."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.motion.records import Motion
from promtrack.show.canvas import Ink, blank_ink, paint
from promtrack.show.furniture import nice_step
from promtrack.show.layout import Ground, Rect, place_block, take
from promtrack.show.marks import BLACK, KNOT_BGR, Mark, Page, line_mask
from promtrack.show.text import REGULAR, WHITE, text_mask

__all__ = ["make_inset"]

CURVES = 3  # knots shown where there is no front
TIME_STEPS = (1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0)


@dataclass(frozen=True, slots=True, eq=False)
class Curve:
    """One track against time."""

    time_s: np.ndarray
    height_mm: np.ndarray
    model_mm: np.ndarray | None
    bgr: tuple[float, float, float]


def make_inset(
    motion: Motion, span_s: float, late_s: float, page: Page, ground: Ground
) -> tuple[list[Mark], Ground]:
    """The inset's marks, or none where nothing moves or no corner is free."""
    curves = _curves(motion, late_s)
    if not curves:
        return [], ground
    width, height = round(11.5 * page.unit), round(7.0 * page.unit)
    rect = place_block(
        ground, width, height, ("top right", "top left", "bottom right", "bottom left", "right", "left")
    )
    if rect is None:
        return [], ground
    heights = np.concatenate([c.height_mm for c in curves])
    plot, (low, high) = _plot_area(rect, page), _limits(heights)

    def to_px(time_s: np.ndarray, height_mm: np.ndarray) -> np.ndarray:
        x = plot.left + plot.width * np.asarray(time_s) / max(span_s, 1e-6)
        return np.stack([x, plot.bottom - plot.height * (np.asarray(height_mm) - low) / (high - low)], axis=1)

    marks = [Mark(page.stamp(_panel(rect, plot, page, span_s, (low, high))))]
    for curve in curves:
        marks += _growing(curve, to_px, rect, page)
    return marks, take(ground, rect, page.unit // 2)


def _curves(motion: Motion, late_s: float) -> list[Curve]:
    fronts = [f for f in motion.fronts if f.moving]
    if fronts:
        front = max(fronts, key=lambda f: float(f.height_mm.max()))
        return [
            Curve(front.time_s + late_s, front.height_mm, front.best.curve_mm if front.best else None, WHITE)
        ]
    knots = sorted((k for k in motion.knots if k.moving), key=lambda k: -k.fit.speed_km_s)[:CURVES]
    return [Curve(k.time_s + late_s, k.height_mm, None, KNOT_BGR) for k in knots]


def _plot_area(rect: Rect, page: Page) -> Rect:
    left, top, right, bottom = (
        round(2.3 * page.unit),
        round(1.75 * page.unit),
        round(0.9 * page.unit),
        round(1.7 * page.unit),
    )
    return Rect(rect.left + left, rect.top + top, rect.width - left - right, rect.height - top - bottom)


def _limits(height_mm: np.ndarray) -> tuple[float, float]:
    low, high = float(height_mm.min()), float(height_mm.max())
    room = max(0.08 * (high - low), 1.0)
    return (0.0 if low < 0.6 * high else low - room), high + room


def _panel(rect: Rect, plot: Rect, page: Page, span_s: float, limits: tuple[float, float]) -> Ink:
    """Ground, axes, ticks and names."""
    ink = blank_ink(rect.left, rect.top, rect.width, rect.height)
    paint(ink, _rounded(rect.width, rect.height, round(0.5 * page.unit)), BLACK, strength=0.62)
    size = round(0.74 * page.unit)
    own = Rect(plot.left - rect.left, plot.top - rect.top, plot.width, plot.height)
    frame = np.array([[own.left, own.top - 0.3 * page.unit], [own.left, own.bottom], [own.right, own.bottom]])
    lines = [frame]
    paint(
        ink,
        text_mask("height (Mm)", size, REGULAR),
        WHITE,
        x=own.left - round(1.6 * page.unit),
        y=round(0.4 * page.unit),
        strength=0.9,
    )
    low, high = limits
    step = nice_step((high - low) / 3.2)
    for value in np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step:
        y = own.bottom - own.height * (value - low) / (high - low)
        lines.append(np.array([[own.left - 0.22 * page.unit, y], [own.left, y]]))
        mask = text_mask(f"{value:g}", size, REGULAR)
        paint(
            ink,
            mask,
            WHITE,
            x=own.left - round(0.4 * page.unit) - mask.shape[1],
            y=round(y - 0.56 * mask.shape[0]),
            strength=0.9,
        )
    unit_s, name = (3600.0, "h") if span_s > 3 * 3600 else (60.0, "min")
    step = next((n for n in TIME_STEPS if n >= span_s / unit_s / 4.5), nice_step(span_s / unit_s / 4.5))
    ticks = np.arange(1, np.floor(span_s / unit_s / step) + 1) * step
    for value in ticks:
        x = own.left + own.width * value * unit_s / span_s
        lines.append(np.array([[x, own.bottom], [x, own.bottom + 0.22 * page.unit]]))
        mask = text_mask(f"{value:g} {name}" if value == ticks[-1] else f"{value:g}", size, REGULAR)
        left = min(round(x - mask.shape[1] / 2.0), rect.width - mask.shape[1] - 4)
        paint(ink, mask, WHITE, x=left, y=own.bottom + round(0.3 * page.unit), strength=0.9)
    paint(ink, line_mask(rect.width, rect.height, lines, page.stroke), WHITE, strength=0.7)
    return ink


def _growing(curve: Curve, to_px, rect: Rect, page: Page) -> list[Mark]:
    """The model as a thin line and the points as dots, each appearing at its time."""
    marks = []
    if curve.model_mm is not None:
        line = to_px(curve.time_s, curve.model_mm) - [rect.left, rect.top]
        ink = blank_ink(rect.left, rect.top, rect.width, rect.height)
        paint(ink, line_mask(rect.width, rect.height, [line], page.stroke), KNOT_BGR, strength=0.9)
        born = np.repeat(
            np.interp(np.arange(rect.width) - 0.5, line[:, 0], curve.time_s)[None], rect.height, axis=0
        )
        marks.append(Mark(page.stamp(ink, born)))
    points = to_px(curve.time_s, curve.height_mm) - [rect.left, rect.top]
    ink, radius = blank_ink(rect.left, rect.top, rect.width, rect.height), max(1.6, 0.12 * page.unit)
    mask, born = np.zeros((rect.height, rect.width)), np.full((rect.height, rect.width), np.inf)
    reach = int(radius) + 2
    for point, moment in zip(points, curve.time_s, strict=True):
        left, top = (max(int(p) - reach, 0) for p in point)
        right, bottom = (
            min(int(point[0]) + reach + 1, rect.width),
            min(int(point[1]) + reach + 1, rect.height),
        )
        part = np.s_[top:bottom, left:right]
        y, x = np.mgrid[part]
        cover = np.clip(radius + 0.5 - np.hypot(x - point[0], y - point[1]), 0.0, 1.0)
        new = cover > mask[part]
        mask[part][new] = cover[new]
        born[part][new & np.isinf(born[part])] = moment
    paint(ink, np.rint(255.0 * mask).astype(np.uint8), curve.bgr)
    marks.append(Mark(page.stamp(ink, born)))
    return marks


def _rounded(width: int, height: int, radius: int) -> np.ndarray:
    """uint8 mask of a rectangle with round corners."""
    y, x = np.mgrid[:height, :width].astype(np.float32)
    away_x = np.maximum(np.abs(x - (width - 1) / 2.0) - ((width - 1) / 2.0 - radius), 0.0)
    away_y = np.maximum(np.abs(y - (height - 1) / 2.0) - ((height - 1) / 2.0 - radius), 0.0)
    return np.rint(255.0 * np.clip(radius + 0.5 - np.hypot(away_x, away_y), 0.0, 1.0)).astype(np.uint8)
