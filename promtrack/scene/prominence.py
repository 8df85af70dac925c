"""Plasma that stays in its place: hedgerows, arches and filaments, built of threads that brighten and fade.

A `Patch` is drawn on the scene's plasma strip: columns run along the limb (counter-clockwise), rows upward;
one value is the brightness off the limb in units of the disc's centre. Groups of threads brighten and fade,
each in its own time; a hedgerow's come in generations that replace each other on the same feet. So within an
hour a prominence looks different although nothing in it travels.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.scene.content import Arch, Filament, Hedgerow
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


def hedgerow_patch(row: Hedgerow, step_mm: float, limb_mm: float, key: tuple[int, ...]) -> Patch:
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
    row: Hedgerow,
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


def arch_patch(arch: Arch, step_mm: float, limb_mm: float, key: tuple[int, ...]) -> Patch:
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


def filament_patch(filament: Filament, step_mm: float, limb_mm: float, key: tuple[int, ...]) -> Patch:
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
