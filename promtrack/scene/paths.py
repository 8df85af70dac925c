"""Where moving plasma is at a time: knots, fronts and swaying threads, in angle and height.

Angles here are radians counter-clockwise from the middle of the visible limb; heights in Mm above the H-alpha
limb.
"""

from __future__ import annotations

import math

import numpy as np

from promtrack.scene.content import ArchKnot, Eruption, Knot, SwayingThread

__all__ = ["fading", "front_height", "knot_place", "onset", "sway_displacement"]


def fading(time_s: np.ndarray | float, from_s: float, life_s: float, fade_s: float) -> np.ndarray:
    """Part of its full brightness that a knot shows: a raised cosine in and out."""
    rise = np.clip((time_s - from_s) / max(fade_s, 1e-9), 0.0, 1.0)
    fall = np.clip((from_s + life_s - time_s) / max(fade_s, 1e-9), 0.0, 1.0)
    return (0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall))


def knot_place(
    knot: Knot | ArchKnot, time_s: np.ndarray | float, limb_mm: float
) -> tuple[np.ndarray, np.ndarray]:
    """Angle [rad] and height [Mm] of a knot; (n,) each."""
    time_s = np.atleast_1d(np.asarray(time_s, dtype=float))
    return _along_arch(knot, time_s, limb_mm) if isinstance(knot, ArchKnot) else _free(knot, time_s, limb_mm)


def _free(knot: Knot, time_s: np.ndarray, limb_mm: float) -> tuple[np.ndarray, np.ndarray]:
    u = time_s - knot.from_s

    def height(s: np.ndarray) -> np.ndarray:
        return knot.height_mm + 1e-3 * knot.radial_km_s * s + 0.5e-6 * knot.radial_accel_m_s2 * s * s

    # the angular speed is the speed along the limb over the distance from the centre: Gauss-Legendre over [0,
    # u], 12 nodes, exact to 1e-9 rad for any height that stays above -0.9 of the limb's distance
    node, weight = np.polynomial.legendre.leggauss(12)
    s = 0.5 * u[:, None] * (node + 1.0)
    turn = 0.5 * u * ((1e-3 * knot.along_km_s / (limb_mm + height(s))) @ weight)
    return math.radians(knot.at_deg) + turn, height(u)


def _along_arch(knot: ArchKnot, time_s: np.ndarray, limb_mm: float) -> tuple[np.ndarray, np.ndarray]:
    phase = np.linspace(0.0, 0.5 * np.pi, 4001)
    height = knot.apex_mm * np.cos(phase)
    angle = math.radians(knot.at_deg) + np.sign(knot.leg) * 0.5 * knot.width_mm / limb_mm * np.sin(phase)
    step = np.hypot(np.diff(height), 0.5 * np.diff(angle) * (2 * limb_mm + height[1:] + height[:-1]))
    path = np.concatenate(([0.0], np.cumsum(step)))
    u = time_s - knot.from_s
    s = knot.start * path[-1] + 1e-3 * knot.speed_km_s * u + 0.5e-6 * knot.accel_m_s2 * u * u
    below = np.minimum(path[-1] - s, 0.0)  # past the foot it goes straight down
    place = np.interp(np.clip(s, 0.0, path[-1]), path, phase)
    foot = math.radians(knot.at_deg) + np.sign(knot.leg) * 0.5 * knot.width_mm / limb_mm * np.sin(place)
    return foot, knot.apex_mm * np.cos(place) + below


def front_height(eruption: Eruption, time_s: np.ndarray | float) -> np.ndarray:
    """Height [Mm] of the front above the apex's limb."""
    u = np.maximum(np.asarray(time_s, dtype=float) - eruption.start_s, 0.0)
    return (
        eruption.height_mm
        + 1e-3 * eruption.speed_km_s * u
        + 0.5e-6 * eruption.accel_m_s2 * u * u
        + eruption.growth_mm * np.expm1(u / eruption.growth_s)
    )


def onset(eruption: Eruption) -> float:
    """Seconds after the first frame when the exponential part of the speed equals the linear part."""
    if eruption.growth_mm <= 0 or eruption.speed_km_s <= 0:
        return math.nan
    return eruption.start_s + eruption.growth_s * math.log(
        1e-3 * eruption.speed_km_s * eruption.growth_s / eruption.growth_mm
    )


def sway_displacement(sway: SwayingThread, time_s: np.ndarray | float) -> np.ndarray:
    """Displacement [Mm] along the limb."""
    time_s = np.asarray(time_s, dtype=float)
    phase = 2 * np.pi * time_s / sway.period_s + math.radians(sway.phase_deg)
    return sway.amplitude_mm * np.exp(-time_s / sway.damping_s) * np.sin(phase)
