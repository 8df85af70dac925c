"""What can be put on the synthetic Sun, and where what moves is at a time.

Things stand at `at_deg`, the image angle counter-clockwise from the middle of the visible limb
(`SceneSpec.facing_deg`), and at a height in Mm above the H-alpha limb; lengths are in Mm, brightness in units
of the disc's centre. The functions give angles in radians from the middle of the visible limb.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

FWHM_SIGMA = math.sqrt(8.0 * math.log(2.0))  # full width at half maximum over sigma


@dataclass(frozen=True, slots=True)
class Hedgerow:
    """A quiet prominence of many fine threads, standing on feet under a ragged top."""

    at_deg: float = 0.0
    width_mm: float = 70.0
    height_mm: float = 38.0
    brightness: float = 0.10  # of its bright threads
    threads: float = 1.0  # relative number of threads
    change_s: float = 900.0  # time in which threads brighten and fade; 0: never


@dataclass(frozen=True, slots=True)
class Arch:
    """An arch from limb to limb, made of threads beside each other."""

    at_deg: float = 0.0
    width_mm: float = 60.0  # foot to foot
    height_mm: float = 45.0  # of the apex
    thickness_mm: float = 5.0
    brightness: float = 0.05
    change_s: float = 900.0


@dataclass(frozen=True, slots=True)
class Filament:
    """A filament: dark in front of the disc, running on over the limb as a bright prominence."""

    at_deg: float = -6.0
    inside_mm: float = 90.0  # how far it reaches in from the limb, as seen
    outside_mm: float = 22.0  # how high it stands off the limb
    lean_deg: float = 35.0  # of its course on the disc against the radius
    thickness_mm: float = 6.0
    brightness: float = 0.10
    change_s: float = 1500.0


@dataclass(frozen=True, slots=True)
class Knot:
    """A knot with constant acceleration, radial and along the limb (counter-clockwise positive)."""

    at_deg: float = 0.0
    height_mm: float = 20.0  # at `from_s`
    radial_km_s: float = 0.0  # at `from_s`, outward positive
    along_km_s: float = 0.0
    radial_accel_m_s2: float = 0.0
    from_s: float = 0.0  # begins to be seen, seconds after the first frame
    life_s: float = math.inf
    fade_s: float = 120.0  # time of fading in, and of fading out
    size_mm: float = 2.5  # full width at half maximum
    snr: float = 12.0  # peak over the noise of one pixel, usual seeing, fully faded in
    brightness: float | None = None  # before seeing; beats snr


@dataclass(frozen=True, slots=True)
class ArchKnot:
    """A knot that falls along one leg of an arch (half an ellipse in angle and height)."""

    at_deg: float = 0.0  # of the arch
    width_mm: float = 60.0
    apex_mm: float = 45.0
    leg: int = 1  # +1: the counter-clockwise leg, -1: the other
    start: float = 0.15  # where it starts, part of the way from the apex to the foot
    speed_km_s: float = 40.0  # along the arch, at `from_s`
    accel_m_s2: float = 0.0
    from_s: float = 0.0
    life_s: float = math.inf
    fade_s: float = 120.0
    size_mm: float = 2.5
    snr: float = 12.0
    brightness: float | None = None


AnyKnot = Knot | ArchKnot


@dataclass(frozen=True, slots=True)
class Eruption:
    """An arch whose apex rises; its outer edge is the front. Height of the front at t seconds after the first
    frame, with u = t - start_s (u = 0 before): `height_mm + speed u + accel u^2 / 2`, and, where `growth_mm`
    > 0, plus `growth_mm (exp(u / growth_s) - 1)`: linear plus exponential (Cheng et al. 2013, ApJL 769,
    L25)."""

    at_deg: float = 0.0
    width_mm: float = 70.0  # foot to foot
    height_mm: float = 35.0  # of the front at `start_s`
    speed_km_s: float = 5.0
    accel_m_s2: float = 0.0
    growth_mm: float = 0.0
    growth_s: float = 600.0
    start_s: float = 0.0
    thickness_mm: float = 7.0  # at the start; grows with the arch
    edge_mm: float = 0.9  # 1-sigma softness of the outer edge
    brightness: float = 0.11
    dimming: float = 0.35  # brightness falls as (height at start / height) to this power


@dataclass(frozen=True, slots=True)
class SwayingThread:
    """A bright radial thread: swinging along the limb as a damped sine, or (amplitude 0) at rest."""

    at_deg: float = 0.0
    low_mm: float = 8.0
    high_mm: float = 40.0
    amplitude_mm: float = 2.5
    period_s: float = 1200.0
    damping_s: float = math.inf
    phase_deg: float = 0.0
    size_mm: float = 2.2  # full width at half maximum
    brightness: float = 0.09


@dataclass(frozen=True, slots=True)
class CloudBank:
    """A bank of cloud whose straight edge drifts through the frame."""

    from_s: float  # the edge passes the frame's middle, seconds after the first frame
    px_s: float = 2.0  # speed across the edge
    towards_deg: float = 60.0  # image angle towards which it drifts
    depth: float = 0.4  # part of the light that it takes away
    edge_px: float = 25.0  # 1-sigma softness of the edge


@dataclass(frozen=True, slots=True)
class Jump:
    """The mount is nudged during frame `frame`; that frame is smeared and all later ones are shifted."""

    frame: int
    dx_px: float
    dy_px: float
    smear: bool = True


def fading(time_s: np.ndarray | float, from_s: float, life_s: float, fade_s: float) -> np.ndarray:
    """Part of its full brightness that a knot shows at times of any shape: a raised cosine in and out."""
    rise = np.clip((time_s - from_s) / max(fade_s, 1e-9), 0.0, 1.0)
    fall = np.clip((from_s + life_s - time_s) / max(fade_s, 1e-9), 0.0, 1.0)
    return (0.5 - 0.5 * np.cos(np.pi * rise)) * (0.5 - 0.5 * np.cos(np.pi * fall))


def knot_place(knot: AnyKnot, time_s: np.ndarray | float, limb_mm: float) -> tuple[np.ndarray, np.ndarray]:
    """Angle [rad] and height [Mm] of a knot; (n,) each."""
    u = np.atleast_1d(np.asarray(time_s, dtype=float)) - knot.from_s
    if isinstance(knot, ArchKnot):
        return _along_arch(knot, u, limb_mm)

    def height(s: np.ndarray) -> np.ndarray:
        return knot.height_mm + 1e-3 * knot.radial_km_s * s + 0.5e-6 * knot.radial_accel_m_s2 * s * s

    # the angular speed is the speed along the limb over the distance from the centre: Gauss-Legendre over [0,
    # u], 12 nodes, exact to 1e-9 rad for any height that stays above -0.9 of the limb's distance
    node, weight = np.polynomial.legendre.leggauss(12)
    s = 0.5 * u[:, None] * (node + 1.0)
    turn = 0.5 * u * ((1e-3 * knot.along_km_s / (limb_mm + height(s))) @ weight)
    return math.radians(knot.at_deg) + turn, height(u)


def _along_arch(knot: ArchKnot, u: np.ndarray, limb_mm: float) -> tuple[np.ndarray, np.ndarray]:
    phase = np.linspace(0.0, 0.5 * np.pi, 4001)
    height = knot.apex_mm * np.cos(phase)
    angle = math.radians(knot.at_deg) + np.sign(knot.leg) * 0.5 * knot.width_mm / limb_mm * np.sin(phase)
    step = np.hypot(np.diff(height), 0.5 * np.diff(angle) * (2 * limb_mm + height[1:] + height[:-1]))
    path = np.concatenate(([0.0], np.cumsum(step)))
    s = knot.start * path[-1] + 1e-3 * knot.speed_km_s * u + 0.5e-6 * knot.accel_m_s2 * u * u
    below = np.minimum(path[-1] - s, 0.0)  # past the foot it goes straight down
    place = np.interp(np.clip(s, 0.0, path[-1]), path, phase)
    foot = math.radians(knot.at_deg) + np.sign(knot.leg) * 0.5 * knot.width_mm / limb_mm * np.sin(place)
    return foot, knot.apex_mm * np.cos(place) + below


def front_height(eruption: Eruption, time_s: np.ndarray | float) -> np.ndarray:
    """Height [Mm] of the front above the apex's limb, at times of any shape."""
    u = np.maximum(np.asarray(time_s, dtype=float) - eruption.start_s, 0.0)
    return (
        eruption.height_mm
        + 1e-3 * eruption.speed_km_s * u
        + 0.5e-6 * eruption.accel_m_s2 * u * u
        + eruption.growth_mm * np.expm1(u / eruption.growth_s)
    )


def sway_displacement(sway: SwayingThread, time_s: np.ndarray | float) -> np.ndarray:
    """Displacement [Mm] along the limb, at times of any shape."""
    time_s = np.asarray(time_s, dtype=float)
    phase = 2 * np.pi * time_s / sway.period_s + math.radians(sway.phase_deg)
    return sway.amplitude_mm * np.exp(-time_s / sway.damping_s) * np.sin(phase)
