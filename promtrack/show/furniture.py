"""The standing parts of the annotation: scale bar with the Earth, compass, title, note, height arcs.

Each builder measures its block first, asks the layout for a place, and gives ink.
"""

from __future__ import annotations

import cv2
import numpy as np

from promtrack.show.canvas import Ink, blank_ink, paint
from promtrack.show.layout import (
    Ground,
    Rect,
    free_spot,
    is_free,
    nearest_free,
    place_anyhow,
    place_block,
    raise_floor,
    take,
)
from promtrack.show.marks import Page, line_mask, shaded, strokes, text_ink
from promtrack.show.text import MEDIUM, REGULAR, WHITE, block_of, text_mask, text_width, tight
from promtrack.show.view import ClipView
from promtrack.sun import EARTH_RADIUS_KM, Orientation

__all__ = [
    "arc_lines",
    "compass_ink",
    "height_arcs",
    "height_labels",
    "nice_step",
    "note_ink",
    "scale_inks",
    "title_ink",
]

NICE = (1.0, 2.0, 5.0)
EARTH_BGR = (232.0, 170.0, 96.0)
NOTE_TYPE = {
    False: 0.9,
    True: 0.8,
}  # units of type, by whether the picture is narrow: 7 px and more on a phone 390 px wide
CRUMB = 4.0  # units of type: a shorter piece of an arc between blocks is left out


def title_ink(title: str, credit: str, page: Page, ground: Ground) -> tuple[list[Ink], Ground]:
    """Title line and credit line."""
    lines = [(title, round(1.45 * page.unit), MEDIUM)] if title else []
    lines += [(credit, round(0.82 * page.unit), REGULAR)] if credit else []
    if not lines:
        return [], ground
    room = page.width - 2 * page.margin
    lines = [
        (text, round(size * min(1.0, room / text_width(text, size, weight))), weight)
        for text, size, weight in lines
    ]
    mask = block_of(lines)
    rect = place_block(ground, mask.shape[1], mask.shape[0], ("top left", "top right", "top"))
    if rect is None:
        return [], ground
    if rect.left > page.width // 2:
        mask = block_of(lines, right=True)
    return [text_ink(mask, rect.left, rect.top, page.unit)], take(ground, rect, page.unit // 2)


def note_ink(parts: list[str], page: Page, ground: Ground) -> tuple[list[Ink], Ground]:
    """The footnote, a line each part; in a narrow picture it has the bottom to itself, as many parts a line
    as fit."""
    size = max(round(NOTE_TYPE[page.narrow] * page.unit), 10)
    lines = _packed(parts, size, page.width - 2 * page.margin) if page.narrow else parts
    block = block_of([(line, size, REGULAR) for line in lines])
    at_foot = [free_spot(ground, block.shape[1], block.shape[0], ("bottom",))]
    for share, far in (
        (0.5, 1.0),
        (1.0, 6.0),
        (0.0, 6.0),
    ):  # beside the middle of the foot, above the scale bar, above the clock
        place = share * page.width, float(ground.floor)
        at_foot.append(nearest_free(ground, block.shape[1], block.shape[0], place, most_px=far * page.unit))
    rect = next((place for place in at_foot if place is not None), None)
    if rect is None:
        rect = place_anyhow(ground, block.shape[1], block.shape[0], ("bottom right", "bottom left", "top"))
    if rect is None:
        return [], ground
    low = page.narrow and rect.bottom == ground.floor
    ground = raise_floor(ground, rect, round(0.9 * page.unit)) if low else take(ground, rect, page.unit // 2)
    return [text_ink(block, rect.left, rect.top, page.unit, strength=0.86)], ground


def _packed(parts: list[str], size: int, room: int) -> list[str]:
    """As many parts in a line as fit."""
    lines = parts[:1]
    for part in parts[1:]:
        longer = f"{lines[-1]}   {part}"
        lines = [*lines[:-1], longer] if text_width(longer, size, REGULAR) <= room else [*lines, part]
    return lines


def nice_step(least: float) -> float:
    """The smallest of 1, 2, 5 times a power of ten that is not below `least`."""
    power = 10.0 ** np.floor(np.log10(least))
    return float(next((n * power for n in NICE if n * power >= least * (1.0 - 1e-9)), 10.0 * power))


def scale_inks(
    view: ClipView, page: Page, ground: Ground, *, bar: bool, earth: bool
) -> tuple[list[Ink], Ground]:
    """Scale bar in Mm, and the Earth beside it at the same scale."""
    mm_px = 1e3 / view.km_per_px
    length_mm = nice_step(0.10 * min(view.width, view.height) / mm_px)
    bar_px = length_mm * mm_px
    earth_px = 2.0 * EARTH_RADIUS_KM / view.km_per_px
    size = round(1.1 * page.unit)
    label, name = text_mask(f"{length_mm:g} Mm", size, REGULAR), text_mask("Earth", size, REGULAR)
    tick = round(0.42 * page.unit)
    bar_width = max(round(bar_px) + 3, label.shape[1]) if bar else 0
    earth_width = max(round(earth_px) + 3, name.shape[1]) if earth else 0
    gap = page.unit if bar and earth else 0
    low = max(tick, round(earth_px) + 3 if earth else 0)
    width, height = bar_width + gap + earth_width, label.shape[0] + low + round(0.25 * page.unit)
    rect = place_anyhow(ground, width, height, ("bottom right", "bottom left", "top right", "top left"))
    if rect is None:
        return [], ground
    inks = []
    foot = rect.bottom - 2
    if bar:
        x0 = rect.left + 1.0
        end = np.array([[x0, foot - tick], [x0, foot], [x0 + bar_px, foot], [x0 + bar_px, foot - tick]])
        inks.append(polyline_ink(end, page, 1.5 * page.stroke))
        inks.append(
            text_ink(label, rect.left, foot - tick - label.shape[0] - round(0.1 * page.unit), page.unit)
        )
    if earth:
        left = rect.left + bar_width + gap
        middle = left + earth_width / 2.0
        inks.append(_earth_ink(middle, foot - earth_px / 2.0, earth_px / 2.0))
        inks.append(text_ink(name, round(middle - name.shape[1] / 2.0), rect.top, page.unit))
    return inks, take(ground, rect, page.unit // 2)


def polyline_ink(points_px: np.ndarray, page: Page, stroke_px: float, strength: float = 1.0) -> Ink:
    """A polyline in picture coordinates over a soft dark surround."""
    rect, own = strokes(points_px, round(stroke_px) + 2)
    return shaded(rect, line_mask(rect.width, rect.height, [own], stroke_px), page, strength=strength)


def _earth_ink(x: float, y: float, radius: float) -> Ink:
    """The Earth as a softly lit ball, to scale."""
    reach = int(np.ceil(radius)) + 3
    left, top = int(np.floor(x)) - reach, int(np.floor(y)) - reach
    size = 2 * reach + 2
    grid_y, grid_x = np.mgrid[:size, :size].astype(np.float64)
    dx, dy = (grid_x + left - x) / radius, (grid_y + top - y) / radius
    distance = np.hypot(dx, dy)
    edge = np.clip((1.0 - distance) * radius + 0.5, 0.0, 1.0)
    ball = np.sqrt(np.clip(1.0 - distance**2, 0.0, 1.0))
    light = np.clip(0.62 + 0.5 * (-0.55 * dx - 0.45 * dy + 0.5 * ball), 0.35, 1.25)
    ink = blank_ink(left, top, size, size)
    shade = (255.0 * np.clip((1.0 - distance) * radius + 2.5, 0.0, 1.0)).astype(np.uint8)
    paint(ink, cv2.GaussianBlur(shade, (0, 0), 1.2), (0.0, 0.0, 0.0), strength=0.5)
    ink.bgr[:] = ink.bgr * (1.0 - edge[..., None]) + edge[..., None] * np.clip(
        light[..., None] * np.array(EARTH_BGR), 0.0, 255.0
    )
    ink.opacity[:] = ink.opacity * (1.0 - edge) + edge
    return ink


def compass_ink(
    view: ClipView, orientation: Orientation, page: Page, ground: Ground
) -> tuple[list[Ink], Ground]:
    """Arrows to solar north and east where they are known, else one arrow to the camera's image up."""
    if orientation.position_angles:
        arrows = [
            ("N", float(orientation.to_image(0.0)), 1.0),
            ("E", float(orientation.to_image(90.0)), 0.72),
        ]
    else:
        arrows = [("image up", 0.0, 1.0)]
    length = 2.0 * page.unit
    names = [tight(text_mask(name, round(0.9 * page.unit), REGULAR)) for name, _, _ in arrows]
    tips = []
    for _, theta, share in arrows:
        angle = view.side * np.deg2rad(theta - view.turn_deg)
        tips.append(np.array([-np.sin(angle), -np.cos(angle)]) * length * share)
    ends = [tip * (1.0 + 0.55 * page.unit / np.linalg.norm(tip)) for tip in tips]
    boxes = [
        np.array(
            [
                end[0] - n.shape[1] * (0.5 - 0.5 * _lean(end[0])),
                end[1] - n.shape[0] * (0.5 - 0.5 * _lean(end[1])),
            ]
        )
        for end, n in zip(ends, names, strict=True)
    ]
    low = np.min([np.zeros(2) - 0.3 * page.unit, *tips, *boxes], axis=0)
    high = np.max(
        [
            np.zeros(2) + 0.3 * page.unit,
            *tips,
            *[b + n.shape[::-1] for b, n in zip(boxes, names, strict=True)],
        ],
        axis=0,
    )
    size = np.ceil(high - low).astype(int)
    rect = place_block(
        ground, int(size[0]), int(size[1]), ("top right", "top left", "bottom right", "bottom left")
    )
    if rect is None:
        return [], ground
    origin = np.array([rect.left, rect.top]) - low
    inks = [_arrow_ink(origin, origin + tip, page) for tip in tips]
    corners = [np.rint(origin + box).astype(int) for box in boxes]
    inks += [
        text_ink(name, int(corner[0]), int(corner[1]), page.unit)
        for name, corner in zip(names, corners, strict=True)
    ]
    return inks, take(ground, rect, page.unit // 2)


def _lean(part: float) -> float:
    """-1, 0 or 1: to which side of an arrow's end its name is set."""
    return 0.0 if abs(part) < 8.0 else float(np.sign(part))


def _arrow_ink(start: np.ndarray, tip: np.ndarray, page: Page) -> Ink:
    along = (tip - start) / np.linalg.norm(tip - start)
    across = np.array([-along[1], along[0]])
    head = 0.38 * page.unit
    wings = [tip - head * (along + 0.62 * across), tip, tip - head * (along - 0.62 * across)]
    rect, _ = strokes(np.array([start, *wings]), 4)
    corner = np.array([rect.left, rect.top])
    mask = line_mask(
        rect.width,
        rect.height,
        [np.array([start, tip]) - corner, np.array(wings) - corner],
        1.3 * page.stroke,
    )
    return shaded(rect, mask, page)


def height_labels(
    view: ClipView, page: Page, ground: Ground, top_mm: float
) -> tuple[list[Ink], Ground, list[tuple[float, Rect]]]:
    """Labels of arcs of equal height above the limb, with the height and the place of each.

    A height without room for its label is left out.
    """
    step = nice_step(max(3.0 * page.unit * view.km_per_px * 1e-3, top_mm / 4.0))
    inks, labels = [], []
    for height_mm in step * np.arange(1, 6):
        line = _arc_inside(view, float(height_mm), page.margin)
        if height_mm > 1.35 * top_mm + step or line is None:
            break
        mask = text_mask(f"{height_mm:g} Mm", round(0.86 * page.unit), REGULAR)
        rect = _label_on(ground, line, mask, page)
        if rect is None:
            continue
        inks.append(text_ink(mask, rect.left, rect.top, page.unit, strength=0.92))
        labels.append((float(height_mm), rect))
        ground = take(ground, rect, page.unit // 3)
    return inks, ground, labels


def height_arcs(view: ClipView, page: Page, labels: list[tuple[float, Rect]], words: list[Rect]) -> Ink:
    """The arcs that belong to the labels, broken at every label and at further words and blocks; no crumbs
    are left."""
    arcs = np.zeros((page.height, page.width), np.uint8)
    for height_mm, _ in labels:
        arcs = np.maximum(arcs, _arc_mask(view, height_mm, page))
    gaps = [rect.grown(round(0.35 * page.unit)) for _, rect in labels] + [
        rect.grown(round(0.1 * page.unit)) for rect in words
    ]
    for gap in gaps:
        arcs[max(gap.top, 0) : max(gap.bottom, 0), max(gap.left, 0) : max(gap.right, 0)] = 0
    _, numbers, stats, _ = cv2.connectedComponentsWithStats(
        np.ascontiguousarray(arcs > 0).view(np.uint8), connectivity=8
    )
    sides = stats[:, [cv2.CC_STAT_WIDTH, cv2.CC_STAT_HEIGHT]].max(axis=1)
    crumb = sides < CRUMB * page.unit
    for _, rect in labels:  # the piece next to its label says whose label it is
        near = rect.grown(page.unit)
        crumb[np.unique(numbers[max(near.top, 0) : near.bottom, max(near.left, 0) : near.right])] = False
    crumb |= sides < page.unit
    arcs[crumb[numbers]] = 0
    ink = blank_ink(0, 0, page.width, page.height)
    paint(ink, arcs, WHITE, strength=0.42)
    return ink


def arc_lines(view: ClipView, labels: list[tuple[float, Rect]]) -> list[np.ndarray]:
    """The arcs that belong to the labels, as polylines inside the picture."""
    lines = [_arc_inside(view, height_mm, 0) for height_mm, _ in labels]
    return [line for line in lines if line is not None]


def _arc_points(view: ClipView, height_mm: float) -> np.ndarray:
    """(n, 2) picture points of a whole circle of equal height, every 2 px or so."""
    radius = view.radius_px + height_mm * 1e3 / view.km_per_px
    angle = np.linspace(-np.pi, np.pi, int(np.clip(np.pi * radius, 400, 40_000)))
    return np.stack([view.sun_x_px - radius * np.sin(angle), view.sun_y_px - radius * np.cos(angle)], axis=1)


def _arc_inside(view: ClipView, height_mm: float, margin: int) -> np.ndarray | None:
    points = _arc_points(view, height_mm)
    inside = ((points > margin) & (points < np.array([view.width, view.height]) - margin)).all(axis=1)
    return points[inside] if inside.sum() > 40 else None


def _label_on(ground: Ground, line: np.ndarray, mask: np.ndarray, page: Page) -> Rect | None:
    """A free place for the label on the arc, nearest to one of the arc's ends."""
    height, width = mask.shape
    order = line[np.argsort(np.hypot(*(line - line[0]).T))]
    for point in order[:: max(1, len(order) // 120)]:
        left, top = round(point[0] - width / 2.0), round(point[1] - height / 2.0)
        rect = Rect(left, top, width, height)
        if (
            left < page.margin
            or top < page.margin
            or rect.right > page.width - page.margin
            or rect.bottom > page.height - page.margin
        ):
            continue
        if is_free(ground, rect):
            return rect
    return None


def _arc_mask(view: ClipView, height_mm: float, page: Page) -> np.ndarray:
    """The whole arc."""
    points = _arc_points(view, height_mm)
    keep = np.all((points > -20) & (points < np.array([view.width, view.height]) + 20), axis=1)
    cuts = np.flatnonzero(np.diff(keep.astype(int))) + 1
    lines = [run for run, start in zip(np.split(points, cuts), [0, *cuts], strict=True) if keep[start]]
    return line_mask(page.width, page.height, lines, page.stroke)
