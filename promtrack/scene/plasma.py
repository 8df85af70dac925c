"""Plasma on the synthetic Sun: what stays in its place, and what moves.

Hedgerows, arches and filaments are built of threads that brighten and fade: a `Patch` is drawn once on the
scene's plasma strip, whose columns run along the limb (counter-clockwise) and whose rows run upward; one
value is the brightness off the limb in units of the disc's centre. Groups of threads change each in its own
time; a hedgerow's come in generations that replace each other on the same feet. So within an hour a
prominence looks different although nothing in it travels. Knots, swaying threads and eruptions, whose place
and motion are known, are drawn analytically at a frame's own time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.special import erfc

from promtrack.scene import content
from promtrack.scene.random_fields import draw_threads, smooth_noise, trace, wander

GROUPS = 14  # of an arch or a filament
GENERATIONS, BUNDLES = 3, 6  # of a hedgerow: groups in each generation


@dataclass(frozen=True, slots=True, eq=False)
class Patch:
    """Groups of threads on a piece of the strip."""

    angle_rad: float  # of the patch's column 0
    height_mm: float  # of its row 0
    light: np.ndarray  # (groups, rows, columns) float32
    change_s: float  # 0: never
    depth: float  # rms of the logarithm of a group's light
    key: tuple[int, ...]  # seed of its change
    phase: np.ndarray | None = None  # (groups,) of the generation each belongs to, in cycles; None: they stay


def group_light(patch: Patch, time_s: float) -> np.ndarray:
    """The patch at a time: (rows, columns) float32."""
    if not patch.change_s:
        return np.tensordot(_generations(patch, 0.0), patch.light, axes=1)
    change = wander(np.random.default_rng(patch.key), time_s, patch.change_s, len(patch.light))[:, 0]
    # log-normal, so that threads vanish and appear, without its rare flashes; all groups together stay as
    # bright
    share = np.minimum(np.exp(patch.depth * change), 4.0).astype(np.float32)
    share /= share.mean()
    # a generation comes back after 6 times change_s
    return np.tensordot(share * _generations(patch, time_s / (6.0 * patch.change_s)), patch.light, axes=1)


def _generations(patch: Patch, cycles: float) -> np.ndarray:
    """(groups,) share of full brightness at which each group's generation stands."""
    if patch.phase is None:
        return np.ones(len(patch.light), dtype=np.float32)
    # together they keep the brightness of one
    return (1.0 + np.cos(2 * np.pi * (patch.phase - cycles))).astype(np.float32) / GENERATIONS


def hedgerow_patch(row: content.Hedgerow, step_mm: float, limb_mm: float, key: tuple[int, ...]) -> Patch:
    """A curtain of threads on feet; its top is ragged, and voids open between the feet."""
    rng = np.random.default_rng(key)
    margin, low = 8.0, -4.0
    shape = (int((1.3 * row.height_mm + margin - low) / step_mm), int((row.width_mm + 2 * margin) / step_mm))
    feet = np.arange(-0.45 * row.width_mm, 0.46 * row.width_mm, 10.0)
    feet = feet + rng.normal(0.0, 2.4, feet.size)
    drawn = [_curtain(rng, row, feet, shape, step_mm, (margin, low)) for _ in range(GENERATIONS)]
    left = math.radians(row.at_deg) - (0.5 * row.width_mm + margin) / limb_mm
    phase = np.repeat(np.arange(GENERATIONS) / GENERATIONS, BUNDLES)
    return Patch(left, low, np.concatenate(drawn), row.change_s, 0.7, (*key, 1), phase)


def _curtain(
    rng: np.random.Generator,
    row: content.Hedgerow,
    feet: np.ndarray,
    shape: tuple[int, int],
    step_mm: float,
    origin: tuple[float, float],
) -> np.ndarray:
    """One generation of threads (BUNDLES, rows, columns)."""
    lean = 0.42 * smooth_noise(rng, shape, 10.0 / step_mm) + 0.22 * smooth_noise(rng, shape, 3.0 / step_mm)
    count = int(row.threads * row.width_mm * row.height_mm * 1.1)
    # they begin on leaning columns above the feet, and under a ragged top; gaps between
    margin, low = origin
    x = np.arange(shape[1]) * step_mm - margin - 0.5 * row.width_mm
    h = (low + np.arange(shape[0]) * step_mm)[:, None]
    edge = np.clip(1.0 - np.abs(2.0 * x / row.width_mm) ** 5, 0.0, 1.0)
    coarse, fine = (smooth_noise(rng, (1, shape[1]), (1.0, mm / step_mm))[0] for mm in (9.0, 2.5))
    ragged = coarse * 0.2 + fine * 0.09
    top = row.height_mm * np.clip(0.68 + ragged, 0.15, 0.95) * edge
    spread = 1.3 + 0.10 * np.maximum(h, 0.0)
    columns = sum(
        np.exp(-0.5 * ((x - foot - slant * h) / spread) ** 2)
        for foot, slant in zip(feet, rng.normal(0.0, 0.18, feet.size), strict=True)
    )
    canopy = 1.0 / (1.0 + np.exp(-(h - 0.38 * top) / 3.0))
    gaps = 1.1 * smooth_noise(rng, shape, (7.0 / step_mm, 1.7 / step_mm))
    gaps = np.exp(gaps + 0.5 * smooth_noise(rng, shape, 6.0 / step_mm))
    density = (0.9 * columns + 0.75 * canopy) * gaps * (h < top) * (h > -1.5)
    chance = np.cumsum(density.ravel())
    place = np.searchsorted(chance, rng.random(count) * chance[-1])
    seeds = np.column_stack((place % shape[1] + rng.random(count), place // shape[1] + rng.random(count)))
    length = np.clip(rng.gamma(2.2, 3.6, count), 1.5, 0.8 * row.height_mm) / step_mm
    points, weights = trace(seeds, length, np.sin(lean), np.cos(lean), step=max(0.5, 0.25 / step_mm))
    height = low + points[..., 1] * step_mm
    weights *= rng.lognormal(0.0, 0.8, (count, 1)) * np.clip(1.15 - 0.55 * height / row.height_mm, 0.15, None)
    group = _clusters(rng, seeds, shape, 12.0 / step_mm, BUNDLES)
    light = draw_threads(points, weights, group, BUNDLES, shape, max(0.28 / step_mm, 0.45))
    return _glowing(light, row.brightness, 0.25, 1.1 / step_mm)


def arch_patch(arch: content.Arch, step_mm: float, limb_mm: float, key: tuple[int, ...]) -> Patch:
    """Threads that follow an arch, each along a part of it."""
    rng = np.random.default_rng(key)
    margin, low = 3.0 * arch.thickness_mm, -4.0
    shape = (int((arch.height_mm + margin - low) / step_mm), int((arch.width_mm + 2 * margin) / step_mm))
    count = int(14 * arch.thickness_mm * (arch.height_mm + 0.5 * arch.width_mm) / 20.0)
    offset = rng.normal(0.0, arch.thickness_mm / 2.4, (count, 1))
    extent = rng.gamma(3.0, 0.16, (count, 1))
    first = rng.uniform(-0.5 * np.pi - 0.1, 0.5 * np.pi, (count, 1))
    steps = int(np.hypot(arch.width_mm, 2 * arch.height_mm) / (0.5 * step_mm) / 1.5)
    part = np.linspace(0.0, 1.0, steps)[None, :]
    phase = first + extent * part
    wave = 0.35 * np.sin(phase * rng.uniform(3, 9, (count, 1)) + rng.uniform(0, 6.3, (count, 1)))
    x = (0.5 * arch.width_mm + offset + wave) * np.sin(phase)
    h = (arch.height_mm + offset + wave) * np.cos(phase)
    points = np.stack(((x + 0.5 * arch.width_mm + margin) / step_mm, (h - low) / step_mm), axis=-1)
    weights = np.sin(np.pi * part) ** 0.7 * rng.lognormal(0.0, 0.7, (count, 1)) * extent * (h > -3.0)
    group = _clusters(rng, points[:, points.shape[1] // 2], shape, 12.0 / step_mm, GROUPS)
    light = draw_threads(points, weights, group, GROUPS, shape, max(0.3 / step_mm, 0.45))
    light = _glowing(light, arch.brightness, 0.3, 1.2 / step_mm)
    left = math.radians(arch.at_deg) - (0.5 * arch.width_mm + margin) / limb_mm
    return Patch(left, low, light, arch.change_s, 0.7, (*key, 1))


def filament_patch(filament: content.Filament, step_mm: float, limb_mm: float, key: tuple[int, ...]) -> Patch:
    """A spine of slanting threads from the disc over the limb, where it opens into a curtain."""
    rng = np.random.default_rng(key)
    reach = filament.inside_mm * math.tan(math.radians(filament.lean_deg))
    margin = 4.0 * filament.thickness_mm
    low, high = -filament.inside_mm - margin, filament.outside_mm * 1.3 + margin
    left = min(reach, 0.0) - margin
    shape = (int((high - low) / step_mm), int((abs(reach) + 2 * margin) / step_mm))
    count = int(6 * (filament.inside_mm + 2 * filament.outside_mm))
    along = rng.uniform(-filament.inside_mm, filament.outside_mm, count)
    bend = smooth_noise(rng, (1, 512), (1.0, 60.0))[0] * 0.9 * filament.thickness_mm
    spine = np.maximum(-along, 0.0) / filament.inside_mm * reach
    spine = spine + np.interp(along, np.linspace(-filament.inside_mm, filament.outside_mm, 512), bend)
    outside = along > 0
    across = rng.normal(0.0, filament.thickness_mm * np.where(outside, 0.75, 0.38))
    seeds = np.column_stack(((spine + across - left) / step_mm, (along - low) / step_mm))
    # on the disc the threads lie at a slant to the spine; off the limb they stand upright
    slant = math.radians(filament.lean_deg) + 0.45
    h = (low + np.arange(shape[0]) * step_mm)[:, None]
    upright = 1.0 / (1.0 + np.exp(-h / 4.0))
    lean = -slant * (1 - upright) + 0.3 * smooth_noise(rng, shape, 6.0 / step_mm)
    length = np.clip(rng.gamma(3.0, 2.2, count), 2.0, 0.5 * filament.outside_mm + 6.0) / step_mm
    points, weights = trace(seeds, length, np.sin(lean), np.cos(lean), step=max(0.5, 0.25 / step_mm))
    weights *= rng.lognormal(0.0, 0.6, (count, 1))
    group = _clusters(rng, seeds, shape, 10.0 / step_mm, GROUPS)
    light = draw_threads(points, weights, group, GROUPS, shape, max(0.32 / step_mm, 0.45))
    light = _glowing(light, filament.brightness, 0.5, 1.5 / step_mm)
    angle = math.radians(filament.at_deg) + left / limb_mm
    return Patch(angle, low, light, filament.change_s, 0.6, (*key, 1))


def _clusters(
    rng: np.random.Generator, seeds: np.ndarray, shape: tuple[int, int], scale: float, groups: int
) -> np.ndarray:
    """Group of each thread: neighbours mostly share one, so that whole bundles brighten and fade."""
    field = smooth_noise(rng, shape, scale)
    column = np.clip(seeds[:, 0].astype(int), 0, shape[1] - 1)
    row = np.clip(seeds[:, 1].astype(int), 0, shape[0] - 1)
    rank = np.argsort(np.argsort(field[row, column] + rng.normal(0.0, 0.25, len(seeds))))
    return rank * groups // max(len(seeds), 1)


def _glowing(light: np.ndarray, brightness: float, part: float, width: float) -> np.ndarray:
    """Layers of threads with a part of their light, blurred, around them; bright ones at `brightness`."""
    light = light + part * np.stack([cv2.GaussianBlur(one, (0, 0), width) for one in light])
    total = light.sum(axis=0)
    bright = total[total > 0.02 * total.max()]
    return (light * (brightness / np.percentile(bright, 95))).astype(np.float32)


@dataclass(frozen=True, slots=True)
class Grid:
    """Linear axes: angles counter-clockwise from the visible limb's middle, heights from the limb."""

    from_rad: float  # of column 0
    rad_per_column: float
    columns: int
    low_mm: float  # of row 0
    mm_per_row: float
    rows: int
    limb_mm: float  # distance of the limb from the Sun's centre


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """A piece of the grid with its coordinates."""

    rows: slice
    columns: slice
    angle_rad: np.ndarray  # (1, columns)
    height_mm: np.ndarray  # (rows, 1)


def window(grid: Grid, angle_rad: tuple[float, float], height_mm: tuple[float, float]) -> Window | None:
    """The piece of the grid that covers a range of angle and height; None where they do not meet."""
    c0 = max(math.floor((angle_rad[0] - grid.from_rad) / grid.rad_per_column), 0)
    c1 = min(math.ceil((angle_rad[1] - grid.from_rad) / grid.rad_per_column) + 1, grid.columns)
    r0 = max(math.floor((height_mm[0] - grid.low_mm) / grid.mm_per_row), 0)
    r1 = min(math.ceil((height_mm[1] - grid.low_mm) / grid.mm_per_row) + 1, grid.rows)
    if c1 <= c0 or r1 <= r0:
        return None
    return Window(
        slice(r0, r1),
        slice(c0, c1),
        grid.from_rad + grid.rad_per_column * np.arange(c0, c1)[None, :],
        grid.low_mm + grid.mm_per_row * np.arange(r0, r1)[:, None],
    )


def add_light(strip: np.ndarray, grid: Grid, light: np.ndarray, angle_rad: float, height_mm: float) -> None:
    """Add a drawn patch (rows, columns) to the strip, its first sample nearest to the place given."""
    column = round((angle_rad - grid.from_rad) / grid.rad_per_column)
    row = round((height_mm - grid.low_mm) / grid.mm_per_row)
    r0, c0 = max(row, 0), max(column, 0)
    r1, c1 = min(row + light.shape[0], strip.shape[0]), min(column + light.shape[1], strip.shape[1])
    if r1 > r0 and c1 > c0:
        strip[r0:r1, c0:c1] += light[r0 - row : r1 - row, c0 - column : c1 - column]


def add_knot(strip: np.ndarray, grid: Grid, place: tuple[float, float], size_mm: float, light: float) -> None:
    """Add a round Gaussian at `place` (angle in rad, height in Mm), `size_mm` wide at half maximum."""
    angle, height = place
    sigma = size_mm / content.FWHM_SIGMA
    reach = 5.0 * sigma / (grid.limb_mm + height)
    part = window(grid, (angle - reach, angle + reach), (height - 5 * sigma, height + 5 * sigma))
    if part is None:
        return
    # exact distance in the plane of the sky, so that the knot is round at any height
    rho, across = grid.limb_mm + part.height_mm, part.angle_rad - angle
    dx, dy = rho * np.sin(across), rho * np.cos(across) - (grid.limb_mm + height)
    round_light = light * np.exp(-0.5 * (dx * dx + dy * dy) / sigma**2)
    strip[part.rows, part.columns] += round_light.astype(np.float32)


def add_sway(strip: np.ndarray, grid: Grid, sway: content.SwayingThread, time_s: float) -> None:
    """Add to a strip (rows, columns) a radial thread with soft ends, displaced along the limb by the same
    length at all its heights."""
    sigma = sway.size_mm / content.FWHM_SIGMA
    shift = float(content.sway_displacement(sway, time_s))
    rest = math.radians(sway.at_deg)
    reach = (abs(sway.amplitude_mm) + 5 * sigma) / grid.limb_mm
    part = window(grid, (rest - reach, rest + reach), (sway.low_mm - 4, sway.high_mm + 4))
    if part is None:
        return
    across = (part.angle_rad - rest) * (grid.limb_mm + part.height_mm) - shift
    low = 1 + np.tanh((part.height_mm - sway.low_mm) / 1.5)
    high = 1 + np.tanh((sway.high_mm - part.height_mm) / 1.5)
    ends = 0.25 * low * high
    light = sway.brightness * ends * np.exp(-0.5 * (across / sigma) ** 2)
    strip[part.rows, part.columns] += light.astype(np.float32)


def erupting_threads(key: tuple[int, ...]) -> np.ndarray:
    """Twisted threads and clumps of an erupting arch (2, rows, columns), rows inward, columns from foot to
    foot: the brightness, and how far the outer edge is dented (0 to 1)."""
    rng = np.random.default_rng(key)
    shape = 128, 640
    column = np.arange(shape[1], dtype=np.float32)[None, :].repeat(shape[0], axis=0)
    row = np.arange(shape[0], dtype=np.float32)[:, None].repeat(shape[1], axis=1)
    total = np.zeros(shape, dtype=np.float32)
    for slant, scale, weight in (
        (0.16, (1.8, 30.0), 0.8),
        (-0.12, (2.6, 38.0), 0.7),
        (0.05, (6.0, 26.0), 0.6),
    ):
        plain = smooth_noise(rng, (3 * shape[0], shape[1]), scale)
        # threads that wind around the arch: their depth changes along it
        depth = shape[0] + row + np.float32(slant) * (column - shape[1] / 2)
        total += weight * cv2.remap(plain, column, depth, cv2.INTER_LINEAR)
    clumps = smooth_noise(rng, shape, (40.0, 45.0))
    light = np.exp(0.62 * total + 0.5 * clumps)
    wide, narrow = (smooth_noise(rng, (1, shape[1]), (1.0, scale)) for scale in (55.0, 16.0))
    dent = np.clip(0.45 + 0.33 * wide + 0.12 * narrow, 0.0, 1.0)
    return np.stack((light / np.percentile(light, 85), dent.repeat(shape[0], axis=0))).astype(np.float32)


def add_eruption(
    strip: np.ndarray, grid: Grid, eruption: content.Eruption, threads: np.ndarray, time_s: float
) -> None:
    """Add to a strip (rows, columns) an arch on narrow legs whose outer edge, a soft step, has its half level
    at the front's height over the apex."""
    front = float(content.front_height(eruption, time_s))
    grown = front / eruption.height_mm
    half_loop, half_feet = 0.5 * eruption.width_mm * grown**0.5, 0.5 * eruption.width_mm * grown**0.12
    thick = eruption.thickness_mm * grown**0.45
    middle = math.radians(eruption.at_deg)
    reach = (half_loop * 1.1 + 6 * eruption.edge_mm) / grid.limb_mm
    part = window(grid, (middle - reach, middle + reach), (-4.0, front + 6 * eruption.edge_mm))
    if part is None:
        return
    y = (part.height_mm / front).astype(np.float32)
    opening = np.clip(y / 0.75, 0.0, 1.0)
    half = half_feet + (half_loop - half_feet) * opening * opening * (3 - 2 * opening)
    x = ((part.angle_rad - middle) * grid.limb_mm / half).astype(np.float32)
    turn = np.arctan2(x, np.maximum(y, -0.05))  # 0 at the apex, +-pi/2 at the feet
    column = np.clip(turn / np.float32(np.pi) + np.float32(0.5), 0.0, 1.0) * np.float32(threads.shape[2] - 1)
    # dents spare the apex, so that the front there is where the truth says
    dent = cv2.remap(threads[1], column, np.zeros_like(column), cv2.INTER_LINEAR)
    calm = np.exp(-((turn / 0.3) ** 2))
    edge = 1.0 - 0.16 * dent * (1 - calm)
    q = np.sqrt(x * x + y * y)
    # distance outside the edge in Mm: exact over the apex, to first order elsewhere
    slope = np.sqrt((x / half) ** 2 + (y / front) ** 2) / np.maximum(q, 1e-3)
    outward = (q - edge) / np.maximum(slope, 1e-6)
    depth = np.maximum(-outward, 0.0)
    # no threads within the soft edge itself: its half level is to be the front; and the nose is never so thin
    # that its edge is lost
    inward = np.maximum(depth - 2.5 * eruption.edge_mm, 0.0)
    row = np.clip(inward * (26.0 / thick) + 8.0, 0.0, threads.shape[1] - 1)
    texture = cv2.remap(threads[0], column, row.astype(np.float32), cv2.INTER_LINEAR)
    texture += 0.8 * calm * np.exp(-((depth / 6.0) ** 3))
    body = np.exp(-((depth / (1.6 * thick)) ** 2.5)) + 0.10 * np.exp(-depth / (5 * thick))
    level = eruption.brightness * (eruption.height_mm / front) ** eruption.dimming
    above = 1.0 / (1.0 + np.exp(-(part.height_mm + 2.0)))
    # 1 inside, 0 outside, a Gaussian's distribution function between
    sigmas = outward / eruption.edge_mm
    step = (sigmas < 0).astype(np.float32)
    near = np.abs(sigmas) < 5.0
    step[near] = 0.5 * erfc(sigmas[near] / math.sqrt(2.0))
    light = level * step * body * texture * above
    strip[part.rows, part.columns] += light.astype(np.float32)
