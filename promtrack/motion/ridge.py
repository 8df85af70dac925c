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

from promtrack.motion import limits
from promtrack.motion.kinematics import bic, fit_polynomial
from promtrack.motion.records import Ridge
from promtrack.strip.records import TimeDistance

STILL = 20  # percentile in time of what stands still: a ridge is bright, and covers it for a part of the time
HALF_WINDOW = 4  # strips on either side that a slanted line covers; so many without a place end a ridge
REACH_PX = 3  # a place is sought so far from where it is expected; nearer places are the same


@dataclass(frozen=True, slots=True, eq=False)
class _Picture:
    """Diagram without its standing part, in units of its noise; 0 where nothing is shown."""

    value: np.ndarray  # (n, d)
    shown: np.ndarray  # (n, d) bool
    time_s: np.ndarray  # (n,)
    step_mm: float


def find_ridges(
    diagram: TimeDistance,
    *,
    slit: int = 0,
    fastest_km_s: float = 250.0,
    rng: np.random.Generator | None = None,
) -> tuple[Ridge, ...]:
    """Significant bright ridges that move along the path, the best known first: brighter than any line in the
    same diagram with its strips in scrambled order, seen in 6 strips or more, with a slope above 5 of its
    errors, longer than its own width, and not along a better known one for most of its time. Summing along
    slanted lines: Deans 1983, The Radon Transform and Some of Its Applications.

    `slit`: index of the diagram, noted in the ridges; `fastest_km_s`: largest speed looked for; `rng`: order
    of the scrambled strips (default: seed 0).
    """
    first = np.diff(diagram.time_s, prepend=-np.inf) > 0  # of rows that share a time stamp
    diagram = replace(diagram, time_s=diagram.time_s[first], value=diagram.value[first])
    n, d = diagram.value.shape
    if n < limits.LEAST_FRAMES or d < 8:
        return ()
    picture = _without_background(diagram)
    # speeds in px/s, spaced so that a line errs by a smoothing length at its ends at most
    cadence = float(np.median(np.diff(picture.time_s)))
    spacing = 2 * limits.SAMPLED_PX / (HALF_WINDOW * cadence)
    fastest = fastest_km_s / limits.KM_S / picture.step_mm
    count = int(np.ceil(min(fastest, d / (2 * cadence)) / spacing))  # seen in three strips at least
    speeds = np.arange(-count, count + 1) * spacing
    centres, strength, px_s = _slanted(picture, speeds)
    rng = rng or np.random.default_rng(0)
    level = 0.0  # the brightest line that the same strips give in scrambled order, four times
    for _ in range(4):
        order = rng.permutation(n)
        scrambled = replace(picture, value=picture.value[order], shown=picture.shown[order])
        level = max(level, float(_slanted(scrambled, speeds)[1].max()))
    found: list[tuple[Ridge, np.ndarray, np.ndarray]] = []  # with its strips and its places there [px]
    while strength.max() > level and len(found) < 12:
        m, x = np.unravel_index(np.argmax(strength), strength.shape)
        index, place = _follow(picture, int(centres[m]), float(x), float(px_s[m, x]))
        _blank(strength, centres, index, place, int(m), int(x))
        ridge = _measured_ridge(diagram, picture, slit, index, place)
        if ridge is not None:
            found.append((ridge, index, place))
    kept: list[tuple[Ridge, np.ndarray, np.ndarray]] = []
    for ridge, index, place in sorted(found, key=lambda one: one[0].speed_err_km_s / abs(one[0].speed_km_s)):
        shared = np.zeros(len(index), bool)  # a worse known one that runs over others is the same light again
        for _, where, other in kept:
            there = np.interp(index, where, other, left=np.nan, right=np.nan)
            shared |= np.abs(place - there) < REACH_PX
        if shared.mean() <= 0.3:  # where they cross
            kept.append((ridge, index, place))
    return tuple(ridge for ridge, _, _ in kept)


def _without_background(diagram: TimeDistance) -> _Picture:
    step = float(np.median(np.diff(diagram.distance_mm)))
    shown = np.isfinite(diagram.value)
    shown &= shown.mean(axis=0) > 0.2
    light = np.where(shown, diagram.value.astype(float), np.nan)
    light[:, ~shown.any(axis=0)] = 0.0
    value = np.ma.array(np.nan_to_num(light - np.nanpercentile(light, STILL, axis=0)), mask=~shown)
    value = (value - np.ma.median(value, axis=1)[:, None]).filled(0.0)  # what transparency leaves
    value = gaussian_filter1d(value, limits.SAMPLED_PX, axis=1, mode="nearest")
    # The noise against distance: the fringe near the limb boils more than the sky above it flickers. From
    # what is darker than usual, and alike over the size of a knot: a streak must not raise the noise beneath
    # itself, which would shift its maximum.
    dark = np.ma.array(np.abs(value), mask=~shown | (value > 0))
    noise = np.ma.median(dark, axis=0).filled(np.nan) / limits.QUARTILE
    usual = float(np.nanmedian(noise)) if np.isfinite(noise).any() else 1.0
    noise = gaussian_filter1d(np.nan_to_num(noise, nan=usual), limits.KNOT_MM / step, mode="nearest")
    noise = np.maximum(noise, 0.5 * usual) if usual > 0 else np.ones_like(noise)
    return _Picture(np.where(shown, value / noise, 0.0), shown, diagram.time_s, step)


def _slanted(picture: _Picture, speeds: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Strips (m,) of a coarse grid; strength and speed (m, d) of the brightest line through each point."""
    n, d = picture.value.shape
    index = np.arange(0, n, HALF_WINDOW // 2)
    reach = np.arange(-HALF_WINDOW, HALF_WINDOW + 1)
    near = index[:, None] + reach  # (m, k)
    gap = picture.time_s[np.clip(near, 0, n - 1)] - picture.time_s[index][:, None]
    cadence = float(np.median(np.diff(picture.time_s)))
    valid = (near >= 0) & (near < n) & (np.abs(gap) <= 2 * HALF_WINDOW * cadence)
    near = np.clip(near, 0, n - 1)
    margin = int(np.ceil(np.abs(speeds).max() * np.abs(gap[valid]).max())) + 1
    wide = d + 2 * margin
    # A row of zeros at the end stands for strips that do not count. Light is the real part, and whether it is
    # shown the imaginary one, so that both are summed at once; one flash makes no ridge.
    flat = np.pad(np.minimum(picture.value, 6.0) + 1j * picture.shown, ((0, 1), (margin, margin)))
    flat = np.lib.stride_tricks.sliding_window_view(flat.astype(np.complex64).ravel(), d)
    strength = np.full((len(index), d), -np.inf, np.float32)
    best = np.zeros((len(index), d), np.float32)
    for speed in speeds:
        total = np.zeros((len(index), d), np.complex64)
        starts = np.where(valid, near * wide + margin + np.rint(speed * gap * valid).astype(int), n * wide)
        for start in starts.T:
            total += flat[start]
        value = np.where(total.imag >= 4, total.real / np.sqrt(np.maximum(total.imag, 1)), -np.inf)
        better = value > strength
        strength[better] = value[better]
        best[better] = speed
    return index, strength, best


def _follow(picture: _Picture, start: int, x: float, px_s: float) -> tuple[np.ndarray, np.ndarray]:
    """Strips and places [px] of the ridge through a point, each sought on the line through its nearest."""
    time_s = picture.time_s.tolist()
    path: list[tuple[int, float, float]] = []  # strip, time and place, the last found at the end
    for direction in (1, -1):
        misses, i = 0, start if direction > 0 else start - 1
        while 0 <= i < len(time_s) and misses < HALF_WINDOW:
            at = x + px_s * (time_s[i] - time_s[start])
            if len(path) >= 5:
                _, time, places = np.array(path[-2 * HALF_WINDOW :]).T
                apart = time - time.mean()
                slope = (apart @ places) / max(apart @ apart, 1e-9)
                at = places.mean() + (time_s[i] - time.mean()) * slope
            place = _place_near(picture.value, picture.shown, i, float(at))
            misses = misses + 1 if place is None else 0
            if place is not None:
                path.append((i, time_s[i], place))
            i += direction
        path.reverse()  # the other way goes on from its beginning
    return np.array([i for i, _, _ in path], int), np.array([place for _, _, place in path])


def _blank(
    strength: np.ndarray, centres: np.ndarray, index: np.ndarray, place: np.ndarray, m: int, x: int
) -> None:
    """Take a ridge out of the list of lines (in place: the array is the caller's own work space)."""
    strength[m, max(x - REACH_PX, 0) : x + REACH_PX + 1] = -np.inf
    if len(index) > 1:
        along = np.interp(centres, index, place, left=np.nan, right=np.nan)
        for row in np.flatnonzero(np.isfinite(along)):
            j = round(along[row])
            strength[row, max(j - REACH_PX, 0) : j + REACH_PX + 1] = -np.inf


def _measured_ridge(
    diagram: TimeDistance, picture: _Picture, slit: int, index: np.ndarray, place: np.ndarray
) -> Ridge | None:
    """The ridge through places [px] in strips `index`; None where it shows no motion."""
    if (n := len(index)) < limits.LEAST_FRAMES:
        return None
    # full width at half maximum of the mean cross-section, in pixels
    column = np.clip(np.rint(place).astype(int)[:, None] + np.arange(-8, 9), 0, picture.value.shape[1] - 1)
    section = picture.value[index[:, None], column].mean(axis=0)
    width = float(np.sum(section > 0.5 * section[8]))
    bright = picture.value[index, np.rint(place).astype(int)]
    time_s, err = picture.time_s[index], np.median(bright) / bright  # in units still unknown
    distance = np.interp(place, np.arange(len(diagram.distance_mm)), diagram.distance_mm)
    fits = [fit_polynomial(time_s, distance, err, degree) for degree in (1, 2) if n >= 4 * degree]
    fit = min(fits, key=lambda one: bic(one.chi2, n, one.degree + 2))
    middle = 0.5 * (time_s[0] + time_s[-1])
    travel = abs(float(fit.value(time_s[-1]) - fit.value(time_s[0])))
    speed = float(fit.value(middle, 1)) * limits.KM_S
    scatter = float(fit.error(middle, 1)) * np.sqrt(fit.chi2 / fit.dof)
    # What shines through beneath a ridge shifts neighbouring places alike, which their scatter does not show:
    # each third left out in turn (delete-a-group jackknife; Quenouille 1956, Biometrika 43, 353).
    slopes = []
    for third in np.array_split(np.arange(n), 3):
        time, places, sigma = (np.delete(one, third) for one in (time_s, distance, err))
        slopes.append(float(fit_polynomial(time, places, sigma, fit.degree).value(middle, 1)))
    own = max(scatter, float(np.sqrt(2 * np.var(slopes)))) * limits.KM_S
    # A ridge that has not moved by many of its widths hides the standing part from itself, which drags it
    # (Gaussian streaks of 2 to 6 Mm come out 1 to 12 % too fast); not so at times when it is not there.
    there = float(np.ptp(time_s) / np.ptp(picture.time_s))
    hidden = 0.5 * (there * width * picture.step_mm / max(travel, 1e-9)) ** 2
    # 2 %, from injected knots: a path is seldom quite the knot's own
    error = float(np.hypot(own, np.hypot(0.02, hidden) * speed))
    if abs(speed) < limits.CERTAIN * error or travel < max(width, REACH_PX) * picture.step_mm:
        return None
    return Ridge(
        slit=slit,
        time_s=float(middle),
        distance_mm=float(fit.value(middle)),
        first_s=float(time_s[0]),
        last_s=float(time_s[-1]),
        speed_km_s=speed,
        speed_err_km_s=error,
        knot=0,
        knot_speed_km_s=np.nan,
        agrees=False,
        accel_m_s2=1e6 * float(fit.value(middle, 2)),
    )


def _place_near(value: np.ndarray, shown: np.ndarray, i: int, at: float) -> float | None:
    """Place of the maximum near `at`, between pixels by a parabola; None without one above the noise, and at
    the ends of the path, where the maximum is cut and its place pushed inward."""
    low, high = max(round(at) - REACH_PX, REACH_PX), min(round(at) + REACH_PX + 1, value.shape[1] - REACH_PX)
    if high <= low or not shown[i, low - 1 : high + 1].all():
        return None
    row = value[i]
    j = low + int(np.argmax(row[low:high]))
    left, top, right = row[j - 1 : j + 2]
    if top < limits.SEEN or left > top or right > top:
        return None
    bend = left - 2 * top + right
    return j + (0.5 * (left - right) / bend if bend < 0 else 0.0)
