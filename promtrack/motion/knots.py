"""Bright knots in single strips: a strip in, sub-pixel points with errors out.

A knot is a maximum over place and scale of the strip with its slow structure subtracted, in units of the noise there.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, fields

import cv2
import numpy as np

from promtrack.motion.background import Anchor, Band, anchors, band_images, bands, between, filled
from promtrack.settings import MotionSettings
from promtrack.strip.records import Strip, StripGeometry

__all__ = ["KnotPoints", "find_knots", "sky_plane", "sky_to_strip"]

LOWEST_MM = 1.5        # below it the limb itself, moved by the air, drowns every knot
FLOOR_PX = 0.03        # error left by pixels and interpolation; measured in tests/motion/test_knots.py
BLOCK_BYTES = 24e6     # strips read at once


@dataclass(frozen=True, slots=True, eq=False)
class KnotPoints:
    """Points found in all strips, in order of time (one array value a point)."""

    index: np.ndarray        # of the strip
    time_s: np.ndarray
    row: np.ndarray
    column: np.ndarray
    row_err: np.ndarray      # 1 sigma, in strip pixels
    column_err: np.ndarray
    snr: np.ndarray          # of the best band over the noise of that band there
    fwhm_mm: np.ndarray      # of the best band

    def __len__(self) -> int:
        return len(self.index)

    def pick(self, which: np.ndarray) -> KnotPoints:
        """Some of the points, by index or mask."""
        return KnotPoints(*(getattr(self, f.name)[which] for f in fields(self)))


def find_knots(strip: Strip, *, motion: MotionSettings = MotionSettings(),
               progress: Callable[[int, int], None] | None = None) -> KnotPoints:
    """All knots of signal-to-noise ratio `motion.least_snr` or more in every strip.

    Memory holds a block of strips, two anchors of the slow structure, and the points.
    """
    scale_space = bands(strip.geometry, motion.knot_mm)
    n, rows, columns = strip.shape
    block = max(1, int(BLOCK_BYTES / (4 * rows * columns)))
    stream = anchors(strip, scale_space, motion)
    before = next(stream)
    after = next(stream, before)
    found: list[np.ndarray] = []
    for first in range(0, n, block):
        for i, image in enumerate(strip.read(first, first + block), start=first):
            while strip.time_s[i] > after.time_s and (later := next(stream, None)) is not None:
                before, after = after, later
            points = _points(image, before, after, between(before, after, strip.time_s[i]), scale_space,
                             strip.geometry, motion.least_snr)
            found.append(np.column_stack([np.full(len(points), i), np.full(len(points), strip.time_s[i]), points]))
        if progress is not None:
            progress(min(first + block, n), n)
    table = np.concatenate(found) if found else np.empty((0, 8))
    return KnotPoints(table[:, 0].astype(int), *table[:, 1:].T)


def sky_plane(geometry: StripGeometry, row: np.ndarray, column: np.ndarray,
              angle_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """Place in the plane of the sky: x across and y along the outward direction at `angle_deg`, Mm from the Sun's centre.

    Straight motion stays straight in these coordinates, also along the limb.
    """
    radius = geometry.limb_mm + geometry.height_mm(row)
    turn = np.deg2rad(geometry.angle_deg(column) - angle_deg)
    return radius * np.sin(turn), radius * np.cos(turn)


def sky_to_strip(geometry: StripGeometry, x_mm: np.ndarray, y_mm: np.ndarray,
                 angle_deg: float) -> tuple[np.ndarray, np.ndarray]:
    """Row and column of a place in the plane of the sky, the inverse of `sky_plane`."""
    return (geometry.row(np.hypot(x_mm, y_mm) - geometry.limb_mm),
            geometry.column(angle_deg + np.rad2deg(np.arctan2(x_mm, y_mm))))


def _points(image: np.ndarray, before: Anchor, after: Anchor, weight: float, scale_space: tuple[Band, ...],
            geometry: StripGeometry, least_snr: float) -> np.ndarray:
    """(k, 6): row, column, row error, column error, snr, fwhm of the points of one strip."""
    still = before.still if weight == 0 else before.still + np.float32(weight) * (after.still - before.still)
    missing = np.isnan(image)
    images = band_images(filled(image, still), scale_space)
    peaks = []
    for k, band in enumerate(scale_space):
        quiet = _mixed(before.still_band[k], after.still_band[k], weight)
        noise = _mixed(before.flicker[k], after.flicker[k], weight)
        left = images[k] - _gain(images[k], quiet) * quiet
        slope = np.array(before.slope[k]) * (1 - weight) + np.array(after.slope[k]) * weight
        peaks.append(_peaks(left, noise, slope, band, least_snr))
    points = np.concatenate(peaks)
    height = geometry.height_mm(points[:, 0])
    margin = 1.5 * points[:, 5] / geometry.mm_per_row / 2
    inside = ((height > LOWEST_MM) & (points[:, 0] < geometry.rows - 1 - margin)
              & (points[:, 1] > margin) & (points[:, 1] < geometry.columns - 1 - margin))
    points = points[inside]
    if missing.any() and len(points):
        near = cv2.dilate(missing.astype(np.uint8), np.ones((7, 7), np.uint8))
        points = points[near[points[:, 0].round().astype(int), points[:, 1].round().astype(int)] == 0]
    return _best_of_each(points, geometry.mm_per_row)


def _mixed(first: np.ndarray, second: np.ndarray, weight: float) -> np.ndarray:
    return first if weight == 0 else first + np.float32(weight) * (second - first)


def _gain(value: np.ndarray, quiet: np.ndarray) -> np.float32:
    """How bright the slow structure is in this strip; thin cloud is left by the strip stage to some per cent."""
    power = float(np.vdot(quiet, quiet))
    return np.float32(np.vdot(value, quiet) / power) if power > 0 else np.float32(1.0)


def _peaks(left: np.ndarray, noise: np.ndarray, slope: np.ndarray, band: Band, least_snr: float) -> np.ndarray:
    """(k, 6) maxima of one band over the limit, refined by the parabola through the neighbours."""
    ratio = left / noise
    row, column = np.nonzero(ratio[1:-1, 1:-1] >= least_snr)
    row, column = row + 1, column + 1
    patch = left[row[:, None, None] + np.arange(-1, 2)[:, None], column[:, None, None] + np.arange(-1, 2)]
    centre = patch[:, 1, 1]
    top = centre >= patch.reshape(-1, 9).max(axis=1)
    row, column, patch, centre = row[top], column[top], patch[top].astype(float), centre[top].astype(float)
    place, bend = [], []
    for lower, upper in ((patch[:, 0, 1], patch[:, 2, 1]), (patch[:, 1, 0], patch[:, 1, 2])):
        curve = np.maximum(2 * centre - lower - upper, 1e-12)
        place.append(np.clip((upper - lower) / (2 * curve), -0.6, 0.6))
        bend.append(curve)
    sigma = noise[row, column].astype(float)
    # A maximum shifts by the noise of the gradient over the curvature.
    errors = [np.hypot(sigma * slope[axis] / bend[axis] * band.step, FLOOR_PX) for axis in (0, 1)]
    return np.column_stack([(row + place[0]) * band.step, (column + place[1]) * band.step, *errors, centre / sigma,
                            np.full(len(row), band.fwhm_mm)]).reshape(-1, 6)


def _best_of_each(points: np.ndarray, mm_per_row: float) -> np.ndarray:
    """The most significant of the points that lie within each other's size."""
    order = np.argsort(-points[:, 4], kind="stable")
    points = points[order]
    keep = np.ones(len(points), bool)
    for i in range(len(points)):
        if keep[i]:
            reach = np.maximum(points[i, 5], points[i + 1:, 5]) * 0.75 / mm_per_row
            apart = np.hypot(points[i + 1:, 0] - points[i, 0], points[i + 1:, 1] - points[i, 1])
            keep[i + 1:] &= apart > reach
    return points[keep]
