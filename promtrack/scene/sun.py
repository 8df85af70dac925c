"""What the Sun looks like at a time: light on a strip along the limb (plasma, fringe) and on the disc's face.

The strips run along the limb (columns, counter-clockwise) and upward (rows), finer than the frames, so that a
frame is one interpolation of them. Everything that has a known place and motion (knots, fronts, swaying
threads) is drawn analytically at the frame's own time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.scene import plasma
from promtrack.scene.content import fading, front_height, knot_place
from promtrack.scene.random_fields import draw_threads, smooth_noise, trace
from promtrack.scene.spec import SceneSpec


@dataclass(frozen=True, slots=True)
class View:
    """What part of the Sun the frames show, in rad from the facing direction and in Mm; how finely."""

    from_rad: float
    to_rad: float
    high_mm: float
    box_px: tuple[float, float, float, float]  # left, top, right, bottom about the Sun's centre, facing up
    oversampling: float


@dataclass(frozen=True, slots=True, eq=False)
class SunLayers:
    """All that is drawn once."""

    grid: plasma.Grid
    patches: tuple[plasma.Patch, ...]
    fringe: plasma.Patch
    eruption_threads: tuple[np.ndarray, ...]
    face: np.ndarray  # (2, rows, columns) two patterns of the disc, between which it turns
    face_left_px: float
    face_top_px: float
    knot_light: tuple[float, ...]  # brightness of each knot before seeing


def build_layers(spec: SceneSpec, view: View, knot_light: tuple[float, ...]) -> SunLayers:
    """Draw everything that stays in its place."""
    limb, seed = spec.limb_mm, spec.seed
    step = spec.mm_per_px / view.oversampling
    patches = [
        *(plasma.hedgerow_patch(row, step, limb, (seed, 11, k)) for k, row in enumerate(spec.hedgerows)),
        *(plasma.arch_patch(arch, step, limb, (seed, 12, k)) for k, arch in enumerate(spec.arches)),
        *(plasma.filament_patch(dark, step, limb, (seed, 13, k)) for k, dark in enumerate(spec.filaments)),
    ]
    low = min([-6.0 - 6 * step, *(patch.height_mm for patch in patches)])
    columns = math.ceil((view.to_rad - view.from_rad) * limb / step) + 1
    face, corner = _face(spec, view)
    grid = plasma.Grid(
        from_rad=view.from_rad,
        rad_per_column=step / limb,
        columns=columns,
        low_mm=low,
        mm_per_row=step,
        rows=math.ceil((_content_top(spec, view) - low) / step) + 1,
        limb_mm=limb,
    )
    return SunLayers(
        grid=grid,
        patches=tuple(patches),
        fringe=_fringe(spec, view, step, columns),
        eruption_threads=tuple(plasma.erupting_threads((seed, 14, k)) for k in range(len(spec.eruptions))),
        face=face,
        face_left_px=corner[0],
        face_top_px=corner[1],
        knot_light=knot_light,
    )


def plasma_at(spec: SceneSpec, layers: SunLayers, time_s: float) -> np.ndarray:
    """Plasma on the strip (rows, columns) float32: brightness off the limb, dark in front of the disc."""
    grid = layers.grid
    strip = np.zeros((grid.rows, grid.columns), dtype=np.float32)
    for patch in layers.patches:
        plasma.add_light(strip, grid, plasma.group_light(patch, time_s), patch.angle_rad, patch.height_mm)
    for eruption, threads in zip(spec.eruptions, layers.eruption_threads, strict=True):
        plasma.add_eruption(strip, grid, eruption, threads, time_s)
    for sway in spec.sways:
        plasma.add_sway(strip, grid, sway, time_s)
    for knot, light in zip(spec.knots, layers.knot_light, strict=True):
        part = float(fading(time_s, knot.from_s, knot.life_s, knot.fade_s))
        if part > 0:
            angle, height = knot_place(knot, time_s, spec.limb_mm)
            plasma.add_knot(strip, grid, (float(angle[0]), float(height[0])), knot.size_mm, light * part)
    return strip


def face_at(spec: SceneSpec, layers: SunLayers, time_s: float) -> np.ndarray:
    """The disc's pattern (rows, columns), contrast relative to the mean."""
    turn = 0.5 * np.pi * time_s / spec.texture_s if spec.texture_s else 0.0
    first, second = np.float32(spec.texture * math.cos(turn)), np.float32(spec.texture * math.sin(turn))
    return first * layers.face[0] + second * layers.face[1] if spec.texture_s else first * layers.face[0]


def _content_top(spec: SceneSpec, view: View) -> float:
    time_s = spec.time_s
    tops = [
        12.0,
        *(1.4 * row.height_mm + 8 for row in spec.hedgerows),
        *(a.height_mm + 4 * a.thickness_mm for a in spec.arches),
        *(1.4 * f.outside_mm + 8 for f in spec.filaments),
        *(s.high_mm + 10 for s in spec.sways),
    ]
    for knot in spec.knots:
        on = fading(time_s, knot.from_s, knot.life_s, knot.fade_s) > 0
        if on.any():
            tops.append(float(knot_place(knot, time_s[on], spec.limb_mm)[1].max()) + 3 * knot.size_mm)
    tops += [float(front_height(eruption, time_s).max()) * 1.15 + 10 for eruption in spec.eruptions]
    return min(max(tops), view.high_mm)


def _face(spec: SceneSpec, view: View) -> tuple[np.ndarray, tuple[float, float]]:
    left, top, right, bottom = view.box_px
    limit = spec.radius_px + 3
    left, right, top, bottom = max(left, -limit), min(right, limit), max(top, -limit), min(bottom, limit)
    if spec.texture <= 0 or right <= left or bottom <= top:
        return np.zeros((2, 2, 2), dtype=np.float32), (0.0, 0.0)
    x = np.arange(math.floor(left) - 2, math.ceil(right) + 3, dtype=np.float32)[None, :]
    y = np.arange(math.floor(top) - 2, math.ceil(bottom) + 3, dtype=np.float32)[:, None]
    x, y = np.broadcast_arrays(x, y)
    count = 2 if spec.texture_s else 1
    face = [
        disc_texture(np.random.default_rng([spec.seed, 15, k]), x, y, spec.radius_px, spec.mm_per_px)
        for k in range(count)
    ]
    return np.stack(face), (float(x[0, 0]), float(y[0, 0]))


def _fringe(spec: SceneSpec, view: View, step: float, columns: int) -> plasma.Patch:
    """Spicules: short leaning threads of unequal height on a smooth base that fades within a scale height."""
    groups = 12
    rng = np.random.default_rng([spec.seed, 16])
    low = -4.0 * spec.mm_per_px
    shape = int((6.0 * spec.fringe_mm - low) / step) + 2, columns
    count = int(columns * step * 7.0)
    root = rng.uniform(0, columns, count)
    height = spec.fringe_mm * (0.6 + rng.gamma(1.6, 0.45, count)) / step
    wide = 0.35 * smooth_noise(rng, (1, columns), (1.0, 12.0 / step))[0]
    lean = np.interp(root, np.arange(columns), wide) + rng.normal(0, 0.22, count)
    part = np.linspace(0.0, 1.0, max(int(6 * spec.fringe_mm / step), 8))[None, :]
    across = root[:, None] + np.tan(np.clip(lean, -1, 1))[:, None] * height[:, None] * part
    points = np.stack((across, -low / step + height[:, None] * part), axis=-1)
    weights = (1.0 - part**2.5) * height[:, None] * rng.lognormal(0.0, 0.5, (count, 1))
    group = rng.integers(0, groups, count)
    light = draw_threads(points, weights, group, groups, shape, max(0.22 / step, 0.4))
    h = low + np.arange(shape[0]) * step
    light *= 0.5 / max(float(light.sum(axis=0)[np.argmin(np.abs(h - 0.2 * spec.fringe_mm))].mean()), 1e-9)
    # level at the limb, so that the steepest fall stays that of the disc's edge
    base = np.exp(-(np.hypot(np.maximum(h, 0.0), 1.2) - 1.2) / spec.fringe_mm)
    light += (0.55 / groups * base)[None, :, None].astype(np.float32)
    limb_row = math.ceil(-low / step + 1)  # goes on below the limb, where the disc's own edge cuts it
    light[:, :limb_row] = light[:, limb_row : limb_row + 1]
    light = np.ascontiguousarray(light, dtype=np.float32) * np.float32(spec.fringe)
    return plasma.Patch(view.from_rad, low, light, spec.boil_s, 0.8, (spec.seed, 17))


def darkening(distance: np.ndarray, coefficient: float) -> np.ndarray:
    """Brightness at `distance` (limb radii) from the disc's centre: I(mu) = 1 - u (1 - mu); the limb's value
    outside. mu stays above 0.1, as in a layer of some thickness: a plain mu would fall ever faster towards
    the limb, and pull the steepest fall inward by some hundredths of a pixel."""
    mu = np.sqrt(np.maximum(1.0 - distance * distance, 0.0, dtype=np.float32) + np.float32(0.01))
    return (1.0 - coefficient) + np.float32(coefficient) * mu


def disc_texture(
    rng: np.random.Generator, x: np.ndarray, y: np.ndarray, radius_px: float, mm_per_px: float
) -> np.ndarray:
    """Contrast of zero mean and about unit variance on pixels (x, y) from the Sun's centre: (rows, columns),
    drawn in an equal-area plane of the sphere, then seen in perspective: squeezed along the radius towards
    the limb."""
    distance = np.minimum(np.hypot(x, y) / radius_px, 1.0)
    # Lambert's equal-area plane: 2 R sin(psi / 2), psi the angle from the disc's centre
    far = 2.0 * np.sin(0.5 * np.arcsin(distance)) / np.maximum(distance, 1e-6)
    stretch = np.where(distance > 1e-6, far, 1.0)
    step_mm = max(mm_per_px, 0.35)
    u, v = x * stretch * mm_per_px / step_mm, y * stretch * mm_per_px / step_mm
    left, top = float(u.min()) - 2, float(v.min()) - 2
    shape = int(v.max() - top) + 4, int(u.max() - left) + 4
    pattern = _chromosphere(rng, shape, step_mm)
    seen = cv2.remap(pattern, (u - left).astype(np.float32), (v - top).astype(np.float32), cv2.INTER_LINEAR)
    # in the last few Mm under the limb the line of sight crosses many structures, and their contrast fades
    depth = (1.0 - distance) * radius_px * mm_per_px
    return seen * (0.35 + 0.65 * np.clip(depth / 25.0, 0.0, 1.0)).astype(np.float32)


def _chromosphere(rng: np.random.Generator, shape: tuple[int, int], step_mm: float) -> np.ndarray:
    """Network, mottles and fibrils on a plane of `step_mm` a sample, unit variance."""
    network = smooth_noise(rng, shape, 14.0 / step_mm)
    swirl = smooth_noise(rng, shape, 11.0 / step_mm) * 2.2 + smooth_noise(rng, shape, 30.0 / step_mm) * 2.0
    area_mm2 = shape[0] * shape[1] * step_mm**2
    count = int(np.clip(area_mm2 / 9.0, 50, 150_000))
    seeds = np.column_stack((rng.uniform(0, shape[1], count), rng.uniform(0, shape[0], count)))
    length = rng.gamma(4.0, 1.8, count) / step_mm
    points, weights = trace(seeds, length, np.cos(swirl), np.sin(swirl), step=max(0.6, 0.6 / step_mm))
    dark = np.where(rng.random(count) < 0.6, 0, 1)
    weights = weights * rng.gamma(2.0, 0.5, count)[:, None]
    layers = draw_threads(points, weights, dark, 2, shape, max(0.45 / step_mm, 0.5))
    fibrils = layers[1] - layers[0]
    mottles = smooth_noise(rng, shape, 1.6 / step_mm)
    mix = 0.75 * _unit(fibrils) + 0.45 * mottles + 0.55 * np.clip(network, -1.5, 2.5)
    return _unit(mix)


def _unit(field: np.ndarray) -> np.ndarray:
    return (field - field.mean()) / max(float(field.std()), 1e-9)
