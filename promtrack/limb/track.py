"""One frame after the other: where the Sun stands, and everything the whole-sequence solution needs of it.

A frame is first placed to about a pixel on its reduced picture, starting from the frame before, so that drift
and jumps are followed; only when that fails is the limb looked for anew. Then the limb zone is unwrapped at full
resolution, the edge measured on every ray, and the zone laid on the running template.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from promtrack.limb.along import BlockShifts, LimbTemplate
from promtrack.limb.circle import Circle
from promtrack.limb.edge import MOST_RAYS, Edge, Grid, Zone, bias_of, edge_of, make_grid, unwrap
from promtrack.limb.find import LimbNotFound, SmallFrame, find_in_small
from promtrack.limb.geometry import Place, frame_points, visible_angles
from promtrack.limb.rays import RayFit, coarse_place, fit_rays, shifted_place, stated_start

SEARCH_PX = 9.0       # how far the edge is looked for around the place
BLUR_PX = 0.8         # Gaussian whose derivative finds the edge, and
WIDE_PX = 1.6         # a second one, which tells what blur does to it
ALONG_PX = 2.0        # smoothing from ray to ray
BLOCK_PX = 48.0       # length of the blocks that vote on the shift along the limb
BIN_PX = 16.0         # edge offsets leave a frame as means over this much limb
EDGE_INSIDE_PX = 20.0  # extent of the zone in which the edge is measured
EDGE_OUTSIDE_PX = 24.0
FINE_RADIUS_PX = 1200.0  # up to this radius the wide zone is sampled at every pixel
ROUGH_PX = 2.5        # scatter of the edge above which structure, not noise, spoils it
CEILING = 0.97        # part of full scale above which the camera is taken as burnt out
MOST_ALONG_PX = 80.0  # largest error of the circle along the limb that the template repairs


@dataclass(frozen=True, slots=True, eq=False)
class FrameMeasure:
    """What one frame contributes."""

    place: Place                # on which the zone was laid; radius is the provisional one
    bin: np.ndarray             # (b,) numbers of the bins of limb, as `edge_px`
    edge_px: np.ndarray         # (b,) mean edge offset outward from `place`
    shifts: BlockShifts         # against the template
    arc_deg: float
    rms_px: float
    kept_part: float            # of the visible rays
    fall: float                 # median steepness of the limb, counts per px
    width_px: float             # median Gaussian width of the limb
    fringe: float               # brightness just outside the limb, in parts of the disc just inside
    disc: float                 # counts above the sky just inside the limb
    sky: float                  # counts far off the limb
    dark_part: float            # of the frame, far darker than usual at that distance from the limb
    saturated_fraction: float
    burnt_limb: bool            # disc burnt out at the limb
    gain: float                 # off-limb brightness against the template
    points_px: np.ndarray       # (k, 2) edge points kept and
    rejected_px: np.ndarray     # (j, 2) rejected; empty unless asked for


@dataclass(frozen=True, slots=True, eq=False)
class Match:
    """The wide zone of a frame and its shifts against the template."""

    field: Zone
    shifts: BlockShifts


class Tracker:
    """Follows the Sun from frame to frame; keeps the last place and the template."""

    def __init__(self, radius_px: float, full_scale: float, visible_px: float, flattening: np.ndarray, zenith_deg: np.ndarray,
                 stated: Place | None = None):
        self.full_scale = full_scale
        self.radius_px = radius_px
        self.last: Place | None = None
        self.stated = stated
        self.turn_step_deg = 0.0           # usual change of turn from frame to frame
        self.misfits: list[float] = []     # of the frames so far against the template
        self.past: list[np.ndarray] = []   # rms and width of the limb in the frames so far
        self.flattening, self.zenith_deg = flattening, zenith_deg
        inside = min(EDGE_INSIDE_PX, 0.5 * radius_px)
        self.grid = make_grid(radius_px, inside, EDGE_OUTSIDE_PX, ray_px=max(1.0, visible_px / MOST_RAYS))
        self.bin_rays = max(2, round(BIN_PX / self.grid.step_px))
        # a larger picture of the Sun is no sharper in arcseconds: the zone looked at for the shift along grows with it
        pitch = float(np.clip(radius_px / FINE_RADIUS_PX, 1.0, 2.5))
        field = make_grid(radius_px, min(40 * pitch, 0.6 * radius_px), 70 * pitch, ray_px=pitch, pitch_px=pitch)
        self.block_px = BLOCK_PX * pitch
        self.template = LimbTemplate(field, self.block_px)

    def measure(self, index: int, frame: np.ndarray, *, keep_points: bool = False) -> FrameMeasure:
        """Place one frame; raises LimbNotFound."""
        if frame.dtype not in (np.uint8, np.uint16, np.float32):
            frame = frame.astype(np.float32)
        small = SmallFrame(frame, self.full_scale)
        place = self._start(index, small)
        for _ in range(2):
            fit = self._fitted(frame, place, SEARCH_PX + small.factor)
            place = shifted_place(place, *fit.shift_px)
            if np.hypot(*fit.shift_px) < 2.0:   # the last fit, in `_finish`, takes the rest
                break
        place, match = self._along(frame, place)
        measure = self._finish(frame, small, place, match, keep_points)
        if self.last is not None:
            self.turn_step_deg += 0.15 * (place.turn_deg - self.last.turn_deg - self.turn_step_deg)
        self.last = place
        return measure

    def _fitted(self, frame: np.ndarray, place: Place, search_px: float) -> RayFit:
        zone = unwrap(frame, place, self.grid)
        if len(zone.ray) < 24:
            raise LimbNotFound("no limb: the Sun has left the frame")
        phi = np.radians(self.grid.theta_deg[zone.ray] + place.turn_deg)
        edge = edge_of(zone, self.grid, search_px=search_px, blur_px=BLUR_PX, along_px=ALONG_PX)
        if edge.good.sum() < 24:
            raise LimbNotFound("no limb: its edge cannot be made out")
        return fit_rays(phi, edge)

    def _along(self, frame: np.ndarray, place: Place) -> tuple[Place, Match]:
        """The place turned so that the zone lies on the template, and the zone's shifts there.

        The blocks vote; where they are too far off to measure, a correlation finds the way first.
        """
        template = self.template
        field = unwrap(frame, place, template.grid, interpolation=cv2.INTER_LINEAR)
        if not template.frames:
            template.add(field, 1.0, np.zeros(len(field.ray)), np.zeros(len(field.ray)))
            return place, Match(field, template.unshifted(field, 0.05))
        shifts = template.block_shifts(field, CEILING * self.full_scale)
        sure = template.frames > 4 and _agree(shifts) and self._fits(shifts)
        step = _vote(shifts) if sure else template.coarse_shift(field, MOST_ALONG_PX)
        for _ in range(3):
            if abs(step) < 0.3:
                break
            place = replace(place, turn_deg=place.turn_deg + np.degrees(step / self.radius_px))
            field = unwrap(frame, place, template.grid, interpolation=cv2.INTER_LINEAR)
            shifts = template.block_shifts(field, CEILING * self.full_scale)
            step = _vote(shifts)
        self.misfits.append(_median_misfit(shifts))
        return place, Match(field, shifts)

    def _start(self, index: int, small: SmallFrame) -> Place:
        turn = self.last.turn_deg + self.turn_step_deg if self.last else 0.0
        sky = {"flattening": float(self.flattening[index]), "zenith_deg": float(self.zenith_deg[index])}
        if self.stated is not None:
            place = stated_start(small, replace(self.stated, turn_deg=turn, **sky))
            if place is not None:
                return place
        if self.last is not None:
            place = coarse_place(small, replace(self.last, turn_deg=turn, **sky))
            if place is not None:
                return place
        circle = find_in_small(small, self.full_scale, radius_px=self.radius_px)
        place = Place(circle.x_px, circle.y_px, self.radius_px, turn, **sky)
        # the radius found goes with the centre found; the held radius needs the centre that fits it
        middle = self._toward(circle, small)
        shift = circle.radius_px - self.radius_px
        return replace(place, x_px=place.x_px + shift * middle[0], y_px=place.y_px + shift * middle[1])

    def _toward(self, circle: Circle, small: SmallFrame) -> np.ndarray:
        """Direction from the centre to the middle of the visible limb; zero for a limb all round."""
        theta = np.arange(0.0, 360.0, 0.5)
        shape = int(small.image.shape[0] * small.factor), int(small.image.shape[1] * small.factor)
        seen = visible_angles(Place(circle.x_px, circle.y_px, circle.radius_px), shape, theta)
        angle = np.radians(theta[seen])
        mean = np.array([-np.sin(angle).mean(), -np.cos(angle).mean()]) if seen.any() else np.zeros(2)
        size = np.hypot(*mean)
        return mean / size if size > 0.3 else np.zeros(2)

    def _fits(self, shifts: BlockShifts) -> bool:
        """Whether the zone is as like the template as it usually is once it lies right."""
        past = [m for m in self.misfits[-21:] if np.isfinite(m)]
        return len(past) >= 5 and _median_misfit(shifts) < 1.25 * float(np.median(past))

    def _finish(self, frame: np.ndarray, small: SmallFrame, place: Place, match: Match, keep_points: bool) -> FrameMeasure:
        grid, ceiling = self.grid, CEILING * self.full_scale
        zone = unwrap(frame, place, grid)
        phi = np.radians(grid.theta_deg[zone.ray] + place.turn_deg)
        edge = edge_of(zone, grid, search_px=SEARCH_PX, blur_px=BLUR_PX, along_px=ALONG_PX)
        if edge.good.sum() < 24:
            raise LimbNotFound("no limb: its edge cannot be made out")
        fit = fit_rays(phi, edge)
        wide = edge_of(zone, grid, search_px=SEARCH_PX, blur_px=WIDE_PX, along_px=ALONG_PX)
        bias = bias_of(edge, wide, BLUR_PX, WIDE_PX, fit.kept)
        shifts = match.shifts
        gain = self._learn(match, self._usual(fit, edge))
        bins, means = self._binned(zone, edge.offset_px - bias, fit)
        disc = float(np.median(zone.value[:, (grid.offset_px > -16) & (grid.offset_px < -6)]))
        sky, dark, saturated = _surroundings(small, place, self.full_scale, frame)
        x, y = frame_points(place, grid.theta_deg[zone.ray], place.radius_px + edge.offset_px)
        points = np.column_stack([x, y]) if keep_points else np.zeros((len(zone.ray), 0))
        return FrameMeasure(
            place, bins, means, shifts, len(zone.ray) * grid.step_deg, fit.rms_px, float(fit.kept.mean()),
            float(np.median(edge.fall[fit.kept])), float(np.median(edge.width_px[fit.kept])), _fringe(zone, grid),
            disc - sky, sky, dark, saturated, disc > ceiling, gain, points[fit.kept], points[~fit.kept])

    def _usual(self, fit: RayFit, edge: Edge) -> bool:
        """Whether the limb is about as sharp and as round as it has been: only then may the frame teach the template."""
        if fit.kept.mean() < 0.5:
            return False
        now = np.array([fit.rms_px, float(np.median(edge.width_px[fit.kept]))])
        usual = np.median(self.past[-31:], axis=0) if len(self.past) >= 5 else now
        self.past.append(now)
        return bool((now < np.array([2.5, 1.5]) * usual).all())

    def _learn(self, match: Match, usual: bool) -> float:
        """Gain against the template, which takes the zone in if the frame is fit to teach."""
        shifts, count = match.shifts, len(match.field.ray)
        gain = self.template.brightness(match.field, CEILING * self.full_scale)
        if usual and 0.4 < gain < 2.5 and len(self.past) > 1:   # the first frame is the template already
            # all round the Sun a common shift outward would be a change of radius, not of place
            out = _vote(shifts, across=True) if count * self.template.grid.step_deg < 120 else 0.0
            self.template.add(match.field, gain, np.full(count, _vote(shifts)), np.full(count, out))
        return max(gain, 0.02)

    def _binned(self, zone: Zone, offset_px: np.ndarray, fit: RayFit) -> tuple[np.ndarray, np.ndarray]:
        number = zone.ray[fit.kept] // self.bin_rays
        if not len(number):
            return np.zeros(0, np.int32), np.zeros(0)
        first = int(number[0])
        counts = np.bincount(number - first)
        sums = np.bincount(number - first, weights=offset_px[fit.kept])
        full = counts >= max(2, self.bin_rays // 3)
        return (np.nonzero(full)[0] + first).astype(np.int32), sums[full] / counts[full]


def _fringe(zone: Zone, grid: Grid) -> float:
    """Median brightness of the spicules 2 to 5 px outside the limb, in parts of the disc just inside."""
    def level(low: float, high: float) -> float:
        return float(np.median(zone.value[::2, (grid.offset_px >= low) & (grid.offset_px <= high)]))
    halo = level(14.0, 20.0)
    return (level(2.0, 5.0) - halo) / max(level(-8.0, -5.0) - halo, 1e-9)


def _vote(shifts: BlockShifts, *, across: bool = False) -> float:
    """Median shift of the blocks; well-measured blocks count more, but no block much more than another."""
    value, error = (shifts.across_px, shifts.across_err_px) if across else (shifts.along_px, shifts.along_err_px)
    usable = np.isfinite(value) & (np.abs(value) < 4) & (error < 3)
    if usable.sum() < 3:
        return 0.0
    return _weighted_median(value[usable], 1 / (error[usable] ** 2 + 0.3**2))


def _agree(shifts: BlockShifts) -> bool:
    """Whether most blocks see the same small shift, within reach of their linear measure."""
    usable = np.isfinite(shifts.along_px) & (shifts.along_err_px < 1)
    if usable.sum() < max(3, len(shifts.along_px) // 3):
        return False
    shift = _vote(shifts)
    # farther off the linear measure is no measure: blocks then agree on a small shift that is not the true one
    near = np.abs(shifts.along_px[usable] - shift) < 0.7
    return bool(abs(shift) < 0.8 and near.mean() > 0.6)


def _median_misfit(shifts: BlockShifts) -> float:
    return float(np.nanmedian(shifts.misfit)) if np.isfinite(shifts.misfit).any() else float("nan")


def _weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])


def _surroundings(small: SmallFrame, place: Place, full_scale: float, frame: np.ndarray) -> tuple[float, float, float]:
    """Counts far off the limb (their lower quartile), the part of the frame that is dark where it should not be, and the
    burnt-out part.

    Dark means less than 40 % of what is usual at that distance from the Sun: neither prominences nor filaments do that,
    but an aircraft or a bird does.
    """
    circle = small.to_small(Circle(place.x_px, place.y_px, place.radius_px))
    image = small.image[::2, ::2]
    y, x = np.ogrid[0:small.image.shape[0]:2, 0:small.image.shape[1]:2]
    distance = np.hypot(x - circle.x_px, y - circle.y_px) - circle.radius_px
    farthest = float(distance.max())
    off = image[distance > 0.6 * farthest] if farthest > 3 else image[distance > 0]
    sky = float(np.percentile(off, 25)) if off.size else float("nan")
    ring = ((distance - distance.min()) / 4.0).astype(np.int32).ravel()
    light = image.ravel()
    usual = _ring_quantile(ring, light, 0.35)   # low enough that an eruption across half a ring does not raise it
    away = np.abs(distance).ravel() > 6
    dark = away & (light < 0.4 * usual[ring]) & (usual[ring] > 4.0)
    return sky, float(dark.mean()), float((frame[::5, ::5] >= 0.99 * full_scale).mean())


def _ring_quantile(ring: np.ndarray, light: np.ndarray, part: float) -> np.ndarray:
    """(rings,) the value below which `part` of each ring's pixels lie."""
    order = np.lexsort((light, ring))
    count = np.bincount(ring)
    first = np.cumsum(count) - count
    at = np.minimum(first + (part * count).astype(int), len(order) - 1)
    return light[order][at]
