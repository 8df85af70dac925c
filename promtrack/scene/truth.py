"""What is true of a scene: the Sun's place, and the motion of everything that was put in."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from promtrack.scene import camera
from promtrack.scene.content import (
    ArchKnot,
    Eruption,
    Knot,
    fading,
    front_height,
    knot_place,
    onset,
    sway_displacement,
)
from promtrack.scene.spec import SceneSpec


@dataclass(frozen=True, slots=True, eq=False)
class KnotTruth:
    """One knot (arrays have one value a frame of the scene, also where it is not visible)."""

    time_s: np.ndarray  # after the first frame
    height_mm: np.ndarray  # above the H-alpha limb
    angle_deg: np.ndarray  # image angle in the orientation of the first frame, not wrapped
    radial_km_s: np.ndarray  # outward positive
    along_km_s: np.ndarray  # counter-clockwise positive, at the height of the knot
    speed_km_s: np.ndarray  # in the plane of the sky
    accel_m_s2: np.ndarray  # along the direction of motion
    visible: np.ndarray  # bool: at least half faded in, in the frame, off the limb
    snr: np.ndarray  # peak over the noise of one pixel, with fading and usual seeing
    size_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class FrontTruth:
    """The leading edge of one eruption at its apex (half level, and steepest fall, before blur)."""

    time_s: np.ndarray
    height_mm: np.ndarray
    angle_deg: float  # image angle of the apex
    speed_km_s: np.ndarray
    accel_m_s2: np.ndarray
    onset_s: float  # when the exponential part of the speed equals the linear part; nan without one


@dataclass(frozen=True, slots=True, eq=False)
class SwayTruth:
    """A thread's transverse oscillation."""

    displacement_mm: np.ndarray  # along the limb, counter-clockwise positive
    angle_deg: float  # image angle of its place of rest


@dataclass(frozen=True, slots=True, eq=False)
class SceneTruth:
    """Truth of a scene; the zero-mean local distortion of the air comes on top of the places given here."""

    times_utc: np.ndarray  # (n,) datetime64[us]
    time_s: np.ndarray  # (n,) after the first frame
    centre_x_px: np.ndarray  # (n,) with drift, rotation, jumps and image motion
    centre_y_px: np.ndarray
    angle_deg: np.ndarray  # (n,) turn about the Sun's centre since the first frame, counter-clockwise
    radius_px: float  # of the H-alpha limb: steepest fall before blur; the horizontal one if flattened
    limb_mm: float  # the same from the Sun's centre
    mm_per_px: float
    arcsec_per_px: float
    flattening: np.ndarray  # (n,)
    zenith_deg: np.ndarray  # (n,)
    transparency: np.ndarray  # (n,) relative, 1 = clear
    seeing_arcsec: np.ndarray  # (n,) full width at half maximum
    spoiled: tuple[tuple[int, str], ...]  # (frame, 'cloud' | 'no Sun' | 'aircraft' | 'jump' | 'blur')
    knots: tuple[KnotTruth, ...]
    fronts: tuple[FrontTruth, ...]
    sways: tuple[SwayTruth, ...]

    @property
    def good(self) -> np.ndarray:
        """(n,) bool: frames that are not spoiled."""
        good = np.ones(len(self.time_s), dtype=bool)
        good[[frame for frame, _ in self.spoiled]] = False
        return good

    def to_frame(
        self, index: int, angle_deg: np.ndarray | float, height_mm: np.ndarray | float
    ) -> tuple[np.ndarray, np.ndarray]:
        """x, y [px] in frame `index` of points of any shape at image angle (first frame's orientation) and
        height above the limb."""
        rho = (self.limb_mm + np.asarray(height_mm, dtype=float)) / self.mm_per_px
        angle = np.deg2rad(np.asarray(angle_deg, dtype=float) + self.angle_deg[index])
        dx, dy = -rho * np.sin(angle), -rho * np.cos(angle)
        zenith = np.deg2rad(self.zenith_deg[index])
        zx, zy = -np.sin(zenith), -np.cos(zenith)
        lift = self.flattening[index] * (dx * zx + dy * zy)
        return self.centre_x_px[index] + dx - lift * zx, self.centre_y_px[index] + dy - lift * zy


def truth_of(
    spec: SceneSpec, pointing: camera.Pointing, air: camera.Air, light: tuple[float, ...]
) -> SceneTruth:
    """The truth of a scene; `light` holds the brightness of each knot before seeing."""
    spoiled = [(f, "no Sun") for f in spec.lost_frames] + [(f, "cloud") for f, _ in spec.cloud_frames]
    spoiled += [(f, "aircraft") for f in spec.aircraft_frames] + [(f, "blur") for f, _ in spec.blurred_frames]
    spoiled += [(jump.frame, "jump") for jump in spec.jumps if jump.smear]
    bare = SceneTruth(
        times_utc=spec.times_utc,
        time_s=spec.time_s,
        centre_x_px=pointing.centre_x_px,
        centre_y_px=pointing.centre_y_px,
        angle_deg=pointing.turn_deg,
        radius_px=spec.radius_px,
        limb_mm=spec.limb_mm,
        mm_per_px=spec.mm_per_px,
        arcsec_per_px=spec.px_arcsec,
        flattening=pointing.flattening,
        zenith_deg=pointing.zenith_deg,
        transparency=air.transparency,
        seeing_arcsec=air.seeing_arcsec,
        spoiled=tuple(sorted(spoiled)),
        knots=(),
        fronts=tuple(_front_truth(spec, e) for e in spec.eruptions),
        sways=tuple(
            SwayTruth(sway_displacement(s, spec.time_s), spec.facing_deg + s.at_deg)
            for s in spec.sways
            if s.amplitude_mm != 0.0
        ),
    )
    knots = tuple(_knot_truth(spec, bare, knot, one) for knot, one in zip(spec.knots, light, strict=True))
    return replace(bare, knots=knots)


def _front_truth(spec: SceneSpec, eruption: Eruption) -> FrontTruth:
    h = 0.5
    low, mid, high = (front_height(eruption, spec.time_s + d) for d in (-h, 0.0, h))
    return FrontTruth(
        spec.time_s,
        mid,
        spec.facing_deg + eruption.at_deg,
        (high - low) / (2 * h) * 1e3,
        (high - 2 * mid + low) / h**2 * 1e6,
        onset(eruption),
    )


def _knot_truth(spec: SceneSpec, truth: SceneTruth, knot: Knot | ArchKnot, light: float) -> KnotTruth:
    time_s, h = spec.time_s, 0.5
    (a0, h0), (a1, h1), (a2, h2) = (knot_place(knot, time_s + d, spec.limb_mm) for d in (-h, 0.0, h))
    rho = spec.limb_mm + np.stack((h0, h1, h2))
    # (x or y, moment, n) Mm in the plane of the sky
    place = np.stack((rho * np.sin([a0, a1, a2]), rho * np.cos([a0, a1, a2])))
    velocity = (place[:, 2] - place[:, 0]) / (2 * h)
    push = (place[:, 2] - 2 * place[:, 1] + place[:, 0]) / h**2
    speed = np.hypot(*velocity)
    accel = (push * velocity).sum(axis=0) / np.maximum(speed, 1e-12)
    part = fading(time_s, knot.from_s, knot.life_s, knot.fade_s)
    angle = np.rad2deg(a1) + spec.facing_deg
    x, y = np.array([truth.to_frame(i, angle[i], h1[i]) for i in range(len(time_s))]).T
    rows, columns = spec.shape
    visible = (part >= 0.5) & (h1 > 0) & (x >= 0) & (y >= 0) & (x <= columns - 1) & (y <= rows - 1)
    blurred = light / camera.spread_by_seeing(spec, knot.size_mm, truth.seeing_arcsec)
    snr = part * truth.transparency * (blurred * camera.exposure_gain(spec)) / camera.usual_noise(spec)
    return KnotTruth(
        time_s,
        h1,
        angle,
        (h2 - h0) / (2 * h) * 1e3,
        (a2 - a0) * rho[1] / (2 * h) * 1e3,
        speed * 1e3,
        accel * 1e6,
        visible,
        snr,
        knot.size_mm,
    )
