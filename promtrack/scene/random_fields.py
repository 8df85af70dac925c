"""Smooth random functions of time and of place, and fine threads along them: plasma off the limb is seen as
thin threads that lean together, in bundles with dark gaps between."""

from __future__ import annotations

import cv2
import numpy as np


def wander(
    rng: np.random.Generator, time_s: np.ndarray | float, scale_s: float, count: int = 1
) -> np.ndarray:
    """`count` independent random functions of unit variance at `time_s`: (count, n), sums of cosines of
    random frequency and phase; the correlation after a time t is exp(-t^2 / (2 scale_s^2))."""
    terms = 24
    time_s = np.atleast_1d(np.asarray(time_s, dtype=float))
    rate = rng.normal(0.0, 1.0 / scale_s, (count, terms))
    phase = rng.uniform(0.0, 2 * np.pi, (count, terms))
    return np.sqrt(2.0 / terms) * np.cos(rate[..., None] * time_s + phase[..., None]).sum(axis=1)


def smooth_noise(
    rng: np.random.Generator, shape: tuple[int, int], scale: float | tuple[float, float]
) -> np.ndarray:
    """Random field (rows, columns) of zero mean and unit variance; correlation exp(-d^2 / (2 scale^2)), scale
    (down, across)."""
    down, across = scale if isinstance(scale, tuple) else (scale, scale)
    # drawn on a coarse grid of about three samples a correlation length, then interpolated: the cost does not
    # grow with the scale
    step = max(down / 3.0, 1.0), max(across / 3.0, 1.0)
    rows, columns = int(shape[0] / step[0]) + 16, int(shape[1] / step[1]) + 16
    drawn = rng.standard_normal((rows, columns), dtype=np.float32)
    sigma = (across / step[1] / np.sqrt(2), down / step[0] / np.sqrt(2))
    coarse = cv2.GaussianBlur(
        drawn, (0, 0), sigmaX=max(sigma[0], 0.3), sigmaY=max(sigma[1], 0.3), borderType=cv2.BORDER_REFLECT
    )
    coarse = (coarse - coarse.mean()) / max(float(coarse.std()), 1e-9)
    x = (np.arange(shape[1], dtype=np.float32) / np.float32(step[1]) + 8)[None, :].repeat(shape[0], axis=0)
    y = (np.arange(shape[0], dtype=np.float32) / np.float32(step[0]) + 8)[:, None].repeat(shape[1], axis=1)
    return cv2.remap(coarse, x, y, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REFLECT)


def wandering_field(
    rng: np.random.Generator, shape: tuple[int, int], time_s: float, scale: float, scale_s: float
) -> np.ndarray:
    """Two independent random fields (rows, columns, 2) of unit variance that change within `scale_s`."""
    # six samples a correlation length: straight lines between them miss a Gaussian-correlated field by 0.4 %
    # of its rms
    step = max(scale / 6.0, 1.0)
    y = np.arange(int(shape[0] / step) + 3) * step
    x = np.arange(int(shape[1] / step) + 3) * step
    terms = 96
    wave = rng.normal(0.0, 1.0 / scale, (2, 2, terms))
    rate = rng.normal(0.0, 1.0 / scale_s, (2, terms))
    phase = rng.uniform(0.0, 2 * np.pi, (2, terms)) + rate * time_s
    # cos(a + b) by the product of complex waves in x and in y: two thin matrices instead of a cube
    down = np.exp(1j * wave[:, 0, None, :] * y[None, :, None])
    across = np.exp(1j * (wave[:, 1, :, None] * x[None, None, :] + phase[..., None]))
    coarse = np.moveaxis(np.sqrt(2.0 / terms) * (down @ across).real, 0, -1).astype(np.float32)
    grow = np.array([[1 / step, 0, 0], [0, 1 / step, 0]], dtype=np.float32)
    how = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    coarse = np.ascontiguousarray(coarse)
    return cv2.warpAffine(coarse, grow, shape[::-1], flags=how, borderMode=cv2.BORDER_REPLICATE)


def trace(
    seeds: np.ndarray, length: np.ndarray, lean: np.ndarray, rise: np.ndarray, *, step: float = 0.5
) -> tuple[np.ndarray, np.ndarray]:
    """Points (n, k, 2) along threads, and their weights (n, k), which taper towards both ends and are 0
    beyond them. `seeds`: (n, 2) where the threads begin, column and row of the grid; `length`: (n,) in grid
    steps; `lean`, `rise`: (rows, columns) components of the unit direction across and along rows; `step`: of
    the points."""
    count = int(np.ceil(length.max() / step)) + 1
    points = np.empty((len(seeds), count, 2), dtype=np.float32)
    here: np.ndarray = np.array(seeds, dtype=np.float32)
    for k in range(count):
        points[:, k] = here
        # the nearest sample: directions vary slowly
        column, row = np.clip(here, 0, np.array(lean.shape[::-1]) - 1).astype(int).T
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
    width: float,
) -> np.ndarray:
    """Light of threads (groups, rows, columns): bilinear splats, then a Gaussian of 1-sigma `width`."""
    rows, columns = shape
    x, y = points[..., 0].ravel().astype(float), points[..., 1].ravel().astype(float)
    which, weight = np.repeat(group, points.shape[1]), weights.ravel().astype(float)
    keep = (weight > 0) & (x >= 0) & (x < columns - 1) & (y >= 0) & (y < rows - 1)
    x, y, which, weight = x[keep], y[keep], which[keep], weight[keep]
    left, top = x.astype(int), y.astype(int)
    fx, fy = x - left, y - top
    base = (which * rows + top) * columns + left
    light = np.zeros(groups * rows * columns)
    for down, along_y in ((0, 1 - fy), (columns, fy)):
        for across, along_x in ((0, 1 - fx), (1, fx)):
            part = weight * (along_x * along_y)
            light += np.bincount(base + down + across, weights=part, minlength=light.size)
    layers = light.reshape(groups, rows, columns).astype(np.float32)
    return np.stack([cv2.GaussianBlur(one, (0, 0), width) for one in layers])
