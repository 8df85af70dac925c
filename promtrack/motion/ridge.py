"""Ridges of a time-distance diagram: a speed along the path, found without looking at the knots.

The diagram is freed of what stands still, and summed along slanted lines of all speeds (the local Radon
transform, or velocity spectrum). The brightest line starts a ridge; from there it is followed both ways, its
place in every strip is measured, and the slope of these places is the speed. Strips may be taken at uneven
times: lines follow the clock.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from promtrack.motion.records import Ridge
from promtrack.motion.ridge_fit import LEAST_POINTS, FoundRidge, Picture, measured_ridge, place_near
from promtrack.strip.records import TimeDistance

__all__ = ["find_ridges"]

SMOOTH_PX = 1.2  # along the path, 1 sigma: below the smallest knot blurred by the air
HALF_WINDOW = 4  # strips on either side that a slanted line covers
EVERY = 2  # centres of lines, in strips
SCRAMBLES = 4  # see find_ridges
MOST_EXCESS = 6.0  # of one strip over the noise, as it counts in a line
MOST_MISSES = 3  # strips in a row without a place end a ridge
MOST_RIDGES = 12
SHARED = 0.3  # part of a ridge's places that may lie on better known ridges: where they cross
APART_PX = 3.0  # nearer places are the same


@dataclass(frozen=True, slots=True, eq=False)
class _Lines:
    """Brightest slanted line through each point of a coarse grid."""

    index: np.ndarray  # (m,) strips of the centres
    strength: np.ndarray  # (m, d)
    px_s: np.ndarray  # (m, d) its speed


def find_ridges(
    diagram: TimeDistance,
    *,
    slit: int = 0,
    fastest_km_s: float = 250.0,
    scrambles: int = SCRAMBLES,
    rng: np.random.Generator | None = None,
) -> tuple[Ridge, ...]:
    """Significant bright ridges that move along the path, the best known first.

    A ridge must be brighter than any line in the same diagram with its strips in scrambled order, must be
    seen in 6 strips or more, must have a slope above 6 of its errors, must travel 1.5 times its own width,
    and must not run over a better known one.

    Parameters
    ----------
    slit : index of the diagram, noted in the ridges
    fastest_km_s : largest speed looked for
    scrambles : diagrams with scrambled times; the brightest line in them is chance
    rng : order of the scrambled strips (default: seed 0)

    References
    ----------
    Summing along slanted lines: Deans 1983, The Radon Transform and Some of Its Applications. The slope's
    error comes from the scatter of the places about the line, as for any weighted line.
    """
    diagram = _one_row_a_time(diagram)
    if len(diagram.time_s) < LEAST_POINTS or len(diagram.distance_mm) < 8:
        return ()
    picture = _without_background(diagram)
    speeds = _speeds(picture, fastest_km_s)
    lines = _slanted(picture, speeds)
    level = _chance_level(picture, speeds, scrambles, rng or np.random.default_rng(0))
    strength = lines.strength.copy()
    found: list[FoundRidge] = []
    for _ in range(10 * MOST_RIDGES):
        m, x = np.unravel_index(np.argmax(strength), strength.shape)
        if strength[m, x] <= level or len(found) == MOST_RIDGES:
            break
        index, place = _follow(picture, int(lines.index[m]), float(x), float(lines.px_s[m, x]))
        _blank(strength, lines.index, index, place, int(m), int(x))
        one = measured_ridge(diagram, picture, slit, index, place)
        if one is not None:
            found.append(one)
    return tuple(one.ridge for one in _each_once(found))


def _one_row_a_time(diagram: TimeDistance) -> TimeDistance:
    """The diagram with the first of the rows that share a time stamp."""
    first = np.r_[True, np.diff(diagram.time_s) > 0][: len(diagram.time_s)]
    if first.all():
        return diagram
    return replace(diagram, time_s=diagram.time_s[first], value=diagram.value[first])


def _each_once(found: list[FoundRidge]) -> list[FoundRidge]:
    """The best known ridges first; a worse known one that runs over them is the same light once more."""
    kept: list[FoundRidge] = []
    for one in sorted(found, key=lambda one: one.ridge.speed_err_km_s / abs(one.ridge.speed_km_s)):
        shared = np.zeros(len(one.index), bool)
        for other in kept:
            there = np.interp(one.index, other.index, other.place, left=np.nan, right=np.nan)
            shared |= np.abs(one.place - there) < APART_PX
        if shared.mean() <= SHARED:
            kept.append(one)
    return kept


def _without_background(diagram: TimeDistance) -> Picture:
    shown = np.isfinite(diagram.value)
    value = np.where(shown, diagram.value, np.nan).astype(float)
    some = shown.mean(axis=0) > 0.2
    standing = np.zeros(value.shape[1])
    standing[some] = np.nanmedian(value[:, some], axis=0)
    value = value - standing
    lit = shown.any(axis=1)
    value[lit] -= np.nanmedian(value[lit], axis=1, keepdims=True)  # what transparency leaves in a whole strip
    value = np.where(shown & some, value, 0.0)
    value = gaussian_filter1d(value, SMOOTH_PX, axis=1, mode="nearest")
    shown = shown & some
    # The noise against distance: the fringe near the limb boils more than the sky above it flickers.
    noise = np.array(
        [
            1.4826 * np.median(np.abs(column[ok])) if ok.sum() > 4 else np.inf
            for column, ok in zip(value.T, shown.T, strict=True)
        ]
    )
    usual = np.median(noise[np.isfinite(noise)]) if np.isfinite(noise).any() else 1.0
    noise = np.maximum(noise, 0.5 * usual) if usual > 0 else np.ones_like(noise)
    step = float(np.median(np.diff(diagram.distance_mm)))
    return Picture(np.where(shown, value / noise, 0.0), shown, diagram.time_s, step)


def _speeds(picture: Picture, fastest_km_s: float) -> np.ndarray:
    """Speeds to try [px/s], spaced so that a line errs by less than a smoothing length at its ends."""
    cadence = float(np.median(np.diff(picture.time_s)))
    spacing = SMOOTH_PX / (HALF_WINDOW * cadence)
    fastest = fastest_km_s / 1e3 / picture.step_mm
    fastest = min(fastest, picture.value.shape[1] / (2 * cadence))  # it must be seen in three strips at least
    count = int(np.ceil(fastest / spacing))
    return np.arange(-count, count + 1) * spacing


def _slanted(picture: Picture, speeds: np.ndarray) -> _Lines:
    n, d = picture.value.shape
    index = np.arange(0, n, EVERY)
    reach = np.arange(-HALF_WINDOW, HALF_WINDOW + 1)
    near = index[:, None] + reach  # (m, k)
    gap = picture.time_s[np.clip(near, 0, n - 1)] - picture.time_s[index][:, None]
    cadence = float(np.median(np.diff(picture.time_s)))
    valid = (near >= 0) & (near < n) & (np.abs(gap) <= 2 * HALF_WINDOW * cadence)
    near = np.clip(near, 0, n - 1)
    margin = int(np.ceil(np.abs(speeds).max() * np.abs(gap[valid]).max())) + 1
    wide = d + 2 * margin
    # A single flash must not make a line: no strip counts for more than a moderate excess.
    # A row of zeros at the end stands for strips that do not count.
    flat, seen = (
        np.pad(one.astype(np.float32), ((0, 1), (margin, margin))).ravel()
        for one in (np.minimum(picture.value, MOST_EXCESS), picture.shown)
    )
    light, count_of = (np.lib.stride_tricks.sliding_window_view(one, d) for one in (flat, seen))
    strength = np.full((len(index), d), -np.inf, np.float32)
    best = np.zeros((len(index), d), np.float32)
    for speed in speeds:
        total = np.zeros((len(index), d), np.float32)
        count = np.zeros((len(index), d), np.float32)
        starts = np.where(valid, near * wide + margin + np.rint(speed * gap * valid).astype(int), n * wide)
        for start in starts.T:
            total += light[start]
            count += count_of[start]
        value = np.where(count >= 4, total / np.sqrt(np.maximum(count, 1)), -np.inf)
        better = value > strength
        strength[better] = value[better]
        best[better] = speed
    return _Lines(index, strength, best)


def _chance_level(picture: Picture, speeds: np.ndarray, scrambles: int, rng: np.random.Generator) -> float:
    """Brightest line that the same strips give in scrambled order."""
    level = 0.0
    for _ in range(scrambles):
        order = rng.permutation(len(picture.time_s))
        scrambled = Picture(picture.value[order], picture.shown[order], picture.time_s, picture.step_mm)
        level = max(level, float(_slanted(scrambled, speeds).strength.max()))
    return level


def _follow(picture: Picture, start: int, x: float, px_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Strips and places [px] of the ridge through a point."""
    found: list[tuple[int, float]] = []  # in order of time
    first = place_near(picture.value, picture.shown, start, x)
    if first is not None:
        found.append((start, first))
    for direction in (1, -1):
        misses, i = 0, start + direction
        while 0 <= i < len(picture.time_s) and misses < MOST_MISSES:
            nearest = found[: -2 * HALF_WINDOW - 1 : -1] if direction > 0 else found[: 2 * HALF_WINDOW]
            at = _expected(picture, nearest, i, start, x, px_s)
            place = (
                place_near(picture.value, picture.shown, i, at) if 0 <= at < picture.value.shape[1] else None
            )
            misses = misses + 1 if place is None else 0
            if place is not None:
                found.insert(len(found) if direction > 0 else 0, (i, place))
            i += direction
    index, place_px = zip(*found, strict=True) if found else ((), ())
    return np.array(index, int), np.array(place_px)


def _expected(
    picture: Picture, nearest: list[tuple[int, float]], i: int, start: int, x: float, px_s: float
) -> float:
    """Where the ridge should be in strip i: from the line through its nearest known places."""
    if len(nearest) < 5:
        return x + px_s * (picture.time_s[i] - picture.time_s[start])
    # A handful of places: plain numbers are several times faster than arrays.
    times, places = [float(picture.time_s[j]) for j, _ in nearest], [place for _, place in nearest]
    t, y = sum(times) / len(times), sum(places) / len(places)
    slope = sum((one - t) * (place - y) for one, place in zip(times, places, strict=True)) / sum(
        (one - t) ** 2 for one in times
    )
    return y + slope * (float(picture.time_s[i]) - t)


def _blank(
    strength: np.ndarray, centres: np.ndarray, index: np.ndarray, place: np.ndarray, m: int, x: int
) -> None:
    """Take a ridge out of the list of lines (in place: the array is the caller's own work space)."""
    strength[m, max(x - 3, 0) : x + 4] = -np.inf
    if len(index) > 1:
        along = np.interp(centres, index, place, left=np.nan, right=np.nan)
        for row in np.flatnonzero(np.isfinite(along)):
            j = round(along[row])
            strength[row, max(j - 4, 0) : j + 5] = -np.inf
