"""Knot trails with their speeds: each grows behind its knot and fades when the knot is gone."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.ndimage import gaussian_filter1d

from promtrack.motion.records import KnotTrack, Motion
from promtrack.rounding import with_error
from promtrack.show.canvas import Canvas, Ink, Stamp, blank_ink, lay, paint
from promtrack.show.layout import Ground, Rect, crosses, nearest_free, take, take_line
from promtrack.show.marks import BLACK, KNOT_BGR, Mark, Page, line_mask, strokes, text_ink
from promtrack.show.text import REGULAR, text_mask
from promtrack.show.view import ClipView
from promtrack.sun import Orientation

__all__ = [
    "Pace",
    "Trail",
    "TrailPath",
    "draw_head",
    "drawn_paths",
    "knot_trails",
    "label_shows",
    "speed_mask",
    "speed_words",
    "trail_paths",
]

LABELLED, DRAWN = 6, 12  # trails that carry their speed, and trails at all: the fastest ones
FEW = 3  # trails with their speed where more than DRAWN knots move: a crowd of labels says nothing
KNOT_TYPE = 1.1  # units of type: the speeds are what a phone must still show
SMOOTH_POINTS = 1.5
PLACES = 8  # rounds of places tried for a label
DASHES_APART = 0.42  # units of type, of a leader's dashes
FAR = 5.5  # units of type: a label farther from its trail than this would not be read as its own
LATE = 5.0  # units of type: so much farther off may a label stand that shows from the track's begin on
FADE_FRAMES = 5  # a trail fades within so many frames of its knot's end
LEAST_FRAMES, LEAST_SHARE = (
    16,
    0.25,
)  # a speed that shows for less, 0.8 s at the usual rate, is not read; of a short clip a quarter


@dataclass(frozen=True, slots=True)
class Pace:
    """How the clip's frames follow one another."""

    late_s: float  # from the first frame shown to the first strip: added to the tracks' times
    frame_s: float  # between frames
    last_s: float  # time of the last frame, which is held

    @property
    def least_frames(self) -> float:
        """For how many pictures a speed must show."""
        return min(LEAST_FRAMES, LEAST_SHARE * self.last_s / self.frame_s)

    def seen_frames(self, from_s: float, until_s: float) -> float:
        """For how many pictures something shows; the last frame stays long enough for everything."""
        return np.inf if self.held(until_s) else (until_s - from_s) / self.frame_s + FADE_FRAMES

    def latest_s(self, end_s: float) -> float:
        """When a label must come at the latest to be read before its trail goes at `end_s`."""
        frames = 2 * FADE_FRAMES if self.held(end_s) else self.least_frames - FADE_FRAMES
        return end_s - frames * self.frame_s

    def held(self, until_s: float) -> bool:
        """Whether something is still there in the last frame."""
        return until_s > self.last_s - self.frame_s


@dataclass(frozen=True, slots=True, eq=False)
class TrailPath:
    """Where a moving knot goes in the picture."""

    words: str  # its speed, with a ? where the cadence is too slow to be sure of it
    time_s: np.ndarray  # since the first frame shown
    points_px: np.ndarray  # (n, 2) x, y, smoothed
    begin_px: np.ndarray  # (m, 2) the first of them: what a label may point at and still be read


@dataclass(frozen=True, slots=True, eq=False)
class Trail:
    """One moving knot in the picture."""

    time_s: np.ndarray  # since the first frame shown
    points_px: np.ndarray  # (n, 2) x, y
    marks: tuple[Mark, ...]
    label: Rect | None
    label_s: float  # when the label comes; it goes with the trail
    page: Page


def trail_paths(
    motion: Motion, view: ClipView, orientation: Orientation, page: Page, pace: Pace
) -> list[TrailPath]:
    """The paths of all moving knots that the picture shows, the fastest first."""
    paths = []
    for knot in sorted((k for k in motion.knots if k.moving), key=lambda k: -k.fit.speed_km_s):
        line = np.stack(view.to_picture(orientation.to_image(knot.angle_deg), knot.height_mm), axis=1)
        if _inside(line, page):
            time_s, line = knot.time_s + pace.late_s, _smoothed(line)
            reached = int(np.searchsorted(time_s, pace.latest_s(float(time_s[-1])), side="right"))
            words = speed_words(knot, sure=knot.fit.speed_km_s <= motion.control.sure_km_s)
            paths.append(TrailPath(words, time_s, line, line[: max(reached, 3)]))
    return paths


def drawn_paths(paths: list[TrailPath]) -> list[TrailPath]:
    """Those that are drawn."""
    return paths[:DRAWN]


def knot_trails(
    paths: list[TrailPath], page: Page, ground: Ground, arcs: list[np.ndarray], pace: Pace
) -> tuple[list[Trail], Ground]:
    """Trails of the fastest moving knots; those that show long enough to be read carry their speed where
    there is room.

    Parameters
    ----------
    paths : of all moving knots in the picture; the ground keeps clear of those that are drawn
    arcs : polylines that labels should not cover where they can help it
    """
    most = LABELLED if len(paths) <= DRAWN else FEW
    trails: list[Trail] = []
    for path in drawn_paths(paths):
        label, others = None, list(ground.placed)
        labelled = sum(trail.label is not None for trail in trails)
        if (
            labelled < most
            and pace.seen_frames(float(path.time_s[2]), float(path.time_s[-1])) >= pace.least_frames
        ):
            label = _label_place(path, page, _with_lines(ground, arcs), others) or _label_place(
                path, page, ground, others
            )
        if label is not None:
            ground = take(ground, label, page.unit // 5, page.unit // 3)
            _, start, end, _ = _reach(label, path.begin_px)
            ground = take_line(ground, np.array([start, end]), 1.0)
        trails.append(_trail(path, label, page, pace))
    return trails, ground


def label_shows(trail: Trail, now_s: float) -> bool:
    """Whether the trail's speed is to be seen."""
    fade_s = trail.marks[0].ease_s
    return trail.label is not None and trail.label_s <= now_s < trail.time_s[-1] + fade_s


def draw_head(trail: Trail, canvas: Canvas, now_s: float) -> None:
    """A small ring round the knot's place now, with its speed and not before: of two rings side by side each
    has its own speed in sight."""
    page = trail.page
    if not label_shows(trail, now_s) or now_s > trail.time_s[-1]:
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
    ring = np.array([x_quarters, y_quarters]) / 4.0 + 0.42 * page.unit * np.stack(
        [np.cos(angle), np.sin(angle)], axis=1
    )
    size = 2 * round(0.42 * page.unit) + 14
    ink = blank_ink(0, 0, size, size)
    paint(ink, line_mask(size, size, [ring], 1.2 * page.stroke), KNOT_BGR, strength=0.95)
    return page.stamp(ink)


def speed_words(knot: KnotTrack, *, sure: bool = True) -> str:
    """'33.1 ± 0.8 km/s', with the whole error: chance, scale and clock."""
    words = with_error(
        knot.fit.speed_km_s, float(np.hypot(knot.fit.speed_err_km_s, knot.fit.systematic_km_s)), "km/s"
    )
    return words if sure else f"{words} ?"


def speed_mask(words: str, page: Page) -> np.ndarray:
    """A speed as a mask, in the size in which the clip shows it."""
    return text_mask(words, round(KNOT_TYPE * page.unit), REGULAR)


def _inside(line: np.ndarray, page: Page) -> bool:
    return bool(((line > 0) & (line < np.array([page.width, page.height]) - 1)).all(axis=1).mean() > 0.8)


def _smoothed(line: np.ndarray) -> np.ndarray:
    """The track without the jitter of its points: the trail shows the way, the ring on it the knot."""
    return gaussian_filter1d(line, SMOOTH_POINTS, axis=0, mode="nearest") if len(line) > 5 else line


def _with_lines(ground: Ground, lines: list[np.ndarray]) -> Ground:
    for line in lines:
        ground = take_line(ground, line, 1.0)
    return ground


def _label_place(path: TrailPath, page: Page, ground: Ground, others: list[Rect]) -> Rect | None:
    """A free place near the trail from which a leader runs to it without crossing other words; sooner on the
    way is better."""
    line, found = path.begin_px, []
    height, width = speed_mask(path.words, page).shape
    for _ in range(PLACES):
        anchors = (line[len(line) // 2], line[-1], line[0])
        spots = [
            nearest_free(ground, width, height, tuple(anchor), most_px=FAR * page.unit) for anchor in anchors
        ]
        for rect in filter(None, spots):
            near, start, end, away = _reach(rect, line)
            if not any(crosses(other.grown(2), start, end) for other in others):
                found.append((away + LATE * page.unit * near / len(line), rect))
            ground = take(ground, Rect(rect.left + width // 2 - 4, rect.top + height // 2 - 4, 8, 8))
        if found:
            break
    return min(found, key=lambda pair: pair[0])[1] if found else None


def _reach(rect: Rect, line: np.ndarray) -> tuple[int, np.ndarray, np.ndarray, float]:
    """The trail's point nearest to a label: its number, the label's edge, the point, and their distance."""
    edges = np.array([_nearest_edge(rect, point) for point in line])
    away = np.hypot(*(edges - line).T)
    near = int(np.argmin(away))
    return near, edges[near], line[near], float(away[near])


def _nearest_edge(rect: Rect, point: np.ndarray) -> np.ndarray:
    return np.array([np.clip(point[0], rect.left, rect.right), np.clip(point[1], rect.top, rect.bottom)])


def _trail(path: TrailPath, label: Rect | None, page: Page, pace: Pace) -> Trail:
    time_s, line = path.time_s, path.points_px
    rect, own = strokes(line, 4)
    ink = blank_ink(rect.left, rect.top, rect.width, rect.height)
    weight = 1.0 if label is not None else 0.45
    paint(
        ink, line_mask(rect.width, rect.height, [own], 1.3 * page.stroke + 3.0), BLACK, strength=0.45 * weight
    )
    paint(ink, line_mask(rect.width, rect.height, [own], 1.3 * page.stroke), KNOT_BGR, strength=0.95 * weight)
    end_s, fade_s = float(time_s[-1]), FADE_FRAMES * pace.frame_s
    marks = [
        Mark(
            page.stamp(ink, _arrival(own, time_s, rect)),
            until_s=end_s,
            ease_s=fade_s,
            fade_s=max(0.35 * (end_s - float(time_s[0])), 1.0) if label is not None else 0.0,
            rest=0.55,
        )
    ]
    if label is None:
        return Trail(time_s, line, tuple(marks), None, np.inf, page)
    near, leader = _leader(label, path.begin_px, page)
    # The speed comes up as the knot passes its label, and with it the leader: so one sees which is whose.
    comes_s = float(time_s[max(near, 2)])
    words = text_ink(speed_mask(path.words, page), label.left, label.top, page.unit, KNOT_BGR)
    marks += [
        Mark(page.stamp(part), from_s=comes_s, until_s=end_s, ease_s=fade_s)
        for part in (words, leader)
        if part is not None
    ]
    return Trail(time_s, line, tuple(marks), label, comes_s, page)


def _arrival(own: np.ndarray, time_s: np.ndarray, rect: Rect) -> np.ndarray:
    """(h, w) time at which the knot passes nearest to each pixel."""
    fine = np.linspace(time_s[0], time_s[-1], max(4 * len(time_s), 32))
    path = np.stack([np.interp(fine, time_s, column) for column in own.T], axis=1)
    y, x = np.mgrid[: rect.height, : rect.width].astype(np.float32)
    best, born = np.full(x.shape, np.inf, np.float32), np.zeros(x.shape)
    for (px, py), moment in zip(path, fine, strict=True):
        away = (x - np.float32(px)) ** 2 + (y - np.float32(py)) ** 2
        nearer = away < best
        best[nearer], born[nearer] = away[nearer], moment
    return born


def _leader(label: Rect, line: np.ndarray, page: Page) -> tuple[int, Ink | None]:
    """The point of the trail nearest to the label, and a dashed line there, unlike any trail, where the two
    do not touch anyway."""
    near, edge, point, away = _reach(label, line)
    if away < 0.8 * page.unit:
        return near, None
    along = (point - edge) / away
    first, last = edge + 0.15 * page.unit * along, point - 0.45 * page.unit * along
    count = max(round(float(np.hypot(*(last - first))) / (DASHES_APART * page.unit)), 1) + 1
    middles = np.linspace(first, last, count)
    rect, own = strokes(np.array([first, last]), 3)
    ink = blank_ink(rect.left, rect.top, rect.width, rect.height)
    short = 0.09 * page.unit * along
    dashes = [np.array([middle - short, middle + short]) + (own[0] - first) for middle in middles]
    paint(ink, line_mask(rect.width, rect.height, dashes, page.stroke), KNOT_BGR, strength=0.75)
    return near, ink
