"""Everything that stands above the limb: strips in, one record a prominence out, each against time.

A prominence is a connected region of light above the spicules that is significant against the noise of its
height, and stands out of the light within some 20 Mm: the sky's model leaves faint wide light in single
frames. Its regions are found once, in the brightest that each place ever showed, so that what erupts keeps
its number; height, area and brightness are then measured in every strip inside that range of angles.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
from scipy import ndimage

from promtrack.motion import limits
from promtrack.motion.motion_checks import keeps_place, on_sensor
from promtrack.motion.records import Prominence
from promtrack.strip.records import Strip, StripGeometry

SPICULES_MM = 10.0  # spicules reach 10 Mm (conventional; AMS glossary): what stays below is limb
WIDE_MM = 20.0  # Gaussian, 1 sigma: what is smoother is sky
TENTH = np.sqrt(np.log(10.0) / np.log(16.0))  # half width of a Gaussian at a tenth of its height, in FWHM


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
    brightest = _brightest(strip, step)
    least = 0.3 * strip.noise[: geometry.rows * step : step, None] if block_mm else np.float32(0.0)
    noise = np.maximum(_noise(brightest, geometry), least)
    labels = _regions(brightest, noise, geometry, bottom)
    spans = [_range(labels == n, geometry) for n in range(1, labels.max() + 1)]
    if not spans:
        return ()

    def measured(light: np.ndarray) -> list[tuple[float, ...]]:
        smooth = _smoothed(light, step, geometry)
        own_noise = np.maximum(_noise(smooth, geometry), noise)
        significant = _significant(smooth, own_noise, geometry, bottom)
        return [_measured(smooth, own_noise, significant, span, bottom, geometry) for span in spans]

    found = []
    for span, own in zip(spans, np.array(list(strip.mapped(measured))).swapaxes(0, 1), strict=True):
        values = np.where(_leaps(strip.time_s, *own[:, :2].T)[:, None], np.nan, own)
        if (
            np.isfinite(values[:, 0]).any()
            # what erupts may begin small; a knot on its path is never larger than a knot
            and np.nanpercentile(values[:, 2], 90) > _knot_mm2(geometry)
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


def _smoothed(light: np.ndarray, step: int, geometry: StripGeometry) -> np.ndarray:
    """Means over `step` x `step` values of a strip, after a Gaussian; both together blur by `FINEST_MM`.
    nan where less than half of the weight is seen."""
    used = light[: geometry.rows * step, : geometry.columns * step]
    seen = np.isfinite(used)
    size = geometry.columns, geometry.rows  # x, y
    # the means have blurred already, with the variance of so many places
    sides = np.array([geometry.mm_per_column(0.0), geometry.mm_per_row])
    sigma_x, sigma_y = np.sqrt((limits.FINEST_MM / sides) ** 2 - (1.0 - step**-2.0) / 12.0).tolist()
    small = (
        cv2.resize(a, size, interpolation=cv2.INTER_AREA)
        for a in (seen.astype(np.float32), np.where(seen, used, 0))
    )
    weight, value = (
        cv2.GaussianBlur(a, (0, 0), sigma_x, sigmaY=sigma_y, borderType=cv2.BORDER_REPLICATE) for a in small
    )
    return np.where(weight > 0.5, value / np.maximum(weight, 1e-6), np.nan)


def _significant(smooth: np.ndarray, noise: np.ndarray, geometry: StripGeometry, bottom: int) -> np.ndarray:
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


def _brightest(strip: Strip, step: int) -> np.ndarray:
    """(rows, columns) the greatest light that each place shows in means over blocks of time."""
    geometry, n = strip.geometry.coarser(step), len(strip)
    blocks = [
        block[:: -(-len(block) // limits.BLOCK_STRIPS)]
        for block in np.array_split(np.arange(n), min(limits.BLOCKS, n))
    ]
    smooth = strip.mapped(lambda light: _smoothed(light, step, geometry), np.concatenate(blocks).tolist())
    brightest = np.full((geometry.rows, geometry.columns), np.nan)
    for block in blocks:
        stack = np.array([next(smooth) for _ in block])
        count = np.isfinite(stack).sum(axis=0)
        mean = np.nansum(stack, axis=0) / np.maximum(count, 1)
        brightest = np.fmax(brightest, np.where(count > 0, mean, np.nan))
    return brightest


def _noise(light: np.ndarray, geometry: StripGeometry) -> np.ndarray:
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


def _regions(brightest: np.ndarray, noise: np.ndarray, geometry: StripGeometry, bottom: int) -> np.ndarray:
    """(rows, columns) numbers of the connected regions, 0 outside; strips all round the Sun are opened where
    the widest gap is."""
    significant = _significant(brightest, noise, geometry, bottom)
    covered = np.flatnonzero(significant.any(axis=0))
    opened = 0
    if geometry.columns * geometry.deg_per_column > 359.0 and len(covered):
        gap = np.diff(covered, append=covered[0] + geometry.columns)
        opened = int(covered[gap.argmax()] + gap.max() // 2)
    labels = _large(np.roll(significant, -opened, axis=1), limits.KNOT_MM**2, geometry)
    labels = _bodies(labels, np.roll(brightest, -opened, axis=1), geometry)
    # what is nearer than 15 Mm along the limb is one prominence
    reach = max(int(15.0 / 2 / geometry.mm_per_column(0.0)), 1)
    joined = ndimage.binary_dilation(labels.any(axis=0), iterations=reach)
    return np.roll(np.where(labels > 0, ndimage.label(joined)[0], 0), opened, axis=1)


def _large(mask: np.ndarray, least_mm2: float, geometry: StripGeometry) -> np.ndarray:
    """(rows, k) numbers of the connected regions of a mask that cover at least `least_mm2`, 0 elsewhere."""
    labels, count = ndimage.label(mask, np.ones((3, 3)))
    area = np.broadcast_to(_pixel_area(geometry)[:, None], mask.shape)
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
        if np.sum(own > 0.1 * own.max()) * wide_mm * high_mm > _knot_mm2(geometry) and falls.mean() > 0.5:
            kept[where][own > -np.inf] = number
    return kept


def _knot_mm2(geometry: StripGeometry) -> float:
    """Area that the largest knot, or a spot, covers above a tenth of its light, smoothed."""
    # groups of 2 x 2 hot pixels are 1.5 px wide at half height
    sides = 1.5 * np.array([geometry.mm_per_row, geometry.mm_per_column(0.0)])
    sides = np.hypot(np.maximum(limits.KNOT_MM, sides), limits.FWHM * limits.FINEST_MM)
    return float(np.pi * np.prod(TENTH * sides))


def _pixel_area(geometry: StripGeometry) -> np.ndarray:
    """(rows,) Mm2 of one pixel of the strip."""
    height = geometry.height_mm(np.arange(geometry.rows, dtype=float))
    return geometry.mm_per_row * geometry.mm_per_column(height)


def _range(region: np.ndarray, geometry: StripGeometry) -> np.ndarray:
    """(k,) columns, the shortest range that holds a region and what smoothing spreads; all round the Sun it
    may pass the strip's end."""
    spread = round(2 * limits.FINEST_MM / geometry.mm_per_column(0.0))
    covered = np.flatnonzero(ndimage.maximum_filter1d(region.any(axis=0), 2 * spread + 1))
    last = int(np.argmax(np.diff(covered, append=covered[0] + geometry.columns)))
    start, stop = int(covered[(last + 1) % len(covered)]), int(covered[last])
    return (start + np.arange((stop - start) % geometry.columns + 1)) % geometry.columns


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
    labels = _large(significant[:, columns], limits.KNOT_MM**2 / 4.0, geometry)
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
    above, sigma, pixel_mm2 = light[bottom:], sigma[bottom:], _pixel_area(geometry)[bottom:]
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
    reach = np.ones(4 * finest_px.round().astype(int) + 1, bool)  # two sigma: a knot's faint rim goes with it
    pixel_mm2 = _pixel_area(geometry)
    while True:
        top_mm, row, column = _top(light, body, 0.5, geometry)
        if top_mm < SPICULES_MM:
            return body
        near = np.zeros_like(body)
        near[row, column] = True
        near = ndimage.binary_dilation(near, reach) & body
        if not near.any():
            return body
        labels, _ = ndimage.label(body & (light >= 0.5 * light[near].max()), np.ones((3, 3)))
        part = labels == labels[near][np.argmax(light[near])]
        area, whole = (float((one.sum(axis=1) * pixel_mm2).sum()) for one in (part, body))
        rest = body & ~ndimage.binary_dilation(part, reach)
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
