"""Words on a picture: a place beside their line that covers no other words, no line and no border.

Places are searched in pixels and kept in parts of the axes, so that they hold at every resolution.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg

from promtrack.show.figures.style import outlined

__all__ = ["write_beside"]

GAP_PX = 6.0  # at 100 dots an inch: kept clear round a label
GRID = 56  # places tried across, and as many up


def write_beside(axes: Axes, words: list[str], lines: list[np.ndarray], colours: list[str]) -> None:
    """Write each of the words beside its own line, as near as other words and lines leave room; words without
    a place are left out.

    Parameters
    ----------
    lines : (n, 2) polylines in data units, one for each of the words
    colours : of each of the words
    """
    points = [_pixels(axes, line) for line in lines]
    figure = axes.get_figure(root=True)
    assert figure is not None, "axes on a sheet"
    assert isinstance(figure.canvas, FigureCanvasAgg), "a sheet has a canvas of pixels"
    renderer = figure.canvas.get_renderer()
    boxes = [np.asarray(text.get_window_extent(renderer).extents) for text in axes.texts]
    every = np.concatenate([*points, np.zeros((0, 2))])
    for index, (one, own) in enumerate(zip(words, points, strict=True)):
        style: dict[str, Any] = {"ha": "center", "va": "center", "fontweight": "bold", "linespacing": 1.2}
        style |= {"color": colours[index], "path_effects": outlined(), "transform": axes.transAxes}
        text = axes.text(0.5, 0.5, one, multialignment="center", **style)
        size = np.diff(text.get_window_extent(renderer).get_points(), axis=0)[0]
        low, high = axes.bbox.get_points() + np.outer([1.0, -1.0], GAP_PX + 0.5 * size)
        grid = np.meshgrid(np.linspace(low[0], high[0], GRID), np.linspace(low[1], high[1], GRID))
        middle = np.stack(grid, axis=-1).reshape(-1, 2)
        places = np.concatenate([middle - 0.5 * size, middle + 0.5 * size], axis=1)
        away = _distances(places, own).min(axis=1) if len(own) else np.full(len(places), np.inf)
        free = _distances(places, every).min(axis=1) > GAP_PX if len(every) else away > 0.0
        for other in boxes:
            apart = (places[:, 2:] + GAP_PX < other[:2]) | (places[:, :2] - GAP_PX > other[2:])
            free &= apart.any(axis=1)
        if not free.any() or (low > high).any():
            text.remove()
            continue
        best = int(np.argmin(np.where(free, away, np.inf)))
        text.set_position(tuple(axes.transAxes.inverted().transform(middle[best])))
        boxes.append(places[best])


def _pixels(axes: Axes, line: np.ndarray) -> np.ndarray:
    """A polyline as points in pixels, so close to one another that no label slips between."""
    corners = axes.transData.transform(line[np.isfinite(line).all(axis=1)])
    if len(corners) < 2:
        return corners
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(corners, axis=0).T))])
    at = np.linspace(0.0, run[-1], max(int(run[-1] / GAP_PX), 2))
    return np.stack([np.interp(at, run, column) for column in corners.T], axis=1)


def _distances(boxes: np.ndarray, points: np.ndarray) -> np.ndarray:
    """(boxes, points) distance of each point from each box, 0 inside."""
    away = np.maximum(boxes[:, None, :2] - points, points - boxes[:, None, 2:])
    return np.hypot(*np.moveaxis(np.maximum(away, 0.0), -1, 0))
