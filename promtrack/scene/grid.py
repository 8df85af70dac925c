"""The grid along the limb on which plasma is drawn: columns counter-clockwise, rows upward."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

__all__ = ["Grid", "Window", "add_light", "window"]


@dataclass(frozen=True, slots=True)
class Grid:
    """Linear axes. Angles count counter-clockwise from the visible limb's middle, heights from the H-alpha
    limb."""

    from_rad: float  # of column 0
    rad_per_column: float
    columns: int
    low_mm: float  # of row 0
    mm_per_row: float
    rows: int
    limb_mm: float  # distance of the limb from the Sun's centre


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """A piece of the grid with its coordinates."""

    rows: slice
    columns: slice
    angle_rad: np.ndarray  # (1, columns)
    height_mm: np.ndarray  # (rows, 1)


def window(grid: Grid, angle_rad: tuple[float, float], height_mm: tuple[float, float]) -> Window | None:
    """The piece of the grid that covers a range of angle and height; None where they do not meet."""
    c0 = max(math.floor((angle_rad[0] - grid.from_rad) / grid.rad_per_column), 0)
    c1 = min(math.ceil((angle_rad[1] - grid.from_rad) / grid.rad_per_column) + 1, grid.columns)
    r0 = max(math.floor((height_mm[0] - grid.low_mm) / grid.mm_per_row), 0)
    r1 = min(math.ceil((height_mm[1] - grid.low_mm) / grid.mm_per_row) + 1, grid.rows)
    if c1 <= c0 or r1 <= r0:
        return None
    return Window(
        slice(r0, r1),
        slice(c0, c1),
        grid.from_rad + grid.rad_per_column * np.arange(c0, c1)[None, :],
        grid.low_mm + grid.mm_per_row * np.arange(r0, r1)[:, None],
    )


def add_light(strip: np.ndarray, grid: Grid, light: np.ndarray, angle_rad: float, height_mm: float) -> None:
    """Add a drawn patch (rows, columns) to the strip, its first sample nearest to the place given."""
    column = round((angle_rad - grid.from_rad) / grid.rad_per_column)
    row = round((height_mm - grid.low_mm) / grid.mm_per_row)
    r0, c0 = max(row, 0), max(column, 0)
    r1, c1 = min(row + light.shape[0], strip.shape[0]), min(column + light.shape[1], strip.shape[1])
    if r1 > r0 and c1 > c0:
        strip[r0:r1, c0:c1] += light[r0 - row : r1 - row, c0 - column : c1 - column]
