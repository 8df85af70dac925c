"""How clear the air was in each frame, along the limb: the rim of the disc against the same rim in the
reference frame.

Thin cloud dims one part of a frame more than another, so one number a frame is not enough. The disc just
inside the limb shines through the same air as the prominence above it; its mean over a few degrees is steady
to better than a per cent. Where the disc is burnt out or out of view, the lock's number for the whole frame
stands in.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.strip.records import StripGeometry

__all__ = ["RimLight", "rim_of"]

RIM_MM = (-18.0, -3.0)  # clear of the limb's blur; the mottles average out over its area
CELLS_DEG = 1.0
SMOOTH_DEG = 1.5  # 1 sigma; the finest cloud followed is about four times as wide
MOST_BURNT = 0.02  # share of the rim at full scale beyond which it tells nothing
LEAST_RIM_SHARE = 0.3  # of the cells along the limb


@dataclass(frozen=True, slots=True, eq=False)
class RimLight:
    """Brightness of the disc's rim along the limb in the reference frame."""

    rows: slice
    cells: np.ndarray  # (cells,) counts above the sky, nan where not in view
    transparency: float  # of the reference frame, as the lock has it
    full_scale: float

    def relative(self, strip: np.ndarray, sky: float, usual: float) -> np.ndarray | float:
        """(columns,) transparency of a strip relative to the sequence's usual one; `usual` where the rim does
        not tell.

        Parameters
        ----------
        strip : (rows, columns) as bright as the frame
        sky : counts far off the limb in that frame
        usual : the lock's transparency of that frame
        """
        here = _cells(strip[self.rows], self.full_scale, len(self.cells)) - sky
        ratio = here / self.cells * self.transparency
        known = np.isfinite(ratio) & (ratio > 0)
        if known.mean() < LEAST_RIM_SHARE:
            return usual
        weight, total = _blurred(known), _blurred(np.where(known, ratio, 0.0))
        smooth = np.where(weight > 0.05, total / np.maximum(weight, 0.05), np.median(ratio[known]))
        columns = (np.arange(strip.shape[1]) + 0.5) / strip.shape[1] * len(smooth) - 0.5
        return np.interp(columns, np.arange(len(smooth)), smooth).astype(np.float32)


def rim_of(
    strip: np.ndarray, geometry: StripGeometry, *, sky: float, transparency: float, full_scale: float
) -> RimLight | None:
    """The rim of the reference frame's strip; None where the strip holds no rim that is not burnt out."""
    first, last = (int(np.clip(np.ceil(geometry.row(h)), 0, geometry.rows)) for h in RIM_MM)
    if last - first < 3:
        return None
    count = int(np.clip(round(geometry.columns * geometry.deg_per_column / CELLS_DEG), 3, geometry.columns))
    cells = _cells(strip[first:last], full_scale, count) - sky
    cells[cells <= 0] = np.nan
    if np.isfinite(cells).mean() < LEAST_RIM_SHARE:
        return None
    return RimLight(slice(first, last), cells, transparency, full_scale)


def _blurred(cells: np.ndarray) -> np.ndarray:
    return cv2.GaussianBlur(
        cells.astype(np.float32)[None], (0, 0), SMOOTH_DEG / CELLS_DEG, borderType=cv2.BORDER_REFLECT
    )[0]


def _cells(rim: np.ndarray, full_scale: float, count: int) -> np.ndarray:
    """Mean of the rim in `count` cells along the limb; nan where burnt out or not in view."""
    light = cv2.resize(rim, (count, 1), interpolation=cv2.INTER_AREA)[0]
    burnt = cv2.resize(
        (rim >= 0.98 * full_scale).astype(np.float32), (count, 1), interpolation=cv2.INTER_AREA
    )[0]
    light[burnt > MOST_BURNT] = np.nan
    return light.astype(float)
