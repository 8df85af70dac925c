"""Labels on a picture: words and what they name in, a place that covers no other words, no line and no border
out.

Places are searched in pixels and kept in parts of the axes, so that they hold at every resolution.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backend_bases import RendererBase
from matplotlib.backends.backend_agg import FigureCanvasAgg

__all__ = ["Room", "label_beside", "label_on", "pixels_of", "room_of"]

GAP_PX, SIDE_PX = 5.0, 14.0  # at 100 dots an inch: kept clear round a label, and between neighbours in a line
GRID = 56  # places tried across, and as many up
LEADER_PX = 16.0  # a label farther from its line than this gets a leader


@dataclass(frozen=True, slots=True, eq=False)
class Room:
    """What stands on the axes already, in pixels."""

    axes: Axes
    boxes: list[np.ndarray]  # x0, y0, x1, y1; grows with every label placed
    points: np.ndarray  # (n, 2) on the lines that must stay readable


def room_of(axes: Axes, lines: list[np.ndarray]) -> Room:
    """The room on axes whose limits are set; their texts so far are taken.

    Parameters
    ----------
    lines : (n, 2) polylines in data units that labels must not cover
    """
    renderer = _renderer(axes)
    boxes = [np.asarray(text.get_window_extent(renderer).extents) for text in axes.texts]
    points = [pixels_of(axes, line) for line in lines]
    return Room(axes, boxes, np.concatenate(points) if points else np.zeros((0, 2)))


def pixels_of(axes: Axes, line: np.ndarray) -> np.ndarray:
    """A polyline in data units as points in pixels, close enough to one another that no label slips
    between."""
    line = line[np.isfinite(line).all(axis=1)]
    corners = axes.transData.transform(line)
    if len(corners) < 2:
        return corners
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    at = np.linspace(0.0, run[-1], max(int(run[-1] / 6.0), 2))
    return np.stack([np.interp(at, run, column) for column in corners.T], axis=1)


def label_beside(room: Room, words: str, own_px: np.ndarray, **style: Any) -> bool:
    """Write beside a line ((n, 2) px), with a leader where there is no room close by; whether it found a
    place."""
    width, height = _size(room.axes, words, style)
    low_x, low_y, high_x, high_y = room.axes.bbox.extents
    if high_x - low_x < width + 2.0 * GAP_PX or high_y - low_y < height + 2.0 * GAP_PX:
        return False
    x = np.linspace(low_x + GAP_PX, high_x - GAP_PX - width, GRID)
    y = np.linspace(low_y + GAP_PX, high_y - GAP_PX - height, GRID)
    corners = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    boxes = np.concatenate([corners, corners + np.array([width, height])], axis=1)
    free = _free(boxes, room, np.concatenate([room.points, own_px]))
    away = _distances(boxes, own_px).min(axis=1)
    if not free.any():
        return False
    best = int(np.argmin(np.where(free, away, np.inf)))
    _write(room, boxes[best], words, style)
    if away[best] > LEADER_PX:
        _leader(room, boxes[best], own_px, style)
    return True


def label_on(
    room: Room, words: str, own_px: np.ndarray, prefer_px: np.ndarray, **style: Any
) -> np.ndarray | None:
    """Write upon a line ((n, 2) px) as near as can be to a point; the box x0, y0, x1, y1 in px, None without
    a place."""
    width, height = _size(room.axes, words, style)
    low_x, low_y, high_x, high_y = room.axes.bbox.extents
    half = 0.5 * np.array([width, height])
    boxes = np.concatenate([own_px - half, own_px + half], axis=1)
    inside = (boxes[:, :2] >= (low_x + GAP_PX, low_y + GAP_PX)).all(axis=1)
    inside &= (boxes[:, 2:] <= (high_x - GAP_PX, high_y - GAP_PX)).all(axis=1)
    boxes, middle = boxes[inside], own_px[inside]
    free = _free(boxes, room, room.points)
    if not free.any():
        return None
    best = int(np.argmin(np.where(free, np.hypot(*(middle - prefer_px).T), np.inf)))
    _write(room, boxes[best], words, style)
    return boxes[best]


def _free(boxes: np.ndarray, room: Room, points: np.ndarray) -> np.ndarray:
    """Which boxes (n, 4) cover no other box and no point, with a gap."""
    free = np.ones(len(boxes), dtype=bool)
    for other in room.boxes:
        apart = (boxes[:, 2] + SIDE_PX < other[0]) | (boxes[:, 0] - SIDE_PX > other[2])
        free &= apart | (boxes[:, 3] + GAP_PX < other[1]) | (boxes[:, 1] - GAP_PX > other[3])
    if len(points):
        free[free] = _distances(boxes[free], points).min(axis=1) > GAP_PX
    return free


def _distances(boxes: np.ndarray, points: np.ndarray) -> np.ndarray:
    """(boxes, points) distance of each point from each box, 0 inside."""
    away = np.maximum(boxes[:, None, :2] - points, points - boxes[:, None, 2:])
    return np.hypot(*np.moveaxis(np.maximum(away, 0.0), -1, 0))


def _write(room: Room, box: np.ndarray, words: str, style: dict[str, Any]) -> None:
    x, y = room.axes.transAxes.inverted().transform((0.5 * (box[0] + box[2]), 0.5 * (box[1] + box[3])))
    room.axes.text(
        x, y, words, transform=room.axes.transAxes, ha="center", va="center", multialignment="center", **style
    )
    room.boxes.append(box)


def _leader(room: Room, box: np.ndarray, own_px: np.ndarray, style: dict[str, Any]) -> None:
    """A thin line from a label to the nearest point of its line."""
    end = own_px[np.argmin(_distances(box[None], own_px)[0])]
    start = np.clip(end, box[:2], box[2:])
    start, end = start + 0.12 * (end - start), end - 0.08 * (end - start)
    line = room.axes.transAxes.inverted().transform(np.stack([start, end]))
    room.axes.plot(*line.T, transform=room.axes.transAxes, color=style.get("color"), linewidth=1.3, alpha=0.9)


def _size(axes: Axes, words: str, style: dict[str, Any]) -> tuple[float, float]:
    text = axes.text(0.5, 0.5, words, transform=axes.transAxes, multialignment="center", **style)
    box = text.get_window_extent(_renderer(axes))
    text.remove()
    return float(box.width), float(box.height)


def _renderer(axes: Axes) -> RendererBase:
    figure = axes.get_figure(root=True)
    assert figure is not None, "axes on a sheet"
    assert isinstance(figure.canvas, FigureCanvasAgg), "a sheet has a canvas of pixels"
    return figure.canvas.get_renderer()
