"""Where annotation goes: free places on a coarse map of the picture.

The map knows how busy each cell is (plasma that must not be written over) and what is taken (borders, other
words, paths). Places are settled once for the whole clip, so nothing wanders.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

CELL = 8  # picture px per cell
FREE = 0.02  # of a block may lie over plasma


@dataclass(frozen=True, slots=True)
class Rect:
    """Whole pixels; right and bottom are the first pixel outside."""

    left: int
    top: int
    width: int
    height: int

    @property
    def right(self) -> int:
        """First column outside, px."""
        return self.left + self.width

    @property
    def bottom(self) -> int:
        """First row outside, px."""
        return self.top + self.height

    def grown(self, by: int) -> Rect:
        """Larger by `by` px on every side."""
        return Rect(self.left - by, self.top - by, self.width + 2 * by, self.height + 2 * by)

    def overlaps(self, other: Rect) -> bool:
        """Whether they share a pixel."""
        across = self.left < other.right and other.left < self.right
        return across and self.top < other.bottom and other.top < self.bottom


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """State of the layout; every step gives a new one."""

    inside: Rect
    busy: np.ndarray  # (rows, columns) float32, 1 where there is plasma or something moves
    taken: np.ndarray  # (rows, columns) float32, 1 where something is placed
    plasma: np.ndarray  # (moments, rows, columns) float32, 1 where there is plasma then
    placed: tuple[Rect, ...] = ()


def make_ground(width: int, height: int, inside: Rect, tones: np.ndarray) -> Ground:
    """An empty picture. `tones`: (moments, rows, columns) coarse maps of tone above the quiet Sun, 0 to 1."""
    size = -(-width // CELL), -(-height // CELL)
    maps = [cv2.resize(tone.astype(np.float32), size, interpolation=cv2.INTER_LINEAR) for tone in tones]
    plasma = np.array([cv2.dilate(one, np.ones((3, 3), np.uint8)) for one in _plasma(maps)])
    return Ground(inside, plasma.max(axis=0), np.zeros(size[::-1], np.float32), plasma)


def _plasma(tones: list[np.ndarray]) -> list[np.ndarray]:
    """Where the maps of tone show plasma, 1, and not empty sky or the smooth glow about bright loops, 0.
    Bright for the clip: above the tone that parts its brighter from its darker half best (Otsu 1979, IEEE
    Trans. Syst. Man Cybern. 9, 62)."""
    codes = np.rint(255.0 * np.array(tones)).astype(np.uint8)
    bright = cv2.threshold(codes[codes > 0], 0, 255, cv2.THRESH_OTSU)[0] / 255.0 if codes.any() else 1.0
    shapes = [cv2.GaussianBlur((one - cv2.GaussianBlur(one, (0, 0), 3.0)) ** 2, (0, 0), 2.0) for one in tones]
    # or if its tone varies by 0.025 (rms) within some 50 px: glow does by half of it
    busy = [(t > bright) | (s > 0.025**2) for t, s in zip(tones, shapes, strict=True)]
    # at 0.12 above the quiet Sun or less nothing is plasma
    return [(b & (t > 0.12)).astype(np.float32) for t, b in zip(tones, busy, strict=True)]


def take(ground: Ground, rect: Rect, gap: int = 0) -> Ground:
    """The ground with something placed, and a gap kept clear around it."""
    taken = ground.taken.copy()
    taken[_cells(rect.grown(gap))] = 1.0
    return replace(ground, taken=taken, placed=(*ground.placed, rect))


def mind_line(ground: Ground, points_px: np.ndarray, width_px: float) -> Ground:
    """The ground with a polyline ((n, 2) x, y) that nothing should be written over."""
    busy = ground.busy.copy()
    points = np.rint(np.clip(points_px, -1e4, 1e4) / CELL * 16.0).astype(np.int32)  # 4 fractional bits
    cv2.polylines(busy, [points[:, None]], False, 1.0, max(1, round(width_px / CELL)), cv2.LINE_8, 4)
    return replace(ground, busy=busy)


def place_block(ground: Ground, width: int, height: int, spots: tuple[str, ...]) -> Rect | None:
    """The least busy of the named spots ('top left', 'bottom', ...), earlier ones preferred; where all lie
    over plasma, the free place nearest to it, if there is any. It never lies on another block; None where
    there is no such place."""
    inside, rects = ground.inside, []
    for spot in spots:
        across = 0.0 if "left" in spot else 1.0 if "right" in spot else 0.5
        down = 0.0 if "top" in spot else 1.0 if "bottom" in spot else 0.5
        left, top = round(across * (inside.width - width)), round(down * (inside.height - height))
        rects.append(Rect(inside.left + left, inside.top + top, width, height))
    costs = [_cost(ground, rect) + 0.02 * order for order, rect in enumerate(rects)]
    best = int(np.argmin(costs))
    middle = rects[best].left + width / 2.0, rects[best].top + height / 2.0
    if costs[best] > 4.0 * FREE + 0.02 * best:
        free = nearest_free(ground, width, height, middle)
        if free is not None:
            return free
    return rects[best] if costs[best] < 4.5 else nearest_free(ground, width, height, middle, busy=1.0)


def nearest_free(
    ground: Ground, width: int, height: int, anchor: tuple[float, float], *, busy: float = FREE
) -> Rect | None:
    """The place for a block nearest to a point (x, y) that is not taken and at most a share `busy` of plasma;
    None where there is none."""
    return next(iter(nearest_places(ground, width, height, np.array([anchor]), busy=busy)), None)


def nearest_places(
    ground: Ground, width: int, height: int, anchors: np.ndarray, *, busy: float
) -> list[Rect]:
    """The same for each of many points, (n, 2); none at all where no place is free."""
    cells = max(1, -(-width // CELL) + 1), max(1, -(-height // CELL) + 1)
    rows, columns = ground.taken.shape
    if cells[0] > columns or cells[1] > rows:
        return []
    # Means over windows whose top-left cell is the pixel; cv2 sizes and anchors are (x, y).
    blocked, action = (
        cv2.boxFilter(part, -1, cells, anchor=(0, 0), borderType=cv2.BORDER_CONSTANT)
        for part in (ground.taken, ground.busy)
    )
    top, left = CELL * np.array(np.nonzero((blocked < 1e-3) & (action <= busy + 1e-6)))
    inside = (left >= ground.inside.left) & (left + width <= ground.inside.right)
    inside &= (top >= ground.inside.top) & (top + height <= ground.inside.bottom)
    if not inside.any():
        return []
    top, left = top[inside], left[inside]
    places = []
    for x, y in anchors:
        away_x = np.maximum(np.maximum(left - x, x - left - width), 0.0)
        away_y = np.maximum(np.maximum(top - y, y - top - height), 0.0)
        best = int(np.argmin(np.hypot(away_x, away_y)))
        places.append(Rect(int(left[best]), int(top[best]), width, height))
    return places


def plasma_lengths(plasma: np.ndarray, lines_px: np.ndarray) -> np.ndarray:
    """(n,) lengths in px of the parts of straight lines ((n, 2, 2): x, y of both ends) that lie over plasma.
    `plasma`: (n, rows, columns) of a `Ground`, at the moment of each line."""
    starts, ways = lines_px[:, 0], lines_px[:, 1] - lines_px[:, 0]
    points = starts[:, None] + np.linspace(0.0, 1.0, 48)[:, None] * ways[:, None]
    column, row = np.moveaxis((points / CELL).astype(int), -1, 0)
    rows, columns = plasma.shape[1:]
    there = (row >= 0) & (row < rows) & (column >= 0) & (column < columns)
    over = plasma[np.arange(len(plasma))[:, None], np.where(there, row, 0), np.where(there, column, 0)]
    return np.hypot(*ways.T) * (over * there).sum(axis=1) / points.shape[1]


def busy_share(ground: Ground, rect: Rect) -> float:
    """Part of a rectangle that is plasma."""
    return float(ground.busy[_cells(rect)].mean())


def _cells(rect: Rect) -> tuple[slice, slice]:
    rows = slice(max(rect.top // CELL, 0), max(-(-rect.bottom // CELL), 0))
    return rows, slice(max(rect.left // CELL, 0), max(-(-rect.right // CELL), 0))


def _cost(ground: Ground, rect: Rect) -> float:
    """Four times the busy share of the rectangle; 10 more where something is placed or a margin crossed."""
    inside = ground.inside
    out = rect.left < inside.left or rect.top < inside.top
    if out or rect.right > inside.right or rect.bottom > inside.bottom:
        return 10.0
    return 4.0 * busy_share(ground, rect) + 10.0 * bool(ground.taken[_cells(rect)].any())
