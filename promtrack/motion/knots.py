"""Bright knots in single strips: a strip in, sub-pixel points with errors out. A knot is a maximum over place
and scale of the strip with its slow structure subtracted, in units of the noise there."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields
from itertools import pairwise

import cv2
import numpy as np

from promtrack.motion import limits
from promtrack.motion.background import STEP, Anchor, Band, anchors, band_images, bands, filled, gain
from promtrack.settings import MotionSettings
from promtrack.strip.records import Strip, StripGeometry


@dataclass(frozen=True, slots=True, eq=False)
class KnotPoints:
    """Points found in all strips, in order of time (one array value a point)."""

    index: np.ndarray  # of the strip
    time_s: np.ndarray
    row: np.ndarray
    column: np.ndarray
    row_err: np.ndarray  # 1 sigma, in strip pixels
    column_err: np.ndarray
    snr: np.ndarray  # of the best band over the noise of that band there
    fwhm_mm: np.ndarray  # diameter of the knots that this band fits best

    def __len__(self) -> int:
        return len(self.index)

    def pick(self, which: np.ndarray) -> KnotPoints:
        """Some of the points, by index or mask."""
        return KnotPoints(*(getattr(self, f.name)[which] for f in fields(self)))


def find_knots(
    strip: Strip,
    *,
    motion: MotionSettings = MotionSettings(),
    progress: Callable[[int, int], None] | None = None,
) -> KnotPoints:
    """All knots of signal-to-noise ratio `motion.least_snr` or more in every strip. Memory holds a block of
    strips, two anchors of the slow structure, and the points."""
    scale_space = bands(strip.geometry, motion.knot_mm)

    def points_of(image: np.ndarray, around: tuple[Anchor, Anchor, np.float32]) -> np.ndarray:
        return _points(image, *around, scale_space, strip.geometry, motion.least_snr)

    found = [np.empty((0, 7))]
    around = _around(strip, anchors(strip, scale_space, motion))
    for i, points in enumerate(strip.mapped(points_of, None, around)):
        found.append(np.insert(points, 0, i, axis=1))
        if progress is not None:
            progress(i + 1, len(strip))
    table = np.concatenate(found)
    index, fwhm_mm = table[:, 0].astype(int), np.array([band.fwhm_mm for band in scale_space])
    row, column, row_err, column_err, snr, band = table[:, 1:].T
    time_s = strip.time_s[index]
    return KnotPoints(index, time_s, row, column, row_err, column_err, snr, fwhm_mm[band.astype(int)])


def _around(strip: Strip, stream: Iterator[Anchor]) -> Iterator[tuple[Anchor, Anchor, np.float32]]:
    """The slow structure before and after each strip, and the weight of the second."""
    before = next(stream)
    after = next(stream, before)
    for time_s in strip.time_s.tolist():
        while time_s > after.time_s and (later := next(stream, None)) is not None:
            before, after = after, later
        weight = 0.0 if after is before else np.interp(time_s, [before.time_s, after.time_s], [0.0, 1.0])
        yield before, after, np.float32(weight)


def sky_plane(
    geometry: StripGeometry, row: np.ndarray, column: np.ndarray, angle_deg: float
) -> tuple[np.ndarray, np.ndarray]:
    """Place in the plane of the sky, where straight motion stays straight: x across and y along the outward
    direction at `angle_deg`, Mm from the Sun's centre."""
    radius = geometry.limb_mm + geometry.height_mm(row)
    turn = np.deg2rad(geometry.angle_deg(column) - angle_deg)
    return radius * np.sin(turn), radius * np.cos(turn)


def sky_to_strip(
    geometry: StripGeometry, x_mm: np.ndarray, y_mm: np.ndarray, angle_deg: float
) -> tuple[np.ndarray, np.ndarray]:
    """Row and column of a place in the plane of the sky, the inverse of `sky_plane`."""
    return (
        geometry.row(np.hypot(x_mm, y_mm) - geometry.limb_mm),
        geometry.column(angle_deg + np.rad2deg(np.arctan2(x_mm, y_mm))),
    )


def _points(
    image: np.ndarray,
    before: Anchor,
    after: Anchor,
    weight: np.float32,
    scale_space: tuple[Band, ...],
    geometry: StripGeometry,
    least_snr: float,
) -> np.ndarray:
    """(k, 6): row, column, row error, column error, snr, band of the points of one strip; the last band of
    `scale_space` is wider than any knot."""
    lowest_mm = 1.5  # below it the limb itself, moved by the air, drowns every knot

    def mixed(first: np.ndarray, second: np.ndarray) -> np.ndarray:
        return first if weight == 0 else first + weight * (second - first)

    missing = np.isnan(image)
    hidden = bool(missing.any())
    images = band_images(filled(image, mixed(before.still, after.still)), scale_space)
    peaks, contrast = [], []
    for k, band in enumerate(scale_space):
        quiet = mixed(before.still_band[k], after.still_band[k])
        above = max(int(np.ceil(geometry.row(lowest_mm))), 0) // band.step  # the limb must not set the gain
        left = images[k] - gain(images[k][above:], quiet[above:]) * quiet
        contrast.append(left)
        if k == len(scale_space) - 1:  # only what knots are compared with
            break
        noise = mixed(before.flicker[k], after.flicker[k])
        noise = noise * _unrest(left, noise)
        # without the border; far faster than np.nonzero in two dimensions
        bright = (left >= least_snr * noise)[1:-1, 1:-1]
        row, column = (part + 1 for part in np.divmod(np.flatnonzero(bright), bright.shape[1]))
        slope = mixed(before.slope[k], after.slope[k])
        found = measured_peaks(left, row, column, noise[row, column], slope, band)
        peaks.append(np.column_stack([found, np.full(len(found), k)]))
    points = np.concatenate(peaks)
    row, column, best = points[:, 0], points[:, 1], points[:, 5].astype(int)
    reach = 0.75 * np.array([band.fwhm_mm for band in scale_space]) / geometry.mm_per_row
    margin = reach[best]
    inside = (
        (geometry.height_mm(row) > lowest_mm)
        & (row < geometry.rows - 1 - reach[-1])  # nearer to the top it sees but a part of its light
        & (column > margin)
        & (column < geometry.columns - 1 - margin)
    )
    # where the contrast of the light never falls from its best band on to the widest is the edge of a cloud
    seen = []
    for left, band in zip(contrast, scale_space, strict=True):
        at = np.rint(points[:, :2] / band.step).astype(int)
        seen.append(left[tuple(np.minimum(at, np.array(left.shape) - 1).T)])
    beyond = np.arange(1, len(scale_space))[:, None] > best
    inside &= ~np.all((np.diff(seen, axis=0) > 0) | ~beyond, axis=0)
    points, margin = points[inside], margin[inside]
    if hidden and len(points):
        # the edge of a cloud looks like a knot
        counted, at = cv2.integral(missing.view(np.uint8)), points[:, :2].round()
        reach = np.ceil(margin)[:, None]
        top, left = np.maximum(at - reach, 0).astype(int).T
        bottom, right = np.minimum(at + reach + 1, image.shape).astype(int).T
        shown = counted[bottom, right] - counted[top, right] == counted[bottom, left] - counted[top, left]
        points, margin = points[shown], margin[shown]
    # Linking weighs triples of points, and no prominence shows as many at once; the most significant stand
    # first.
    return _best_of_each(points, margin)[:400]


def _unrest(left: np.ndarray, noise: np.ndarray) -> np.ndarray:
    """(rows, 1) factor on the noise, 1 or more: a cloud leaves structure in a whole strip that the usual
    flicker does not know. The median of |left| over the noise, by height, against that of a Gaussian; knots
    cover less than half of a strip."""
    factor = np.ones((len(left), 1), np.float32)
    bounds = np.linspace(0, len(left), 7).astype(int)
    for first, last in pairwise(bounds.tolist()):
        size = np.abs(left[first:last:STEP, ::STEP]) / noise[first:last:STEP, ::STEP]
        if size.size:
            middle = float(np.partition(size, size.size // 2, axis=None)[size.size // 2])
            factor[first:last] = max(middle / limits.QUARTILE, 1.0)
    return factor


def measured_peaks(
    left: np.ndarray, row: np.ndarray, column: np.ndarray, sigma: np.ndarray, slope: np.ndarray, band: Band
) -> np.ndarray:
    """Those of the given pixels that are maxima, refined by the parabola through the neighbours: (k, 5) row,
    column in strip pixels, their errors, signal-to-noise ratio.

    `left`: a band with the slow structure subtracted; `row`, `column`: (m,) pixels of it, none on its border;
    `sigma`: (m,) noise there; `slope`: (2,) rms gradient of the noise over its rms value.
    """
    patch = left[row[:, None, None] + np.arange(-1, 2)[:, None], column[:, None, None] + np.arange(-1, 2)]
    top = patch[:, 1, 1] >= patch.reshape(-1, 9).max(axis=1, initial=-np.inf)
    patch, sigma = patch[top].astype(float), sigma[top].astype(float)
    centre = patch[:, 1, 1]
    place, errors = [], []
    for at, steep, three in zip((row[top], column[top]), slope, (patch[:, :, 1], patch[:, 1]), strict=True):
        lower, upper = three[:, 0], three[:, 2]
        bend = np.maximum(2 * centre - lower - upper, 1e-12)
        place.append((at + np.clip((upper - lower) / (2 * bend), -0.6, 0.6)) * band.step)
        # A maximum shifts by the noise of the gradient over the curvature; pixels and interpolation leave
        # 0.03 px (tests/motion/test_knots.py).
        errors.append(np.hypot(sigma * steep / bend * band.step, 0.03))
    return np.column_stack([*place, *errors, centre / sigma])


def _best_of_each(points: np.ndarray, reach: np.ndarray) -> np.ndarray:
    """The most significant of the points that lie within each other's reach, in pixels."""
    order = np.argsort(-points[:, 4], kind="stable")
    points, reach = points[order], reach[order]
    keep = np.ones(len(points), bool)
    for i in range(len(points)):
        if keep[i]:
            apart = np.hypot(points[i + 1 :, 0] - points[i, 0], points[i + 1 :, 1] - points[i, 1])
            keep[i + 1 :] &= apart > np.maximum(reach[i], reach[i + 1 :])
    return points[keep]
