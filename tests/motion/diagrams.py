"""Time-distance diagrams with known truth: a swinging thread, knots that run, threads that only flicker."""

from __future__ import annotations

import numpy as np
from scipy.ndimage import gaussian_filter1d

from promtrack.motion.oscillation import _swinging
from promtrack.motion.records import Oscillation
from promtrack.strip.records import TimeDistance

STEP_MM = 0.73


def as_diagram(value: np.ndarray, time_s: np.ndarray, kind: str = "parallel") -> TimeDistance:
    x = np.arange(value.shape[1])
    return TimeDistance(
        "made", kind, 60 + 0.06 * x, np.full(len(x), 20.0), x * STEP_MM, value.astype(np.float32), time_s
    )


def swinging(
    rng, *, amplitude_px, period_s, damping_s=np.inf, n=120, cadence_s=30.0, noise=0.08, unrest_px=0.3
):
    """A thread that swings beside two that stand still; it brightens and fades, the air shakes it, it
    drifts."""
    t = np.arange(n) * cadence_s + rng.normal(0, 0.1 * cadence_s, n)
    t = np.sort(t) - t.min()
    swing = (
        amplitude_px * np.exp(-t / damping_s) * np.sin(2 * np.pi * t / period_s + rng.uniform(0, 2 * np.pi))
    )
    place = 40 + swing + unrest_px * rng.normal(size=n) + rng.normal() * t / t[-1]
    return thread(rng, place, t, noise)


def restless(rng, *, memory=0.9, kick_px=0.4, n=120, cadence_s=30.0):
    """A thread on a random walk that is drawn back: red noise, no period."""
    place = np.zeros(n)
    for i in range(1, n):
        place[i] = memory * place[i - 1] + kick_px * rng.normal()
    return thread(rng, 40 + place, np.arange(n) * cadence_s, 0.08)


def thread(rng, place, t, noise):
    x = np.arange(80)
    light = 1 + 1.2 * gaussian_filter1d(rng.normal(size=len(t)), 8)[:, None]
    value = np.clip(light, 0.4, None) * np.exp(-0.5 * ((x - place[:, None]) / 1.6) ** 2)
    value += 0.6 * np.exp(-0.5 * ((x - 20) / 2.5) ** 2) + 0.4 * np.exp(-0.5 * ((x - 62) / 4) ** 2)
    return as_diagram(value + noise * rng.normal(size=value.shape), t)


def running(
    rng,
    *,
    speed_km_s,
    snr=8.0,
    fwhm_px=4.0,
    n=120,
    d=140,
    cadence_s=20.0,
    jitter_s=0.0,
    gap=None,
    accel_m_s2=0.0,
):
    """One knot running along the path over standing, flickering threads; its place passes the middle at
    mid-time."""
    t = np.arange(n) * cadence_s + rng.uniform(-jitter_s, jitter_s, n)
    if gap is not None:
        t[gap:] += 6 * cadence_s
    value = flicker(rng, t, d)
    u = t - t[n // 2]
    place = d / 2 + (speed_km_s * u / 1e3 + 0.5 * accel_m_s2 * u**2 / 1e6) / STEP_MM
    value += snr * np.exp(-0.5 * ((np.arange(d) - place[:, None]) / (fwhm_px / 2.355)) ** 2)
    return as_diagram(value, t, "radial")


def flicker(rng, t, d):
    """Standing threads that brighten and fade within ten minutes, flicker of whole strips, and unit noise."""
    n = len(t)
    value = rng.normal(size=(n, d))
    for _ in range(6):
        light = gaussian_filter1d(rng.normal(size=n), 15) * 5
        value += (4 + 2 * light)[:, None] * np.exp(
            -0.5 * ((np.arange(d) - rng.uniform(0, d)) / rng.uniform(1.5, 4)) ** 2
        )
    return value * (1 + 0.03 * rng.normal(size=(n, 1)))


def fit_oscillation(diagram: TimeDistance, slit: int = 0) -> Oscillation | None:
    """The most significant oscillation of one diagram, None if there is none."""
    found = _swinging(diagram, slit, 1)
    return found[0][1] if found else None
