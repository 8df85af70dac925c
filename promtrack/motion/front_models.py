"""Models of a rising front: names and parameters in; heights, speeds, accelerations out.

Constant speed; ballistic (thrown up, with the Sun's gravity); constant acceleration; rest and then constant
speed or acceleration; linear plus exponential (slow rise, then fast rise):
h(t) = c0 exp((t - t0)/tau) + c1 (t - t0) + c2 with t0 fixed at the first time, because a shift of t0 is
absorbed by c0 and c2 (Cheng et al. 2013, ApJL 769, L25), whose onset is the time when the exponential part of
the speed equals the linear part; and constant speed until an onset, from which on the speed grows
exponentially.
"""

from __future__ import annotations

import math

import numpy as np

from promtrack.motion.limits import KM_S, M_S2

SPEED = "constant speed"
BALLISTIC = "ballistic"
ACCELERATION = "constant acceleration"
SUDDEN = "rest, then constant speed"
REST = "rest, then constant acceleration"
EXPONENTIAL = "linear plus exponential"
GROWING = "constant speed, then exponential"
MODELS = (SPEED, BALLISTIC, ACCELERATION, SUDDEN, REST, EXPONENTIAL, GROWING)  # the simplest first
SEARCHED = {SUDDEN: (1,), REST: (1,), EXPONENTIAL: (3,), GROWING: (2, 3)}  # heights are not linear in these
POSITIVE = {SUDDEN: 2, REST: 2, EXPONENTIAL: 2, GROWING: 1}  # number of the value that must be


def onset_time(c0: np.ndarray | float, tau: np.ndarray | float, c1: np.ndarray | float) -> np.ndarray:
    """Time after t0 when the exponential part of the speed equals the linear part: tau ln(c1 tau / c0)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(tau * np.log(c1 * tau / c0), float)


def path(model: str, t: np.ndarray, values: np.ndarray, gravity_m_s2: float) -> np.ndarray:
    """(3, m, n) height [Mm], speed [Mm/s] and acceleration [Mm/s^2] at times t (n,) from the middle.

    `values` (m, k): height and speed [km/s] in the middle, acceleration [m/s^2]; with rest height, start, and
    speed or acceleration; for linear plus exponential height and speed of the linear part at the
    first time, what the exponential part reaches at the last, and ln tau; for constant speed, then
    exponential, height and speed at the first time, onset, and ln tau.
    """
    p = values[:, :, None]
    if model == SUDDEN:
        gone, speed = np.maximum(t - p[:, 1], 0.0), p[:, 2] / KM_S
        return np.stack([p[:, 0] + speed * gone, speed * (gone > 0), np.zeros_like(gone)])
    if model == REST:
        gone, accel = np.maximum(t - p[:, 1], 0.0), p[:, 2] / M_S2
        return np.stack([p[:, 0] + 0.5 * accel * gone**2, accel * gone, accel * np.ones_like(t)])
    if model == EXPONENTIAL:
        tau = np.exp(p[:, 3])
        part, speed = p[:, 2] * np.exp((t - t[-1]) / tau), p[:, 1] / KM_S
        return np.stack([p[:, 0] + speed * (t - t[0]) + part, speed + part / tau, part / tau**2])
    if model == GROWING:
        tau, gone, speed = np.exp(p[:, 3]), np.maximum(t - p[:, 2], 0.0), p[:, 1] / KM_S
        growth = np.exp(np.minimum(gone / tau, 100.0))  # a try far too steep stays finite
        height = p[:, 0] + speed * (np.minimum(t, p[:, 2]) - t[0] + tau * (growth - 1.0))
        return np.stack([height, speed * growth, speed * growth / tau * (gone > 0)])
    constant = -gravity_m_s2 if model == BALLISTIC else 0.0
    accel = (p[:, 2] if model == ACCELERATION else constant) / M_S2 * np.ones((len(values), len(t)))
    speed = p[:, 1] / KM_S
    return np.stack([p[:, 0] + speed * t + 0.5 * accel * t**2, speed + accel * t, accel])


def growth_bounds(t: np.ndarray) -> tuple[float, float]:
    """Smallest and largest ln tau that heights at times t tell: beyond the span it is a parabola."""
    span, step = float(t[-1] - t[0]), float(np.median(np.diff(t)))
    return math.log(min(max(2 * step, span / 100), span / 8)), math.log(span)
