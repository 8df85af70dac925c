"""One frame after the other on the running template: the turn, and everything the whole-sequence solution
needs.

The limb zone around the place that the edge gave is unwrapped at full resolution and laid on the template:
blocks of it tell how far the frame stands along the limb.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from promtrack.limb.along import LEAST_SCATTER, BlockShifts, LimbTemplate
from promtrack.limb.digits import smallest_step
from promtrack.limb.edge import Zone, make_grid, unwrap
from promtrack.limb.geometry import Place
from promtrack.limb.look import CEILING, LimbSigns, Look
from promtrack.limb.rays import shifted_place

BLOCK_PX = 48.0  # length of the blocks that vote on the shift along the limb
BIN_PX = 16.0  # edge offsets leave a frame as means over this much limb
FINE_RADIUS_PX = 1200.0  # up to this radius the wide zone is sampled at every pixel
EARLY_FRAMES = 10  # frames after which the template has settled
LINEAR = 0.25  # samples over which the blocks' linear measure holds: to 2 % where a feature is as narrow as a sample
MOST_ROUND_DEG = 120.0  # of limb on which a shift outward is a shift of the Sun
MOST_ALONG_PX = 80.0  # largest error of the circle along the limb that the template repairs


@dataclass(frozen=True, slots=True, eq=False)
class FrameMeasure:
    """What one frame contributes."""

    place: Place  # on which the zone was laid; radius is the provisional one
    bin: np.ndarray  # (b,) numbers of the bins of limb, as `edge_px`
    edge_px: np.ndarray  # (b,) mean edge offset outward from `place`
    shifts: BlockShifts  # against the template
    gain: float  # off-limb brightness against the template
    signs: LimbSigns


@dataclass(frozen=True, slots=True, eq=False)
class Match:
    """The wide zone of a frame and its shifts against the template."""

    field: Zone
    shifts: BlockShifts


class Tracker:
    """Lays frame after frame on the template and keeps the last turn; an accumulator changed in place."""

    def __init__(self, radius_px: float, full_scale: float, ray_px: float):
        self.ceiling = CEILING * full_scale
        self.radius_px = radius_px
        self.turn_deg = 0.0  # of the last frame, and
        self.turn_step_deg = 0.0  # the usual change from frame to frame
        self.misfits: list[float] = []  # of the frames so far against the template
        self.past: list[np.ndarray] = []  # rms and width of the limb in the frames so far
        self.early: list[Zone] = []  # the first frames' zones, until the template has settled
        count = max(8, round(2 * np.pi * radius_px / BIN_PX))
        self.bin_deg = 360.0 / count
        self.least_rays = max(2.0, BIN_PX / ray_px / 3)
        # a larger picture of the Sun is no sharper in arcseconds: the zone looked at for the shift along
        # grows with it
        pitch = float(np.clip(radius_px / FINE_RADIUS_PX, 1.0, 2.5))
        field = make_grid(
            radius_px, min(40 * pitch, 0.6 * radius_px), 70 * pitch, ray_px=pitch, pitch_px=pitch
        )
        self.block_px = BLOCK_PX * pitch
        self.template = LimbTemplate(field, self.block_px)

    def measure(self, frame: np.ndarray, look: Look) -> FrameMeasure:
        """Lay the next frame on the template, around the place that its own look gave."""
        first = not self.template.frames
        if first:
            # a sky that is the same count in all frames so far is no surer than its digits: in 8 bits the
            # next count would be beyond belief
            self.template.least_scatter = max(smallest_step(frame) ** 2 / 12, LEAST_SCATTER)
        place, match = self._along(frame, replace(look.place, turn_deg=self.turn_deg + self.turn_step_deg))
        gain = self._learn(match, self._usual(look.signs))
        if len(self.misfits) < EARLY_FRAMES:
            self.early.append(match.field)
        if not first:
            self.turn_step_deg += 0.15 * (place.turn_deg - self.turn_deg - self.turn_step_deg)
        self.turn_deg = place.turn_deg
        phi = np.radians(look.theta_deg)
        moved = (place.x_px - look.place.x_px) * np.sin(phi) + (place.y_px - look.place.y_px) * np.cos(phi)
        bins, means = self._binned(look.theta_deg - place.turn_deg, look.edge_px + moved)
        return FrameMeasure(place, bins, means, match.shifts, gain, look.signs)

    def _along(self, frame: np.ndarray, place: Place) -> tuple[Place, Match]:
        """The place turned so that the zone lies on the template, and the zone's shifts there.

        The blocks vote; where they are too far off to measure, a correlation finds the way first.
        """
        template = self.template
        field = unwrap(frame, place, template.grid, interpolation=cv2.INTER_LINEAR)
        if not template.frames:
            template.add(field, 1.0, np.zeros(len(field.ray)), np.zeros(len(field.ray)))
            return place, Match(field, template.unshifted(field, 0.05))
        shifts = template.block_shifts(field, self.ceiling)
        sure = template.frames > 4 and _agree(shifts, template.grid.step_px) and self._fits(shifts)
        along = _vote(shifts) if sure else template.coarse_shift(field, MOST_ALONG_PX)
        for _ in range(3):
            across = self._across(field, shifts)
            if max(abs(along), abs(across)) < LINEAR * template.grid.step_px:
                break
            place = replace(place, turn_deg=place.turn_deg + np.degrees(along / self.radius_px))
            place = shifted_place(place, *(across * self._middle(field, place)))
            field = unwrap(frame, place, template.grid, interpolation=cv2.INTER_LINEAR)
            shifts = template.block_shifts(field, self.ceiling)
            along = _vote(shifts)
        self.misfits.append(_median_misfit(shifts))
        return place, Match(field, shifts)

    def second_look(self) -> list[BlockShifts]:
        """Shifts of the first frames against a template that has settled; forgets their zones.

        The very first frames were laid on each other: what stands still in the camera (hot pixels, dust) held
        them, as nothing had yet shown that it does not move with the Sun.
        """
        shifts = [self.template.block_shifts(zone, self.ceiling) for zone in self.early]
        self.early = []
        return shifts

    def _across(self, field: Zone, shifts: BlockShifts) -> float:
        """Shift outward at the middle of the limb; all round the Sun it would be a change of radius, not of
        place."""
        return (
            _vote(shifts, across=True)
            if len(field.ray) * self.template.grid.step_deg < MOST_ROUND_DEG
            else 0.0
        )

    def _middle(self, field: Zone, place: Place) -> np.ndarray:
        """Outward direction in the frame at the middle of the limb seen."""
        phi = np.radians(self.template.grid.theta_deg[field.ray[len(field.ray) // 2]] + place.turn_deg)
        return np.array([-np.sin(phi), -np.cos(phi)])

    def _fits(self, shifts: BlockShifts) -> bool:
        """Whether the zone is as like the template as it usually is once it lies right."""
        past = [m for m in self.misfits[-21:] if np.isfinite(m)]
        return len(past) >= 5 and _median_misfit(shifts) < 1.25 * float(np.median(past))

    def _usual(self, signs: LimbSigns) -> bool:
        """Whether the limb is about as sharp and as round as it has been: only then may the frame teach the
        template."""
        if signs.kept_part < 0.5:
            return False
        now = np.array([signs.rms_px, signs.width_px])
        usual = np.median(self.past[-31:], axis=0) if len(self.past) >= 5 else now
        self.past.append(now)
        return bool((now < np.array([2.5, 1.5]) * usual).all())

    def _learn(self, match: Match, usual: bool) -> float:
        """Gain against the template, which takes the zone in if the frame is fit to teach."""
        shifts, count = match.shifts, len(match.field.ray)
        gain = self.template.brightness(match.field, self.ceiling)
        if usual and 0.4 < gain < 2.5 and len(self.past) > 1:  # the first frame is the template already
            self.template.add(
                match.field,
                gain,
                np.full(count, _vote(shifts)),
                np.full(count, self._across(match.field, shifts)),
            )
        return max(gain, 0.02)

    def _binned(self, theta_deg: np.ndarray, offset_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Numbers of the bins of limb, in the reference frame's angles, and the mean offset in each."""
        if not len(theta_deg):
            return np.zeros(0, np.int32), np.zeros(0)
        number, count = np.unique(np.mod(theta_deg, 360.0) // self.bin_deg, return_counts=True)
        which = np.searchsorted(number, np.mod(theta_deg, 360.0) // self.bin_deg)
        full = count >= self.least_rays
        return number[full].astype(np.int32), np.bincount(which, weights=offset_px)[full] / count[full]


def _vote(shifts: BlockShifts, *, across: bool = False) -> float:
    """Median shift of the blocks; well-measured blocks count more, but no block much more than another."""
    value, error = (
        (shifts.across_px, shifts.across_err_px) if across else (shifts.along_px, shifts.along_err_px)
    )
    usable = np.isfinite(value) & (np.abs(value) < 4) & (error < 3)
    if usable.sum() < 3:
        return 0.0
    return _weighted_median(value[usable], 1 / (error[usable] ** 2 + 0.3**2))


def _agree(shifts: BlockShifts, ray_px: float) -> bool:
    """Whether most blocks see the same small shift, within reach of their linear measure."""
    usable = np.isfinite(shifts.along_px) & (shifts.along_err_px < 1)
    if usable.sum() < max(3, len(shifts.along_px) // 3):
        return False
    shift = _vote(shifts)
    # farther off the linear measure is no measure: blocks then agree on a small shift that is not the true
    # one
    near = np.abs(shifts.along_px[usable] - shift) < 0.7 * ray_px
    return bool(abs(shift) < 0.8 * ray_px and near.mean() > 0.6)


def _median_misfit(shifts: BlockShifts) -> float:
    return float(np.nanmedian(shifts.misfit)) if np.isfinite(shifts.misfit).any() else float("nan")


def _weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])
