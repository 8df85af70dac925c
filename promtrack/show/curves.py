"""The fitted curves at any time, for drawing: a track's record in, heights and speeds out.

Nothing is fitted to data here. The records hold model heights at the measured times, and a spline through
them carries the model to the times between; only those that rest first are drawn from their parameters, as a
spline rings at a corner. Frames of one time stamp count as one.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from promtrack.motion.front_models import REST, SUDDEN
from promtrack.motion.limits import KM_S, M_S2
from promtrack.motion.records import Front, FrontFit, KnotTrack

LONG_GAP = 3.5  # times the usual step: over a longer one no line is drawn


@dataclass(frozen=True, slots=True, eq=False)
class FrontCurve:
    """A front's model at chosen times."""

    height_mm: np.ndarray
    speed_km_s: np.ndarray
    speed_err_km_s: np.ndarray  # random; linear between the three times at which it is known


def drawing_times(time_s: np.ndarray, count: int = 160) -> np.ndarray:
    """(count,) even times over a track's span for a smooth line; nan in gaps, where nothing was seen.
    `time_s`: (n,) measured times, rising [s]."""
    seen = np.unique(time_s)
    times = np.linspace(seen[0], seen[-1], count)
    if len(seen) < 3:
        return times
    after = np.clip(np.searchsorted(seen, times), 1, len(seen) - 1)
    step = seen[after] - seen[after - 1]
    return np.where(step > LONG_GAP * np.median(np.diff(seen)), np.nan, times)


def knot_path(knot: KnotTrack, time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Height [Mm] and product angle [deg] of a knot's fitted path at any times [s] inside the track's span,
    each in the shape of `time_s`."""
    height, angle = (_through(knot.time_s, curve) for curve in (knot.curve_mm, knot.curve_angle_deg))
    return height(time_s), angle(time_s)


def knot_speed(knot: KnotTrack, limb_mm: float, time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Speed of a knot along its fitted path and its random error [km/s], each in the shape of `time_s`, any
    times inside the track's span [s]. `limb_mm`: distance of the limb from the Sun's centre."""
    height, angle = _through(knot.time_s, knot.curve_mm), _through(knot.time_s, knot.curve_angle_deg)
    along = (limb_mm + height(time_s)) * np.deg2rad(angle(time_s, 1))
    error = np.interp(time_s, knot.time_s, knot.speed_err_km_s)
    return 1e3 * np.hypot(height(time_s, 1), along), error


def front_curve(front: Front, fit: FrontFit, time_s: np.ndarray) -> FrontCurve:
    """A front's model at any times inside its span [s], in their shape."""
    known = np.linspace(front.time_s[0], front.time_s[-1], len(fit.speed_err_km_s))
    error = np.interp(time_s, known, fit.speed_err_km_s)
    if fit.model in (SUDDEN, REST):
        rest_mm, start_s, rate = fit.values
        gone = np.maximum(time_s - start_s, 0.0)
        if fit.model == REST:
            return FrontCurve(rest_mm + 0.5 * rate / M_S2 * gone**2, rate * gone * KM_S / M_S2, error)
        moves = np.heaviside(gone, 0.0)  # nan where the time is
        error = fit.speed_err_km_s[0] * (1.0 - moves) + fit.peak_speed_err_km_s * moves
        return FrontCurve(rest_mm + rate / KM_S * gone, rate * moves, error)
    height = _through(front.time_s, fit.curve_mm)
    return FrontCurve(height(time_s), KM_S * height(time_s, 1), error)


def _through(time_s: np.ndarray, value: np.ndarray) -> CubicSpline:
    """The curve through a record's values, those of one time averaged."""
    times, place = np.unique(time_s, return_inverse=True)
    mean = np.bincount(place, weights=value) / np.bincount(place)
    if len(times) == 1:
        times, mean = times + np.array([0.0, 1.0]), np.repeat(mean, 2)
    return CubicSpline(times, mean)
