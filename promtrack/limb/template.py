"""The limb zone against a template of it: zones of some frames in, shifts of any frame's zone out.

A circle fixes the limb across itself; the position along it comes from what stands on and over the limb:
prominences, spicules and disc texture. A template is the mean zone of frames from one stretch of time and
stays as it is, so that what moves cannot draw it along; a later stretch has a template of its own. Whole
zones are shifted by cross-correlation, blocks by least squares.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from promtrack.limb.circle import weighted_median
from promtrack.limb.edge import Grid, Zone, make_grid, unwrap
from promtrack.limb.records import Place

BLOCK_PX = 48.0  # length of the blocks, each of which has a shift of its own
EDGE_ROWS_PX = 5.5  # the edge itself is left to the circle
# peaks of the correlation that are tried: their height in parts of the highest
LEAST_PEAK, MOST_PEAKS = (0.6, 3)
# within which frames share their spicules, and of a template's span at most
MEMORY_S, MEMORY_PART = (150.0, 0.15)
FINE_RADIUS_PX = 1200.0  # up to this radius the zone is sampled at every pixel
# blur along the limb with which the zones of a template are laid on each other
FINER_PX = (10.0, 10.0, 6.0, 6.0, 4.0, 4.0)
SMOOTH_PX = 1.5  # blur of a zone along the limb
CHECKED_PX = 40.0  # turn from one frame of a template to the next that a check can see
ROUGH_REACH_PX = 20.0  # farthest shifts above which circles alone do not make a template
LEAST_STRETCHES = 4  # of limb that tell how a template lies on the one before
REACH_SIGMA = 6.0  # errors of the circle along the limb within which a frame is looked for


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
    drift_px: np.ndarray  # (k,) shift along the limb from each to the next, summed: a check of the turn
    count: np.ndarray  # (n, m) frames in the mean
    part: tuple[Zone, ...]  # what each of its frames has given
    joint_px: float = np.inf  # 1 sigma along the limb of how it lies on the template of the stretch before

    def without(self, time_s: float, memory_s: float = 0.0) -> Template:
        """The template less what frames within `memory_s` of `time_s` gave."""
        near = [
            zone for at, zone in zip(self.time_s, self.part, strict=False) if abs(at - time_s) <= memory_s
        ]
        if not near:
            return self
        count, total = self.count.copy(), self.mean * self.count
        for zone in near:
            count[zone.ray] -= zone.valid
            total[zone.ray] -= zone.value
        mean, weight = total / np.maximum(count, 1), self.weight * (count > 0)
        return replace(self, mean=mean, weight=weight, count=count, seen=np.any(count > 0, axis=1))

    @property
    def memory_s(self) -> float:
        """Time within which frames share their spicules, a part of the template's span at most."""
        return min(MEMORY_S, MEMORY_PART * float(np.ptp(self.time_s)))

    def turn_at(self, time_s: float) -> float:
        """Turn expected of a frame of the same stretch, degrees."""
        return float(np.interp(time_s, self.time_s, self.turn_deg))


NOTHING = BlockShifts(*([np.zeros(0)] * 7))


def blurred(zone: Zone, blur_px: float, grid: Grid) -> Zone:
    """A zone blurred along the limb."""
    if not blur_px or not len(zone.ray):
        return zone
    rays = blur_px / grid.step_px
    value = cv2.GaussianBlur(zone.value, (1, 2 * int(3 * rays) + 1), sigmaX=0.1, sigmaY=rays)
    return replace(zone, value=value)


def usual_shift(shifts: BlockShifts) -> np.ndarray:
    """Along the limb and outward: the weighted median of the blocks; well-measured blocks count more, but
    none much more than another."""
    both = (shifts.along_px, shifts.along_err_px), (shifts.across_px, shifts.across_err_px)
    usual = np.zeros(2)
    for axis, (value, error) in enumerate(both):
        usable = np.isfinite(value) & (np.abs(value) < 4) & (error < 3)
        if usable.sum() >= 3:
            usual[axis] = weighted_median(value[usable], 1 / (error[usable] ** 2 + 0.3**2))
    return usual


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
    peak = np.flatnonzero((middle > left) & (middle >= right) & (middle > LEAST_PEAK * window.max()))
    peak = peak[np.argsort(-middle[peak])][:MOST_PEAKS]
    fine = 0.5 * (left - right)[peak] / np.minimum((left + right - 2 * middle)[peak], -1e-12)
    return list((peak + 1 - reach + fine) * grid.step_px) or [0.0]


def _laid_out(template: Template, values: np.ndarray, place: np.ndarray, length: int) -> np.ndarray:
    """(bands, length): bands of three heights without the edge's own, each stretch brought to the same
    strength."""
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
    columns = columns - mean[:, :, None, :]
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


@dataclass(frozen=True, slots=True, eq=False)
class LaidZone:
    """A frame's zone and the turn on which it was sampled."""

    time_s: float
    turn_deg: float
    zone: Zone
    reach_px: float  # farthest shift along the limb that it may need


def zone_grid(radius_px: float) -> Grid:
    """Rays and heights of the zone that the template holds. A larger picture of the Sun is no sharper in
    arcseconds, so that the samples grow with it."""
    pitch = float(np.clip(radius_px / FINE_RADIUS_PX, 1.0, 2.5))
    return make_grid(radius_px, min(40 * pitch, 0.6 * radius_px), 70 * pitch, ray_px=pitch, pitch_px=pitch)


def make_template(
    laid: list[LaidZone],
    grid: Grid,
    ceiling: float,
    radius_px: float,
    *,
    first: Template | None = None,
    align: bool,
) -> Template:
    """Mean of some zones, in order of time, each shifted along the limb onto the others.

    Parameters
    ----------
    first : template of the stretch before, on which this one is laid
    align : whether the zones may be shifted; not where their circles place them better
    """
    zones, shift = [part.zone for part in laid], np.zeros((len(laid), 2))  # along the limb and outward
    drift, time_s = np.zeros(len(laid)), np.array([part.time_s for part in laid])

    def mean(count: int = len(zones)) -> Template:
        turn = np.array([part.turn_deg for part in laid]) + np.degrees(shift[:, 0] / radius_px)
        return replace(_mean_of(zones[:count], shift, grid, ceiling, time_s), turn_deg=turn, drift_px=drift)

    if align:
        so_far = first or mean(1)
        rough = float(np.median([part.reach_px for part in laid])) > ROUGH_REACH_PX
        # circles that place the frames well blur what stands still on the sensor, and not the Sun; where they
        # do not, each zone is laid on the mean of those before
        for i, zone in enumerate(zones if rough or first else []):
            if i or first:
                shift[i, 0] = shift[max(i - 1, 0), 0] if rough else 0.0
                shift[i, 0] += coarse_shifts(so_far, _moved(zone, shift[i], grid), laid[i].reach_px)[0]
                if not rough:
                    shift[i] += usual_shift(block_shifts(so_far, _moved(zone, shift[i], grid)))
            so_far = mean(i + 1) if rough else so_far
        if first is None:
            shift -= np.median(shift, axis=0)  # the first frame's circle is no better than the others'
        elif not rough:
            shift[:] = np.median(shift, axis=0)
        # from coarse to fine: sharp zones on each other's ghosts would stay there
        for blur_px in FINER_PX:
            soft = [blurred(zone, blur_px, grid) for zone in zones]
            template = _mean_of(soft, shift, grid, ceiling, time_s)
            shift += [
                usual_shift(
                    block_shifts(template.without(time_s[i], template.memory_s), _moved(zone, shift[i], grid))
                )
                for i, zone in enumerate(soft)
            ]
    for i in range(1, len(zones)):
        alone = _mean_of(zones[i - 1 : i], np.zeros((1, 2)), grid, ceiling, np.zeros(1))
        drift[i] = drift[i - 1] + coarse_shifts(alone, zones[i], CHECKED_PX)[0]
    done = mean()
    if first is not None:
        done = replace(done, joint_px=_joint_px(first, done))
    return done if align else replace(done, part=())


def _joint_px(before: Template, after: Template) -> float:
    """1 sigma along the limb of how a template lies on the one before.

    Where plasma has changed between them stretches of limb contradict each other: their median is how far it
    still stands off, and their scatter how sure that is. Two blocks each, by correlation, since what has
    changed stands farther off than the linear measure of a block reaches.
    """
    rays = 2 * after.rays_per_block
    along = []
    for start in range(0, len(after.seen), rays):
        ray = np.arange(start, min(start + rays, len(after.seen)))
        if after.seen[ray].all() and before.seen[ray].all() and len(ray) == rays:
            part = Zone(ray, after.mean[ray], after.count[ray] > 0)
            along.append(coarse_shifts(before, part, 0.4 * rays * after.grid.step_px)[0])
    if len(along) < LEAST_STRETCHES:
        return np.inf
    # plain scatter: the few that contradict the others may be those that are right; the edge decides
    return float(np.hypot(np.median(along), np.std(along, ddof=1) / np.sqrt(len(along))))


def _moved(zone: Zone, shift_px: np.ndarray, grid: Grid) -> Zone:
    """A zone shifted back by `shift_px` along the limb and outward."""
    if not shift_px.any():
        return zone
    rows, columns = float(shift_px[0]) / grid.step_px, float(shift_px[1]) / grid.pitch_px
    matrix = np.array([[1, 0, -columns], [0, 1, -rows]], np.float32)
    size = zone.value.shape[::-1]  # (x, y)
    value = cv2.warpAffine(zone.value, matrix, size, flags=cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    row = np.arange(len(zone.ray)) + rows
    inside = (row >= 0) & (row <= len(zone.ray) - 1)
    return replace(zone, value=value, valid=zone.valid & inside[:, None])


def _mean_of(
    zones: list[Zone], shift: np.ndarray, grid: Grid, ceiling: float, time_s: np.ndarray
) -> Template:
    size = (len(grid.theta_deg), len(grid.offset_px))
    total, square, count = np.zeros(size, np.float32), np.zeros(size, np.float32), np.zeros(size, np.float32)
    light, parts = None, []
    for zone, by in zip(zones, shift, strict=False):
        moved = _moved(zone, by, grid)
        inner = float(np.median(moved.value[:, grid.offset_px < -EDGE_ROWS_PX]))
        light = light or max(inner, 1e-9)
        value = np.where(moved.valid, moved.value * np.float32(light / max(inner, 1e-9)), 0)
        parts.append(replace(moved, value=value))
        total[zone.ray] += value
        square[zone.ray] += value**2
        count[zone.ray] += moved.valid
    known = np.maximum(count, 1)
    mean = total / known
    scatter = np.maximum(square / known - mean**2, 0) * (known / np.maximum(known - 1, 1))
    scatter = cv2.blur(scatter, (1, 5))
    seen: np.ndarray = count > 0
    many = count > 1
    weight = seen.astype(np.float32)
    if many.any():
        usual = np.where(many, scatter, np.nan)
        floor = max(float(np.nanpercentile(usual[::4], 10)), 0.02 * float(np.nanmean(usual[::4])), 1e-6)
        weight = np.where(many, 1 / (scatter + np.float32(floor)), 0).astype(np.float32)
    block = max(8, round(BLOCK_PX * grid.pitch_px / grid.step_px))
    return Template(
        grid,
        mean,
        weight,
        np.any(seen, axis=1),
        block,
        ceiling,
        time_s,
        0.0 * time_s,
        0.0 * time_s,
        count,
        tuple(parts),
    )


def zone_of(frame: np.ndarray, place: Place, grid: Grid) -> Zone:
    """The limb zone of a frame, less its finest grain: the camera's noise and what stands still on the
    sensor."""
    zone = unwrap(frame, place, grid, interpolation=cv2.INTER_LINEAR)
    return blurred(zone, SMOOTH_PX, grid)
