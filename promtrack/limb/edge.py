"""The zone around the limb, unwrapped along rays, and the edge in it to a fraction of a pixel.

Rays stand on a fixed grid of angles of the reference frame, so that zones of different frames can be laid on each
other: a narrow, fine one for the edge and the circle, a wide one for the position along the limb.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.limb.geometry import Place, frame_points, visible_angles

MOST_RAYS = 1000


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Rays and distances on which every zone of a sequence is sampled."""

    theta_deg: np.ndarray   # (n,) all round the Sun, equally spaced
    step_px: float          # distance of neighbouring rays at the limb
    offset_px: np.ndarray   # (m,) distances from the limb, equally spaced

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


def make_grid(radius_px: float, inside_px: float, outside_px: float, *, ray_px: float = 1.0, pitch_px: float = 1.0) -> Grid:
    """Grid for a limb of this radius: rays `ray_px` apart at the limb, samples `pitch_px` apart along them."""
    count = int(np.ceil(2 * np.pi * radius_px / ray_px))
    theta = np.arange(count) * (360.0 / count)
    offsets = pitch_px * np.arange(-int(inside_px / pitch_px), int(outside_px / pitch_px) + 1.0)
    return Grid(theta, 2 * np.pi * radius_px / count, offsets)


def unwrap(frame: np.ndarray, place: Place, grid: Grid, *, interpolation: int = cv2.INTER_CUBIC,
           margin_px: float = 5.0) -> Zone:
    """Sample the limb zone of a frame around `place` (cubic: the edge must not depend on the pixel's phase).

    Rays whose limb lies within `margin_px` of the border are left out: they lean out of the frame, and an edge half cut
    off at both ends of the arc would bend the circle.
    """
    ray = np.nonzero(visible_angles(place, frame.shape, grid.theta_deg, margin_px))[0]
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


def edge_of(zone: Zone, grid: Grid, *, search_px: float, blur_px: float, along_px: float) -> Edge:
    """Steepest fall on each ray within `search_px` of the limb circle on which the zone was laid.

    Parameters
    ----------
    blur_px : width of the Gaussian whose derivative measures the fall
    along_px : smoothing from ray to ray, against noise
    """
    smooth = zone.value
    if along_px > 0:
        smooth = cv2.GaussianBlur(smooth, (1, _odd(3 * along_px / grid.step_px)), sigmaX=1, sigmaY=along_px / grid.step_px)
    slope = cv2.sepFilter2D(smooth, cv2.CV_32F, _derivative(blur_px), np.ones(1), borderType=cv2.BORDER_REPLICATE)
    offsets = grid.offset_px
    low, high = np.searchsorted(offsets, [-search_px, search_px + 1e-9])
    low, high = max(low, 1), min(high, len(offsets) - 1)
    window = slope[:, low:high]
    at = np.argmin(np.where(zone.valid[:, low:high], window, np.inf), axis=1) + low
    ray = np.arange(len(at))
    before, middle, after = -slope[ray, at - 1], -slope[ray, at], -slope[ray, at + 1]
    curvature = 2 * middle - before - after
    good = (middle > 0) & (curvature > 0) & (middle >= before) & (middle >= after) & zone.valid[ray, at - 1] & zone.valid[ray, at + 1]
    safe = np.where(good, curvature, 1.0)
    shift = np.where(good, 0.5 * (after - before) / safe, 0.0)
    # a Gaussian fall of total width s has slope'' / slope = -1 / s^2 at its steepest point
    width2 = np.where(good, middle / safe, 0.0) - blur_px**2
    return Edge(offsets[at] + shift, np.where(good, middle, 0.0), np.sqrt(np.maximum(width2, 0.01)), good)


def bias_of(narrow: Edge, wide: Edge, narrow_px: float, wide_px: float, kept: np.ndarray) -> float:
    """Shift of the narrow edge that blur brings where the two sides of the limb are unlike, outward positive.

    A limb with a bright fringe outside or a darkening disc inside is not an odd function about its steepest point:
    blur of variance s2 moves that point by c s2 to first order. Two known blurs give c, and with the limb's own
    width the shift that all blur together has made. One value a frame: it is the same along the limb but for noise.
    """
    both = kept & wide.good & (np.abs(wide.offset_px - narrow.offset_px) < 1.5)
    if both.sum() < 20:
        return 0.0
    rate = float(np.mean(wide.offset_px[both] - narrow.offset_px[both])) / (wide_px**2 - narrow_px**2)
    return rate * (narrow_px**2 + float(np.median(narrow.width_px[both])) ** 2)


def _derivative(sigma: float) -> np.ndarray:
    """Derivative of a Gaussian, scaled so that a slope of 1 gives 1."""
    x = np.arange(-int(np.ceil(3.5 * sigma)), int(np.ceil(3.5 * sigma)) + 1)
    kernel = x * np.exp(-0.5 * (x / sigma) ** 2)
    return kernel / (kernel * x).sum()


def _odd(half: float) -> int:
    return 2 * int(np.ceil(half)) + 1
