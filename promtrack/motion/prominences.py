"""Everything that stands above the limb: strips in, one record a prominence out, each against time.

Its regions (`prominence_regions`) are found once, in the brightest that each place ever showed, so that what
erupts keeps its number; height, area and brightness are then measured in every strip inside that range of
angles.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from scipy import ndimage

from promtrack.motion import limits
from promtrack.motion.motion_checks import keeps_place, on_sensor
from promtrack.motion.prominence_regions import (
    SPICULES_MM,
    brightest_light,
    column_range,
    knot_mm2,
    large_regions,
    noise_of,
    pixel_area,
    regions_of,
    significant_light,
    smoothed_light,
)
from promtrack.motion.records import Prominence
from promtrack.strip.records import Strip, StripGeometry


def find_prominences(
    strip: Strip, disc_counts: float = np.nan, place: limits.Place | None = None, block_mm: float = 0.0
) -> tuple[Prominence, ...]:
    """All prominences on the strips, the largest (mean area) first, from one strip on. `disc_counts`:
    brightness of the disc just inside the limb above the sky, in the strips' counts; nan where it is not
    known or burnt out. `place`: by which what stands on the sensor is left out.
    `block_mm`: side of the blocks that strong compression leaves, where smoothing averages nothing."""
    step = max(int(limits.FINEST_MM / limits.SAMPLED_PX / strip.geometry.mm_per_row), 1)
    geometry = strip.geometry.coarser(step)
    bottom = max(int(np.ceil(geometry.row(SPICULES_MM))), 0)
    if bottom >= geometry.rows - 2 or not len(strip):
        return ()
    brightest = brightest_light(strip, step)
    least = 0.3 * strip.noise[: geometry.rows * step : step, None] if block_mm else np.float32(0.0)
    noise = np.maximum(noise_of(brightest, geometry), least)
    labels = regions_of(brightest, noise, geometry, bottom)
    spans = [column_range(labels == n, geometry) for n in range(1, labels.max() + 1)]
    if not spans:
        return ()

    def measured(light: np.ndarray) -> list[tuple[float, ...]]:
        smooth = smoothed_light(light, step, geometry)
        own_noise = np.maximum(noise_of(smooth, geometry), noise)
        significant = significant_light(smooth, own_noise, geometry, bottom)
        return [_measured(smooth, own_noise, significant, span, bottom, geometry) for span in spans]

    found = []
    for span, own in zip(spans, np.array(list(strip.mapped(measured))).swapaxes(0, 1), strict=True):
        values = np.where(_leaps(strip.time_s, *own[:, :2].T)[:, None], np.nan, own)
        if (
            np.isfinite(values[:, 0]).any()
            # what erupts may begin small; a knot on its path is never larger than a knot
            and np.nanpercentile(values[:, 2], 90) > knot_mm2(geometry)
            and not (place and _fixed(strip, geometry, span, values, place))
        ):
            found.append(_prominence(strip, geometry, span, values, disc_counts, block_mm))
    found.sort(key=lambda p: -float(np.nansum(p.area_mm2)))
    return tuple(replace(p, prominence=number) for number, p in enumerate(found, start=1))


def _fixed(
    strip: Strip, geometry: StripGeometry, columns: np.ndarray, values: np.ndarray, place: limits.Place
) -> bool:
    """Whether a body keeps its place on the sensor while the Sun moves there, by more than a knot's size and
    what the lock errs: a reflection, letters. Of a Sun at rest only the lock's errors move there."""
    seen = np.isfinite(values[:, 0])
    angle = geometry.angle_deg(columns[0] + values[seen, 6])
    own, sun, px_per_mm = on_sensor(strip.frame[seen], angle, values[seen, 0], place)
    err_mm = np.median(np.hypot(strip.centre_err_mm, strip.along_err_mm))
    far_px = max(limits.KNOT_MM, limits.CERTAIN * err_mm) * px_per_mm
    moved_px = np.sqrt(12.0) * np.hypot(*np.std(sun, axis=0))  # of a steady drift its length
    return bool(moved_px > far_px) and keeps_place(own, sun)


def _measured(
    smooth: np.ndarray,
    noise: np.ndarray,
    significant: np.ndarray,
    columns: np.ndarray,
    bottom: int,
    geometry: StripGeometry,
) -> tuple[float, ...]:
    """In one strip: height, error, area, error, light of its bright parts (nine tenths are fainter), error,
    middle column."""
    light, sigma = np.nan_to_num(smooth[:, columns]), noise[:, columns]
    labels = large_regions(significant[:, columns], limits.KNOT_MM**2 / 4.0, geometry)
    # What stands on the limb, and the largest, which may hang above it: a knot that flies beside them is no
    # part of the prominence's height.
    foot = labels[bottom : bottom + max(round(limits.KNOT_MM / geometry.mm_per_row), 1)]
    size = np.bincount(labels.ravel())
    size[0] = 0
    standing = (labels > 0) & np.isin(labels, np.append(np.unique(foot), np.argmax(size)))
    body = _joined(light, standing, bottom, geometry)
    (low, *_), (top, row, column), (high, *_) = (_top(light, body, a, geometry) for a in (0.35, 0.5, 0.65))
    if not labels.any() or top < SPICULES_MM:
        return (np.nan,) * 7
    noisy = sigma[row, column] / (0.3 * light[row, column])  # of the fall between the two levels
    above, sigma, pixel_mm2 = light[bottom:], sigma[bottom:], pixel_area(geometry)[bottom:]
    bright = float(np.percentile(above[labels[bottom:] > 0], 90))
    areas, brights = [], []
    for part in (0.05, 0.2, 0.1):
        chosen = above > np.maximum(part * bright, limits.CERTAIN * sigma)
        brights.append(float(np.percentile(above[chosen], 90)))
        areas.append(float((chosen.sum(axis=1) * pixel_mm2).sum()))
    weight = np.where(chosen, above, 0.0)
    return (
        top,
        float(np.hypot((low - high) * np.hypot(0.5, noisy), geometry.mm_per_row / np.sqrt(12.0))),
        areas[2],
        (areas[0] - areas[1]) / 2.0,
        bright,
        float(np.hypot(sigma[chosen].mean(), (brights[1] - brights[0]) / 2.0)),
        float((weight.sum(axis=0) * np.arange(len(columns))).sum() / weight.sum()),
    )


def _joined(light: np.ndarray, body: np.ndarray, bottom: int, geometry: StripGeometry) -> np.ndarray:
    """(rows, k) bool: a prominence without the knots that fly past its top, from which light falls to less
    than half of the knot's before it rises again; what is no knot in size stays."""
    finest_px = limits.FINEST_MM / np.array([geometry.mm_per_row, geometry.mm_per_column(0.0)])
    reach = np.ones(4 * finest_px.round().astype(int) + 1, np.uint8)  # two sigma, with a knot's faint rim
    pixel_mm2 = pixel_area(geometry)
    while True:
        top_mm, row, column = _top(light, body, 0.5, geometry)
        if top_mm < SPICULES_MM:
            return body
        near = np.zeros_like(body)
        above, beside = np.array(reach.shape) // 2
        near[max(row - above, 0) : row + above + 1, max(column - beside, 0) : column + beside + 1] = True
        near &= body
        if not near.any():
            return body
        labels, _ = ndimage.label(body & (light >= 0.5 * light[near].max()), np.ones((3, 3)))
        part = labels == labels[near][np.argmax(light[near])]
        area, whole = (float((one.sum(axis=1) * pixel_mm2).sum()) for one in (part, body))
        rest = body & (cv2.dilate(part.view(np.uint8), reach) == 0)
        if area > min(limits.KNOT_MM**2, 0.5 * whole) or part[: bottom + 1].any() or not rest.any():
            return body
        body = rest


def _top(
    light: np.ndarray, significant: np.ndarray, level: float, geometry: StripGeometry
) -> tuple[float, int, int]:
    """Greatest height [Mm], over the columns, at which light falls to `level` of the brightest just below (a
    threshold in noise lies the farther out the brighter the plasma is), and the row and column of that; minus
    infinity where nothing is significant."""
    columns = np.flatnonzero(significant.any(axis=0))
    if not len(columns):
        return -np.inf, 0, 0
    light, row = light[:, columns], np.arange(len(light))[:, None]
    last = len(light) - 1 - np.argmax(significant[::-1, columns], axis=0)
    reach = max(round(limits.KNOT_MM / geometry.mm_per_row), 2)
    near = (row <= last) & (row > last - reach)
    peak = len(light) - 1 - np.argmax(np.where(near, light, -np.inf)[::-1], axis=0)  # the outermost
    at = np.arange(len(columns))
    wanted = level * light[peak, at]
    rises = np.diff(light, axis=0, append=-np.inf) > 0.0  # beyond the plasma's last row: of another body
    below = (row > peak) & ((light < wanted) | (row > last) & rises)
    falls = below.any(axis=0)
    outer = np.where(falls, np.argmax(below, axis=0), len(light) - 1)
    part = (light[outer - 1, at] - wanted) / np.maximum(light[outer - 1, at] - light[outer, at], 1e-9)
    top = np.where(falls, outer - 1.0 + np.clip(part, 0.0, 1.0), len(light) - 1.0)
    best = int(np.argmax(top))
    return float(geometry.height_mm(top[best])), int(peak[best]), int(columns[best])


def _leaps(time_s: np.ndarray, height_mm: np.ndarray, err_mm: np.ndarray) -> np.ndarray:
    """(n,) bool: heights of single strips, neither the first nor the last, that stand above both neighbours
    by more than 5 errors and by more than plasma is accelerated in that time: a knot, or light in the sky of
    that strip. Two such strips in a row are not found."""
    leaps, seen = np.zeros(len(time_s), bool), np.flatnonzero(np.isfinite(height_mm))
    if len(seen) > 2:
        step, rise = np.diff(time_s[seen]), np.diff(height_mm[seen])
        above = np.minimum(rise[:-1], -rise[1:])
        # Main-phase accelerations of eruptions reach 4.5 km/s2 (Zhang & Dere 2006, ApJ 649, 1100; value from
        # memory).
        leaps[seen[1:-1]] = above > 0.5 * 5e-3 * step[:-1] * step[1:]
        usual = _scatter(time_s, np.where(leaps, np.nan, height_mm))
        leaps[seen[1:-1]] &= above > limits.CERTAIN * np.hypot(err_mm[seen[1:-1]], usual)
    return leaps


def _scatter(time_s: np.ndarray, height_mm: np.ndarray) -> float:
    """1 sigma of what heights do from strip to strip, beside a steady rise or bend: nothing on the Sun is so
    fast."""
    seen = np.isfinite(height_mm)
    time, height = time_s[seen], height_mm[seen]
    if len(time) < 3:
        return 0.0
    part = (time[1:-1] - time[:-2]) / (time[2:] - time[:-2])
    off = height[1:-1] - height[:-2] - part * (height[2:] - height[:-2])
    off = off / np.sqrt(1.0 + part**2 + (1.0 - part) ** 2)
    off = off - np.median(off) * (len(off) > 2)  # of one or two no bend can be told
    return float(np.median(np.abs(off)) / limits.QUARTILE)


def _prominence(
    strip: Strip,
    geometry: StripGeometry,
    columns: np.ndarray,
    values: np.ndarray,
    disc_counts: float,
    block_mm: float,
) -> Prominence:
    top_mm = geometry.height_mm(geometry.rows - 1.0) - 2.0 * strip.geometry.mm_per_row
    height, height_err, area, area_err, light, light_err, column = values.T
    weight = np.nan_to_num(area * light)
    scatter = max(_scatter(strip.time_s, height), block_mm / np.sqrt(12.0))
    from_deg = float(geometry.angle_deg(float(columns[0]))) % 360.0
    middle = columns[0] + np.average(np.nan_to_num(column), weights=weight)
    return Prominence(
        prominence=0,
        from_deg=from_deg,
        to_deg=from_deg + geometry.deg_per_column * (len(columns) - 1),
        angle_deg=float(geometry.angle_deg(middle)) % 360.0,
        time_s=strip.time_s,
        frame=strip.frame,
        height_mm=height,
        height_err_mm=np.sqrt(height_err**2 + strip.centre_err_mm**2 + scatter**2),
        area_mm2=area,
        area_err_mm2=area_err,
        brightness=light / disc_counts,
        brightness_err=light_err / disc_counts,
        leaves_strip=bool(np.nanmax(height) >= top_mm),
    )
