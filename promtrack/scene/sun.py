"""What the Sun looks like at a time: light on a strip along the limb (plasma, fringe) and on the disc's face.

The strips run along the limb (columns, counter-clockwise) and upward (rows), finer than the frames, so that a frame
is one interpolation of them. Everything that has a known place and motion (knots, fronts, swaying threads) is drawn
analytically at the frame's own time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from promtrack.scene.disc import disc_texture
from promtrack.scene.paths import fading, front_height, knot_place, sway_displacement
from promtrack.scene.prominence import Patch, arch_patch, filament_patch, group_light, hedgerow_patch
from promtrack.scene.spec import Eruption, SceneSpec, SwayingThread
from promtrack.scene.threads import draw_threads
from promtrack.scene.wander import smooth_noise

__all__ = ["SunLayers", "View", "build_layers", "face_at", "fringe_at", "plasma_at"]


@dataclass(frozen=True, slots=True)
class View:
    """What part of the Sun the frames show, in angle [rad] from the facing direction and in Mm; and how finely."""

    from_rad: float
    to_rad: float
    high_mm: float
    box_px: tuple[float, float, float, float]  # left, top, right, bottom about the Sun's centre, facing up
    oversampling: float


@dataclass(frozen=True, slots=True, eq=False)
class SunLayers:
    """All that is drawn once."""

    from_rad: float
    rad_per_column: float
    columns: int
    low_mm: float
    mm_per_row: float
    rows: int
    patches: tuple[Patch, ...]
    fringe: Patch
    eruption_threads: tuple[np.ndarray, ...]
    face: np.ndarray                # (2, rows, columns) two patterns of the disc, between which it turns
    face_left_px: float
    face_top_px: float
    knot_light: tuple[float, ...]   # brightness of each knot before seeing


def build_layers(spec: SceneSpec, view: View, knot_light: tuple[float, ...]) -> SunLayers:
    """Draw everything that stays in its place."""
    limb, seed = spec.limb_mm, spec.seed
    step = spec.mm_per_px / view.oversampling
    patches = [make(item, step, limb, (seed, code, number))
               for code, make, items in ((11, hedgerow_patch, spec.hedgerows), (12, arch_patch, spec.arches),
                                         (13, filament_patch, spec.filaments))
               for number, item in enumerate(items)]
    low = min([-6.0 - 6 * step, *(patch.height_mm for patch in patches)])
    columns = math.ceil((view.to_rad - view.from_rad) * limb / step) + 1
    face, corner = _face(spec, view)
    return SunLayers(from_rad=view.from_rad, rad_per_column=step / limb, columns=columns, low_mm=low, mm_per_row=step,
                     rows=math.ceil((_content_top(spec, view) - low) / step) + 1, patches=tuple(patches),
                     fringe=_fringe(spec, view, step, columns),
                     eruption_threads=tuple(_eruption_threads((seed, 14, k)) for k in range(len(spec.eruptions))),
                     face=face, face_left_px=corner[0], face_top_px=corner[1], knot_light=knot_light)


def plasma_at(spec: SceneSpec, layers: SunLayers, time_s: float) -> np.ndarray:
    """Plasma on the strip (rows, columns) float32: brightness off the limb, dark in front of the disc."""
    strip = np.zeros((layers.rows, layers.columns), dtype=np.float32)
    for patch in layers.patches:
        _add(strip, layers, group_light(patch, time_s), patch.angle_rad, patch.height_mm)
    for eruption, threads in zip(spec.eruptions, layers.eruption_threads, strict=True):
        _add_eruption(strip, layers, spec.limb_mm, eruption, threads, time_s)
    for sway in spec.sways:
        _add_sway(strip, layers, spec.limb_mm, sway, time_s)
    for knot, light in zip(spec.knots, layers.knot_light, strict=True):
        part = float(fading(np.float64(time_s), knot.from_s, knot.life_s, knot.fade_s))
        if part > 0:
            angle, height = knot_place(knot, time_s, spec.limb_mm)
            _add_knot(strip, layers, spec.limb_mm, (float(angle[0]), float(height[0])), knot.size_mm, light * part)
    return strip


def fringe_at(layers: SunLayers, time_s: float) -> np.ndarray:
    """The spicule fringe on its own strip (rows, columns), of which row 0 lies at `layers.fringe.height_mm`."""
    return group_light(layers.fringe, time_s)


def face_at(spec: SceneSpec, layers: SunLayers, time_s: float) -> np.ndarray:
    """The disc's pattern (rows, columns), contrast relative to the mean."""
    turn = 0.5 * np.pi * time_s / spec.texture_s if spec.texture_s else 0.0
    first, second = np.float32(spec.texture * math.cos(turn)), np.float32(spec.texture * math.sin(turn))
    return first * layers.face[0] + second * layers.face[1] if spec.texture_s else first * layers.face[0]


def _content_top(spec: SceneSpec, view: View) -> float:
    time_s = spec.time_s
    tops = [12.0, *(1.4 * row.height_mm + 8 for row in spec.hedgerows), *(a.height_mm + 4 * a.thickness_mm for a in spec.arches),
            *(1.4 * f.outside_mm + 8 for f in spec.filaments), *(s.high_mm + 10 for s in spec.sways)]
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
    face = [disc_texture(np.random.default_rng([spec.seed, 15, k]), x, y, spec.radius_px, spec.mm_per_px) for k in range(count)]
    return np.stack(face), (float(x[0, 0]), float(y[0, 0]))


def _fringe(spec: SceneSpec, view: View, step: float, columns: int) -> Patch:
    """Spicules: short leaning threads of unequal height on a smooth base that fades within a scale height."""
    groups = 12
    rng = np.random.default_rng([spec.seed, 16])
    low = -4.0 * spec.mm_per_px
    shape = int((6.0 * spec.fringe_mm - low) / step) + 2, columns
    count = int(columns * step * 7.0)
    root = rng.uniform(0, columns, count)
    height = rng.gamma(3.0, spec.fringe_mm / 3.0, count) / step
    lean = np.interp(root, np.arange(columns), 0.35 * smooth_noise(rng, (1, columns), (1.0, 12.0 / step))[0]) + rng.normal(0, 0.22, count)
    part = np.linspace(0.0, 1.0, max(int(6 * spec.fringe_mm / step), 8))[None, :]
    points = np.stack((root[:, None] + np.tan(np.clip(lean, -1, 1))[:, None] * height[:, None] * part,
                       -low / step + height[:, None] * part), axis=-1)
    weights = (1.0 - part) ** 0.7 * height[:, None] * rng.lognormal(0.0, 0.6, (count, 1))
    light = draw_threads(points, weights, rng.integers(0, groups, count), groups, shape, max(0.22 / step, 0.4))
    h = low + np.arange(shape[0]) * step
    light *= 0.5 / max(float(light.sum(axis=0)[np.argmin(np.abs(h - 0.4 * spec.fringe_mm))].mean()), 1e-9)
    light += (0.55 / groups * np.exp(-np.maximum(h, 0) / spec.fringe_mm))[None, :, None].astype(np.float32)
    limb_row = math.ceil(-low / step + 1)
    light[:, :limb_row] = light[:, limb_row:limb_row + 1]  # goes on below the limb, where the disc's own edge cuts it
    return Patch(view.from_rad, low, np.ascontiguousarray(light, dtype=np.float32) * np.float32(spec.fringe), spec.boil_s, 0.5, (spec.seed, 17))


def _add(strip: np.ndarray, layers: SunLayers, light: np.ndarray, angle_rad: float, height_mm: float) -> None:
    column = (angle_rad - layers.from_rad) / layers.rad_per_column
    row = (height_mm - layers.low_mm) / layers.mm_per_row
    column, row = round(column), round(row)
    r0, c0 = max(row, 0), max(column, 0)
    r1, c1 = min(row + light.shape[0], strip.shape[0]), min(column + light.shape[1], strip.shape[1])
    if r1 > r0 and c1 > c0:
        strip[r0:r1, c0:c1] += light[r0 - row:r1 - row, c0 - column:c1 - column]


def _box(layers: SunLayers, angle: tuple[float, float], height: tuple[float, float]) -> tuple[slice, slice, np.ndarray, np.ndarray]:
    """Slices of the strip around a range of angle and height, with the angles (columns,) and heights (rows, 1)."""
    c0 = max(math.floor((angle[0] - layers.from_rad) / layers.rad_per_column), 0)
    c1 = min(math.ceil((angle[1] - layers.from_rad) / layers.rad_per_column) + 1, layers.columns)
    r0 = max(math.floor((height[0] - layers.low_mm) / layers.mm_per_row), 0)
    r1 = min(math.ceil((height[1] - layers.low_mm) / layers.mm_per_row) + 1, layers.rows)
    rows, columns = slice(r0, max(r1, r0)), slice(c0, max(c1, c0))
    angles = layers.from_rad + layers.rad_per_column * np.arange(columns.start, columns.stop)
    heights = layers.low_mm + layers.mm_per_row * np.arange(rows.start, rows.stop)
    return rows, columns, angles, heights[:, None]


def _add_knot(strip: np.ndarray, layers: SunLayers, limb_mm: float, place: tuple[float, float], size_mm: float, light: float) -> None:
    angle, height = place
    sigma = size_mm / 2.3548
    reach = 5.0 * sigma / (limb_mm + height)
    rows, columns, angles, heights = _box(layers, (angle - reach, angle + reach), (height - 5 * sigma, height + 5 * sigma))
    # exact distance in the plane of the sky, so that the knot is round at any height
    rho, across = limb_mm + heights, angles - angle
    dx, dy = rho * np.sin(across), rho * np.cos(across) - (limb_mm + height)
    strip[rows, columns] += (light * np.exp(-0.5 * (dx * dx + dy * dy) / sigma**2)).astype(np.float32)


def _add_sway(strip: np.ndarray, layers: SunLayers, limb_mm: float, sway: SwayingThread, time_s: float) -> None:
    sigma = sway.size_mm / 2.3548
    shift = float(sway_displacement(sway, time_s))
    rest = math.radians(sway.at_deg)
    reach = (sway.amplitude_mm + 5 * sigma) / limb_mm
    rows, columns, angles, heights = _box(layers, (rest - reach, rest + reach), (sway.low_mm - 4, sway.high_mm + 4))
    across = (angles - rest) * (limb_mm + heights) - shift
    ends = 0.25 * (1 + np.tanh((heights - sway.low_mm) / 1.5)) * (1 + np.tanh((sway.high_mm - heights) / 1.5))
    strip[rows, columns] += (sway.brightness * ends * np.exp(-0.5 * (across / sigma) ** 2)).astype(np.float32)


def _eruption_threads(key: tuple[int, ...]) -> np.ndarray:
    """Threads beside each other along an arch, in its own coordinates: rows outward, columns from foot to foot."""
    rng = np.random.default_rng(key)
    fine = smooth_noise(rng, (96, 512), (2.2, 42.0)) + 0.7 * smooth_noise(rng, (96, 512), (5.0, 70.0))
    return np.exp(0.55 * fine).astype(np.float32) / np.float32(1.25)


def _add_eruption(strip: np.ndarray, layers: SunLayers, limb_mm: float, eruption: Eruption, threads: np.ndarray, time_s: float) -> None:
    front = float(front_height(eruption, time_s))
    grown = front / eruption.height_mm
    half = 0.5 * eruption.width_mm * grown**0.45
    thick = eruption.thickness_mm * grown**0.55
    middle = math.radians(eruption.at_deg)
    reach = (half * 1.08 + 8 * eruption.edge_mm) / limb_mm
    rows, columns, angles, heights = _box(layers, (middle - reach, middle + reach), (-4.0, front + 6 * eruption.edge_mm))
    if rows.stop <= rows.start or columns.stop <= columns.start:
        return
    # the arch is half an ellipse in (along the limb, height); `outward` is the distance from its outer edge in Mm,
    # exact at the apex and to first order elsewhere
    x = ((angles - middle) * limb_mm / half).astype(np.float32)[None, :]
    y = (heights / front).astype(np.float32)
    q = np.sqrt(x * x + y * y)
    slope = np.sqrt((x / half) ** 2 + (y / front) ** 2) / np.maximum(q, 1e-3)
    outward = (q - 1.0) / np.maximum(slope, 1e-6)
    profile = _edge(outward / eruption.edge_mm) * np.exp(np.minimum(outward, 0.0) / thick)
    texture = _thread_pattern(threads, x, y, outward / thick)
    light = eruption.brightness * (eruption.height_mm / front) ** eruption.dimming
    strip[rows, columns] += np.float32(light) * profile * texture * (heights > -3.0)


def _edge(z: np.ndarray) -> np.ndarray:
    """The Gaussian distribution function of -z, with 1 inside; series of `math.erfc` in a table."""
    grid = np.linspace(-5.0, 5.0, 2001)
    table = 0.5 * np.array([math.erfc(v / math.sqrt(2.0)) for v in grid])
    return np.interp(z, grid, table).astype(np.float32)


def _thread_pattern(threads: np.ndarray, x: np.ndarray, y: np.ndarray, depth: np.ndarray) -> np.ndarray:
    import cv2
    phase = np.arctan2(x, np.maximum(y, -0.05)) / np.float32(np.pi) + np.float32(0.5)
    column = np.clip(phase, 0.0, 1.0) * np.float32(threads.shape[1] - 1)
    row = np.clip(-depth * 22.0 + 6.0, 0.0, threads.shape[0] - 1).astype(np.float32)
    return cv2.remap(threads, column.astype(np.float32), row, cv2.INTER_LINEAR)
