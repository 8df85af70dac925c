"""The marker of a moving front: its edge, its height and its speed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.motion.records import Front, Motion
from promtrack.rounding import with_error
from promtrack.show.canvas import Canvas, blank_ink, lay, paint
from promtrack.show.curves import front_curve
from promtrack.show.layout import Ground, Rect, crowding, overlaps, take_line, take_way
from promtrack.show.marks import BLACK, Page, line_mask, strokes, text_ink
from promtrack.show.records import Measured
from promtrack.show.text import REGULAR, WHITE, block_of
from promtrack.show.view import ClipView
from promtrack.sun import Orientation

__all__ = [
    "FrontMarker",
    "draw_front",
    "front_edge",
    "front_label",
    "front_marker",
    "front_words",
    "take_front",
]

GAP_STEPS = 3.5  # usual steps between two heights: over a longer gap nothing is drawn, since nothing was seen

HIDDEN = 5.0  # how much worse than a crowded place one is where the label cannot show
STEEP = 0.5  # part of an edge's run that goes sideways, below which it counts as running up and down


@dataclass(frozen=True, slots=True, eq=False)
class FrontMarker:
    """The moving edge of a front."""

    time_s: np.ndarray
    height_mm: np.ndarray
    speed_km_s: np.ndarray  # of the model; nan where none describes the front
    speed_err_km_s: np.ndarray  # chance, scale and clock
    theta_deg: np.ndarray  # (m,) image angles along the edge
    label_theta_deg: float  # where the label's near end stands
    side: tuple[
        int, int
    ]  # where the label lies from that point: 1 right or -1 left, 1 below, -1 above or 0 beside
    view: ClipView
    page: Page


def take_front(front: Front, view: ClipView, orientation: Orientation, page: Page, ground: Ground) -> Ground:
    """The ground without the sky that a front's edge sweeps over."""
    theta = np.asarray(orientation.to_image(np.linspace(front.from_deg, front.to_deg, 24)))
    for height_mm in front.height_mm:
        ground = take_line(ground, np.stack(view.to_picture(theta, height_mm), axis=1), page.unit)
    return ground


def front_marker(
    front: Front, view: ClipView, page: Page, ground: Ground, measured: Measured, late_s: float
) -> tuple[FrontMarker, Ground]:
    """Marker of a front, with the way of its label kept free."""
    theta = np.asarray(measured.orientation.to_image(np.linspace(front.from_deg, front.to_deg, 24)))
    speed, error = _speeds(front, measured.motion)
    words = [front_words(*now) for now in zip(front.height_mm, speed, error, strict=True)]
    height, width = np.max([_block(lines, page, right=False).shape for lines in words], axis=0)
    choices = []
    for end in (theta[0], theta[-1]):
        side = _label_side(view, float(np.median(theta)), float(end))
        rects = [
            _label_place(view, page, (float(end), float(h)), side, (width, height)) for h in front.height_mm
        ]
        hidden = sum(any(overlaps(rect, block) for block in ground.placed) for rect in rects)
        choices.append(
            (HIDDEN * hidden + sum(crowding(ground, rect) for rect in rects), float(end), side, rects)
        )
    _, end_deg, side, rects = min(choices, key=lambda choice: choice[0])
    ground = take_way(ground, rects)
    return FrontMarker(
        front.time_s + late_s, front.height_mm, speed, error, theta, end_deg, side, view, page
    ), ground


def _speeds(front: Front, motion: Motion) -> tuple[np.ndarray, np.ndarray]:
    """The model's speed at the front's times and its whole error [km/s]; nan where no model describes the
    front."""
    if front.best is None:
        return np.full(len(front.time_s), np.nan), np.full(len(front.time_s), np.nan)
    curve = front_curve(front, front.best, front.time_s)
    return curve.speed_km_s, np.hypot(
        curve.speed_err_km_s, curve.speed_km_s * np.hypot(motion.scale_err, motion.clock_err)
    )


def front_edge(marker: FrontMarker, now_s: float) -> np.ndarray | None:
    """(n, 2) picture points of the edge now; None where the front is not seen."""
    height_mm = _height_now(marker, now_s)
    return (
        None if height_mm is None else np.stack(marker.view.to_picture(marker.theta_deg, height_mm), axis=1)
    )


def front_label(marker: FrontMarker, now_s: float) -> tuple[tuple[str, ...], Rect] | None:
    """The lines of the label now, and where; None where the front is not seen."""
    height_mm = _height_now(marker, now_s)
    if height_mm is None:
        return None
    speed, error = (
        float(np.interp(now_s, marker.time_s, values))
        for values in (marker.speed_km_s, marker.speed_err_km_s)
    )
    words = front_words(height_mm, speed, error)
    height, width = _block(words, marker.page, right=False).shape
    return words, _label_place(
        marker.view, marker.page, (marker.label_theta_deg, height_mm), marker.side, (width, height)
    )


def draw_front(marker: FrontMarker, canvas: Canvas, now_s: float, *, labelled: bool) -> None:
    """The front's edge now, and its height and speed if there is room for them."""
    line, label, page = front_edge(marker, now_s), front_label(marker, now_s), marker.page
    if line is None or label is None:
        return
    rect, own = strokes(line, 4)
    ink = blank_ink(rect.left, rect.top, rect.width, rect.height)
    paint(ink, line_mask(rect.width, rect.height, [own], 1.6 * page.stroke + 2.0), BLACK, strength=0.5)
    paint(ink, line_mask(rect.width, rect.height, [own], 1.6 * page.stroke), WHITE, strength=0.95)
    lay(page.stamp(ink), canvas)
    if labelled:
        words, place = label
        lay(
            page.stamp(
                text_ink(_block(words, page, right=marker.side[0] < 0), place.left, place.top, page.unit)
            ),
            canvas,
        )


def _height_now(marker: FrontMarker, now_s: float) -> float | None:
    """Height between the measured ones; None before, after and in longer gaps."""
    time_s = marker.time_s
    if not time_s[0] <= now_s <= time_s[-1]:
        return None
    after = int(np.clip(np.searchsorted(time_s, now_s), 1, len(time_s) - 1))
    in_gap = time_s[after - 1] < now_s < time_s[after]
    if in_gap and time_s[after] - time_s[after - 1] > GAP_STEPS * float(np.median(np.diff(time_s))):
        return None
    return float(np.interp(now_s, time_s, marker.height_mm))


def front_words(height_mm: float, speed_km_s: float, error_km_s: float) -> tuple[str, ...]:
    """'front 212 Mm' and, below it, '180.4 ± 2.3 km/s'."""
    height = f"front {height_mm:.0f} Mm"
    return (height, with_error(speed_km_s, error_km_s, "km/s")) if np.isfinite(speed_km_s) else (height,)


def _block(words: tuple[str, ...], page: Page, *, right: bool) -> np.ndarray:
    """The label's mask, flush with the side that looks at the edge."""
    return block_of([(line, page.unit, REGULAR) for line in words], right=right, gap=0.0)


def _label_side(view: ClipView, middle_deg: float, end_deg: float) -> tuple[int, int]:
    """Beyond the edge's end; where the edge runs up and down, above or below it and away from the Sun."""
    middle, end, out = (
        np.array(view.to_picture(*place)) for place in ((middle_deg, 0.0), (end_deg, 0.0), (middle_deg, 1.0))
    )
    along = (end - middle) / max(float(np.hypot(*(end - middle))), 1e-9)
    if abs(along[0]) >= STEEP:
        return (1 if along[0] > 0.0 else -1), 0
    return (1 if out[0] > middle[0] else -1), (1 if along[1] > 0.0 else -1)


def _label_place(
    view: ClipView, page: Page, point: tuple[float, float], side: tuple[int, int], size: tuple[int, int]
) -> Rect:
    """Beside a point (image angle, height) of the edge, inside the margins."""
    x, y = view.to_picture(*point)
    width, height = size
    left = float(x) + 0.6 * page.unit if side[0] > 0 else float(x) - 0.6 * page.unit - width
    top = float(y) - height / 2.0 + side[1] * (height / 2.0 + 0.3 * page.unit)
    left = min(max(left, page.margin), page.width - page.margin - width)
    top = min(max(top, page.margin), page.height - page.margin - height)
    return Rect(round(left), round(top), width, height)
