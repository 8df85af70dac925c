"""One frame's limb zone against a template of it, and what the frame contributes to the solution.

A circle fixes the limb across itself; the position along it comes from what stands on and over the limb:
prominences, spicules and disc texture. Whole zones are compared by cross-correlation, blocks of them by least
squares.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import cv2
import numpy as np

from promtrack.limb.edge import FAR_SIGMA, MAD, Grid, Zone, unwrap, weighted_median
from promtrack.limb.frame_limb import Finder, LimbSigns, Look
from promtrack.limb.records import Place, shifted_place

BLOCK = 48  # rays; each block of limb has a shift of its own
EDGE_ROWS_PX = 5.5  # the edge itself is left to the circle
# within which frames share their spicules, and of a template's span at most
MEMORY_S, MEMORY_PART = (150.0, 0.15)
LINEAR_PX = 4.0  # a block's slopes say nothing of larger shifts: half of the finest texture's length
MOST_ALONG_PX = 80.0  # largest error of the circle along the limb that a template repairs
LEAST_BLOCKS = 5  # that tell anything of the others


@dataclass(frozen=True, slots=True, eq=False)
class BlockShifts:
    """Shift of every block of a zone against the template."""

    theta_deg: np.ndarray  # (b,) middle of the block, image angle of the reference frame
    along_px: np.ndarray  # (b,) at the limb, towards larger angle
    along_err_px: np.ndarray  # from the residual of the block's own fit
    across_px: np.ndarray  # outward
    across_err_px: np.ndarray
    gain: np.ndarray  # brightness against the template
    misfit: np.ndarray  # rms residual over that of the template's own frames there


NOTHING = BlockShifts(*([np.zeros(0)] * 7))


@dataclass(frozen=True, slots=True, eq=False)
class FrameMeasure:
    """What one frame contributes."""

    place: Place  # on which its offsets and shifts are counted; the radius is the provisional one
    bin: np.ndarray  # (b,) numbers of bins of limb in the reference frame's angles, as `edge_px`
    edge_px: np.ndarray  # (b,) mean edge offset outward from `place`
    bin_deg: float
    shifts: BlockShifts  # of the blocks of the limb zone against the template
    gain: float  # light of the zone against the template's
    signs: LimbSigns
    joint_px: tuple[float, float] | None = None  # `joint_px` of a frame measured against two templates


@dataclass(frozen=True, slots=True, eq=False)
class Pairs:
    """Pairs of frames of one stretch of time, laid on each other."""

    steps: np.ndarray  # (p,) from the earlier to the later: 1, 2, 4, ... of the frames picked
    apart_s: np.ndarray  # (p,)
    along_px: np.ndarray  # (p,) shift of the later on the earlier along the limb


@dataclass(frozen=True, eq=False)
class Template:
    """Mean limb zone of one stretch of time."""

    grid: Grid
    # (b,) numbers of its blocks of rays in order round the Sun, the first not seen if they are not all; a row
    # for each ray, and empty ones where the last block of the grid is no whole one
    block: np.ndarray
    mean: np.ndarray  # (k, m) counts
    weight: np.ndarray  # (k, m) 1 / (scatter of the frames about the mean squared + floor); 0 where not seen
    count: np.ndarray  # (k, m) frames in the mean
    ceiling: float  # counts above which the camera is burnt out
    time_s: np.ndarray  # (f,) of its frames, and
    turn_deg: np.ndarray  # (f,) the turns on which they lie on each other
    part: tuple[Zone, ...]  # what each of its frames has given
    pairs: Pairs  # of its frames: a check of the turn
    along_px: float = 0.0  # where it lies along the limb, from the places that circles gave its frames

    def near(self, time_s: float) -> tuple[int, ...]:
        """Which of its frames share their spicules with a frame of that time, or are that frame."""
        within_s = min(MEMORY_S, MEMORY_PART * float(np.ptp(self.time_s)))
        return tuple(i for i in range(len(self.part)) if abs(self.time_s[i] - time_s) <= within_s)

    def without(self, near: tuple[int, ...]) -> Template:
        """The template less what these of its frames gave."""
        if not near:
            return self
        count, total = self.count.copy(), self.mean * self.count
        for zone in (self.part[i] for i in near):
            row = row_of(zone.ray, self.grid, self.block)
            count[row] -= zone.valid
            total[row] -= zone.value
        return replace(self, mean=total / np.maximum(count, 1), weight=self.weight * (count > 0), count=count)

    def turn_at(self, time_s: float) -> float:
        """Turn expected of a frame of the same stretch, degrees."""
        return float(np.interp(time_s, self.time_s, self.turn_deg))

    @cached_property
    def seen(self) -> np.ndarray:
        """(k,) bool: rays that at least one of its frames shows."""
        return np.any(self.count > 0, axis=1)

    @cached_property
    def known(self) -> np.ndarray:
        """(k,) bool: rays that are seen, as are those on both sides, so that the slope there is known."""
        return self.seen & np.roll(self.seen, 1) & np.roll(self.seen, -1)

    @cached_property
    def design(self) -> tuple[np.ndarray, np.ndarray]:
        """(b, 3, BLOCK, m) mean and the negative of its slopes along and across the limb, each height of a
        block about its own mean, and (b, BLOCK, m) the weight of the points of use."""
        shape = -1, BLOCK, len(self.grid.offset_px)
        usable = self.known[:, None] & (self.mean < self.ceiling)
        usable &= np.abs(self.grid.offset_px) > EDGE_ROWS_PX
        weight = (self.weight * usable).reshape(shape)
        along = (np.roll(self.mean, 1, axis=0) - np.roll(self.mean, -1, axis=0)) / (2 * self.grid.step_px)
        across = np.gradient(self.mean, axis=1) / -self.grid.pitch_px
        columns = np.stack([c.reshape(shape) for c in (self.mean, along, across)], 1, dtype=np.float32)
        total = weight.sum(axis=1)[:, None, None] + np.float32(1e-20)
        return columns - (columns * weight[:, None]).sum(axis=2, keepdims=True) / total, weight

    @cached_property
    def spectrum(self) -> np.ndarray:
        """Of what varies along the limb, as `coarse_shifts` compares it."""
        row = np.flatnonzero(self.seen)
        return _spectrum(self, self.mean[row], row)


def row_of(ray: np.ndarray, grid: Grid, block: np.ndarray) -> np.ndarray:
    """Rows of rays by their numbers where these blocks of the grid stand one after the other; beyond the last
    row for those in none of them."""
    return (ray // BLOCK - block[0]) % -(-len(grid.theta_deg) // BLOCK) * BLOCK + ray % BLOCK


def zone_of(frame: np.ndarray, place: Place, grid: Grid) -> Zone:
    """The limb zone of a frame, less its finest grain: noise and what stands still on the sensor."""
    return blurred(unwrap(frame, place, grid, interpolation=cv2.INTER_LINEAR), 1.5, grid)


def blurred(zone: Zone, blur_px: float, grid: Grid) -> Zone:
    """A zone blurred along the limb."""
    if not len(zone.ray):
        return zone
    rays = blur_px / grid.step_px
    value = cv2.GaussianBlur(zone.value, (1, 2 * int(3 * rays) + 1), sigmaX=0.1, sigmaY=rays)
    return replace(zone, value=value)


@dataclass(frozen=True, slots=True, eq=False)
class Against:
    """What a frame is measured against."""

    template: Template  # without the frame itself, on which it would stay where it was
    # the same without frames with which it shares its spicules: they lead it to its place, but hand errors
    # of places on from frame to frame
    apart: Template
    before: Template | None  # of the stretch of time before, for the frames that join both


def measure(
    frame: np.ndarray,
    look: Look,
    turn_deg: float,
    against: Against | None,
    finder: Finder,
    reach_px: float,
    *,
    turning: bool,
) -> FrameMeasure:
    """Lay a frame on the template around the place that its own limb gives, and average its edge in bins.

    Parameters
    ----------
    reach_px : how far the frame may be moved along the limb; on a short arc the circle leaves that open, on a
        wide one it does not (0)
    turning : it is turned about the Sun's centre, else shifted
    """
    place = replace(look.place, turn_deg=turn_deg)
    if against is None:
        return _binned(look, place, NOTHING, 1.0, finder)
    template, before = against.template, against.before
    facing = np.radians(look.theta_deg[len(look.theta_deg) // 2])  # the middle of the limb seen

    def moved(place: Place, along_px: float, across_px: float) -> Place:
        move = across_px * np.array([-np.sin(facing), -np.cos(facing)])
        if turning:
            place = replace(place, turn_deg=place.turn_deg + float(np.degrees(along_px / place.radius_px)))
        else:
            move += along_px * np.array([-np.cos(facing), np.sin(facing)])
        return shifted_place(place, *move)

    if reach_px and not turning:  # the turn at that time has it already
        place = moved(place, template.along_px, 0.0)

    def laid_on(
        template: Template, place: Place, zone: Zone, along: float, turns: int
    ) -> tuple[Place, Zone, BlockShifts, float]:
        """Place, zone and blocks where the blocks have the frame, and how far that is along the limb."""
        across, far_px = 0.0, 0.0
        for turn in range(turns):
            if max(abs(along), abs(across)) > 0.25 * template.grid.step_px:  # up to which it holds to 2 %
                place, far_px = moved(place, along, across), far_px + along
                zone = zone_of(frame, place, template.grid)
            elif turn:
                break
            shifts = block_shifts(template, zone)
            along, across = usual_shift(shifts) if reach_px else (0.0, 0.0)
        return place, zone, shifts, far_px

    zone = zone_of(frame, place, template.grid)
    tried: list[tuple[float, Place, Zone, BlockShifts]] = []  # the first is the logarithm of the likelihood
    far = coarse_shifts(template, zone, reach_px) if reach_px else []
    # from nearer places the blocks lead to the first one
    for start_px in [0.0, *(px for px in far if abs(px) > 0.5 * LINEAR_PX)]:
        here, laid, shifts, far_px = laid_on(template, place, zone, start_px, 4)
        # how much better the blocks fit here than where the circle puts the frame, and how far that is
        better = 0.0
        if tried:
            first = tried[0][3]
            _, now, then = np.intersect1d(shifts.theta_deg, first.theta_deg, return_indices=True)
            ratio = np.maximum(first.misfit[then], 1e-9) / np.maximum(shifts.misfit[now], 1e-9)
            # a block holds five independent pieces of texture, which is alike over some 10 px
            better = 5 * float(np.log(ratio).sum())
        tried.append((better - 0.5 * (FAR_SIGMA * far_px / max(reach_px, 1e-9)) ** 2, here, laid, shifts))
    _, place, zone, _ = max(tried, key=lambda one: one[0])
    place, zone, shifts, _ = laid_on(against.apart, place, zone, 0.0, 3)
    measured = _binned(look, place, shifts, _brightness(template, zone), finder)
    return replace(measured, joint_px=joint_px(shifts, block_shifts(before, zone))) if before else measured


def coarse_shifts(template: Template, zone: Zone, most_px: float) -> list[float]:
    """Likely shifts along the limb in px, the likeliest first: peaks of the cross-correlation of what varies
    along the limb, summed over bands of height; [0] where there is none within `most_px`.

    Every stretch of limb counts alike, however bright: an eruption must not outshine the quiet rest.
    """
    from scipy.fft import irfft  # slow to import, and a mere check does without

    row = row_of(zone.ray, template.grid, template.block)
    inside = row < len(template.mean)
    if np.count_nonzero(template.seen[row[inside]]) < 32:
        return [0.0]
    product = _spectrum(template, zone.value[inside], row[inside]) * np.conj(template.spectrum)
    product[:, :3] = 0  # vignetting and halo live in the lowest frequencies
    reach = int(most_px / template.grid.step_px) + 1
    correlation = irfft(product.sum(axis=0))
    window = np.concatenate([correlation[-reach:], correlation[: reach + 1]])
    left, middle, right = window[:-2], window[1:-1], window[2:]
    peak = np.flatnonzero((middle > left) & (middle >= right) & (middle > 0.6 * window.max()))
    peak = peak[np.argsort(-middle[peak])]
    fine = 0.5 * (left - right)[peak] / np.minimum((left + right - 2 * middle)[peak], -1e-12)
    return list((peak + 1 - reach + fine) * template.grid.step_px) or [0.0]


def _spectrum(template: Template, values: np.ndarray, row: np.ndarray) -> np.ndarray:
    """(bands, frequencies) of (j, m) values at (j,) rows of the template: bands of three heights without the
    edge's own, each stretch equally strong."""
    from scipy.fft import next_fast_len, rfft

    heights = np.flatnonzero(np.abs(template.grid.offset_px) > EDGE_ROWS_PX)
    chosen = heights[: len(heights) // 3 * 3].reshape(-1, 3)
    bands = np.ascontiguousarray(values[:, chosen].sum(axis=2))
    window = 2 * BLOCK + 1
    bands = bands - cv2.blur(bands, (1, window), borderType=cv2.BORDER_REFLECT)
    strength = cv2.blur(bands * bands, (1, window), borderType=cv2.BORDER_REFLECT)
    # what is shifted by up to MOST_ALONG_PX falls on nothing at the other end
    half = next_fast_len(len(template.mean) // 2 + int(MOST_ALONG_PX / template.grid.step_px) + 2, real=True)
    flat = np.zeros((len(chosen), 2 * half), np.float32)
    flat[:, row] = (bands / np.sqrt(strength + 1e-3 * strength.mean() + 1e-12)).T
    return rfft(flat, axis=1)


def block_shifts(template: Template, zone: Zone) -> BlockShifts:
    """Least-squares shift and gain of every block against the template.

    Zone = gain T - along dT/d(along) - across dT/d(across) + an offset for every height: what does not vary
    along the limb (halo, limb darkening, the edge itself) does not count, since it brightens and dims with
    the air. Each point weighs by its scatter over the template's own frames.
    """
    row = row_of(zone.ray, template.grid, template.block)
    inside = row < len(template.mean)
    row, lit = row[inside], zone.value[inside]
    columns, weight = template.design
    number, size = np.unique(row[template.known[row]] // BLOCK, return_counts=True)
    number = number[size >= BLOCK // 2]
    if not len(number):
        return NOTHING
    value, used = np.zeros(template.mean.shape, np.float32), np.zeros(template.mean.shape, bool)
    value[row], used[row] = lit, zone.valid[inside] & (lit < template.ceiling)
    shape = -1, *weight.shape[1:]
    columns, weight = columns[number], weight[number] * used.reshape(shape)[number]
    value = value.reshape(shape)[number]

    # offsets of the heights are eliminated; those of the columns are small already
    total = weight.sum(axis=1) + np.float32(1e-20)
    value -= ((value * weight).sum(axis=1) / total)[:, None]
    weighted = columns * weight[:, None]
    left = weighted.sum(axis=2)
    flat = weighted.reshape(len(number), 3, -1)
    normal = flat @ columns.reshape(flat.shape).transpose(0, 2, 1)
    normal = (normal - (left / total[:, None]) @ left.transpose(0, 2, 1)).astype(float)
    right = (flat @ value.reshape(len(number), -1, 1))[..., 0].astype(float)
    square = (weight * value * value).sum(axis=(1, 2), dtype=float)
    heights = np.count_nonzero(weight.any(axis=1), axis=1)
    points = np.count_nonzero(weight, axis=(1, 2))
    unit = 1 / np.sqrt(np.maximum(np.einsum("bii->bi", normal), 1e-30))
    scaled = normal * unit[:, :, None] * unit[:, None, :] + 1e-6 * np.eye(3)
    inverse = np.linalg.inv(scaled) * unit[:, :, None] * unit[:, None, :]
    solution = np.einsum("bij,bj->bi", inverse, right)
    residual = np.maximum(square - (solution * right).sum(1), 0) / np.maximum(points - 3 - heights, 1)
    gain = np.where(np.abs(solution[:, 0]) > 0.1, solution[:, 0], np.nan)
    # neighbouring samples share the camera's noise through the interpolation: two to an independent one
    spread = np.maximum(np.einsum("bii->bi", inverse)[:, 1:], 0.0)
    error = np.sqrt(2 * residual[:, None] * spread) / np.abs(gain)[:, None]
    error[(spread <= 0.0).any(axis=1)] = np.inf  # equations that rounding has left without a least
    theta_deg = (template.block[number] * BLOCK + 0.5 * (BLOCK - 1)) * template.grid.step_deg
    along, across = (solution[:, 1:] / gain[:, None]).T
    return BlockShifts(theta_deg, along, error[:, 0], across, error[:, 1], solution[:, 0], np.sqrt(residual))


def linear(shifts: BlockShifts) -> np.ndarray:
    """(b,) bool: blocks with the template's light for which the linear measure along the limb holds."""
    near = (np.abs(shifts.along_px) < LINEAR_PX) & (shifts.along_err_px < LINEAR_PX)
    return near & (shifts.gain > 0.2) & (shifts.gain < 5.0)  # five times as bright is something else


def usual_shift(shifts: BlockShifts) -> np.ndarray:
    """(2,) px along the limb and outward: the weighted median of the blocks; well-measured blocks count more,
    but none much more than another.

    What lies beyond LINEAR_PX is plasma that moves, and left out. But where the others scatter over all that
    reach, as by chance, the frame lies in the wrong place, and all are counted: of far ones the direction is
    known.
    """
    both = (shifts.along_px, shifts.along_err_px), (shifts.across_px, shifts.across_err_px)
    usual = np.zeros(2)
    for axis, (value, error) in enumerate(both):
        usable = error < LINEAR_PX
        near = usable & (np.abs(value) < LINEAR_PX)
        weight = 1 / (np.where(usable, error, 1.0) ** 2 + 0.3**2)
        if near.sum() >= 3:
            usual[axis] = weighted_median(value[near], weight[near])
            away = np.abs(value[near] - usual[axis])
            if MAD * weighted_median(away, weight[near]) < 0.5 * LINEAR_PX:
                continue
        if usable.sum() >= 3:
            usual[axis] = weighted_median(np.clip(value[usable], -LINEAR_PX, LINEAR_PX), weight[usable])
    return usual


def joint_px(on_own: BlockShifts, on_before: BlockShifts) -> tuple[float, float] | None:
    """How far a frame's own template stands beside the one before along the limb, and 1 sigma, from the
    blocks of one frame against both; None: too few.

    The air of the frame displaces both alike, and what changes in the twenty minutes between the templates
    has had half as long to do so.
    """
    _, own, old = np.intersect1d(on_own.theta_deg, on_before.theta_deg, return_indices=True)
    usable = linear(on_own)[own] & linear(on_before)[old]
    apart = (on_own.along_px[own] - on_before.along_px[old])[usable]
    if len(apart) < LEAST_BLOCKS:
        return None
    # of a median
    return float(np.median(apart)), float(np.sqrt(np.pi / 2) * np.std(apart, ddof=1) / np.sqrt(len(apart)))


def _binned(look: Look, place: Place, shifts: BlockShifts, gain: float, finder: Finder) -> FrameMeasure:
    """The measure of a frame laid on `place`, its edge averaged in bins of limb."""
    phi = np.radians(look.theta_deg)
    moved = (place.x_px - look.place.x_px) * np.sin(phi) + (place.y_px - look.place.y_px) * np.cos(phi)
    which = np.mod(look.theta_deg - place.turn_deg, 360.0) // finder.bin_deg
    number, at, count = np.unique(which, return_inverse=True, return_counts=True)
    full = count >= finder.least_rays
    mean = np.bincount(at, weights=look.edge_px + moved, minlength=len(number)) / np.maximum(count, 1)
    bins = number[full].astype(int)
    return FrameMeasure(place, bins, mean[full], finder.bin_deg, shifts, gain, look.signs)


def _brightness(template: Template, zone: Zone) -> float:
    """Light of a zone against the template's: the usual ratio of their sums along the rays."""
    row = row_of(zone.ray[::2], template.grid, template.block)
    inside = row < len(template.mean)
    value, mean = zone.value[::2][inside], template.mean[row[inside]]
    fit = zone.valid[::2][inside] & (value < template.ceiling) & (mean < template.ceiling)
    below = (mean * fit).sum(axis=1)
    known = below > 0
    if not known.any():
        return 1.0
    return max(float(np.median((value * fit).sum(axis=1)[known] / below[known])), 0.02)
