"""Refinement: every track measured again along its path, against a background that its own light has not
touched.

The search sees a knot against a low quantile in time, which is safe but biased: beside a thread that sways,
and under a slow knot. Once the paths are known, the mean of all strips with the knots masked out has neither
fault. On it each track is followed in one band of scale space, by climbing to the local maximum of the
correlation nearest to where the path expects it; strips in which the search missed the knot are filled where
it stands out enough.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.motion.background import Band, BandNoise, band_images, between, filled, gain, windows
from promtrack.motion.knots import LOWEST_MM, KnotPoints, Search, measured_peaks
from promtrack.settings import MotionSettings
from promtrack.strip.records import Strip

__all__ = ["refine_tracks"]

BEYOND = 3  # strips before the first and after the last point in which the knot is looked for
LEAST_SNR = 3.5  # to fill a gap, at a place that is known
MASK = 1.0  # radius of the mask in diameters of the track's band
NEAR = 0.45  # a point lies within this part of the diameter from the path ...
STEPS = 4  # ... and is found by at most so many steps of one pixel of the band
LEAST_COUNT = 4  # strips that must show a pixel free of knots; else it is filled from its surroundings


@dataclass(frozen=True, slots=True, eq=False)
class _Path:
    """Where a track is expected in strips first to last (inclusive), and the band it is measured in."""

    band: int
    first: int
    last: int
    row: np.ndarray
    column: np.ndarray
    diameter_px: float


@dataclass(frozen=True, slots=True, eq=False)
class _Free:
    """Mean of the strips of one window with the knots masked."""

    time_s: float
    mean: np.ndarray


def refine_tracks(
    strip: Strip, search: Search, tracks: list[KnotPoints], *, motion: MotionSettings = MotionSettings()
) -> list[KnotPoints]:
    """Measure tracks again; memory holds a block of strips and two backgrounds.

    Parameters
    ----------
    search : of the whole strip
    tracks : points of every track, in order of time

    Returns
    -------
    The points of every track, in order of time; a track may gain or lose points.
    """
    paths = [_path(strip, search, track) for track in tracks]
    if not paths:
        return []
    measured: list[list[np.ndarray]] = [[] for _ in paths]
    stream = _free_of_knots(strip, paths, motion)
    before = next(stream)
    after = next(stream, before)
    for i, image in enumerate(strip.each()):
        while strip.time_s[i] > after.time_s and (later := next(stream, None)) is not None:
            before, after = after, later
        here = [k for k, path in enumerate(paths) if path.first <= i <= path.last]
        if not here:
            continue
        weight = np.float32(between(before.time_s, after.time_s, strip.time_s[i]))
        still = before.mean if weight == 0 else before.mean + weight * (after.mean - before.mean)
        for k, point in _measure(strip, i, image, still, [paths[k] for k in here], here, search):
            measured[k].append(point)
    return [_as_points(rows) for rows in measured]


def _path(strip: Strip, search: Search, points: KnotPoints) -> _Path:
    band = int(np.bincount(points.band).argmax())
    first = max(int(points.index[0]) - BEYOND, 0)
    last = min(int(points.index[-1]) + BEYOND, len(strip) - 1)
    time = strip.time_s[first : last + 1]
    row, column = (_smooth(points.time_s, values, time) for values in (points.row, points.column))
    return _Path(band, first, last, row, column, search.bands[band].fwhm_mm / strip.geometry.mm_per_row)


def _smooth(time_s: np.ndarray, value: np.ndarray, at_s: np.ndarray) -> np.ndarray:
    """Local straight lines through the five points nearest in order, evaluated and carried on at other
    times."""
    n = len(time_s)
    nearest = np.clip(np.searchsorted(time_s, at_s) - 2, 0, max(n - 5, 0))[:, None] + np.arange(min(5, n))
    t, v = time_s[nearest], value[nearest]
    centre = t.mean(axis=1, keepdims=True)
    slope = ((t - centre) * v).sum(axis=1) / ((t - centre) ** 2).sum(axis=1)
    return v.mean(axis=1) + slope * (at_s - centre[:, 0])


def _free_of_knots(strip: Strip, paths: list[_Path], motion: MotionSettings) -> Iterator[_Free]:
    for first, last in windows(strip.time_s, motion):
        total = np.zeros(strip.shape[1:], np.float32)
        count = np.zeros(strip.shape[1:], np.float32)
        for i, image in enumerate(strip.each(first, last), start=first):
            shown = _unmasked(strip.shape[1:], paths, i) & np.isfinite(image).astype(np.uint8)
            cv2.patchNaNs(image)  # in place: the array is our own
            cv2.accumulate(image, total, mask=shown)
            count += shown
        mean: np.ndarray = total / np.maximum(count, 1)
        missing = (count < LEAST_COUNT).astype(np.uint8)
        if missing.any() and not missing.all():
            mean = cv2.inpaint(mean, missing, 3, cv2.INPAINT_TELEA)
        yield _Free(float(strip.time_s[first:last].mean()), mean)


def _unmasked(shape: tuple[int, int], paths: list[_Path], i: int) -> np.ndarray:
    """(rows, columns) uint8, 1 where strip i shows no knot."""
    free = np.ones(shape, np.uint8)
    for path in paths:
        if path.first <= i <= path.last:
            place = int(round(path.column[i - path.first])), int(round(path.row[i - path.first]))  # x, then y
            cv2.circle(free, place, int(np.ceil(MASK * path.diameter_px)), 0, thickness=-1)
    return free


def _measure(
    strip: Strip,
    i: int,
    image: np.ndarray,
    still: np.ndarray,
    paths: list[_Path],
    numbers: list[int],
    search: Search,
) -> Iterator[tuple[int, np.ndarray]]:
    """Number of a track and its point (8 values, as the search's table) in strip i, for those that are
    seen."""
    row = np.array([path.row[i - path.first] for path in paths])
    column = np.array([path.column[i - path.first] for path in paths])
    rows, columns = _window(strip, row, column, search.bands)
    if rows.stop - rows.start < 16 or columns.stop - columns.start < 16:
        return
    image, still = image[rows, columns], still[rows, columns]
    missing = np.isnan(image)
    images = band_images(filled(image, still), search.bands)
    quiet = band_images(still, search.bands)
    free = _unmasked(strip.shape[1:], paths, i)[rows, columns]
    noise = _nearest_noise(search.noise, strip.time_s[i])
    taken: list[np.ndarray] = []
    order = sorted(range(len(paths)), key=lambda k: -paths[k].band)
    for k in order:
        band = search.bands[paths[k].band]
        step = band.step
        inside = free[::step, ::step][: images[paths[k].band].shape[0], : images[paths[k].band].shape[1]]
        level = gain(images[paths[k].band] * inside, quiet[paths[k].band] * inside)
        left = images[paths[k].band] - level * quiet[paths[k].band]
        point = _climb(
            left,
            (row[k] - rows.start) / step,
            (column[k] - columns.start) / step,
            noise,
            paths[k].band,
            band,
            (rows.start, columns.start),
        )
        if point is None or point[4] < LEAST_SNR:
            continue
        off = np.hypot(point[0] - row[k], point[1] - column[k])
        height = strip.geometry.height_mm(point[0])
        hidden = missing[int(point[0]) - rows.start, int(point[1]) - columns.start]
        if off > NEAR * paths[k].diameter_px + 1 or height < LOWEST_MM or hidden:
            continue
        if any(np.hypot(*(point[:2] - other[:2])) < 1 for other in taken):
            continue  # two tracks on one maximum: at a crossing one of them is hidden
        taken.append(point)
        yield numbers[k], np.concatenate([[i, strip.time_s[i]], point, [paths[k].band]])


def _window(
    strip: Strip, row: np.ndarray, column: np.ndarray, scale_space: tuple[Band, ...]
) -> tuple[slice, slice]:
    """Part of the strip around some places, beginning on a pixel of the coarsest level."""
    _, rows, columns = strip.shape
    coarsest = scale_space[0].step * 2 ** ((len(scale_space) + 1) // 2)
    margin = int(np.ceil(6 * scale_space[-1].sigma_px))
    low = max(int(row.min()) - margin, 0) // coarsest * coarsest
    left = max(int(column.min()) - margin, 0) // coarsest * coarsest
    return (
        slice(low, int(np.clip(row.max() + margin, 0, rows))),
        slice(left, int(np.clip(column.max() + margin, 0, columns))),
    )


def _nearest_noise(noise: tuple[BandNoise, ...], time_s: float) -> BandNoise:
    return min(noise, key=lambda one: abs(one.time_s - time_s))


def _climb(
    left: np.ndarray,
    row: float,
    column: float,
    noise: BandNoise,
    number: int,
    band: Band,
    corner: tuple[int, int],
) -> np.ndarray | None:
    """Point at the maximum reached from a place (in pixels of the band), None if none is near."""
    r, c = int(round(row)), int(round(column))
    for _ in range(STEPS):
        if not (1 <= r < left.shape[0] - 1 and 1 <= c < left.shape[1] - 1):
            return None
        best = int(left[r - 1 : r + 2, c - 1 : c + 2].argmax())
        if best == 4:
            sigma = noise.at(
                number, np.array([r + corner[0] // band.step]), np.array([c + corner[1] // band.step])
            )
            peak = measured_peaks(
                left, np.array([r]), np.array([c]), sigma, np.array(noise.slope[number]), band
            )
            return peak[0] + np.array([corner[0], corner[1], 0, 0, 0]) if len(peak) else None
        r, c = r + best // 3 - 1, c + best % 3 - 1
    return None


def _as_points(rows: list[np.ndarray]) -> KnotPoints:
    return KnotPoints.of_table(np.array(rows).reshape(-1, 8))
