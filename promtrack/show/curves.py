"""The fitted curves at any time, for drawing: a fit's record in, heights, speeds and accelerations out.

Nothing is fitted to data here; the records hold model heights at the measured times, and the model's own form
carries them to the times between.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.interpolate import CubicSpline

from promtrack.motion.records import Front, FrontFit, KnotTrack

__all__ = [
    "LOCAL_POINTS",
    "FrontCurve",
    "drawing_times",
    "front_curve",
    "knot_height",
    "knot_speed",
    "local_speeds",
]

LOCAL_POINTS = 5  # heights from which a local speed is taken


@dataclass(frozen=True, slots=True, eq=False)
class FrontCurve:
    """A front's model at chosen times."""

    height_mm: np.ndarray
    speed_km_s: np.ndarray
    speed_err_km_s: np.ndarray  # between the three times at which it is known, linear
    accel_m_s2: np.ndarray


def drawing_times(time_s: np.ndarray, count: int = 160) -> np.ndarray:
    """Even times over a track's span for a smooth line; nan in gaps, so that no line runs where nothing was
    seen."""
    times = np.linspace(time_s[0], time_s[-1], count)
    after = np.clip(np.searchsorted(time_s, times), 1, len(time_s) - 1)
    step = time_s[after] - time_s[after - 1]
    return np.where(step > 3.5 * np.median(np.diff(time_s)), np.nan, times)


def knot_height(knot: KnotTrack, time_s: np.ndarray) -> np.ndarray:
    """Height of a knot's fitted path at any times inside its span; the spline through the record's own curve
    is that path."""
    return CubicSpline(knot.time_s, knot.curve_mm)(time_s)


def knot_speed(knot: KnotTrack, limb_mm: float, time_s: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Speed of a knot along its fitted path at any times inside its span, and its random error, km/s.

    limb_mm : distance of the limb from the Sun's centre
    """
    height, angle = (
        CubicSpline(knot.time_s, knot.curve_mm),
        CubicSpline(knot.time_s, np.deg2rad(knot.curve_angle_deg)),
    )
    speed = 1e3 * np.hypot(height(time_s, 1), (limb_mm + height(time_s)) * angle(time_s, 1))
    fit, run = knot.fit, time_s - knot.fit.time_s
    return speed, np.hypot(
        fit.speed_err_km_s, 1e-3 * (fit.accel_err_m_s2 if np.isfinite(fit.accel_m_s2) else 0.0) * run
    )


def front_curve(front: Front, fit: FrontFit, time_s: np.ndarray) -> FrontCurve:
    """A front's model at any times inside its span."""
    middle, unit = 0.5 * (front.time_s[0] + front.time_s[-1]), 0.5 * (front.time_s[-1] - front.time_s[0])
    tau = float(fit.values[fit.parameters.index("tau_s")]) / unit if "tau_s" in fit.parameters else None
    # Linear in its coefficients once tau is known, so this only reads the coefficients back from the record's
    # own curve.
    coefficients = np.linalg.lstsq(
        _basis(fit, (front.time_s - middle) / unit, tau, 0), fit.curve_mm, rcond=None
    )[0]
    at = (time_s - middle) / unit
    height, speed, accel = (_basis(fit, at, tau, order) @ coefficients for order in (0, 1, 2))
    known = np.array([front.time_s[0], middle, front.time_s[-1]])
    return FrontCurve(
        height, 1e3 * speed / unit, np.interp(time_s, known, fit.speed_err_km_s), 1e6 * accel / unit**2
    )


def local_speeds(front: Front, window: int = LOCAL_POINTS) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Speed in windows of so many points that share none, so that the values are independent: time, speed,
    error."""
    rows = []
    for first in range(0, len(front.time_s) - window + 1, window):
        part = slice(first, first + window)
        weight = front.height_err_mm[part] ** -2.0
        middle = np.average(front.time_s[part], weights=weight)
        run = front.time_s[part] - middle
        squares = np.sum(weight * run**2)
        rows.append(
            (middle, 1e3 * np.sum(weight * run * front.height_mm[part]) / squares, 1e3 / np.sqrt(squares))
        )
    middle_s, speed, error = np.array(rows).reshape(-1, 3).T
    return middle_s, speed, error


def _basis(fit: FrontFit, at: np.ndarray, tau: float | None, order: int) -> np.ndarray:
    """Columns of the model, or of its first or second derivative, in the centred and scaled time `at`."""
    zero, one = np.zeros_like(at), np.ones_like(at)
    columns = [(one, zero, zero)[order], (at, one, zero)[order]]
    if tau is not None:
        columns.append(np.exp((at - 1.0) / tau) / tau**order)
    elif fit.model == "constant acceleration":
        columns.append((at**2, 2.0 * at, 2.0 * one)[order])
    return np.column_stack(columns)
