"""Plasma of known place and motion, drawn analytically at a frame's own time on a grid along the limb: knots,
swaying threads, eruptions. Columns run counter-clockwise, rows upward."""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.special import erfc

from promtrack.scene.content import FWHM_SIGMA, Eruption, SwayingThread, front_height, sway_displacement
from promtrack.scene.random_fields import smooth_noise


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
    sigma = size_mm / FWHM_SIGMA
    reach = 5.0 * sigma / (grid.limb_mm + height)
    part = window(grid, (angle - reach, angle + reach), (height - 5 * sigma, height + 5 * sigma))
    if part is None:
        return
    # exact distance in the plane of the sky, so that the knot is round at any height
    rho, across = grid.limb_mm + part.height_mm, part.angle_rad - angle
    dx, dy = rho * np.sin(across), rho * np.cos(across) - (grid.limb_mm + height)
    round_light = light * np.exp(-0.5 * (dx * dx + dy * dy) / sigma**2)
    strip[part.rows, part.columns] += round_light.astype(np.float32)


def add_sway(strip: np.ndarray, grid: Grid, sway: SwayingThread, time_s: float) -> None:
    """Add to a strip (rows, columns) a radial thread with soft ends, displaced along the limb by the same
    length at all its heights."""
    sigma = sway.size_mm / FWHM_SIGMA
    shift = float(sway_displacement(sway, time_s))
    rest = math.radians(sway.at_deg)
    reach = (abs(sway.amplitude_mm) + 5 * sigma) / grid.limb_mm
    part = window(grid, (rest - reach, rest + reach), (sway.low_mm - 4, sway.high_mm + 4))
    if part is None:
        return
    across = (part.angle_rad - rest) * (grid.limb_mm + part.height_mm) - shift
    low, high = (
        1 + np.tanh(side / 1.5) for side in (part.height_mm - sway.low_mm, sway.high_mm - part.height_mm)
    )
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
    strip: np.ndarray, grid: Grid, eruption: Eruption, threads: np.ndarray, time_s: float
) -> None:
    """Add to a strip (rows, columns) an arch on narrow legs whose outer edge, a soft step, has its half level
    at the front's height over the apex."""
    front = float(front_height(eruption, time_s))
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
    light = level * _step(outward / eruption.edge_mm) * body * texture * above
    strip[part.rows, part.columns] += light.astype(np.float32)


def _step(z: np.ndarray) -> np.ndarray:
    """1 inside (z below 0), 0 outside, a Gaussian's distribution function between."""
    step = (z < 0).astype(np.float32)
    near = np.abs(z) < 5.0
    step[near] = 0.5 * erfc(z[near] / math.sqrt(2.0))
    return step
