"""The named tracks on a sheet: letter, colour and shape of each, the key that names them, and places
for words beside their lines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from promtrack.motion.records import Front, KnotTrack
from promtrack.show.figures.style import days, outlined
from promtrack.show.findings import going
from promtrack.show.palette import MarkColours
from promtrack.show.quoted import named_tracks, speed_of
from promtrack.show.records import Measured

WAYS = {"rising": "↑", "falling": "↓", "along the limb": "↔", "moving": ""}


@dataclass(frozen=True, slots=True, eq=False)
class Item:
    """One knot or front as it appears on a sheet."""

    letter: str
    track: KnotTrack | Front
    colour: str
    marker: str


def items_of(measured: Measured, marks: MarkColours) -> list[Item]:
    """The named tracks in their colours and shapes: a shape says again what a colour says."""
    found = named_tracks(measured)
    looks = [
        (marks.knot(n.place), "o^s."[min(n.place, 3)]) if n.place >= 0 else (marks.front, "D") for n in found
    ]
    return [Item(named.letter, named.track, *look) for named, look in zip(found, looks, strict=True)]


def others_of(measured: Measured, items: list[Item]) -> list[KnotTrack | Front]:
    """The tracks without a letter."""
    named = {id(item.track) for item in items}
    tracks: tuple[KnotTrack | Front, ...] = (*measured.motion.knots, *measured.motion.fronts)
    return [track for track in tracks if id(track) not in named]


def key(figure: Figure, measured: Measured, items: list[Item]) -> None:
    """Key in the right margin, in the order of the letters."""
    left, top, gap = 0.745, 0.79, min(0.103, 0.72 / max(len(items), 1))
    for row, item in enumerate(items):
        place = top - gap * row
        line = Line2D([left - 0.018, left + 0.014], [place] * 2, color=item.colour)
        mark = Line2D([left], [place], marker=item.marker, color=item.colour, markersize=11, linestyle="none")
        figure.add_artist(line)
        figure.add_artist(mark)
        figure.text(left + 0.026, place + 0.021, _name(item), va="center", fontweight="bold")
        figure.text(left + 0.026, place - 0.021, _speed(measured, item), va="center")


def key_below(figure: Figure, measured: Measured, items: list[Item]) -> None:
    """Key at the foot of a narrow sheet, a row a track."""
    marks = [Line2D([], [], marker=one.marker, color=one.colour, markersize=11) for one in items]
    words = [f"{_name(one)}   {_speed(measured, one)}" for one in items]
    figure.legend(marks, words, loc="lower left", bbox_to_anchor=(0.01, 0.0), borderaxespad=0.3)


def _name(item: Item) -> str:
    kind = "leading edge" if isinstance(item.track, Front) else "knot"
    return f"{item.letter}  {f'{kind.split()[-1]} by hand' if item.track.by_hand else kind}"


def time_span(measured: Measured) -> tuple[float, float]:
    """Limits of a time axis over the whole run, as day numbers."""
    last = float(measured.strip.time_s[-1])
    margin = 0.015 * max(last, 1.0)
    return float(days(measured, -margin)), float(days(measured, last + margin))


def _speed(measured: Measured, item: Item) -> str:
    words = speed_of(measured, item.track).text.replace("(error unknown)", "± unknown")
    if isinstance(item.track, Front):
        return words
    return f"{WAYS[going(item.track)]} {words}".strip()


GAP_PX = 6.0  # at 100 dots an inch: kept clear round a label


def name_items(axes: Axes, items: list[Item], lines: list[np.ndarray]) -> None:
    """Write the letter of each item beside its line, (n, 2) in data units."""
    write_beside(axes, [item.letter for item in items], lines, [item.colour for item in items])


def write_beside(axes: Axes, words: list[str], lines: list[np.ndarray], colours: list[str]) -> None:
    """Write each of the words beside its own line, as near as other words and lines leave room; words without
    a place are left out, and an empty word needs none. `lines`, `colours`: a polyline in data units, (n, 2),
    and a colour for each."""
    points = [_pixels(axes, line) for line in lines]
    canvas = axes.figure.canvas
    assert isinstance(canvas, FigureCanvasAgg), "a sheet has a canvas of pixels"
    renderer = canvas.get_renderer()
    boxes = [np.asarray(text.get_window_extent(renderer).extents) for text in axes.texts]
    every = np.concatenate([*points, np.zeros((0, 2))])
    for image in axes.images:
        light = np.asarray(image.get_array())[:: -1 if image.origin == "upper" else 1, :, 0]  # red
    for index, (one, own) in enumerate(zip(words, points, strict=True)):
        if not one:
            continue
        style: dict[str, Any] = {"ha": "center", "va": "center", "fontweight": "bold", "linespacing": 1.2}
        style |= {"color": colours[index], "transform": axes.transAxes}
        style["path_effects"] = outlined() if axes.images else None
        text = axes.text(0.5, 0.5, one, multialignment="center", **style)
        size = np.diff(text.get_window_extent(renderer).get_points(), axis=0)[0]
        low, high = axes.bbox.get_points() + np.outer([1.0, -1.0], GAP_PX + 0.5 * size)
        grid = np.linspace(low, high, 56)  # places tried across, and as many up
        middle = np.stack(np.meshgrid(*grid.T), axis=-1).reshape(-1, 2)
        places = np.concatenate([middle - 0.5 * size, middle + 0.5 * size], axis=1)
        away = _nearest(grid, 0.5 * size, own)
        free = _nearest(grid, 0.5 * size, every) > GAP_PX
        for other in boxes:
            apart = (places[:, 2:] + GAP_PX < other[:2]) | (places[:, :2] - GAP_PX > other[2:])
            free &= apart.any(axis=1)
        if not free.any() or (low > high).any():
            text.remove()
            continue
        if axes.images:  # rather on dark sky
            across, up = (size / axes.bbox.size * light.shape[::-1]).astype(int) + 1
            column, row = ((middle - axes.bbox.min) / axes.bbox.size * light.shape[::-1]).astype(int).T
            away = away + 0.25 * cv2.blur(light, (int(across), int(up)))[row, column]
        order = np.argsort(np.where(free, away, np.inf))[: np.count_nonzero(free)]
        best, leader = int(order[0]), np.zeros((0, 2))
        if axes.images and len(own):  # a word that stands far from its line is led to it, across nothing else
            others = np.concatenate([np.zeros((0, 2)), *(one for k, one in enumerate(points) if k != index)])
            led = ((int(k), _leader(places[k], own)) for k in order[::4])
            clear = (one for one in led if not _crosses(one[1], boxes, others))
            best, leader = next(clear, (best, _leader(places[best], own)))
            if len(one) > 2 and _crosses(leader, boxes, others):  # led astray it would name another line
                text.remove()
                continue
        text.set_position(tuple(axes.transAxes.inverted().transform(middle[best])))
        boxes.append(places[best])
        if len(leader):
            every = np.concatenate([every, leader])
            pair = axes.transAxes.inverted().transform(leader[[0, -1]])
            axes.plot(*pair.T, transform=axes.transAxes, color=colours[index], linewidth=1.2, alpha=0.8)


def _leader(box: np.ndarray, line: np.ndarray) -> np.ndarray:
    """(24, 2) px of the shortest way from a box to a line; (0, 2) where the box stands at it."""
    ends = np.clip(line, *np.split(box, 2))
    far = np.hypot(*(line - ends).T)
    near = int(np.argmin(far))
    return np.linspace(ends[near], line[near], 24) if far[near] > 4.0 * GAP_PX else np.zeros((0, 2))


def _crosses(leader: np.ndarray, boxes: list[np.ndarray], lines: np.ndarray) -> bool:
    """Whether a leader runs through one of the boxes or over one of the (n, 2) points of lines."""
    if not len(leader):
        return False
    through = any(((leader > box[:2]) & (leader < box[2:])).all(axis=1).any() for box in boxes)
    away = np.hypot(*(leader[:, None] - lines).transpose(2, 0, 1))
    return through or bool((away < GAP_PX).any())


def _pixels(axes: Axes, line: np.ndarray) -> np.ndarray:
    """A polyline as points on the axes in pixels, so close that no label slips between."""
    corners = axes.transData.transform(line[np.isfinite(line).all(axis=1)])
    if len(corners) < 2:
        return corners
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    at = np.linspace(0.0, run[-1], max(int(run[-1] / GAP_PX), 2))
    points = np.stack([np.interp(at, run, column) for column in corners.T], axis=1)
    low, high = axes.bbox.get_points()
    return points[np.all((points >= low) & (points <= high), axis=1)]


def _nearest(grid: np.ndarray, half: np.ndarray, points: np.ndarray) -> np.ndarray:
    """(boxes,) distance of boxes about the places of a grid, (n, 2) across and up, from the nearest point; 0
    inside, infinite where there is none. `half`: (2,) half the size of a box."""
    x, y = np.maximum(np.abs(grid[:, None] - points) - half, 0.0).transpose(2, 0, 1) ** 2
    return np.sqrt(np.concatenate([(x + row).min(axis=1, initial=np.inf) for row in y]))
