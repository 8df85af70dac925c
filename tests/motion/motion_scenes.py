"""Scenes for whole-room checks of motion: rain along arches, knots over a quiet hedgerow, swaying threads,
each with its truth."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from promtrack.motion.records import KnotTrack
from promtrack.scene import SceneSpec, SceneTruth, scenario
from promtrack.scene.content import ArchKnot, Knot, SwayingThread
from promtrack.scene.truth import KnotTruth
from promtrack.strip.records import Strip
from promtrack.sun import wrapped_deg

__all__ = ["Partner", "partner_of", "quiet_scene", "rain_scene", "swaying_scene"]

NEAR_MM = 3.0  # half the largest knot
LEGS = ((0.5, 84.0, 62.0), (1.4, 60.0, 44.0))  # at_deg, width_mm, apex_mm of the arches in demo/rain.toml


@dataclass(frozen=True, slots=True, eq=False)
class Partner:
    """The true knot that a track follows, and its velocity at the track's mid-time."""

    knot: KnotTruth
    time_s: float  # of the scene's clock
    speed_km_s: float
    radial_km_s: float  # outward at the place of the track's mean angle, as the fit's
    along_km_s: float


def rain_scene(seed: int, knots: int = 9) -> SceneSpec:
    """The demo's rain with other knots, another Sun and another sky."""
    rng = np.random.default_rng([seed, 17])
    return replace(
        scenario("rain"), name="rain", seed=1000 + seed, knots=tuple(_arch_knot(rng) for _ in range(knots))
    )


def _arch_knot(rng: np.random.Generator) -> ArchKnot:
    at_deg, width_mm, apex_mm = LEGS[int(rng.integers(2))]
    return ArchKnot(
        at_deg=at_deg,
        width_mm=width_mm,
        apex_mm=apex_mm,
        leg=int(rng.choice([-1, 1])),
        start=rng.uniform(0.0, 0.3),
        speed_km_s=rng.uniform(15.0, 70.0),
        accel_m_s2=rng.uniform(0.0, 40.0),
        from_s=rng.uniform(0.0, 900.0),
        life_s=1300.0,
        fade_s=90.0,
        size_mm=rng.uniform(1.8, 3.0),
        snr=rng.uniform(20.0, 40.0),
    )


def quiet_scene(seed: int, knots: int = 6) -> SceneSpec:
    """The demo's quiet hedgerow with other knots, another Sun and another sky; hot pixels are mended before
    strips are cut."""
    rng = np.random.default_rng([seed, 18])
    return replace(
        scenario("quiet"),
        name="quiet",
        seed=2000 + seed,
        hot_pixels=0,
        knots=tuple(_knot(rng) for _ in range(knots)),
    )


def _knot(rng: np.random.Generator) -> Knot:
    speed, direction = rng.uniform(8.0, 45.0), rng.uniform(0.0, 2 * np.pi)
    radial = speed * np.cos(direction)
    height = rng.uniform(14.0, 26.0) if radial > 0 else rng.uniform(35.0, 60.0)
    return Knot(
        at_deg=rng.uniform(-9.0, 6.0),
        height_mm=height,
        radial_km_s=radial,
        along_km_s=speed * np.sin(direction),
        radial_accel_m_s2=rng.choice([0.0, -20.0]) if radial > 15.0 else 0.0,
        from_s=rng.uniform(0.0, 1300.0),
        life_s=1300.0,
        size_mm=rng.uniform(1.8, 3.0),
        snr=rng.uniform(22.0, 32.0),
    )


def swaying_scene(seed: int) -> SceneSpec:
    """A thread that swings by 2 px or more, for two periods or more, beside the quiet hedgerow without
    knots."""
    rng = np.random.default_rng([seed, 19])
    sway = SwayingThread(
        at_deg=rng.choice([6.5, -6.5]) + rng.uniform(-0.5, 0.5),
        amplitude_mm=rng.uniform(1.6, 3.5),
        period_s=rng.uniform(350.0, 1250.0),
        damping_s=float(rng.choice([np.inf, 3000.0])),
        phase_deg=rng.uniform(0.0, 360.0),
    )
    return replace(quiet_scene(seed), name="sway", seed=3000 + seed, knots=(), sways=(sway,))


def partner_of(track: KnotTrack, strip: Strip, truth: SceneTruth) -> Partner | None:
    """The true knot nearest to a track, in median over its frames; None beyond 3 Mm."""
    best, near = None, NEAR_MM
    for knot in truth.knots:
        turn = np.deg2rad(wrapped_deg(track.angle_deg - knot.angle_deg[track.frame]))
        apart = np.hypot(
            track.height_mm - knot.height_mm[track.frame],
            turn * (truth.limb_mm + knot.height_mm[track.frame]),
        )
        if float(np.median(apart)) < near:
            best, near = knot, float(np.median(apart))
    if best is None:
        return None
    at = track.fit.time_s + float(best.time_s[strip.frame[0]])
    radial, along, angle = (
        float(np.interp(at, best.time_s, values))
        for values in (best.radial_km_s, best.along_km_s, best.angle_deg)
    )
    turn = np.deg2rad(
        angle - float(np.mean(track.angle_deg))
    )  # the fit's frame is turned from the knot's own outward
    return Partner(
        best,
        at,
        float(np.hypot(radial, along)),
        radial * np.cos(turn) - along * np.sin(turn),
        radial * np.sin(turn) + along * np.cos(turn),
    )
