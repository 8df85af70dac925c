"""Fine threads: lines that follow a turbulent direction field, drawn as light on a grid.

Plasma off the limb is seen as thin threads that lean together; drawing many of them along one smooth
direction field gives their bundles, and the dark gaps between.
"""

from __future__ import annotations

import cv2
import numpy as np

__all__ = ["draw_threads", "trace"]


def trace(
    seeds: np.ndarray, length: np.ndarray, lean: np.ndarray, rise: np.ndarray, *, step: float = 0.5
) -> tuple[np.ndarray, np.ndarray]:
    """Points along threads and their weights.

    Parameters
    ----------
    seeds : (n, 2) where the threads begin, column and row of the grid
    length : (n,) in grid steps
    lean, rise : (rows, columns) components of the unit direction across and along rows
    step : distance of the points, grid steps

    Returns
    -------
    points (n, k, 2) and weights (n, k); a weight is 0 beyond the thread's end and tapers towards both ends
    """
    count = int(np.ceil(length.max() / step)) + 1
    points = np.empty((len(seeds), count, 2), dtype=np.float32)
    here: np.ndarray = np.array(seeds, dtype=np.float32)
    for k in range(count):
        points[:, k] = here
        column = np.clip(here[:, 0], 0, lean.shape[1] - 1).astype(
            int
        )  # the nearest sample: directions vary slowly
        row = np.clip(here[:, 1], 0, lean.shape[0] - 1).astype(int)
        here = here + np.float32(step) * np.column_stack((lean[row, column], rise[row, column]))
    part = np.arange(count) * step / np.maximum(length[:, None], 1e-6)
    weights = np.where(part < 1.0, np.sin(np.pi * np.clip(part, 0.0, 1.0)) ** 0.6, 0.0)
    return points, weights.astype(np.float32)


def draw_threads(
    points: np.ndarray,
    weights: np.ndarray,
    group: np.ndarray,
    groups: int,
    shape: tuple[int, int],
    width: float | tuple[float, float],
) -> np.ndarray:
    """Light of threads (groups, rows, columns): bilinear splats, then a Gaussian of 1-sigma `width` (across,
    down)."""
    rows, columns = shape
    x, y = points[..., 0].ravel().astype(float), points[..., 1].ravel().astype(float)
    which, weight = np.repeat(group, points.shape[1]), weights.ravel().astype(float)
    keep = (weight > 0) & (x >= 0) & (x < columns - 1) & (y >= 0) & (y < rows - 1)
    x, y, which, weight = x[keep], y[keep], which[keep], weight[keep]
    left, top = x.astype(int), y.astype(int)
    fx, fy = x - left, y - top
    base = (which * rows + top) * columns + left
    light = np.zeros(groups * rows * columns)
    for offset, part in (
        (0, (1 - fx) * (1 - fy)),
        (1, fx * (1 - fy)),
        (columns, (1 - fx) * fy),
        (columns + 1, fx * fy),
    ):
        light += np.bincount(base + offset, weights=weight * part, minlength=light.size)
    layers = light.reshape(groups, rows, columns).astype(np.float32)
    across, down = width if isinstance(width, tuple) else (width, width)
    return np.stack([cv2.GaussianBlur(one, (0, 0), sigmaX=across, sigmaY=down) for one in layers])
