"""Where annotation goes: free places on a coarse map of the picture.

The map knows how busy each cell is (plasma that must not be written over) and what is taken (border, other
labels, trails). Every block asks for the cheapest of its spots, every label for the free place nearest to
what it names. Places are settled once for the whole clip, so nothing wanders.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

__all__ = [
    "CELL",
    "Ground",
    "Rect",
    "crosses",
    "crowding",
    "free_spot",
    "is_free",
    "make_ground",
    "mind_line",
    "nearest_free",
    "overlaps",
    "place_anyhow",
    "place_block",
    "raise_floor",
    "take",
    "take_line",
    "take_way",
]

CELL = 8  # picture px per cell
BUSY_TONE = 0.10  # tone above the quiet Sun that counts as action
WORST = 0.02  # largest busy share of a label's cells that still counts as free


@dataclass(frozen=True, slots=True)
class Rect:
    """Whole pixels; right and bottom are the first pixel outside."""

    left: int
    top: int
    width: int
    height: int

    @property
    def right(self) -> int:
        return self.left + self.width

    @property
    def bottom(self) -> int:
        return self.top + self.height

    def grown(self, by: int, sideways: int = 0) -> Rect:
        """Larger by `by` px on every side, and by `sideways` more at left and right."""
        wide = by + sideways
        return Rect(self.left - wide, self.top - by, self.width + 2 * wide, self.height + 2 * by)


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """State of the layout; every step gives a new one."""

    width: int
    height: int
    margin: int
    floor: int  # y below which only what stands there already may be
    busy: np.ndarray  # (rows, columns) float32, 1 where there is action
    taken: np.ndarray  # (rows, columns) float32, 1 where something is placed
    placed: tuple[Rect, ...] = ()


def make_ground(width: int, height: int, margin: int, busy_tone: np.ndarray) -> Ground:
    """An empty picture over its action; `busy_tone` is a coarse map of tone above the quiet Sun."""
    size = -(-width // CELL), -(-height // CELL)
    busy = cv2.resize(busy_tone.astype(np.float32), size, interpolation=cv2.INTER_LINEAR)
    busy = cv2.dilate((busy > BUSY_TONE).astype(np.float32), np.ones((3, 3), np.uint8))
    return Ground(width, height, margin, height - margin, busy, np.zeros(size[::-1], np.float32))


def take(ground: Ground, rect: Rect, gap: int = 0, sideways: int = 0) -> Ground:
    """The ground with something placed, and a gap kept clear around it (a wider one at its sides)."""
    taken = ground.taken.copy()
    taken[_cells(rect.grown(gap, sideways))] = 1.0
    return replace(ground, taken=taken, placed=(*ground.placed, rect))


def raise_floor(ground: Ground, rect: Rect, gap: int) -> Ground:
    """The ground with everything further kept above a rectangle at the bottom."""
    return replace(take(ground, rect), floor=rect.top - gap)


def take_way(ground: Ground, rects: list[Rect]) -> Ground:
    """The ground with the way of a label that moves kept clear."""
    taken = ground.taken.copy()
    for rect in rects:
        taken[_cells(rect)] = 1.0
    return replace(ground, taken=taken)


def mind_line(ground: Ground, points_px: np.ndarray, width_px: float) -> Ground:
    """The ground with a polyline counted as action, which blocks keep clear of where they can."""
    return replace(ground, busy=_with_line(ground.busy, points_px, width_px))


def take_line(ground: Ground, points_px: np.ndarray, width_px: float) -> Ground:
    """The ground with a polyline ((n, 2) x, y) taken."""
    return replace(ground, taken=_with_line(ground.taken, points_px, width_px))


def _with_line(cells: np.ndarray, points_px: np.ndarray, width_px: float) -> np.ndarray:
    """The map with a polyline in it."""
    drawn, points = (
        cells.copy(),
        np.rint(points_px / CELL * 16.0).astype(np.int32),
    )  # 4 fractional bits; x, y order
    cv2.polylines(drawn, [points[:, None]], False, 1.0, max(1, round(width_px / CELL)), cv2.LINE_8, 4)
    return drawn


def free_spot(ground: Ground, width: int, height: int, spots: tuple[str, ...]) -> Rect | None:
    """The first of the named spots ('top left', 'bottom', ...) that is free for a block."""
    best, cost = _best_spot(ground, width, height, spots)
    return best if cost < WORST else None


def place_block(ground: Ground, width: int, height: int, spots: tuple[str, ...]) -> Rect | None:
    """The best of the named spots ('top left', 'bottom', ...) for a block; earlier ones are preferred.

    Falls back on any free place of the picture, and is None where there is none.
    """
    best, cost = _best_spot(ground, width, height, spots)
    if cost < WORST:
        return best
    return nearest_free(ground, width, height, (best.left + width / 2.0, best.top + height / 2.0))


def place_anyhow(ground: Ground, width: int, height: int, spots: tuple[str, ...]) -> Rect | None:
    """The same for a block that must not be missing: over the action if need be, but never over another
    block."""
    best, cost = _best_spot(ground, width, height, spots)
    return place_block(ground, width, height, spots) or (best if cost <= 1.0 else None)


def _best_spot(ground: Ground, width: int, height: int, spots: tuple[str, ...]) -> tuple[Rect, float]:
    rects = [_spot(ground, width, height, spot) for spot in spots]
    costs = [_cost(ground, rect) for rect in rects]
    best = int(np.argmin([cost + 0.01 * order for order, cost in enumerate(costs)]))
    return rects[best], costs[best]


def nearest_free(
    ground: Ground, width: int, height: int, anchor: tuple[float, float], *, most_px: float = np.inf
) -> Rect | None:
    """The free place for a label nearest to a point (x, y), or None within `most_px`."""
    cells = max(1, -(-width // CELL) + 1), max(1, -(-height // CELL) + 1)
    rows, columns = ground.taken.shape
    if cells[0] > columns or cells[1] > rows:
        return None
    # Means over windows whose top-left cell is the pixel; cv2 sizes and anchors are (x, y).
    blocked = cv2.boxFilter(ground.taken, -1, cells, anchor=(0, 0), borderType=cv2.BORDER_CONSTANT)
    action = cv2.boxFilter(ground.busy, -1, cells, anchor=(0, 0), borderType=cv2.BORDER_CONSTANT)
    top, left = (np.arange(n, dtype=np.float64)[:, None] * CELL for n in (rows, columns))
    left = left.T
    inside = (left >= ground.margin) & (top >= ground.margin)
    inside = inside & (left + width <= ground.width - ground.margin) & (top + height <= ground.floor)
    free = inside & (blocked < 1e-3) & (action < WORST)
    away_x = np.maximum(np.maximum(left - anchor[0], anchor[0] - left - width), 0.0)
    away_y = np.maximum(np.maximum(top - anchor[1], anchor[1] - top - height), 0.0)
    distance = np.where(free, np.hypot(away_x, away_y), np.inf)
    best = np.unravel_index(int(np.argmin(distance)), distance.shape)
    if not np.isfinite(distance[best]) or distance[best] > most_px:
        return None
    return Rect(int(best[1]) * CELL, int(best[0]) * CELL, width, height)


def is_free(ground: Ground, rect: Rect) -> bool:
    """Whether nothing stands or happens in a rectangle inside the picture."""
    part = _cells(rect)
    return not ground.taken[part].any() and float(ground.busy[part].mean()) < WORST


def crowding(ground: Ground, rect: Rect) -> float:
    """How busy and how much taken a rectangle is; large outside the picture."""
    part = _cells(rect)
    return (
        float(ground.busy[part].mean() + 3.0 * ground.taken[part].mean()) if ground.busy[part].size else 10.0
    )


def _cells(rect: Rect) -> tuple[slice, slice]:
    return np.s_[
        max(rect.top // CELL, 0) : max(-(-rect.bottom // CELL), 0),
        max(rect.left // CELL, 0) : max(-(-rect.right // CELL), 0),
    ]


def crosses(rect: Rect, start: np.ndarray, end: np.ndarray) -> bool:
    """Whether a straight line (x, y to x, y) meets a rectangle."""
    hit, _, _ = cv2.clipLine(
        (rect.left, rect.top, rect.width, rect.height),
        tuple(int(v) for v in start),
        tuple(int(v) for v in end),
    )
    return bool(hit)


def overlaps(one: Rect, other: Rect) -> bool:
    """Whether two rectangles share a pixel."""
    return (
        one.left < other.right
        and other.left < one.right
        and one.top < other.bottom
        and other.top < one.bottom
    )


def _spot(ground: Ground, width: int, height: int, spot: str) -> Rect:
    words = spot.split()
    left = (
        ground.margin
        if "left" in words
        else ground.width - ground.margin - width
        if "right" in words
        else (ground.width - width) // 2
    )
    top = (
        ground.margin
        if "top" in words
        else ground.floor - height
        if "bottom" in words
        else (ground.height - height) // 2
    )
    return Rect(left, top, width, height)


def _cost(ground: Ground, rect: Rect) -> float:
    """Share of the rectangle that is busy; more than any share where something is placed or the border is
    crossed."""
    if rect.left < 0 or rect.top < 0 or rect.right > ground.width or rect.bottom > ground.height:
        return 10.0
    part = _cells(rect)
    return float(ground.busy[part].mean()) + (10.0 if ground.taken[part].any() else 0.0)
