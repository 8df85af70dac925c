"""The zone around the limb, unwrapped along rays, and the edge in it to a fraction of a pixel.

One zone a frame serves the edge, the circle and the position along the limb. Rays stand on a fixed grid of
angles of the reference frame, so that zones of different frames can be laid on each other.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d

from promtrack.limb.geometry import Place, frame_points, visible_angles

MOST_RAYS = 1400


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Rays and distances on which every zone of a sequence is sampled."""

    theta_deg: np.ndarray   # (n,) all round the Sun, equally spaced
    step_px: float          # distance of neighbouring rays at the limb
    offset_px: np.ndarray   # (m,) distances from the limb, 1 px apart

    @property
    def step_deg(self) -> float:
        return 360.0 / len(self.theta_deg)


@dataclass(frozen=True, slots=True, eq=False)
class Zone:
    """The limb zone of one frame: rows are rays, columns run outward."""

    ray: np.ndarray         # (k,) numbers of the rays in the grid, increasing
    value: np.ndarray       # (k, m) float32, counts
    valid: np.ndarray       # (k, m) bool, inside the frame


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """The steepest fall on each ray."""

    offset_px: np.ndarray   # (k,) from the limb circle on which the zone was laid, outward positive
    fall: np.ndarray        # (k,) steepness there, counts per px
    width_px: np.ndarray    # (k,) Gaussian width of the fall
    good: np.ndarray        # (k,) bool: a fall was found inside the window, not at its border


def make_grid(radius_px: float, visible_px: float, inside_px: float, outside_px: float) -> Grid:
    """Grid for a limb of this radius of which `visible_px` can be seen in one frame."""
    step = max(1.0, visible_px / MOST_RAYS)
    count = int(np.ceil(2 * np.pi * radius_px / step))
    theta = np.arange(count) * (360.0 / count)
    return Grid(theta, 2 * np.pi * radius_px / count, np.arange(-round(inside_px), round(outside_px) + 1.0))


def unwrap(frame: np.ndarray, place: Place, grid: Grid, *, interpolation: int = cv2.INTER_CUBIC) -> Zone:
    """Sample the limb zone of a frame around `place` (cubic: the edge must not depend on the pixel's phase)."""
    ray = np.nonzero(visible_angles(place, frame.shape, grid.theta_deg))[0]
    if not len(ray):
        empty = np.zeros((0, len(grid.offset_px)), np.float32)
        return Zone(ray, empty, empty.astype(bool))
    # x and y are linear in rho along a ray: two points a ray give them all
    x0, y0 = frame_points(place, grid.theta_deg[ray], place.radius_px)
    x1, y1 = frame_points(place, grid.theta_deg[ray], place.radius_px + 1.0)
    x = (x0[:, None] + (x1 - x0)[:, None] * grid.offset_px).astype(np.float32)
    y = (y0[:, None] + (y1 - y0)[:, None] * grid.offset_px).astype(np.float32)
    rows, columns = frame.shape
    valid = (x >= 1) & (x <= columns - 2) & (y >= 1) & (y <= rows - 2)
    left, right = max(0, int(x.min()) - 3), min(columns, int(x.max()) + 5)
    top, bottom = max(0, int(y.min()) - 3), min(rows, int(y.max()) + 5)
    part = frame[top:bottom, left:right].astype(np.float32)
    value = cv2.remap(part, x - np.float32(left), y - np.float32(top), interpolation, borderMode=cv2.BORDER_REPLICATE)
    return Zone(ray, value, valid)


def edge_of(zone: Zone, grid: Grid, *, search_px: float, blur_px: float, along_px: float,
            expected_px: np.ndarray | float = 0.0) -> Edge:
    """Steepest fall on each ray within `search_px` of `expected_px`.

    Parameters
    ----------
    blur_px : width of the Gaussian whose derivative measures the fall; near the width of the edge is best
    along_px : smoothing from ray to ray, against noise
    """
    smooth = cv2.GaussianBlur(zone.value, (1, 0) if along_px <= 0 else (0, 0), sigmaX=0.01, sigmaY=max(along_px / grid.step_px, 0.01)) \
        if along_px > 0 else zone.value
    slope = gaussian_filter1d(smooth, blur_px, axis=1, order=1, mode="nearest")
    offsets = grid.offset_px
    expected = np.broadcast_to(np.asarray(expected_px, np.float32), len(zone.ray))
    window = (np.abs(offsets[None, :] - expected[:, None]) <= search_px) & zone.valid
    fall = np.where(window, -slope, -np.inf)
    at = np.argmax(fall, axis=1)
    ray = np.arange(len(at))
    inner = np.clip(at, 1, len(offsets) - 2)
    before, middle, after = -slope[ray, inner - 1], -slope[ray, inner], -slope[ray, inner + 1]
    curvature = 2 * middle - before - after
    good = (at == inner) & (curvature > 0) & (middle > 0) & (middle >= before) & (middle >= after)
    if len(at):
        good &= window[ray, inner - 1] & window[ray, inner + 1]
    safe = np.where(good, curvature, 1.0)
    shift = np.where(good, 0.5 * (after - before) / safe, 0.0)
    # a Gaussian fall of total width s has slope'' / slope = -1 / s^2 at its steepest point
    width2 = np.where(good, middle / safe, 0.0) - blur_px**2
    return Edge(offsets[inner] + shift, np.where(good, middle, 0.0), np.sqrt(np.maximum(width2, 0.01)), good)
