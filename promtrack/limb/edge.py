"""The zone around the limb, unwrapped along rays, and the edge in it to a fraction of a pixel.

Rays stand on a fixed grid of angles of the reference frame, so that zones of different frames can be laid on
each other: a narrow, fine one for the edge and the circle, a wide one for the position along the limb.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.limb.circle import median
from promtrack.limb.records import Place, inside_frame, squeezed

MOST_RAYS = 1000
STRIDE = 16  # rays of which one is tried first, whether they lie in the frame


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Rays and distances on which every zone of a sequence is sampled."""

    theta_deg: np.ndarray  # (n,) all round the Sun, equally spaced
    step_px: float  # distance of neighbouring rays at the limb
    offset_px: np.ndarray  # (m,) distances from the limb, equally spaced
    sine: np.ndarray  # (n,) of theta, kept because every frame needs them
    cosine: np.ndarray  # (n,)

    @property
    def step_deg(self) -> float:
        """Angle between neighbouring rays, degrees."""
        return 360.0 / len(self.theta_deg)

    @property
    def pitch_px(self) -> float:
        """Distance of neighbouring samples on a ray, px."""
        return float(self.offset_px[1] - self.offset_px[0])


@dataclass(frozen=True, slots=True, eq=False)
class Zone:
    """The limb zone of one frame: rows are rays, columns run outward."""

    # (k,) numbers of the rays in the grid, in order round the Sun from one end of the limb seen
    ray: np.ndarray
    value: np.ndarray  # (k, m) float32, counts
    valid: np.ndarray  # (k, m) bool, inside the frame


@dataclass(frozen=True, slots=True, eq=False)
class Edge:
    """The steepest fall on each ray."""

    offset_px: np.ndarray  # (k,) from the limb circle on which the zone was laid, outward positive
    fall: np.ndarray  # (k,) steepness there, counts per px
    width_px: np.ndarray  # (k,) Gaussian width of the fall
    good: np.ndarray  # (k,) bool: a fall was found inside the window, not at its border


def make_grid(
    radius_px: float, inside_px: float, outside_px: float, *, ray_px: float = 1.0, pitch_px: float = 1.0
) -> Grid:
    """Grid for a limb of this radius: rays `ray_px` apart at the limb, samples `pitch_px` apart along
    them."""
    count = int(np.ceil(2 * np.pi * radius_px / ray_px))
    theta = np.arange(count) * (360.0 / count)
    offsets = pitch_px * np.arange(-int(inside_px / pitch_px), int(outside_px / pitch_px) + 1.0)
    return Grid(
        theta, 2 * np.pi * radius_px / count, offsets, np.sin(np.radians(theta)), np.cos(np.radians(theta))
    )


def unwrap(
    frame: np.ndarray,
    place: Place,
    grid: Grid,
    *,
    interpolation: int = cv2.INTER_CUBIC,
    margin_px: float = 5.0,
) -> Zone:
    """Sample the limb zone of a frame around `place` (cubic: the edge must not depend on the pixel's phase).

    Rays whose limb lies within `margin_px` of the border are left out: they lean out of the frame, and an
    edge half cut off at both ends of the arc would bend the circle.
    """
    rows, columns = frame.shape
    ray = np.arange(len(grid.theta_deg))
    # one ray in a stride is tried first, with its neighbours' room: of a short arc few remain to be looked at
    near = _inside(
        frame.shape, place, _directions(place, grid, ray[::STRIDE]), margin_px - STRIDE * grid.step_px
    )
    ray = ray[np.repeat(near, STRIDE)[: len(ray)]]
    dx, dy = _directions(place, grid, ray)
    seen = _inside(frame.shape, place, (dx, dy), margin_px)
    ray, dx, dy = _from_one_end(ray[seen], dx[seen], dy[seen], len(grid.theta_deg))
    if not len(ray):
        empty = np.zeros((0, len(grid.offset_px)), np.float32)
        return Zone(ray, empty, empty.astype(bool))
    # x and y are linear in the distance along a ray, so a zone reaches as far as its first and last samples
    # do
    limb_x, limb_y = place.x_px + place.radius_px * dx, place.y_px + place.radius_px * dy
    ends = grid.offset_px[[0, -1]][:, None]
    end_x, end_y = limb_x + ends * dx, limb_y + ends * dy
    left, right = max(0, int(end_x.min()) - 3), min(columns, int(end_x.max()) + 5)
    top, bottom = max(0, int(end_y.min()) - 3), min(rows, int(end_y.max()) + 5)
    offset = grid.offset_px.astype(np.float32)
    x = np.outer(dx.astype(np.float32), offset) + (limb_x - left).astype(np.float32)[:, None]
    y = np.outer(dy.astype(np.float32), offset) + (limb_y - top).astype(np.float32)[:, None]
    if end_x.min() >= 1 and end_x.max() <= columns - 2 and end_y.min() >= 1 and end_y.max() <= rows - 2:
        valid = np.ones(x.shape, bool)
    else:
        valid = inside_frame(x + left, y + top, frame.shape, 1.0)
    value = cv2.remap(
        frame[top:bottom, left:right].astype(np.float32), x, y, interpolation, borderMode=cv2.BORDER_REPLICATE
    )
    return Zone(ray, value, valid)


def _directions(place: Place, grid: Grid, ray: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(k,) steps in x and y of one px outward along some rays."""
    cosine, sine = np.cos(np.radians(place.turn_deg)), np.sin(np.radians(place.turn_deg))
    dx = -(grid.sine[ray] * cosine + grid.cosine[ray] * sine)
    dy = -(grid.cosine[ray] * cosine - grid.sine[ray] * sine)
    return squeezed(dx, dy, place.zenith_deg, -place.flattening) if place.flattening else (dx, dy)


def _inside(
    shape: tuple[int, int], place: Place, directions: tuple[np.ndarray, np.ndarray], margin_px: float
) -> np.ndarray:
    """(k,) bool: the limb on these rays lies inside the frame by `margin_px`."""
    dx, dy = directions
    return inside_frame(
        place.x_px + place.radius_px * dx, place.y_px + place.radius_px * dy, shape, margin_px
    )


def _from_one_end(
    ray: np.ndarray, dx: np.ndarray, dy: np.ndarray, count: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Rays of a full circle of `count`, and what belongs to them, rolled to begin after the widest gap:
    neighbours along the limb then stand beside each other, also where the numbers start anew."""
    if not len(ray):
        return ray, dx, dy
    start = int(np.argmax(np.diff(ray, append=ray[0] + count))) + 1
    return np.roll(ray, -start), np.roll(dx, -start), np.roll(dy, -start)


def edge_of(zone: Zone, grid: Grid, *, search_px: float, blur_px: float, along_px: float) -> Edge:
    """Steepest fall on each ray within `search_px` of the limb circle on which the zone was laid.

    Parameters
    ----------
    blur_px : width of the Gaussian whose derivative measures the fall
    along_px : smoothing from ray to ray, against noise
    """
    smooth = zone.value
    if along_px > 0:
        rays = along_px / grid.step_px
        smooth = cv2.GaussianBlur(smooth, (1, 2 * int(np.ceil(3 * rays)) + 1), sigmaX=1, sigmaY=rays)
    # derivative of a Gaussian, scaled so that a slope of 1 gives 1
    x = np.arange(-int(np.ceil(3.5 * blur_px)), int(np.ceil(3.5 * blur_px)) + 1)
    kernel = x * np.exp(-0.5 * (x / blur_px) ** 2)
    kernel = kernel / (kernel * x).sum()
    slope = cv2.sepFilter2D(smooth, cv2.CV_32F, kernel, np.ones(1), borderType=cv2.BORDER_REPLICATE)
    offsets = grid.offset_px
    low, high = np.searchsorted(offsets, [-search_px, search_px + 1e-9])
    low, high = max(low, 1), min(high, len(offsets) - 1)
    window = slope[:, low:high]
    at = np.argmin(np.where(zone.valid[:, low:high], window, np.inf), axis=1) + low
    ray = np.arange(len(at))
    before, middle, after = -slope[ray, at - 1], -slope[ray, at], -slope[ray, at + 1]
    curvature = 2 * middle - before - after
    good = (
        (middle > 0)
        & (curvature > 0)
        & (middle >= before)
        & (middle >= after)
        & zone.valid[ray, at - 1]
        & zone.valid[ray, at + 1]
    )
    safe = np.where(good, curvature, 1.0)
    shift = np.where(good, 0.5 * (after - before) / safe, 0.0)
    # the slope of an error function's fall is a Gaussian, whose logarithm is a parabola: three samples give
    # its width exactly
    known = good & (before > 0) & (after > 0)
    bend = np.log(middle**2 / np.where(known, before * after, 1.0), where=known, out=np.full(len(at), np.inf))
    width2 = 1.0 / np.maximum(bend, 1e-6) - blur_px**2
    return Edge(offsets[at] + shift, np.where(good, middle, 0.0), np.sqrt(np.maximum(width2, 0.01)), good)


def bias_of(narrow: Edge, wide: Edge, narrow_px: float, wide_px: float, kept: np.ndarray) -> float:
    """Shift of the narrow edge that blur brings where the two sides of the limb are unlike, outward positive.

    A limb with a bright fringe outside or a darkening disc inside is not an odd function about its steepest
    point: blur of variance s2 moves that point by c s2 to first order. Two known blurs give c, and with the
    limb's own width the shift that all blur together has made. One value a frame: it is the same along the
    limb but for noise.
    """
    both = kept & wide.good & (np.abs(wide.offset_px - narrow.offset_px) < 1.5)
    if both.sum() < 20:
        return 0.0
    rate = float(np.mean(wide.offset_px[both] - narrow.offset_px[both])) / (wide_px**2 - narrow_px**2)
    return rate * (narrow_px**2 + median(narrow.width_px[both]) ** 2)
