"""What is true of a scene: the Sun's place, and the motion of everything that was put in."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

__all__ = ["FrontTruth", "KnotTruth", "SceneTruth", "SwayTruth"]


@dataclass(frozen=True, slots=True, eq=False)
class KnotTruth:
    """One knot (arrays have one value a frame of the scene, also where it is not visible)."""

    time_s: np.ndarray            # after the first frame
    height_mm: np.ndarray         # above the H-alpha limb
    angle_deg: np.ndarray         # image angle in the orientation of the first frame, not wrapped
    radial_km_s: np.ndarray       # outward positive
    along_km_s: np.ndarray        # counter-clockwise positive, at the height of the knot
    speed_km_s: np.ndarray        # in the plane of the sky
    accel_m_s2: np.ndarray        # along the direction of motion
    visible: np.ndarray           # bool: at least half faded in, in the frame, off the limb
    snr: np.ndarray               # peak over the noise of one pixel, with fading and usual seeing
    size_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class FrontTruth:
    """The leading edge of one eruption at its apex (half level, and steepest fall, before blur)."""

    time_s: np.ndarray
    height_mm: np.ndarray
    angle_deg: float              # image angle of the apex
    speed_km_s: np.ndarray
    accel_m_s2: np.ndarray
    onset_s: float                # when the exponential part of the speed equals the linear part; nan without one


@dataclass(frozen=True, slots=True, eq=False)
class SwayTruth:
    """A thread's transverse oscillation."""

    time_s: np.ndarray
    displacement_mm: np.ndarray   # along the limb, counter-clockwise positive
    angle_deg: float              # image angle of its place of rest
    low_mm: float
    high_mm: float
    period_s: float
    amplitude_mm: float
    damping_s: float


@dataclass(frozen=True, slots=True, eq=False)
class SceneTruth:
    """Truth of a scene; the zero-mean local distortion of the air comes on top of the places given here."""

    times_utc: np.ndarray         # (n,) datetime64[us]
    time_s: np.ndarray            # (n,) after the first frame
    centre_x_px: np.ndarray       # (n,) with drift, rotation, jumps and image motion
    centre_y_px: np.ndarray
    angle_deg: np.ndarray         # (n,) turn about the Sun's centre since the first frame, counter-clockwise
    radius_px: float              # of the H-alpha limb: steepest fall before blur; the horizontal one if flattened
    limb_mm: float                # the same from the Sun's centre
    mm_per_px: float
    arcsec_per_px: float
    flattening: np.ndarray        # (n,)
    zenith_deg: np.ndarray        # (n,)
    transparency: np.ndarray      # (n,) relative, 1 = clear
    seeing_arcsec: np.ndarray     # (n,) full width at half maximum
    spoiled: tuple[tuple[int, str], ...]   # (frame, 'cloud' | 'no Sun' | 'aircraft' | 'jump' | 'blur')
    knots: tuple[KnotTruth, ...]
    fronts: tuple[FrontTruth, ...]
    sways: tuple[SwayTruth, ...]

    @property
    def good(self) -> np.ndarray:
        """(n,) bool: frames that are not spoiled."""
        good = np.ones(len(self.time_s), dtype=bool)
        good[[frame for frame, _ in self.spoiled]] = False
        return good

    def to_frame(self, index: int, angle_deg: np.ndarray | float, height_mm: np.ndarray | float) -> tuple[np.ndarray, np.ndarray]:
        """x, y in frame `index` of a point at image angle (first frame's orientation) and height above the limb."""
        rho = (self.limb_mm + np.asarray(height_mm, dtype=float)) / self.mm_per_px
        angle = np.deg2rad(np.asarray(angle_deg, dtype=float) + self.angle_deg[index])
        dx, dy = -rho * np.sin(angle), -rho * np.cos(angle)
        zenith = np.deg2rad(self.zenith_deg[index])
        zx, zy = -np.sin(zenith), -np.cos(zenith)
        lift = self.flattening[index] * (dx * zx + dy * zy)
        return self.centre_x_px[index] + dx - lift * zx, self.centre_y_px[index] + dy - lift * zy
