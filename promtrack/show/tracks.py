"""Knot trails with their speeds, and the marker of a moving front."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.ndimage import gaussian_filter1d

from promtrack.motion.records import Front, KnotTrack
from promtrack.show.canvas import Canvas, Ink, Stamp, blank_ink, lay, paint
from promtrack.show.curves import front_curve
from promtrack.show.layout import Ground, Rect, crosses, crowding, nearest_free, take, take_line, take_way
from promtrack.show.marks import BLACK, KNOT_BGR, Mark, Page, line_mask, strokes, text_ink
from promtrack.show.text import REGULAR, WHITE, text_mask, text_width
from promtrack.show.view import ClipView
from promtrack.sun import Orientation

__all__ = ["FrontMarker", "Trail", "draw_front", "draw_head", "front_marker", "front_words", "knot_trails", "speed_mask", "speed_words"]

LABELLED, DRAWN = 6, 12   # trails that carry their speed, and trails at all: the fastest ones
FEW = 3                   # trails with their speed where more than DRAWN knots move: a crowd of labels says nothing
KNOT_TYPE = 1.1           # units of type: the speeds are what a phone must still show
SMOOTH_POINTS = 1.5
PLACES = 8                # rounds of places tried for a label
FAR = 9.0                 # units of type: a label farther from its trail than this would not be read as its own


@dataclass(frozen=True, slots=True, eq=False)
class Trail:
    """One moving knot in the picture."""

    time_s: np.ndarray        # since the first frame shown
    points_px: np.ndarray     # (n, 2) x, y
    marks: tuple[Mark, ...]
    label: Rect | None
    page: Page


@dataclass(frozen=True, slots=True, eq=False)
class FrontMarker:
    """The moving edge of a front."""

    time_s: np.ndarray
    height_mm: np.ndarray
    speed_km_s: np.ndarray    # of the model; nan where none describes the front
    theta_deg: np.ndarray     # (m,) image angles along the edge
    label_theta_deg: float    # where the label's near end stands
    right: bool               # the label lies to the right of that point
    view: ClipView
    page: Page


def knot_trails(knots: tuple[KnotTrack, ...], view: ClipView, orientation: Orientation, page: Page, ground: Ground, *,
                late_s: float, linger_s: float) -> tuple[list[Trail], Ground]:
    """Trails of the fastest moving knots, the first few with labels where there is room.

    Parameters
    ----------
    late_s : seconds from the first frame shown to the first strip (added to the tracks' times)
    linger_s : how long a trail stays after its knot is gone
    """
    moving = sorted((k for k in knots if k.moving), key=lambda k: -k.fit.speed_km_s)
    lines = []
    for knot in moving:
        x, y = view.to_picture(orientation.to_image(knot.angle_deg), knot.height_mm)
        lines.append(np.stack([x, y], axis=1))
    inside = [_inside(line, page) for line in lines]
    labelled = LABELLED if sum(inside) <= DRAWN else FEW
    moving = [k for k, good in zip(moving, inside, strict=True) if good][:DRAWN]
    lines = [_smoothed(line) for line, good in zip(lines, inside, strict=True) if good][:DRAWN]
    for line in lines:
        ground = take_line(ground, line, page.unit)
    trails: list[Trail] = []
    for order, (knot, line) in enumerate(zip(moving, lines, strict=True)):
        label = None
        if order < labelled:
            label, ground = _place_label(knot, line, page, ground, [t.label for t in trails if t.label is not None])
        trails.append(_trail(knot, line, label, page, late_s, linger_s))
    return trails, ground


def draw_head(trail: Trail, canvas: Canvas, now_s: float) -> None:
    """A small ring round the knot's place now."""
    page = trail.page
    if trail.label is None or not trail.time_s[0] <= now_s <= trail.time_s[-1]:
        return
    x, y = (float(np.interp(now_s, trail.time_s, column)) for column in trail.points_px.T)
    reach = round(0.42 * page.unit) + 4
    if reach < x < page.width - reach - 2 and reach < y < page.height - reach - 2:
        left, top = int(x - reach) // 2 * 2, int(y - reach) // 2 * 2
        lay(_ring(page, round(4.0 * (x - left)), round(4.0 * (y - top))), canvas, at=(left, top))


@lru_cache(maxsize=512)
def _ring(page: Page, x_quarters: int, y_quarters: int) -> Stamp:
    """A ring with its centre at that many quarters of a pixel, in the picture's corner."""
    angle = np.linspace(0.0, 2.0 * np.pi, 48)
    ring = np.array([x_quarters, y_quarters]) / 4.0 + 0.42 * page.unit * np.stack([np.cos(angle), np.sin(angle)], axis=1)
    size = 2 * round(0.42 * page.unit) + 14
    ink = blank_ink(0, 0, size, size)
    paint(ink, line_mask(size, size, [ring], 1.2 * page.stroke), KNOT_BGR, strength=0.95)
    return page.stamp(ink)


def speed_words(knot: KnotTrack) -> str:
    """'33.1 ± 0.8 km/s', to the first figure of the error."""
    fit = knot.fit
    digits = 0 if fit.speed_err_km_s >= 0.95 else 1
    return f"{fit.speed_km_s:.{digits}f} ± {max(fit.speed_err_km_s, 0.1):.{digits}f} km/s"


def speed_mask(knot: KnotTrack, page: Page) -> np.ndarray:
    """The speed as a mask, in the size in which the clip shows it."""
    return text_mask(speed_words(knot), round(KNOT_TYPE * page.unit), REGULAR)


def front_marker(front: Front, view: ClipView, orientation: Orientation, page: Page, ground: Ground,
                 late_s: float) -> tuple[FrontMarker, Ground]:
    """Marker of a front, with the way of its label kept free."""
    theta = np.asarray(orientation.to_image(np.linspace(front.from_deg, front.to_deg, 24)))
    longest = front_words(888.0, 888.0 if front.best else np.nan)
    width, height = text_width(longest, page.unit, REGULAR) + page.unit // 2, round(1.3 * page.unit)
    choices = []
    for end in (theta[0], theta[-1]):
        outward = np.array(view.to_picture(end, 0.0)) - np.array(view.to_picture(np.median(theta), 0.0))
        right = bool(outward[0] >= 0.0)
        rects = [_front_label(view, page, float(end), right, float(h), width, height) for h in front.height_mm[::2]]
        choices.append((sum(crowding(ground, rect) for rect in rects), float(end), right, rects))
    _, end_deg, right, rects = min(choices, key=lambda choice: choice[0])
    ground = take_way(ground, rects)
    for h in front.height_mm[::4]:
        x, y = view.to_picture(theta, h)
        ground = take_line(ground, np.stack([x, y], axis=1), page.unit)
    speed = front_curve(front, front.best, front.time_s).speed_km_s if front.best else np.full(len(front.time_s), np.nan)
    return FrontMarker(front.time_s + late_s, front.height_mm, speed, theta, end_deg, right, view, page), ground


def draw_front(marker: FrontMarker, canvas: Canvas, now_s: float) -> None:
    """The front's edge now, and its height."""
    if not marker.time_s[0] <= now_s <= marker.time_s[-1]:
        return
    page, view = marker.page, marker.view
    height_mm = float(np.interp(now_s, marker.time_s, marker.height_mm))
    line = np.stack(view.to_picture(marker.theta_deg, height_mm), axis=1)
    rect, own = strokes(line, 4)
    ink = blank_ink(rect.left, rect.top, rect.width, rect.height)
    paint(ink, line_mask(rect.width, rect.height, [own], 1.6 * page.stroke + 2.0), BLACK, strength=0.5)
    paint(ink, line_mask(rect.width, rect.height, [own], 1.6 * page.stroke), WHITE, strength=0.95)
    lay(page.stamp(ink), canvas)
    mask = text_mask(front_words(height_mm, float(np.interp(now_s, marker.time_s, marker.speed_km_s))), page.unit, REGULAR)
    place = _front_label(view, page, marker.label_theta_deg, marker.right, height_mm, mask.shape[1], mask.shape[0])
    lay(page.stamp(text_ink(mask, place.left, place.top, page.unit)), canvas)


def front_words(height_mm: float, speed_km_s: float) -> str:
    """'front 212 Mm, 180 km/s'."""
    speed = f", {speed_km_s:.0f} km/s".replace("-", "−") if np.isfinite(speed_km_s) else ""
    return f"front {height_mm:.0f} Mm{speed}"


def _front_label(view: ClipView, page: Page, theta: float, right: bool, height_mm: float, width: int, height: int) -> Rect:
    x, y = view.to_picture(theta, height_mm)
    left = float(x) + 0.6 * page.unit if right else float(x) - 0.6 * page.unit - width
    left = min(max(left, page.margin), page.width - page.margin - width)
    top = min(max(float(y) - height / 2.0, page.margin), page.height - page.margin - height)
    return Rect(round(left), round(top), width, height)


def _inside(line: np.ndarray, page: Page) -> bool:
    return bool(((line > 0) & (line < np.array([page.width, page.height]) - 1)).all(axis=1).mean() > 0.8)


def _smoothed(line: np.ndarray) -> np.ndarray:
    """The track without the jitter of its points: the trail shows the way, the ring on it the knot."""
    return gaussian_filter1d(line, SMOOTH_POINTS, axis=0, mode="nearest") if len(line) > 5 else line


def _place_label(knot: KnotTrack, line: np.ndarray, page: Page, ground: Ground, others: list[Rect]) -> tuple[Rect | None, Ground]:
    """A free place near the trail from which a leader runs to it without crossing another label."""
    mask = speed_mask(knot, page)
    height, width = mask.shape
    trial, found = ground, []
    for _ in range(PLACES):
        anchors = (line[-1], line[len(line) // 2], line[0])
        spots = [nearest_free(trial, width, height, tuple(anchor), most_px=FAR * page.unit) for anchor in anchors]
        for rect in filter(None, spots):
            _, start, end, away = _reach(rect, line)
            if not any(crosses(other.grown(2), start, end) for other in others):
                found.append((away, rect))
            trial = take(trial, Rect(rect.left + width // 2 - 4, rect.top + height // 2 - 4, 8, 8))
        if found:
            break
    if not found:
        return None, ground
    rect = min(found, key=lambda pair: pair[0])[1]
    ground = take(ground, rect, page.unit // 5, page.unit // 3)
    _, start, end, _ = _reach(rect, line)
    return rect, take_line(ground, np.array([start, end]), 1.0)


def _reach(rect: Rect, line: np.ndarray) -> tuple[int, np.ndarray, np.ndarray, float]:
    """The trail's point nearest to a label: its number, the label's edge, the point, and their distance."""
    edges = np.array([_nearest_edge(rect, point) for point in line])
    away = np.hypot(*(edges - line).T)
    near = int(np.argmin(away))
    return near, edges[near], line[near], float(away[near])


def _nearest_edge(rect: Rect, point: np.ndarray) -> np.ndarray:
    return np.array([np.clip(point[0], rect.left, rect.right), np.clip(point[1], rect.top, rect.bottom)])


def _trail(knot: KnotTrack, line: np.ndarray, label: Rect | None, page: Page, late_s: float, linger_s: float) -> Trail:
    time_s = knot.time_s + late_s
    rect, own = strokes(line, 4)
    ink = blank_ink(rect.left, rect.top, rect.width, rect.height)
    weight = 1.0 if label is not None else 0.45
    paint(ink, line_mask(rect.width, rect.height, [own], 1.3 * page.stroke + 3.0), BLACK, strength=0.45 * weight)
    paint(ink, line_mask(rect.width, rect.height, [own], 1.3 * page.stroke), KNOT_BGR, strength=0.95 * weight)
    kept = 0.65 if label is not None else 0.0
    marks = [Mark(page.stamp(ink, _arrival(own, time_s, rect)), until_s=float(time_s[-1]) + linger_s, ease_s=max(linger_s, 1e-3),
                  fade_s=max(0.35 * float(time_s[-1] - time_s[0]), 1.0) if label is not None else 0.0, rest=0.55, after=kept)]
    if label is not None:
        words = text_ink(speed_mask(knot, page), label.left, label.top, page.unit, KNOT_BGR)
        life = {"until_s": float(time_s[-1]) + linger_s, "ease_s": max(linger_s, 1e-3), "after": 0.8}
        near, leader = _leader(label, line, page)
        # The speed comes up as the knot passes its label, so that one sees which is whose.
        start = float(time_s[min(max(near, 2), int(0.6 * len(time_s)))])
        marks += [Mark(page.stamp(part), from_s=start, **life) for part in (words, leader) if part is not None]
    return Trail(time_s, line, tuple(marks), label, page)


def _arrival(own: np.ndarray, time_s: np.ndarray, rect: Rect) -> np.ndarray:
    """(h, w) time at which the knot passes nearest to each pixel."""
    fine = np.linspace(time_s[0], time_s[-1], max(4 * len(time_s), 32))
    path = np.stack([np.interp(fine, time_s, column) for column in own.T], axis=1)
    y, x = np.mgrid[:rect.height, :rect.width].astype(np.float32)
    best, born = np.full(x.shape, np.inf, np.float32), np.zeros(x.shape)
    for (px, py), moment in zip(path, fine, strict=True):
        away = (x - np.float32(px)) ** 2 + (y - np.float32(py)) ** 2
        nearer = away < best
        best[nearer], born[nearer] = away[nearer], moment
    return born


def _leader(label: Rect, line: np.ndarray, page: Page) -> tuple[int, Ink | None]:
    """The point of the trail nearest to the label, and a thin line there where the two do not touch anyway."""
    near, edge, point, away = _reach(label, line)
    if away < 0.8 * page.unit:
        return near, None
    along = (point - edge) / away
    ends = np.array([edge + 0.15 * page.unit * along, point - 0.45 * page.unit * along])
    rect, own = strokes(ends, 3)
    ink = blank_ink(rect.left, rect.top, rect.width, rect.height)
    paint(ink, line_mask(rect.width, rect.height, [own], page.stroke), KNOT_BGR, strength=0.6)
    return near, ink
