"""Threads that a slit crosses: a time-distance diagram in, the place of each thread in every strip out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.signal import find_peaks

from promtrack.motion import limits
from promtrack.strip.records import TimeDistance

LEAST_POINTS = 16  # strips in which a thread must be seen
THREADS = 4  # brightest threads of the slit that are tried
REACH_MM = 2.5  # a thread moves less than this from one strip to the next


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Where a thread stood in the strips that show it."""

    time_s: np.ndarray
    place_mm: np.ndarray
    err_mm: np.ndarray


def brightest_threads(diagram: TimeDistance) -> list[float]:
    """Places [px] of the threads, the brightest first, from the mean over the run."""
    value = np.nan_to_num(diagram.value, nan=0.0)
    smooth = gaussian_filter1d(value, 1.5, axis=1)
    peaks, found = find_peaks(gaussian_filter1d(smooth.mean(axis=0), 1.5), prominence=0.0)
    return [float(peak) for peak in peaks[np.argsort(found["prominences"])[::-1]]]


def traced(diagram: TimeDistance, start: float) -> Trace | None:
    """Follow a thread from the strip where it is clearest near `start`, both ways in time."""
    step = float(np.median(np.diff(diagram.distance_mm)))
    shown = np.isfinite(diagram.value).all(axis=1)
    value = np.nan_to_num(diagram.value, nan=0.0).astype(float)
    smooth = gaussian_filter1d(value, 1.0, axis=1)
    noise = np.median(np.abs(np.diff(value, n=2, axis=1))) / (limits.QUARTILE * math.sqrt(6))
    if not noise > 0:
        noise = 1e-6 * float(np.ptp(value)) or 1.0
    reach = max(2, math.ceil(REACH_MM / step))
    near = slice(max(int(start) - reach, 0), int(start) + reach + 1)
    first = int(np.argmax(np.where(shown, smooth[:, near].max(axis=1), -np.inf)))
    places: dict[int, tuple[float, float]] = {}
    for direction in (1, -1):
        at, pace = float(near.start + np.argmax(smooth[first, near])), 0.0
        i = first
        while 0 <= i < len(value):
            here = _centre(smooth[i], value[i], at + pace, reach, noise) if shown[i] else None
            if here is not None:
                pace = 0.5 * pace + 0.5 * float(np.clip(here[0] - at, -reach, reach)) if i != first else 0.0
                at = here[0]
                places[i] = here
            else:
                pace = 0.0
            i += direction
    if len(places) < max(LEAST_POINTS, 0.6 * shown.sum()):
        return None
    index = np.array(sorted(places))
    place, err = np.array([places[i] for i in index]).T
    return Trace(diagram.time_s[index], diagram.distance_mm[0] + place * step, err * step)


def _centre(
    smooth: np.ndarray, row: np.ndarray, at: float, reach: int, noise: float
) -> tuple[float, float] | None:
    """Centre and error [px] of the thread near `at`, by a Gaussian through three places."""
    low, high = max(round(at) - reach, 2), min(round(at) + reach + 1, len(row) - 2)
    if high - low < 3:
        return None
    j = low + int(np.argmax(smooth[low:high]))
    base = min(smooth[max(j - 3 * reach, 0) : j + 1].min(), smooth[j : j + 3 * reach + 1].min())
    left, top, right = smooth[j - 1 : j + 2] - base
    # smoothing by 1 px leaves 0.53 of white noise: (4 pi)^-1/4
    if top < limits.SEEN * 0.53 * noise or min(left, right) <= 0 or max(left, right) > top:
        return None
    logs = np.log([left, top, right])
    bend = logs[0] - 2 * logs[1] + logs[2]
    if bend >= 0:
        return None
    width2 = min(-1 / bend, float(reach) ** 2)  # variance of the Gaussian
    # Cramer-Rao bound of the place of a Gaussian of amplitude A in white noise: (noise/A) (4 width^2 /
    # pi)^1/4
    err = noise / max(top, noise) * (4 * width2 / math.pi) ** 0.25
    return j + 0.5 * (logs[0] - logs[2]) / bend, max(err, 0.02)


def calm(trace: Trace) -> np.ndarray:
    """Places that do not jump from their neighbours, whose own spread is allowed: there a swing turns."""
    near = np.sort(
        np.lib.stride_tricks.sliding_window_view(np.pad(trace.place_mm, 3, mode="edge"), 7), axis=1
    )
    rest = trace.place_mm - near[:, 3]
    usual = max(float(np.median(np.abs(rest))) / limits.QUARTILE, float(np.median(trace.err_mm)))
    return np.abs(rest) < 6 * usual + 0.5 * (near[:, -2] - near[:, 1])
