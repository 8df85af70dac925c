"""Where light above the limb is a prominence: smoothed strips in, regions of significant light out.

Light counts above the spicules, against the noise of its height, and where it stands out of the light within
some 20 Mm: the sky's model leaves faint wide light in single frames. Regions without spots and without glow
from beyond what is seen are prominences.
"""

from __future__ import annotations

import cv2
import numpy as np
from scipy import ndimage

from promtrack.motion import limits
from promtrack.motion.background import filled
from promtrack.strip.records import Strip, StripGeometry

SPICULES_MM = 10.0  # spicules reach 10 Mm (conventional; AMS glossary): what stays below is limb
WIDE_MM = 20.0  # Gaussian, 1 sigma: what is smoother is sky
TENTH = np.sqrt(np.log(10.0) / np.log(16.0))  # half width of a Gaussian at a tenth of its height, in FWHM


def brightest_light(strip: Strip, step: int) -> np.ndarray:
    """(rows, columns) the greatest light that each place shows in means over blocks of time."""
    geometry, n = strip.geometry.coarser(step), len(strip)
    blocks = [
        block[:: -(-len(block) // limits.BLOCK_STRIPS)]
        for block in np.array_split(np.arange(n), min(limits.BLOCKS, n))
    ]
    smooth = strip.mapped(
        lambda light: smoothed_light(light, step, geometry), np.concatenate(blocks).tolist()
    )
    brightest = np.full((geometry.rows, geometry.columns), np.nan)
    for block in blocks:
        stack = np.array([next(smooth) for _ in block])
        count = np.isfinite(stack).sum(axis=0)
        mean = np.nansum(stack, axis=0) / np.maximum(count, 1)
        brightest = np.fmax(brightest, np.where(count > 0, mean, np.nan))
    return brightest


def smoothed_light(light: np.ndarray, step: int, geometry: StripGeometry) -> np.ndarray:
    """Means over `step` x `step` values of a strip, after a Gaussian; both together blur by `FINEST_MM`.
    nan where less than half of the weight is seen."""
    used = light[: geometry.rows * step, : geometry.columns * step]
    # (x, y); a mean that holds what is not shown is not shown
    means = cv2.resize(used, (geometry.columns, geometry.rows), interpolation=cv2.INTER_AREA)
    # the means have blurred already, with the variance of so many places
    sides = np.array([geometry.mm_per_column(0.0), geometry.mm_per_row])
    sigma_x, sigma_y = np.sqrt((limits.FINEST_MM / sides) ** 2 - (1.0 - step**-2.0) / 12.0).tolist()
    weight, value = (
        cv2.GaussianBlur(a, (0, 0), sigma_x, sigmaY=sigma_y, borderType=cv2.BORDER_REPLICATE)
        for a in (np.isfinite(means).astype(np.float32), filled(means))
    )
    return np.where(weight > 0.5, value / np.maximum(weight, 1e-6), np.nan)


def noise_of(light: np.ndarray, geometry: StripGeometry) -> np.ndarray:
    """(rows, columns) 1 sigma of smoothed light, at every height from the dark half of its values alone:
    plasma is only brighter than the sky. A wrong flat leaves dark near bright: plasma outshines the darkest
    within `WIDE_MM`."""
    ordered, row = np.sort(light, axis=1), np.arange(len(light))  # nan goes last
    seen = np.isfinite(light).sum(axis=1)
    quarter, middle = (ordered[row, seen * part // 4] for part in (1, 2))
    sigma = np.where(seen < 16, np.inf, (middle - quarter) / limits.QUARTILE)
    dark = np.nan_to_num(middle[:, None] - light) / limits.CERTAIN
    dark[geometry.height_mm(row) < SPICULES_MM] = 0.0
    dark = cv2.dilate(dark, _box(WIDE_MM, geometry))
    return np.maximum(ndimage.median_filter(sigma, size=9, mode="nearest")[:, None], dark)


def regions_of(brightest: np.ndarray, noise: np.ndarray, geometry: StripGeometry, bottom: int) -> np.ndarray:
    """(rows, columns) numbers of the connected regions, 0 outside; strips all round the Sun are opened where
    the widest gap is."""
    significant = significant_light(brightest, noise, geometry, bottom)
    covered = np.flatnonzero(significant.any(axis=0))
    opened = 0
    if geometry.columns * geometry.deg_per_column > 359.0 and len(covered):
        gap = np.diff(covered, append=covered[0] + geometry.columns)
        opened = int(covered[gap.argmax()] + gap.max() // 2)
    labels = large_regions(np.roll(significant, -opened, axis=1), limits.KNOT_MM**2, geometry)
    labels = _bodies(labels, np.roll(brightest, -opened, axis=1), geometry)
    # what is nearer than 15 Mm along the limb is one prominence
    reach = max(int(15.0 / 2 / geometry.mm_per_column(0.0)), 1)
    joined = ndimage.binary_dilation(labels.any(axis=0), iterations=reach)
    return np.roll(np.where(labels > 0, ndimage.label(joined)[0], 0), opened, axis=1)


def significant_light(
    smooth: np.ndarray, noise: np.ndarray, geometry: StripGeometry, bottom: int
) -> np.ndarray:
    """(rows, columns) bool: light above the spicules beyond the noise and the light around it; nothing
    near the picture's edge, where the sky's model is free."""
    seen = cv2.erode(np.isfinite(smooth).view(np.uint8), _box(limits.KNOT_MM, geometry)) > 0
    seen[:bottom] = False
    light = np.where(seen, smooth, np.float32(0.0))
    weight, value = (_wide(a, geometry) for a in (seen.astype(np.float32), light))
    beyond = limits.CERTAIN * noise
    return (light > beyond) & (light - value / np.maximum(weight, 1e-6) > beyond)


def _box(reach_mm: float, geometry: StripGeometry) -> np.ndarray:
    """Ones over a length to all sides."""
    sides = reach_mm / np.array([geometry.mm_per_row, geometry.mm_per_column(0.0)])
    return np.ones(2 * sides.round().astype(int) + 1, np.uint8)


def _wide(light: np.ndarray, geometry: StripGeometry) -> np.ndarray:
    """A strip after a Gaussian of `WIDE_MM`, cut at two sigma; on a grid of a sixth of that, to be quick."""
    sigma = WIDE_MM / np.array([geometry.mm_per_column(0.0), geometry.mm_per_row])
    size = np.ceil(light.shape[::-1] / np.maximum(sigma / 6, 1)).astype(int).tolist()
    own = sigma * size / light.shape[::-1]
    kernel = (2 * np.round(2 * own).astype(int) + 1).tolist()
    small = cv2.resize(light.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, kernel, own[0], sigmaY=own[1], borderType=cv2.BORDER_REPLICATE)
    return cv2.resize(small, light.shape[::-1], interpolation=cv2.INTER_LINEAR)


def large_regions(mask: np.ndarray, least_mm2: float, geometry: StripGeometry) -> np.ndarray:
    """(rows, k) numbers of the connected regions of a mask that cover at least `least_mm2`, 0 elsewhere."""
    labels, count = ndimage.label(mask, np.ones((3, 3)))
    area = np.broadcast_to(pixel_area(geometry)[:, None], mask.shape)
    size = ndimage.sum_labels(area, labels, np.arange(count + 1))
    size[0] = 0.0
    return np.where((size >= least_mm2)[labels], labels, 0)


def _bodies(labels: np.ndarray, light: np.ndarray, geometry: StripGeometry) -> np.ndarray:
    """Regions without spots (knots, hot pixels) and without glow from beyond what is seen: above a tenth of
    its brightest a prominence is larger than the largest knot, and in most of its rows light does not rise
    from the brightest place on to the border."""
    wide_mm, high_mm = geometry.mm_per_column(0.0), geometry.mm_per_row
    reach, blur = (2 * round(mm / wide_mm) + 1 for mm in (limits.KNOT_MM, 2 * limits.FINEST_MM))
    inner = ndimage.minimum_filter1d(np.isfinite(light), blur, axis=1, mode="constant")
    within, border = (
        ndimage.maximum_filter1d(np.where(one, light, -np.inf), reach, axis=1, mode="constant", cval=-np.inf)
        for one in (inner, ~inner & np.isfinite(light))
    )
    ends = within >= border
    kept = np.zeros_like(labels)
    for number, where in enumerate(ndimage.find_objects(labels), start=1):
        if where is None:
            continue
        own = np.where(labels[where] == number, light[where], -np.inf)
        falls = ends[where][np.arange(len(own)), own.argmax(axis=1)]
        if np.sum(own > 0.1 * own.max()) * wide_mm * high_mm > knot_mm2(geometry) and falls.mean() > 0.5:
            kept[where][own > -np.inf] = number
    return kept


def knot_mm2(geometry: StripGeometry) -> float:
    """Area that the largest knot, or a spot, covers above a tenth of its light, smoothed."""
    # groups of 2 x 2 hot pixels are 1.5 px wide at half height
    sides = 1.5 * np.array([geometry.mm_per_row, geometry.mm_per_column(0.0)])
    sides = np.hypot(np.maximum(limits.KNOT_MM, sides), limits.FWHM * limits.FINEST_MM)
    return float(np.pi * np.prod(TENTH * sides))


def pixel_area(geometry: StripGeometry) -> np.ndarray:
    """(rows,) Mm2 of one pixel of the strip."""
    height = geometry.height_mm(np.arange(geometry.rows, dtype=float))
    return geometry.mm_per_row * geometry.mm_per_column(height)


def column_range(region: np.ndarray, geometry: StripGeometry) -> np.ndarray:
    """(k,) columns, the shortest range that holds a region and what smoothing spreads; all round the Sun it
    may pass the strip's end."""
    spread = round(2 * limits.FINEST_MM / geometry.mm_per_column(0.0))
    covered = np.flatnonzero(ndimage.maximum_filter1d(region.any(axis=0), 2 * spread + 1))
    last = int(np.argmax(np.diff(covered, append=covered[0] + geometry.columns)))
    start, stop = int(covered[(last + 1) % len(covered)]), int(covered[last])
    return (start + np.arange((stop - start) % geometry.columns + 1)) % geometry.columns
