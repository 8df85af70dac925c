"""One frame by itself: where the Sun stands in it, the edge of its limb and its light.

A frame is first placed to about a pixel on its reduced picture, starting from the frame before, so that drift
and jumps are followed; only when that fails is the limb looked for anew. Then the limb is found at full
resolution on few rays and measured on all of them. Angles are the frame's own: nothing here knows of a turn.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from promtrack.limb.circle import Circle, median
from promtrack.limb.edge import MOST_RAYS, Edge, Grid, Zone, bias_of, edge_of, make_grid, unwrap
from promtrack.limb.find import LimbNotFound, SmallFrame, find_in_small
from promtrack.limb.geometry import Place, frame_points, visible_angles
from promtrack.limb.rays import RayFit, coarse_place, fit_rays, shifted_place, stated_start

SEARCH_PX = 9.0  # how far the edge is looked for around the place
BLUR_PX = 0.8  # Gaussian whose derivative finds the edge, and
WIDE_PX = 1.6  # a second one, which tells what blur does to it
ALONG_PX = 2.0  # smoothing from ray to ray
FEW_RAYS = 4  # one ray in so many finds the limb before all of them measure it
EDGE_INSIDE_PX = 20.0  # extent of the zone in which the edge is measured
EDGE_OUTSIDE_PX = 24.0
LEAST_RAYS = 24
CEILING = 0.97  # part of full scale above which the camera is taken as burnt out


@dataclass(frozen=True, slots=True)
class LimbSigns:
    """How limb and light look in one frame."""

    arc_deg: float
    rms_px: float
    kept_part: float  # of the visible rays
    fall: float  # median steepness of the limb, counts per px
    width_px: float  # median Gaussian width of the limb
    fringe: float  # brightness just outside the limb, in parts of the disc just inside
    disc: float  # counts above the sky just inside the limb
    sky: float  # counts far off the limb
    dark_part: float  # of the frame, far darker than usual at that distance from the limb
    saturated_fraction: float
    burnt_limb: bool  # disc burnt out at the limb


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """What one frame shows by itself."""

    place: Place  # fitted to the edge with the provisional radius; its turn is 0
    theta_deg: np.ndarray  # (k,) image angles in this frame of the rays kept
    edge_px: np.ndarray  # (k,) edge offsets outward from `place` there
    signs: LimbSigns
    points_px: np.ndarray  # (k, 2) edge points kept and
    rejected_px: np.ndarray  # (j, 2) rejected


class Follower:
    """Looks at one frame after the other and keeps the last place; an accumulator changed in place."""

    def __init__(
        self,
        radius_px: float,
        full_scale: float,
        visible_px: float,
        flattening: np.ndarray,
        zenith_deg: np.ndarray,
        stated: Place | None = None,
    ):
        self.radius_px, self.full_scale = radius_px, full_scale
        self.flattening, self.zenith_deg = flattening, zenith_deg
        self.stated = stated
        self.last: Place | None = None
        inside, ray_px = min(EDGE_INSIDE_PX, 0.5 * radius_px), max(1.0, visible_px / MOST_RAYS)
        self.grid = make_grid(radius_px, inside, EDGE_OUTSIDE_PX, ray_px=ray_px)
        self.few = make_grid(
            radius_px, inside, EDGE_OUTSIDE_PX, ray_px=min(FEW_RAYS * ray_px, visible_px / 100)
        )

    def look(self, index: int, frame: np.ndarray) -> Look:
        """Look at the next frame; raises LimbNotFound."""
        small = SmallFrame(frame, self.full_scale)
        place = self._start(index, small)
        _, _, fit = _edge_near(frame, place, self.few, SEARCH_PX + small.factor)
        place = shifted_place(place, *fit.shift_px)
        zone, edge, fit = _edge_near(frame, place, self.grid, SEARCH_PX)
        wide = edge_of(zone, self.grid, search_px=SEARCH_PX, blur_px=WIDE_PX, along_px=ALONG_PX)
        self.last = shifted_place(place, *fit.shift_px)
        return _described(frame, small, place, (zone, edge, wide, fit), self.grid, self.full_scale)

    def look_or_reason(
        self, read: tuple[int, np.ndarray | None, str]
    ) -> tuple[int, np.ndarray | None, Look | str]:
        """Index, frame, and its look or why there is none; `read` is index, frame, and why it could not be
        read."""
        index, frame, trouble = read
        if frame is None:
            return index, None, f"could not be read: {trouble}"
        if frame.dtype not in (np.uint8, np.uint16, np.float32):
            frame = frame.astype(np.float32)
        try:
            return index, frame, self.look(index, frame)
        except LimbNotFound as error:
            return index, frame, error.what

    def _start(self, index: int, small: SmallFrame) -> Place:
        sky = {"flattening": float(self.flattening[index]), "zenith_deg": float(self.zenith_deg[index])}
        if self.stated is not None:
            place = stated_start(small, replace(self.stated, **sky))
            if place is not None:
                return place
        if self.last is not None:
            place = coarse_place(small, replace(self.last, **sky))
            if place is not None:
                return place
        try:
            circle = find_in_small(small, self.full_scale, radius_px=self.radius_px)
        except LimbNotFound as error:
            if self.stated is None:
                raise
            raise LimbNotFound(f"{error.what}, not where the FITS header puts it either") from None
        # the radius found goes with the centre found; the held radius needs the centre that fits it
        middle = _toward_limb(circle, small)
        shift = circle.radius_px - self.radius_px
        return Place(
            circle.x_px + shift * middle[0], circle.y_px + shift * middle[1], self.radius_px, 0.0, **sky
        )


def _edge_near(frame: np.ndarray, place: Place, grid: Grid, search_px: float) -> tuple[Zone, Edge, RayFit]:
    zone = unwrap(frame, place, grid)
    if len(zone.ray) < LEAST_RAYS:
        raise LimbNotFound("no limb: the Sun has left the frame")
    edge = edge_of(zone, grid, search_px=search_px, blur_px=BLUR_PX, along_px=ALONG_PX)
    if edge.good.sum() < LEAST_RAYS:
        raise LimbNotFound("no limb: its edge cannot be made out")
    return zone, edge, fit_rays(np.radians(grid.theta_deg[zone.ray]), edge)


def _described(
    frame: np.ndarray,
    small: SmallFrame,
    laid: Place,
    measured: tuple[Zone, Edge, Edge, RayFit],
    grid: Grid,
    full_scale: float,
) -> Look:
    """The look of a frame whose zone was laid on `laid`."""
    zone, edge, wide, fit = measured
    kept = fit.kept
    place = shifted_place(laid, *fit.shift_px)
    theta = grid.theta_deg[zone.ray]
    phi = np.radians(theta)
    offset = edge.offset_px + np.sin(phi) * fit.shift_px[0] + np.cos(phi) * fit.shift_px[1]
    bias = bias_of(edge, wide, BLUR_PX, WIDE_PX, kept)
    points = np.column_stack(frame_points(place, theta, place.radius_px + offset))
    inside = (grid.offset_px > -16) & (grid.offset_px < -6)
    sky, dark = _surroundings(small, place)
    disc = median(zone.value[::2, inside])
    signs = LimbSigns(
        len(zone.ray) * grid.step_deg,
        fit.rms_px,
        float(kept.mean()),
        median(edge.fall[kept]),
        median(edge.width_px[kept]),
        _fringe(zone, grid),
        disc - sky,
        sky,
        dark,
        float((frame[::5, ::5] >= 0.99 * full_scale).mean()),
        disc > CEILING * full_scale,
    )
    return Look(place, theta[kept], offset[kept] - bias, signs, points[kept], points[~kept])


def _toward_limb(circle: Circle, small: SmallFrame) -> np.ndarray:
    """Direction from the centre to the middle of the visible limb; zero for a limb all round."""
    theta = np.arange(0.0, 360.0, 0.5)
    shape = int(small.image.shape[0] * small.factor), int(small.image.shape[1] * small.factor)
    seen = visible_angles(Place(circle.x_px, circle.y_px, circle.radius_px), shape, theta)
    angle = np.radians(theta[seen])
    mean = np.array([-np.sin(angle).mean(), -np.cos(angle).mean()]) if seen.any() else np.zeros(2)
    size = np.hypot(*mean)
    return mean / size if size > 0.3 else np.zeros(2)


def _fringe(zone: Zone, grid: Grid) -> float:
    """Median brightness of the spicules 2 to 5 px outside the limb, in parts of the disc just inside."""

    def level(low: float, high: float) -> float:
        return median(zone.value[::2, (grid.offset_px >= low) & (grid.offset_px <= high)])

    halo = level(14.0, 20.0)
    return (level(2.0, 5.0) - halo) / max(level(-8.0, -5.0) - halo, 1e-9)


def _surroundings(small: SmallFrame, place: Place) -> tuple[float, float]:
    """Counts far off the limb (their lower quartile) and the part of the frame that is dark where it should
    not be.

    Dark means less than 40 % of what is usual at that distance from the Sun: neither prominences nor
    filaments do that, but an aircraft or a bird does.
    """
    circle = small.to_small(Circle(place.x_px, place.y_px, place.radius_px))
    image = np.ascontiguousarray(small.image[::2, ::2])
    y, x = np.ogrid[0 : small.image.shape[0] : 2, 0 : small.image.shape[1] : 2]
    x2, y2 = ((x - circle.x_px) ** 2).astype(np.float32), ((y - circle.y_px) ** 2).astype(np.float32)
    distance = cv2.sqrt(x2 + y2) - np.float32(circle.radius_px)
    farthest = float(distance.max())
    off = image[distance > 0.6 * farthest] if farthest > 3 else image[distance > 0]
    sky = float(np.percentile(off, 25)) if off.size else float("nan")
    ring = ((distance - distance.min()) * np.float32(0.25)).astype(np.int32)
    usual = _ring_quantile(ring.ravel(), image.ravel(), 0.35)[
        ring
    ]  # so low that an eruption across half a ring does not raise it
    dark = (np.abs(distance) > 6) & (image < 0.4 * usual) & (usual > 4.0)
    return sky, float(dark.mean())


def _ring_quantile(ring: np.ndarray, light: np.ndarray, part: float) -> np.ndarray:
    """(rings,) the value below which `part` of each ring's pixels lie."""
    # one sort of ring and light in one whole number, ring first, is many times quicker than numpy's sort by
    # two keys
    low = float(light.min())
    step = max(float(light.max()) - low, 1e-9) / 65535.0
    ordered = np.sort(ring.astype(np.uint32) << np.uint32(16) | ((light - low) / step).astype(np.uint32))
    count = np.bincount(ring)
    first = np.cumsum(count) - count
    at = np.minimum(first + (part * count).astype(int), len(ordered) - 1)
    return (ordered[at] & np.uint32(0xFFFF)) * step + low
