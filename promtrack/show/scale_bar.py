"""What stands around the picture: clock, scale bar with the Earth, compass, ticks of height, cards.

Blocks that need a place are measured first; what depends on the view is drawn afresh in every picture.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from promtrack.rounding import unbroken
from promtrack.show.canvas import Canvas, Page, draw_line, draw_words, line_height, paint, text_width
from promtrack.show.layout import Rect
from promtrack.show.timing import GAP, Gap, cadence
from promtrack.show.view import ClipView
from promtrack.sun import EARTH_RADIUS_KM, Orientation


def nice_step(least: float) -> float:
    """The smallest of 1, 2, 5 times a power of ten that is not below `least`."""
    power = 10.0 ** np.floor(np.log10(least))
    return float(next((n * power for n in (1.0, 2.0, 5.0) if n * power >= least * (1 - 1e-9)), 10 * power))


def gap_words(gap: Gap, first_utc: np.datetime64) -> str:
    """'gap 4 min 10 s at 09:08', true whenever it is read; first_utc: time of the first frame shown."""
    hours, rest = divmod(round(gap.length_s), 3600)
    minutes, seconds = divmod(rest, 60)
    parts = [(hours, "h"), (minutes, "min"), (seconds if not hours else 0, "s")]
    begin = str((first_utc + np.timedelta64(round(gap.from_s), "s")).astype("datetime64[m]"))[11:]
    words = " ".join(f"{n} {unit}" for n, unit in parts if n)
    return f"gap {words if gap.length_s >= 10.0 else f'{gap.length_s:.2g} s'} at {begin}"


def clock_size(page: Page, notices: set[str], *, gaps: bool) -> tuple[int, int]:
    """Width and height of the clock, with the time line and a line for the notices of gaps."""
    tall = line_height(page.unit) * (2 if gaps else 1) + (round(0.35 * page.unit) if gaps else 0)
    return max(text_width(words, page.unit) for words in ("00:00:00 UTC", *notices)) + 4, tall


def draw_clock(
    canvas: Canvas,
    rect: Rect,
    page: Page,
    now_utc: np.datetime64 | None,
    notice: str,
    at: tuple[np.ndarray, float],
) -> None:
    """The time, a notice above it ('' for none), and a line filled up to now, with breaks where frames are
    missing. `now_utc`: None for no clock; `at`: times of the frames shown and now, since the first of them;
    no times for no line."""
    if notice:
        draw_words(canvas, notice, page, rect.left, rect.top)
    times, now_s = at
    bottom = rect.bottom - (round(0.35 * page.unit) if len(times) else 0)
    if now_utc is not None:
        words = str(now_utc.astype("datetime64[s]"))[11:] + " UTC"
        draw_words(canvas, words, page, rect.left, bottom - line_height(page.unit))
    if len(times) < 2:
        return
    x = rect.left + rect.width * (times - times[0]) / max(float(times[-1] - times[0]), 1e-6)
    breaks = np.flatnonzero(np.diff(times) > GAP * cadence(times)) + 1
    for part, part_s in zip(np.split(x, breaks), np.split(times, breaks), strict=True):
        level = np.full(2, rect.bottom - 0.15 * page.unit)
        ends = np.array([part[0], max(part[-1], part[0] + 2.0)])
        draw_line(canvas, np.stack([ends, level], axis=1), page.stroke, strength=0.3)
        if part_s[0] < now_s:
            ends = np.array([part[0], np.interp(min(now_s, part_s[-1]), part_s, part) + 1.0])
            draw_line(canvas, np.stack([ends, level], axis=1), page.stroke, strength=page.ink)


def bar_of(view: ClipView) -> tuple[float, float]:
    """Length of the scale bar in Mm and in px."""
    per_mm = 1e3 / view.km_per_px
    length_mm = nice_step(0.1 * min(view.width, view.height) / per_mm)
    return length_mm, length_mm * per_mm


def earth_px(views: tuple[ClipView, ...]) -> float:
    """Diameter of the Earth in the closer one of the first and the last view."""
    return max(2.0 * EARTH_RADIUS_KM / view.km_per_px for view in (views[0], views[-1]))


def scale_size(views: tuple[ClipView, ...], page: Page, *, bar: bool, earth: bool) -> tuple[int, int]:
    """Width and height of the scale's block, enough for all views."""
    bars = [bar_of(view) for view in (views[0], views[-1])] if bar else []
    across = earth_px(views) if earth else 0.0
    widths = [max(px + 4.0, text_width(f"{mm:g} Mm", page.unit)) for mm, px in bars]
    widest = max([*widths, 0.0]) * (2.3 if len({mm for mm, _ in bars}) > 1 else 1.0)
    names = max(across + 4.0, text_width("Earth", page.unit)) if earth else 0.0
    gap = page.unit if bar and earth else 0
    wide = round(min(widest, 0.4 * page.width) + gap + names)
    return wide, round(line_height(page.unit) + max(across, 0.5 * page.unit) + 0.3 * page.unit)


def draw_scale(canvas: Canvas, rect: Rect, page: Page, view: ClipView, *, bar: bool, earth: bool) -> None:
    """Scale bar in Mm, flush right, and the Earth at the same scale at its left."""
    foot, right = rect.bottom - 3.0, rect.right
    if bar:
        length_mm, length_px = bar_of(view)
        tick = 0.3 * page.unit
        words = f"{length_mm:g} Mm"
        wide = max(length_px + 4.0, text_width(words, page.unit))
        middle = right - wide / 2.0
        ends = middle + length_px / 2.0 * np.array([-1.0, -1.0, 1.0, 1.0])
        heights = np.array([foot - tick, foot, foot, foot - tick])
        draw_line(canvas, np.stack([ends, heights], axis=1), page.stroke, strength=page.ink)
        above = foot - tick - line_height(page.unit)
        draw_words(canvas, words, page, middle - text_width(words, page.unit) / 2.0, above)
        right = round(right - wide - page.unit)
    if earth:
        radius, wide = EARTH_RADIUS_KM / view.km_per_px, text_width("Earth", page.unit)
        middle = right - max(2.0 * radius, wide) / 2.0
        # dim, since so large a disc would take the light that the letters need
        _draw_earth(canvas, middle, foot - radius, radius, 0.45 * page.ink)
        lift = max(2.0 * radius, 0.3 * page.unit)
        draw_words(canvas, "Earth", page, middle - wide / 2.0, foot - lift - line_height(page.unit))


def _draw_earth(canvas: Canvas, x: float, y: float, radius: float, strength: float) -> None:
    reach = int(np.ceil(radius)) + 2
    left, top = int(np.floor(x)) - reach, int(np.floor(y)) - reach
    rows, columns = np.mgrid[: 2 * reach + 2, : 2 * reach + 2]
    away = radius - np.hypot(columns + left - x, rows + top - y)
    mask = np.rint(255.0 * np.clip(away + 0.5, 0.0, 1.0)).astype(np.uint8)
    paint(canvas, mask, (232.0, 170.0, 96.0), x=left, y=top, strength=strength)


def arrows_of(view: ClipView, orientation: Orientation) -> list[tuple[str, np.ndarray]]:
    """Names and directions (unit x, y) of solar north and east, or of image up where they are not known."""
    image_deg = {"image up": 0.0}
    if orientation.position_angles:
        image_deg = {name: float(orientation.to_image(pa)) for name, pa in (("N", 0.0), ("E", 90.0))}
    angles = {name: view.side * np.deg2rad(theta - view.turn_deg) for name, theta in image_deg.items()}
    return [(name, np.array([-np.sin(angle), -np.cos(angle)])) for name, angle in angles.items()]


def _compass(
    view: ClipView, orientation: Orientation, page: Page
) -> list[tuple[str, np.ndarray, np.ndarray]]:
    """Name, direction, and x, y where the name begins, of each arrow that starts at (0, 0)."""
    found = []
    for name, along in arrows_of(view, orientation):
        wide = text_width(name, page.unit)
        away = 1.65 * page.unit + 0.5 * abs(along[0]) * wide + 0.35 * abs(along[1]) * page.unit
        found.append((name, along, along * away - [wide / 2.0, 0.59 * page.unit]))
    return found


def _compass_box(view: ClipView, orientation: Orientation, page: Page) -> tuple[np.ndarray, np.ndarray]:
    """Its top-left and bottom-right corner about the arrows' start, x, y."""
    points = [np.zeros(2)]
    for name, along, words in _compass(view, orientation, page):
        points += [1.3 * page.unit * along, words]
        points.append(words + np.array([text_width(name, page.unit), line_height(page.unit)]))
    return np.min(points, axis=0) - 0.2 * page.unit, np.max(points, axis=0) + 0.2 * page.unit


def compass_size(view: ClipView, orientation: Orientation, page: Page) -> tuple[int, int]:
    """Width and height of the compass."""
    low, high = _compass_box(view, orientation, page)
    wide, tall = np.ceil(high - low).astype(int).tolist()
    return wide, tall


def draw_compass(canvas: Canvas, rect: Rect, page: Page, view: ClipView, orientation: Orientation) -> None:
    """Arrows to solar north and east where they are known, else one arrow to the camera's image up."""
    start = np.array([rect.left, rect.top]) - _compass_box(view, orientation, page)[0]
    for name, along, words in _compass(view, orientation, page):
        tip, across = start + 1.3 * page.unit * along, np.array([-along[1], along[0]])
        wings = [tip - 0.3 * page.unit * (along + s * 0.6 * across) for s in (1.0, -1.0)]
        draw_line(canvas, np.array([start, tip]), page.stroke, strength=page.ink)
        draw_line(canvas, np.array([wings[0], tip, wings[1]]), page.stroke, strength=page.ink)
        draw_words(canvas, name, page, *(start + words))


@dataclass(frozen=True, slots=True)
class HeightTick:
    """A piece of the arc at one height above the limb, at the edge of the picture, with its label."""

    height_mm: float
    points_px: np.ndarray
    words: tuple[float, float]  # x, y where the words begin
    label: Rect  # of words and piece


def height_ticks(view: ClipView, page: Page, side: str, heights_mm: Iterable[float]) -> list[HeightTick]:
    """The ticks of these heights that find room at the picture's 'left' or 'right' edge."""
    left = side == "left"
    ticks: list[HeightTick] = []
    for height_mm in heights_mm:
        line = _arc_inside(view, height_mm, page.inside)
        if len(line) < 8:
            continue
        line = min((line, line[::-1]), key=lambda one: one[0, 0] if left else -one[0, 0])
        piece = line[np.hypot(*(line - line[0]).T) <= 0.9 * page.unit]
        wide, gap = text_width(f"{height_mm:g} Mm", page.unit) + 4, 0.3 * page.unit
        first, last = piece[:, 0].min(), piece[:, 0].max()
        x = float(last + gap if left else first - gap - wide)
        y = float(piece[:, 1].mean() - 0.6 * page.unit)
        across = round(float(last - first) + gap) + wide
        place = Rect(round(float(first) if left else x), round(y), across, line_height(page.unit))
        edge = place.left - page.inside.left if left else page.inside.right - place.right
        if place.top >= page.inside.top and place.bottom <= page.inside.bottom and edge <= page.unit:
            ticks.append(HeightTick(height_mm, piece, (x, y), place))
    return ticks


def draw_heights(canvas: Canvas, ticks: list[HeightTick], page: Page) -> None:
    """Short pieces of arcs of equal height above the limb, each with its label."""
    for tick in ticks:
        draw_line(canvas, tick.points_px, page.stroke, strength=page.ink)
        draw_words(canvas, f"{tick.height_mm:g} Mm", page, *tick.words)


@lru_cache(maxsize=64)  # all pictures of a view have the same arcs, and each takes a millisecond
def _arc_inside(view: ClipView, height_mm: float, inside: Rect) -> np.ndarray:
    """(n, 2) points of the longest piece of an arc of equal height inside a rectangle, every px or two."""
    radius = view.radius_px + height_mm * 1e3 / view.km_per_px
    angle = np.linspace(-np.pi, np.pi, int(np.clip(np.pi * radius, 400, 40_000)))
    points = np.stack(
        [view.sun_x_px - radius * np.sin(angle), view.sun_y_px - radius * np.cos(angle)], axis=1
    )
    low, high = np.array([inside.left, inside.top]), np.array([inside.right, inside.bottom])
    there = np.all((points > low) & (points < high), axis=1)
    runs = np.split(np.arange(len(points)), np.flatnonzero(np.diff(there.astype(int))) + 1)
    return points[max((run for run in runs if there[run[0]]), key=len, default=np.zeros(0, int))]


def wrapped(text: str, size: int, width: int) -> list[tuple[str, int]]:
    """A text as lines (words, type size) no wider than `width`; a number stays with its error and unit."""
    blank = "\N{NO-BREAK SPACE}"
    lines: list[str] = []
    for word in re.sub(r"(?<=\d) (?=knot)", blank, unbroken(text)).split(" "):
        joined = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(joined.replace(blank, " "), size) <= width:
            lines[-1] = joined
        else:
            lines.append(word)
    return [(line.replace(blank, " "), size) for line in lines]
