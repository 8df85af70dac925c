"""Shifts of a frame's limb zone against a template of it: whole zones by cross-correlation, blocks of them by
least squares.

A circle fixes the limb across itself; the position along it comes from what stands on and over the limb:
prominences, spicules and disc texture.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from promtrack.limb.circle import MAD, weighted_median
from promtrack.limb.edge import Grid, Zone, unwrap
from promtrack.limb.records import Place

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
class Pairs:
    """Pairs of frames of one stretch of time, laid on each other."""

    steps: np.ndarray  # (p,) from the earlier to the later: 1, 2, 4, ... of the frames picked
    apart_s: np.ndarray  # (p,)
    along_px: np.ndarray  # (p,) shift of the later on the earlier along the limb


@dataclass(frozen=True, slots=True, eq=False)
class Template:
    """Mean limb zone of one stretch of time."""

    grid: Grid
    mean: np.ndarray  # (n, m) counts, rows are rays of the grid
    weight: np.ndarray  # (n, m) 1 / (scatter of the frames about the mean squared + floor); 0 where not seen
    seen: np.ndarray  # (n,) bool: rays that at least one of its frames shows
    rays_per_block: int
    ceiling: float  # counts above which the camera is burnt out
    time_s: np.ndarray  # (k,) of its frames, and
    turn_deg: np.ndarray  # (k,) the turns on which they lie on each other
    pairs: Pairs  # of its frames: a check of the turn
    count: np.ndarray  # (n, m) frames in the mean
    part: tuple[Zone, ...]  # what each of its frames has given
    along_px: float = 0.0  # where it lies along the limb, from the places that circles gave its frames

    def without(self, time_s: float, memory_s: float = 0.0) -> Template:
        """The template less what frames within `memory_s` of `time_s` gave."""
        near = [
            zone for at, zone in zip(self.time_s, self.part, strict=False) if abs(at - time_s) <= memory_s
        ]
        if not near:
            return self
        ray = np.unique(np.concatenate([zone.ray for zone in near]))
        place = np.zeros(len(self.seen), int)
        place[ray] = np.arange(len(ray))
        count, total = self.count[ray], self.mean[ray] * self.count[ray]
        for zone in near:
            count[place[zone.ray]] -= zone.valid
            total[place[zone.ray]] -= zone.value
        left = replace(
            self,
            mean=self.mean.copy(),
            weight=self.weight.copy(),
            count=self.count.copy(),
            seen=self.seen.copy(),
        )
        left.count[ray], left.mean[ray] = count, total / np.maximum(count, 1)
        left.weight[ray] *= count > 0
        left.seen[ray] = np.any(count > 0, axis=1)
        return left

    @property
    def memory_s(self) -> float:
        """Time within which frames share their spicules, a part of the template's span at most."""
        return min(MEMORY_S, MEMORY_PART * float(np.ptp(self.time_s)))

    def turn_at(self, time_s: float) -> float:
        """Turn expected of a frame of the same stretch, degrees."""
        return float(np.interp(time_s, self.time_s, self.turn_deg))


def blurred(zone: Zone, blur_px: float, grid: Grid) -> Zone:
    """A zone blurred along the limb."""
    if not blur_px or not len(zone.ray):
        return zone
    rays = blur_px / grid.step_px
    value = cv2.GaussianBlur(zone.value, (1, 2 * int(3 * rays) + 1), sigmaX=0.1, sigmaY=rays)
    return replace(zone, value=value)


def zone_of(frame: np.ndarray, place: Place, grid: Grid) -> Zone:
    """The limb zone of a frame, less its finest grain: noise and what stands still on the sensor."""
    zone = unwrap(frame, place, grid, interpolation=cv2.INTER_LINEAR)
    return blurred(zone, 1.5, grid)


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


def coarse_shifts(template: Template, zone: Zone, most_px: float) -> list[float]:
    """Likely shifts along the limb in px, the likeliest first: peaks of the cross-correlation of what varies
    along the limb, summed over bands of height; [0] where there is none within `most_px`.

    Every stretch of limb counts alike, however bright: an eruption must not outshine the quiet rest.
    """
    from scipy.fft import irfft, next_fast_len, rfft  # slow to import, and a mere check does without

    grid = template.grid
    ray = zone.ray[template.seen[zone.ray]]
    if len(ray) < 32:
        return [0.0]
    first, count = int(ray[0]), len(template.seen)
    reach = int(most_px / grid.step_px) + 1
    length = next_fast_len(int((ray[-1] - first) % count) + 1 + 2 * reach, real=True)
    here = _laid_out(template, zone.value, (zone.ray - first) % count, length)
    there = _laid_out(template, template.mean[ray], (ray - first) % count, length)
    spectrum = rfft(here, axis=1) * np.conj(rfft(there, axis=1))
    spectrum[:, :3] = 0  # vignetting and halo live in the lowest frequencies
    correlation = irfft(spectrum.sum(axis=0), n=length)
    window = np.concatenate([correlation[-reach:], correlation[: reach + 1]])
    left, middle, right = window[:-2], window[1:-1], window[2:]
    peak = np.flatnonzero((middle > left) & (middle >= right) & (middle > 0.6 * window.max()))
    peak = peak[np.argsort(-middle[peak])]
    fine = 0.5 * (left - right)[peak] / np.minimum((left + right - 2 * middle)[peak], -1e-12)
    return list((peak + 1 - reach + fine) * grid.step_px) or [0.0]


def _laid_out(template: Template, values: np.ndarray, place: np.ndarray, length: int) -> np.ndarray:
    """(bands, length): bands of three heights without the edge's own, each stretch equally strong."""
    inside = place < length
    heights = np.flatnonzero(np.abs(template.grid.offset_px) > EDGE_ROWS_PX)
    chosen = heights[: len(heights) // 3 * 3].reshape(-1, 3)
    bands = np.ascontiguousarray(values[inside][:, chosen].sum(axis=2))
    window = 2 * template.rays_per_block + 1
    bands = bands - cv2.blur(bands, (1, window), borderType=cv2.BORDER_REFLECT)
    strength = cv2.blur(bands * bands, (1, window), borderType=cv2.BORDER_REFLECT)
    flat = np.zeros((chosen.shape[0], length), np.float32)
    flat[:, place[inside]] = (bands / np.sqrt(strength + 1e-3 * strength.mean() + 1e-12)).T
    return flat


def block_shifts(template: Template, zone: Zone) -> BlockShifts:
    """Least-squares shift and gain of every block against the template.

    Zone = gain T - along dT/d(along) - across dT/d(across) + an offset for every height: what does not vary
    along the limb (halo, limb darkening, the edge itself) does not count, since it brightens and dims with
    the air. Each point weighs by its scatter over the template's own frames.
    """
    row, number, slot = _whole_blocks(template, zone.ray)
    grid = template.grid
    if not len(number):
        return NOTHING
    ray, heights, length = zone.ray[row], len(grid.offset_px), template.rays_per_block
    mean, value, count = template.mean[ray], zone.value[row], len(template.seen)
    used = zone.valid[row] & (mean < template.ceiling) & (value < template.ceiling)
    used[:, np.abs(grid.offset_px) <= EDGE_ROWS_PX] = False
    weight = np.zeros((len(number) * length, heights), np.float32)
    weight[slot] = template.weight[ray] * used
    columns = np.zeros((4, len(number) * length, heights), np.float32)
    columns[0, slot] = mean
    columns[1, slot] = (template.mean[(ray + 1) % count] - template.mean[ray - 1]) * np.float32(
        -0.5 / grid.step_px
    )
    columns[2, slot] = np.gradient(mean, axis=1) * np.float32(-1 / grid.pitch_px)
    columns[3, slot] = value
    return _solved(
        columns.reshape(4, len(number), length, heights),
        weight.reshape(len(number), length, heights),
        ((number + 0.5) * length - 0.5) * grid.step_deg,
    )


def _whole_blocks(template: Template, ray: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rows of a zone with a template on both sides that fill at least half a block, the numbers of those
    blocks, and the place of each row when the blocks, all equally long, stand one after the other."""
    seen, length = template.seen, template.rays_per_block
    known = seen[ray] & seen[(ray + 1) % len(seen)] & seen[ray - 1]
    number, size = np.unique(ray[known] // length, return_counts=True)
    number = number[size >= length // 2]
    row = np.flatnonzero(known & np.isin(ray // length, number))
    return row, number, np.searchsorted(number, ray[row] // length) * length + ray[row] % length


def _solved(columns: np.ndarray, weight: np.ndarray, theta_deg: np.ndarray) -> BlockShifts:
    """Solve every block: `columns` is (4, blocks, rays, heights), the last one the values to be explained."""
    mean = np.einsum("cbrh,brh->cbh", columns, weight) / (weight.sum(axis=1) + np.float32(1e-20))
    columns -= mean[:, :, None, :]
    flat = columns.reshape(4, len(theta_deg), -1)
    weighted = flat * weight.reshape(len(theta_deg), -1)
    square = np.matmul(weighted.transpose(1, 0, 2), flat.transpose(1, 2, 0)).astype(float)
    normal, right = square[:, :3, :3], square[:, :3, 3]
    heights = np.count_nonzero(weight.any(axis=1), axis=1)
    points = np.count_nonzero(weight, axis=(1, 2))
    unit = 1 / np.sqrt(np.maximum(np.einsum("bii->bi", normal), 1e-30))
    scaled = normal * unit[:, :, None] * unit[:, None, :] + 1e-6 * np.eye(3)
    inverse = np.linalg.inv(scaled) * unit[:, :, None] * unit[:, None, :]
    solution = np.einsum("bij,bj->bi", inverse, right)
    residual = np.maximum(square[:, 3, 3] - (solution * right).sum(1), 0) / np.maximum(
        points - 3 - heights, 1
    )
    gain = np.where(np.abs(solution[:, 0]) > 0.1, solution[:, 0], np.nan)
    # neighbouring samples share the camera's noise through the interpolation: two to an independent one
    error = np.sqrt(2 * residual[:, None] * np.einsum("bii->bi", inverse)[:, 1:]) / np.abs(gain)[:, None]
    return BlockShifts(
        theta_deg,
        solution[:, 1] / gain,
        error[:, 0],
        solution[:, 2] / gain,
        error[:, 1],
        solution[:, 0],
        np.sqrt(residual),
    )
