"""What is true of a scene, and what a run got right: the Sun's place, the motion of everything that was put
in, and the measurement beside it, row by row. A knot that was put in counts as found when a track follows it,
in median over its frames within `NEAR_MM`."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from promtrack.limb.records import LimbLock
from promtrack.motion.records import Front, KnotTrack, Motion
from promtrack.scene import camera, content
from promtrack.scene.spec import SceneSpec
from promtrack.sun import Orientation, Scale, wrapped_deg

NEAR_FRONT_MM = 8.0  # an edge is found 3 Mm inside the true one on a burnt-out disc, and wanders with the air
NEAR_MM = 3.0  # half the largest knot; tracks of neighbours stand further apart


@dataclass(frozen=True, slots=True, eq=False)
class KnotTruth:
    """One knot (arrays have one value a frame of the scene, also where it is not visible)."""

    time_s: np.ndarray  # after the first frame
    height_mm: np.ndarray  # above the H-alpha limb
    angle_deg: np.ndarray  # image angle in the orientation of the first frame, not wrapped
    radial_km_s: np.ndarray  # outward positive
    along_km_s: np.ndarray  # counter-clockwise positive, at the height of the knot
    speed_km_s: np.ndarray  # in the plane of the sky
    visible: np.ndarray  # bool: at least half faded in, in the frame, off the limb
    snr: np.ndarray  # peak over the noise of one pixel, with fading and usual seeing


@dataclass(frozen=True, slots=True, eq=False)
class FrontTruth:
    """The leading edge of one eruption at its apex (half level, and steepest fall, before blur)."""

    height_mm: np.ndarray
    angle_deg: float  # image angle of the apex
    speed_km_s: np.ndarray


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
    fronts = []
    for eruption in spec.eruptions:
        # half a second before, then, half a second later
        low, mid, high = (content.front_height(eruption, spec.time_s + d) for d in (-0.5, 0.0, 0.5))
        fronts.append(FrontTruth(mid, spec.facing_deg + eruption.at_deg, (high - low) * 1e3))
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
        fronts=tuple(fronts),
        sways=tuple(
            SwayTruth(content.sway_displacement(s, spec.time_s), spec.facing_deg + s.at_deg)
            for s in spec.sways
            if s.amplitude_mm != 0.0
        ),
    )
    knots = tuple(_knot_truth(spec, bare, knot, one) for knot, one in zip(spec.knots, light, strict=True))
    return replace(bare, knots=knots)


def _knot_truth(spec: SceneSpec, truth: SceneTruth, knot: content.AnyKnot, light: float) -> KnotTruth:
    time_s = spec.time_s
    moments = (time_s - 0.5, time_s, time_s + 0.5)
    (a0, h0), (a1, h1), (a2, h2) = (content.knot_place(knot, at, spec.limb_mm) for at in moments)
    low, high = spec.limb_mm + h0, spec.limb_mm + h2
    speed = np.hypot(high * np.sin(a2) - low * np.sin(a0), high * np.cos(a2) - low * np.cos(a0))
    part = content.fading(time_s, knot.from_s, knot.life_s, knot.fade_s)
    angle = np.rad2deg(a1) + spec.facing_deg
    x, y = np.array([truth.to_frame(i, angle[i], h1[i]) for i in range(len(time_s))]).T
    rows, columns = spec.shape
    visible = (part >= 0.5) & (h1 > 0) & (x >= 0) & (y >= 0) & (x <= columns - 1) & (y <= rows - 1)
    blurred = light / camera.spread_by_seeing(spec, knot.size_mm, truth.seeing_arcsec)
    snr = part * truth.transparency * (blurred * camera.exposure_gain(spec)) / camera.usual_noise(spec)
    radial, along = (h2 - h0) * 1e3, (a2 - a0) * (spec.limb_mm + h1) * 1e3
    return KnotTruth(time_s, h1, angle, radial, along, speed * 1e3, visible, snr)


@dataclass(frozen=True, slots=True)
class KnotVerdict:
    """One knot that was put in, and the track that follows it."""

    true_km_s: float  # at the track's mid-time; median while visible if it was not found
    visible_frames: int
    snr: float  # median while visible
    knot: int  # number of the track, 0 if it was not found
    found_km_s: float
    found_err_km_s: float  # chance and scale together: the truth knows no scale error


@dataclass(frozen=True, slots=True)
class FrontVerdict:
    """The front of one eruption that was put in, and the highest moving front that was found."""

    offset_mm: float  # mean error of the heights: limb of a burnt-out disc, choice of the edge's level
    scatter_mm: float  # rms error about it
    which: str  # of its speeds: 'largest', or 'mean' where no model describes it
    true_km_s: float  # in the frames where the front was seen
    found_km_s: float
    found_err_km_s: float  # chance and scale together


@dataclass(frozen=True, slots=True, eq=False)
class Judgement:
    """What a run got right."""

    centre_rms_px: float  # of the locked centres across the limb, about their mean offset
    scale_ratio: float  # measured / true
    scale_sigma: float  # its stated relative error
    knots: tuple[KnotVerdict, ...]
    in_eruptions: int  # moving tracks that rise within an erupting arch: threads of it, in true motion
    strays: int  # moving tracks that follow nothing that was put in
    false_fronts: int  # moving fronts in the place of no true front
    fronts: tuple[FrontVerdict, ...]
    again: tuple[KnotVerdict, ...] = ()  # further moving tracks of knots that have one already

    @property
    def median_speed_error(self) -> float:
        """Median relative error of the speeds of the knots that were found."""
        errors = [abs(k.found_km_s / k.true_km_s - 1.0) for k in self.knots if k.knot]
        return float(np.median(errors)) if errors else math.nan


def judge(
    truth: SceneTruth, lock: LimbLock, motion: Motion, scale: Scale, orientation: Orientation
) -> Judgement:
    """Compare a run with the truth of its scene. The strip's product angles are turned back into image angles
    of the reference frame, and those into the first frame's by the true turn of the reference frame."""

    def along_mm(
        track: KnotTrack | Front, angle_deg: np.ndarray | float, height_mm: np.ndarray
    ) -> np.ndarray:
        """Distance of a track's points along the limb from an image angle of the first frame."""
        image_deg = orientation.to_image(track.angle_deg) - truth.angle_deg[lock.reference]
        return np.deg2rad(wrapped_deg(image_deg - angle_deg)) * (truth.limb_mm + height_mm)

    def partner(track: KnotTrack) -> int | None:
        """Index of the true knot that the track follows."""
        apart = []
        for knot in truth.knots:
            height = knot.height_mm[track.frame]
            along = along_mm(track, knot.angle_deg[track.frame], height)
            apart.append(np.median(np.hypot(track.height_mm - height, along)))
        return int(np.argmin(apart)) if min(apart, default=NEAR_MM) < NEAR_MM else None

    def is_thread(track: KnotTrack, front: FrontTruth) -> bool:
        """Whether a track rises below a true front, no farther to its side than that stands high, and with
        its speed there, to a factor of 2: a part of the arch at a part of the front's height has that part of
        its speed."""
        top = front.height_mm[track.frame]
        beside = np.abs(along_mm(track, front.angle_deg, track.height_mm)) < top
        inside = beside & (track.height_mm < top + NEAR_MM)
        speed = np.median(track.height_mm / top) * np.median(front.speed_km_s[track.frame])
        return bool(np.mean(inside) > 0.5 and speed / 2.0 < track.fit.radial_km_s < speed * 2.0)

    def is_front(front: Front, true: FrontTruth) -> bool:
        """Whether a front lies at the height of a true one, and no farther to its side than that is high."""
        top = true.height_mm[front.frame]
        near = np.abs(front.height_mm - top) < NEAR_FRONT_MM
        return bool(np.mean(near & (np.abs(along_mm(front, true.angle_deg, top)) < top)) > 0.5)

    used = np.flatnonzero(lock.used)
    facing = np.deg2rad(0.5 * (lock.from_deg + lock.to_deg))
    off_x = lock.centre_x_px[used] - truth.centre_x_px[used]
    off_y = lock.centre_y_px[used] - truth.centre_y_px[used]
    moving = [(k, partner(k)) for k in motion.knots if k.moving]
    verdicts = [
        _knot_verdicts(knot, [track for track, followed in moving if followed == number])
        for number, knot in enumerate(truth.knots)
    ]
    alone = [track for track, followed in moving if followed is None]
    threads = sum(any(is_thread(track, front) for front in truth.fronts) for track in alone)
    fronts = [front for front in motion.fronts if front.moving]
    return Judgement(
        centre_rms_px=float(np.std(off_x * np.sin(facing) + off_y * np.cos(facing))),
        scale_ratio=scale.km_per_px / (truth.mm_per_px * 1e3),
        scale_sigma=scale.sigma_km_per_px / scale.km_per_px,
        knots=tuple(one[0] for one in verdicts),
        again=tuple(more for one in verdicts for more in one[1:]),
        in_eruptions=threads,
        strays=len(alone) - threads,
        false_fronts=sum(not any(is_front(front, true) for true in truth.fronts) for front in fronts),
        fronts=tuple(_front_verdict(true, motion) for true in truth.fronts if fronts),
    )


def _knot_verdicts(knot: KnotTruth, tracks: list[KnotTrack]) -> list[KnotVerdict]:
    """One verdict for each track of a knot, the longest first; one that says so if there is none."""
    seen = np.flatnonzero(knot.visible)
    snr = float(np.median(knot.snr[seen])) if len(seen) else 0.0
    if not tracks:
        true = float(np.median(knot.speed_km_s[seen])) if len(seen) else math.nan
        return [KnotVerdict(true, len(seen), snr, 0, math.nan, math.nan)]
    verdicts = []
    for track in sorted(tracks, key=lambda t: -len(t.frame)):
        # The fit gives the speed at mid-time; the strips' clock starts at the first frame used.
        later_s = float(knot.time_s[track.frame[0]] - track.time_s[0])
        true = float(np.interp(track.fit.time_s + later_s, knot.time_s, knot.speed_km_s))
        error = math.hypot(track.fit.speed_err_km_s, track.fit.systematic_km_s)
        verdicts.append(KnotVerdict(true, len(seen), snr, track.knot, track.fit.speed_km_s, error))
    return verdicts


def _front_verdict(true: FrontTruth, motion: Motion) -> FrontVerdict:
    front = max((f for f in motion.fronts if f.moving), key=lambda f: float(np.max(f.height_mm)))
    off = front.height_mm - true.height_mm[front.frame]
    speed, random = front.quoted_km_s
    which, true_km_s = true_front(front, true.speed_km_s[front.frame], true.height_mm[front.frame])
    error = math.hypot(random, speed * math.hypot(motion.scale_err, motion.clock_err))
    return FrontVerdict(float(off.mean()), float(off.std()), which, true_km_s, speed, error)


def true_front(front: Front, speed_km_s: np.ndarray, height_mm: np.ndarray) -> tuple[str, float]:
    """Which speed is quoted of a front, and its truth, from the true speeds and heights in its frames."""
    if front.best is not None:
        return "largest", float(np.max(speed_km_s))
    return "mean", float(1e3 * abs(height_mm[-1] - height_mm[0]) / (front.time_s[-1] - front.time_s[0]))
