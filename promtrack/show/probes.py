"""Picture pixels at which brightness is sampled, and sample frames at them.

A hundred thousand pixels of a dozen frames tell all that the tone of a whole clip needs.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.limb.records import LimbLock
from promtrack.sequence.records import Sequence
from promtrack.show.view import ClipView, affine_to_frame, warp

__all__ = ["BAND_PX", "Probes", "Samples", "place_probes", "reached", "take_samples"]

SAMPLES = 12
BAND_PX = 30.0  # about the limb every pixel row counts, so probes stand dense there
PROBES = 60_000
COARSE = 8  # picture pixels per pixel of the coarse samples kept for the layout


@dataclass(frozen=True, slots=True, eq=False)
class Probes:
    """Picture pixels at which brightness is sampled (arrays of equal length)."""

    row: np.ndarray
    column: np.ndarray
    limb_px: np.ndarray  # distance from the limb, frame px
    number: np.ndarray  # among all probes of the picture


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Sample frames at the probes, and coarsely whole."""

    frame: np.ndarray  # (k,) indices
    value: np.ndarray  # (k, probes) float32 counts, nan where the frame does not reach
    coarse: np.ndarray  # (k, rows, columns) float32 counts, nan where the frame does not reach


def place_probes(view: ClipView, seed: int = 7) -> Probes:
    """Probes over the picture, dense about the limb, the same for the same view."""
    limb_px = view.height_map_px()
    rng = np.random.default_rng(seed)
    band = np.abs(limb_px) < BAND_PX
    chosen = [
        rng.choice(where, min(PROBES, len(where)), replace=False)
        for where in (np.flatnonzero(band), np.flatnonzero(~band))
        if len(where)
    ]
    flat = np.sort(np.concatenate(chosen))
    row, column = np.unravel_index(flat, limb_px.shape)
    return Probes(row, column, limb_px.ravel()[flat], np.arange(len(flat)))


def take_samples(sequence: Sequence, lock: LimbLock, view: ClipView, probes: Probes) -> Samples:
    """A dozen used frames spread over the sequence, in the picture's geometry."""
    used = np.flatnonzero(lock.used)
    wanted = used[np.unique(np.linspace(0, len(used) - 1, min(SAMPLES, len(used))).round().astype(int))]
    size = (max(view.width // COARSE, 8), max(view.height // COARSE, 8))
    row, column = np.mgrid[: size[1], : size[0]].reshape(2, -1)
    middles = Probes(row * view.height / size[1], column * view.width / size[0], np.empty(0), np.empty(0))
    value, coarse = [], []
    for index, frame in sequence.frames(wanted.tolist()):
        matrix = affine_to_frame(view, lock, index)
        picture = warp(frame.astype(np.float32, copy=False), matrix, view)
        level = picture[probes.row, probes.column]
        level[~reached(matrix, probes, lock.shape)] = np.nan
        value.append(level)
        small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
        small[~reached(matrix, middles, lock.shape).reshape(small.shape)] = np.nan
        coarse.append(small)
    return Samples(wanted, np.stack(value), np.stack(coarse))


def reached(matrix: np.ndarray, probes: Probes, shape: tuple[int, int]) -> np.ndarray:
    """Which probes lie in a frame of `shape` (rows, columns), as booleans."""
    x = matrix[0, 0] * probes.column + matrix[0, 1] * probes.row + matrix[0, 2]
    y = matrix[1, 0] * probes.column + matrix[1, 1] * probes.row + matrix[1, 2]
    return (x >= 1.0) & (y >= 1.0) & (x <= shape[1] - 2.0) & (y <= shape[0] - 2.0)
