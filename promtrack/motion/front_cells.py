"""New light in cells of the strips: what each cell shows above its own past, in units of its flicker."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.motion import limits
from promtrack.motion.leading_edge import LOWEST_MM
from promtrack.strip.records import Strip

CELL_MM, CELL_ALONG_MM = 1.0, 5.0  # height and width of a cell, at the limb
PAST = 16  # frames of the past that a cell is compared with
QUANTILE = 0.8


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Mean brightness of cells less the lower quartile over all angles: a veil, a ring of scattered light."""

    value: np.ndarray  # (n, rows, columns) float32; inf where less than half of a cell is shown
    flicker: np.ndarray  # (rows, columns) 1 sigma of a value from frame to frame
    unrest: np.ndarray  # (n,) flicker of each frame over the usual one, 1 at least
    time_s: np.ndarray  # (n,)
    height_mm: np.ndarray  # (rows,)
    columns: int  # strip columns of a cell

    @property
    def step_mm(self) -> float:
        """Height of a row."""
        return float(self.height_mm[1] - self.height_mm[0])

    @property
    def cadence_s(self) -> float:
        """Usual time between two frames of different times."""
        return float(np.median(np.diff(np.unique(self.time_s))))

    def rows(self, length_mm: float) -> int:
        """Rows in a length [Mm], one at least."""
        return max(round(length_mm / self.step_mm), 1)


def cells_of(strip: Strip) -> Cells:
    """Mean brightness of the cells of a strip above its lowest 3 Mm."""
    geometry = strip.geometry
    width = max(round(CELL_ALONG_MM / float(geometry.mm_per_column(0.0))), 1)
    height = max(round(CELL_MM / geometry.mm_per_row), 1)
    first = int(np.clip(np.ceil(geometry.row(LOWEST_MM)), 0, geometry.rows - 1))
    rows, columns = (geometry.rows - first) // height, geometry.columns // width
    together = -(-len(strip) // limits.MOST_TIMES)

    def reduced(picture: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        part = picture[first : first + rows * height, : columns * width]
        shown = np.isfinite(part)
        size = (columns, rows)  # (x, y)
        return (
            cv2.resize(np.where(shown, part, np.float32(0)), size, interpolation=cv2.INTER_AREA),
            cv2.resize(shown.astype(np.float32), size, interpolation=cv2.INTER_AREA),
        )

    n = -(-len(strip) // together)
    light, weight = (np.zeros((n, rows, columns), np.float32) for _ in range(2))
    for i, (one, shown) in enumerate(strip.mapped(reduced)):
        light[i // together] += one
        weight[i // together] += shown
    np.divide(light, weight, out=light, where=weight > 0)
    light[weight < 0.5] = np.inf
    veil = np.partition(light, columns // 4, axis=2)[:, :, columns // 4, None]
    light -= np.where(np.isfinite(veil), veil, np.float32(0.0))
    times = np.array([part.mean() for part in np.split(strip.time_s, range(together, len(strip), together))])
    centres = first + height * (np.arange(rows) + 0.5) - 0.5
    flicker, unrest = _flicker(light)
    return Cells(light, flicker, unrest, times, np.asarray(geometry.height_mm(centres), float), width)


def _flicker(light: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Flicker of each cell from frame to frame, at least that of its height; and of each frame (cloud)."""
    known = np.isfinite(light)
    step = np.diff(np.where(known, light, np.float32(0.0)), axis=0)
    np.abs(step, out=step)
    step /= np.float32(limits.QUARTILE * np.sqrt(2))
    flicker = np.median(step, axis=0)
    usual = np.median(flicker, axis=1, keepdims=True)
    flicker = np.maximum(flicker, np.where(usual > 0, usual, max(float(flicker.max(initial=0.0)), 1e-12)))
    both = known[1:] & known[:-1]
    change = np.array(
        [np.median((one / flicker)[ok]) if ok.any() else 1.0 for one, ok in zip(step, both, strict=True)]
    )
    return flicker, np.maximum(np.maximum(np.r_[change[:1], change], np.r_[change, change[-1:]]), 1.0)


def new_light(cells: Cells) -> np.ndarray:
    """(n, rows, columns) what was not there before, in units of the flicker; 0 where unknown."""
    value, light = cells.value, np.zeros_like(cells.value)
    for i in range(3, len(value)):
        past = np.unique(np.linspace(0, i - 1, min(i, PAST)).round().astype(int))
        rank = round(QUANTILE * (len(past) - 1))
        before = np.partition(value[past], rank, axis=0)[rank]
        with np.errstate(invalid="ignore"):
            light[i] = (value[i] - before) / (cells.flicker * cells.unrest[i])
    light[~np.isfinite(light)] = 0.0
    return light
