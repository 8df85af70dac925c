"""Where the action is: the piece of limb and the heights a clip should look at.

Strips and tracks in, weighted points out. Plasma that changes counts more than plasma that stands still.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.limb.records import LimbLock
from promtrack.motion.records import Motion
from promtrack.strip.records import Strip
from promtrack.sun import Orientation

__all__ = ["Action", "find_action"]

STRIPS = 16  # strips looked at, spread over the sequence
FRINGE_MM = 7.0  # below it the spicule fringe is everywhere and says nothing
BRIGHT = 6.0  # times the noise of a strip averaged over a cell
WINDOW_DEG = 28.0  # widest piece of limb taken for one scene, about 340 Mm
CELL_MM = 2.5


@dataclass(frozen=True, slots=True, eq=False)
class Action:
    """Weighted points of the action (1-D arrays of equal length, at least four points)."""

    theta_deg: np.ndarray  # image angle in the reference frame
    height_mm: np.ndarray
    weight: np.ndarray


def find_action(strip: Strip, motion: Motion, orientation: Orientation, lock: LimbLock) -> Action:
    """The points to keep in view: bright and changing plasma, knots, fronts, and the limb beneath them."""
    parts = [_plasma(strip)] + [_track_points(t.angle_deg, t.height_mm) for t in motion.knots if t.moving]
    parts += [_track_points(f.angle_deg, f.height_mm) for f in motion.fronts if f.moving]
    angle, height, weight = (np.concatenate(column) for column in zip(*parts, strict=True))
    if not len(angle):
        middle, half = (lock.from_deg + lock.to_deg) / 2.0, (lock.to_deg - lock.from_deg) / 4.0
        return Action(
            middle + half * np.array([-1.0, 1.0, 0.0, 0.0]), np.array([0.0, 0.0, 60.0, -20.0]), np.ones(4)
        )
    keep = _best_window(angle, weight)
    angle, height, weight = angle[keep], height[keep], weight[keep]
    low, high = _percentiles(angle, weight, (0.01, 0.99))
    top = float(_percentiles(height, weight, (0.99,))[0])
    inside = (angle >= low) & (angle <= high) & (height <= top)
    foot = np.array([low, (low + high) / 2.0, high])
    beneath = -np.clip(0.30 * top, 8.0, 60.0)  # so much of the disc stays in view
    angle = np.concatenate([angle[inside], foot])
    height = np.concatenate([height[inside], np.full(3, beneath)])
    weight = np.concatenate([weight[inside], np.full(3, 1e-6)])
    return Action(np.asarray(orientation.to_image(angle)), height, weight)


def _plasma(strip: Strip) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Angle, height and weight of the cells in which strips are bright."""
    geometry = strip.geometry
    rows = max(1, round(CELL_MM / geometry.mm_per_row))
    columns = max(1, round(CELL_MM / float(geometry.mm_per_column(0.0))))
    noise = _cells(np.repeat(strip.noise[:, None], columns, axis=1), rows, columns)
    count, total, square = 0, np.zeros(()), np.zeros(())
    for index in np.unique(np.linspace(0, len(strip) - 1, min(STRIPS, len(strip))).astype(int)):
        cells = np.nan_to_num(_cells(strip.read(int(index), int(index) + 1)[0], rows, columns))
        count, total, square = count + 1, total + cells, square + cells**2
    mean = total / count
    change = np.sqrt(np.maximum(square / count - mean**2, 0.0))
    height = geometry.height_mm((np.arange(mean.shape[0]) + 0.5) * rows - 0.5)
    bright = (mean > BRIGHT * np.maximum(noise, 1e-9)) & (height > FRINGE_MM)[:, None]
    row, column = np.nonzero(bright)
    angle = geometry.angle_deg((column + 0.5) * columns - 0.5)
    weight = np.sqrt(mean[row, column] / mean.max()) + 4.0 * change[row, column] / max(
        float(change.max()), 1e-9
    )
    return angle, height[row], weight


def _cells(image: np.ndarray, rows: int, columns: int) -> np.ndarray:
    """Means over cells of rows x columns; what does not fill a cell is left out."""
    tall, wide = image.shape[0] // rows, image.shape[1] // columns
    return image[: tall * rows, : wide * columns].reshape(tall, rows, wide, columns).mean(axis=(1, 3))


def _track_points(angle: np.ndarray, height: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return angle, height, np.full(len(angle), 8.0)


def _best_window(angle: np.ndarray, weight: np.ndarray) -> np.ndarray:
    """The stretch of WINDOW_DEG that holds the most weight, as booleans."""
    starts = np.arange(angle.min() - WINDOW_DEG / 2.0, angle.max(), 0.5)
    order = np.argsort(angle)
    heaped = np.concatenate([[0.0], np.cumsum(weight[order])])
    held = (
        heaped[np.searchsorted(angle[order], starts + WINDOW_DEG)]
        - heaped[np.searchsorted(angle[order], starts)]
    )
    # Of all stretches that hold the most, the middle one keeps what it holds centred.
    best = starts[np.flatnonzero(held >= held.max() * (1.0 - 1e-9))]
    first = float(best[len(best) // 2])
    return (angle >= first) & (angle <= first + WINDOW_DEG)


def _percentiles(value: np.ndarray, weight: np.ndarray, at: tuple[float, ...]) -> np.ndarray:
    order = np.argsort(value)
    share = np.cumsum(weight[order]) / weight.sum()
    return value[order][np.minimum(np.searchsorted(share, at), len(value) - 1)]
