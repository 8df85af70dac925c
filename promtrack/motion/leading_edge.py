"""Leading edge of what stands in a sector: strips in, one sub-pixel height a frame out.

Every frame of the sector is smoothed lightly and reduced to the brightest value at each height. The edge is
where that profile falls, going outward, through the middle of its leading structure's brightness; the range
of levels around the middle, the noise and the steepness give the error.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.ndimage import maximum_filter1d, median_filter

from promtrack.motion import limits
from promtrack.motion.background import filled
from promtrack.strip.records import Strip, StripGeometry

LEVELS = np.array([0.3, 0.4, 0.5, 0.6, 0.7])  # of the leading structure's brightness
AHEAD_MM = 5.0  # what stood at a place is taken from the frames before a front is so near
LEAST_COLUMNS = 4  # of a sector
LOWEST_MM = 3.0  # below lie the limb's own spicules and the lock's residuals


@dataclass(frozen=True, slots=True, eq=False)
class SectorProfile:
    """Brightest smoothed value in the sector at each height and time."""

    height_mm: np.ndarray  # (rows,)
    value: np.ndarray  # (n, rows) float32, nan where most of the sector is not shown
    column: np.ndarray  # (n, rows) int16, strip column where the value was found
    noise: np.ndarray  # (n, rows) float32, 1 sigma of a smoothed value
    columns: int  # of the sector
    along_px: float  # 1 sigma of the smoothing along the limb

    @property
    def step_mm(self) -> float:
        """Height of a row."""
        return float(self.height_mm[1] - self.height_mm[0])


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """Leading edge; frames without a clear edge are left out."""

    index: np.ndarray  # (m,) index of the strip
    height_mm: np.ndarray  # (m,)
    err_mm: np.ndarray  # (m,) from noise, steepness and threshold range, registration not included
    column: np.ndarray  # (m,) strip column where the edge stands highest
    width_mm: float  # height between the lowest and the highest level, typical
    left_at: int | None  # index of the first strip in which the edge had left the strip's top


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """Heights between which the edge is sought, in each strip."""

    low_mm: np.ndarray  # (n,)
    high_mm: np.ndarray  # (n,)


def sector_columns(geometry: StripGeometry, from_deg: float, to_deg: float) -> slice:
    """Columns of a sector, its angles taken modulo 360; empty if the strip does not show it."""
    span = (to_deg - from_deg) % 360 or 360.0
    first = (from_deg - geometry.from_deg) % 360
    width = geometry.columns * geometry.deg_per_column
    if first >= width and first + span > 360:  # the sector begins before the strip
        first -= 360
    start = int(np.ceil(first / geometry.deg_per_column - 1e-6))
    stop = int(np.floor((first + span) / geometry.deg_per_column + 1e-6)) + 1
    return slice(min(max(start, 0), geometry.columns), min(max(stop, 0), geometry.columns))


def sector_profile(
    strip: Strip,
    columns: slice,
    course_mm: np.ndarray | None = None,
    window: Window | None = None,
) -> SectorProfile:
    """The sector, reduced to one profile a frame.

    Parameters
    ----------
    columns : of the sector
    course_mm : (n,) rising height of the front, roughly; what stood in its way is taken away
    window : of the edge; columns whose light goes on above it show another body, ahead of the front, and are
        not looked at in that frame
    """
    column_mm, count = float(strip.geometry.mm_per_column(0.0)), columns.stop - columns.start
    # Gaussian smoothing along the limb, 1 sigma, before the maximum: the air shifts the edge up and down from
    # place to place, and the maximum would pick the places where it is shifted up.
    smooth_mm = 3.0
    along_px = max(smooth_mm / column_mm, limits.SAMPLED_PX)
    first = int(np.clip(np.ceil(strip.geometry.row(LOWEST_MM)), 0, strip.geometry.rows - 8))
    height = np.asarray(strip.geometry.height_mm(np.arange(first, strip.geometry.rows)), float)
    noise = strip.noise[first:].astype(np.float32)
    light = np.zeros((len(height), count), np.float32)  # of what stands there
    if course_mm is not None:
        light = _standing(
            lambda which: strip.mapped(lambda one: smoothed(one[first:, columns], along_px)[0], which),
            course_mm,
            height,
        )
    reach = round((2 * smooth_mm + limits.KNOT_MM) / column_mm)  # on either side of a body ahead of the front

    def reduced(picture: np.ndarray, top: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Brightest value a row, its column, and its noise in this frame, with nothing of the front above
        row `top`."""
        smooth, shown = smoothed(picture[first:, columns], along_px)
        smooth = smooth - light
        level = noise * np.float32(_noise_level(smooth, shown, noise, int(4 * along_px)))
        looked = shown.copy()
        if top < len(smooth):
            floor = (brightest_noise_sigma(count, along_px) + limits.SEEN) * level[top]
            above = maximum_filter1d(smooth[top] > floor, 2 * reach + 1, mode="constant")
            if not above.all():  # light at all angles is the front itself, ahead of where it is sought
                looked &= ~above
        best = np.where(looked, smooth, -np.inf).argmax(axis=1)[:, None]
        value = np.take_along_axis(smooth, best, axis=1)[:, 0]
        value[(shown.mean(axis=1) < 0.5) | ~looked.any(axis=1)] = np.nan
        return value, best[:, 0], level

    above = np.full(len(strip), len(height)) if window is None else np.searchsorted(height, window.high_mm)
    parts = [np.stack(values) for values in zip(*strip.mapped(reduced, None, above), strict=True)]
    column = (parts[1] + columns.start).astype(np.int16)
    return SectorProfile(height, parts[0], column, parts[2], count, along_px)


def _standing(
    smooth: Callable[[Iterable[int]], Iterator[np.ndarray]], course_mm: np.ndarray, height_mm: np.ndarray
) -> np.ndarray:
    """(rows, columns) what each place showed before the front came within `AHEAD_MM` of it: the median of the
    frames before; where it was there from the start, the least of the medians of stretches of the recording.
    """
    n = len(course_mm)
    index = np.unique(np.linspace(0, n - 1, limits.BLOCKS * limits.BLOCK_STRIPS).round().astype(int))
    frames = np.array(list(smooth(index.tolist())))
    blocks = np.array_split(frames, min(limits.BLOCKS, len(frames)))
    light = np.maximum(np.min([np.median(part, axis=0) for part in blocks], axis=0), 0.0)
    stop = np.searchsorted(np.maximum.accumulate(course_mm), height_mm - AHEAD_MM)
    stop = np.minimum(stop, int(np.argmax(course_mm)))
    start = np.maximum(stop - limits.BLOCK_STRIPS, 0)
    past = np.full((limits.BLOCK_STRIPS, *light.shape), np.nan, np.float32)
    before = range(int(start.min()), int(stop.max()))
    for i, frame in zip(before, smooth(before), strict=True):
        rows = np.flatnonzero((start <= i) & (i < stop))
        past[i - start[rows], rows] = frame[rows]
    seen = stop >= limits.BLOCK_STRIPS // 2
    light[seen] = np.nanmedian(past[:, seen], axis=0)
    return light


def smoothed(picture: np.ndarray, along_px: float) -> tuple[np.ndarray, np.ndarray]:
    """A picture smoothed by `along_px` columns and as little in height as pixels sample, nan counting as 0;
    and where it shows something."""
    known, border = filled(picture), cv2.BORDER_REFLECT
    smooth = cv2.GaussianBlur(known, (0, 0), along_px, sigmaY=limits.SAMPLED_PX, borderType=border)
    return smooth, np.isfinite(picture)


def _noise_level(smooth: np.ndarray, shown: np.ndarray, noise: np.ndarray, lag: int) -> float:
    """Noise of the smoothed frame over that of a strip value in a typical frame; higher when a cloud dims the
    Sun. Differences across a few smoothing lengths hold little but noise in the emptiest fifth of the
    heights."""
    lag = max(1, min(lag, smooth.shape[1] // 2))
    step = np.abs(smooth[:, lag:] - smooth[:, :-lag]) / np.maximum(noise, 1e-12)[:, None]
    step = np.where(shown[:, lag:] & shown[:, :-lag], step, np.nan)
    groups = [group[np.isfinite(group)] for group in np.array_split(step, min(15, len(step)))]
    levels = [np.median(group) for group in groups if len(group) > 20]
    return float(np.percentile(levels, 20)) / (limits.QUARTILE * np.sqrt(2)) if levels else 1.0


def brightest_noise_sigma(values: int, along_px: float) -> float:
    """The brightest of so many smoothed noise values, in sigma: no structure (Gaussian extremes)."""
    return float(np.sqrt(2 * np.log(max(values / (2.5**2 * along_px * limits.SAMPLED_PX), 2.0))))


def find_edge(profile: SectorProfile, window: Window | None = None) -> Edge:
    """Leading edge of every frame that has one, inside `window` if there is one."""
    columns, along_px, height = profile.columns, profile.along_px, profile.height_mm
    if window is not None:  # outside it all is dark
        outside = (height < window.low_mm[:, None]) | (height > window.high_mm[:, None])
        outside &= np.isfinite(profile.value)
        profile = replace(profile, value=np.where(outside, np.float32(0.0), profile.value))
    floor = (brightest_noise_sigma(columns * len(height), along_px) + limits.SEEN) * profile.noise
    outermost = _last_above(profile.value, floor)
    # of one height
    base = brightest_noise_sigma(int(2.5 * limits.SAMPLED_PX * columns), along_px) * profile.noise
    # The leading structure's brightness is sought 12 Mm below its outermost trace, and then 4 Mm below its
    # half level: farther down, other threads are brighter, and half of theirs would lie inside the edge.
    rough = _leading_brightness(profile, outermost, 12.0)
    half = _last_above(profile.value, base + 0.5 * (rough[:, None] - base))
    seen = (outermost >= 0) & (half >= 0)
    brightness = _leading_brightness(profile, np.where(seen, half, -1), limits.EDGE_MM)
    seen &= brightness > base.max(axis=1)
    crossing = np.array(
        [_crossing(profile, base + level * (brightness[:, None] - base), seen) for level in LEVELS]
    )
    last = _last_above(np.isfinite(profile.value), np.True_)  # that is shown
    top, step = np.where(last >= 0, height[last], -np.inf), profile.step_mm
    highest = np.nanmax(np.where(np.isfinite(crossing), crossing, -np.inf), axis=0)
    gone = seen & (highest > top - 2.5 * step)
    if window is not None:  # light goes on above it: its border is no edge
        seen &= gone | (highest <= window.high_mm - 1.5 * step)
    left_at = _left_at(gone, np.where(seen & ~gone, crossing.mean(axis=0), np.nan), float(top.max()), step)
    good = seen & ~gone & np.isfinite(crossing).all(axis=0)
    if left_at is not None:
        good[left_at:] = False
    index, crossing = np.flatnonzero(good), crossing[:, good]
    if not len(index):
        return Edge(index, np.empty(0), np.empty(0), profile.column[index, 0], np.nan, left_at)
    middle = crossing.mean(axis=0)
    width = np.maximum(crossing[0] - crossing[-1], 0.2 * step)
    beyond = np.clip(np.searchsorted(height, middle), 0, len(height) - 1)
    from_noise = profile.noise[index, beyond] / (brightness[good] * (LEVELS[-1] - LEVELS[0]) / width)
    # What the choice of the level adds at random is how its offset changes in time; the offset itself is no
    # error of a speed and is given apart, as the edge's width.
    offset = crossing - middle
    from_level = np.std(offset - np.median(offset, axis=1, keepdims=True), axis=0)
    row = np.clip(np.rint((middle - height[0]) / step).astype(int), 0, len(height) - 1)
    err, column = np.hypot(from_noise, from_level), profile.column[index, row]
    return Edge(index, middle, err, column, float(np.median(width)), left_at)


def _last_above(value: np.ndarray, level: np.ndarray | np.bool) -> np.ndarray:
    """(n,) last row at or above the level, -1 if there is none."""
    above = np.nan_to_num(value, nan=-np.inf) >= level
    last = above.shape[1] - 1 - above[:, ::-1].argmax(axis=1)
    return np.where(above.any(axis=1), last, -1)


def _leading_brightness(profile: SectorProfile, outermost: np.ndarray, depth_mm: float) -> np.ndarray:
    """(n,) peak below a row, its flicker from frame to frame taken out by a running median."""
    row, deep = np.arange(profile.value.shape[1]), outermost[:, None]
    inside = (row <= deep) & (row > deep - depth_mm / profile.step_mm)
    peak: np.ndarray = np.max(np.where(inside, np.nan_to_num(profile.value, nan=0.0), 0.0), axis=1)
    seen = outermost >= 0
    peak[seen] = median_filter(peak[seen], 5, mode="nearest") if seen.sum() >= 5 else peak[seen]
    return peak


def _crossing(profile: SectorProfile, level: np.ndarray, seen: np.ndarray) -> np.ndarray:
    """(n,) height where the profile falls for good through the level, between two rows; nan if nowhere."""
    last = _last_above(profile.value, level)
    rows = profile.value.shape[1]
    here = np.flatnonzero(seen & (last >= 0) & (last < rows - 1))
    below = last[here]
    upper, lower = profile.value[here, below + 1], profile.value[here, below]
    part = (lower - level[here, below]) / np.maximum(lower - upper, 1e-12)
    part = np.where(np.isfinite(upper), np.clip(part, 0, 1), 0.0)
    result = np.full(len(last), np.nan)
    result[here] = profile.height_mm[below] + part * profile.step_mm
    result[seen & (last == rows - 1)] = profile.height_mm[-1]
    return result


def _left_at(gone: np.ndarray, height: np.ndarray, top_mm: float, row_mm: float) -> int | None:
    """First of two frames in a row beyond the top, if the edge was on its way there, not hidden by glare."""
    for i in np.flatnonzero(gone[:-1] & gone[1:]):
        before = height[:i][np.isfinite(height[:i])][-4:]
        if not len(before):
            return int(i) if i == 0 and gone.all() else None
        pace = max(float(np.median(np.diff(before))), 0.0) if len(before) > 1 else 0.0
        if before[-1] + 3 * pace + 8 * row_mm >= top_mm:
            return int(i)
    return None
