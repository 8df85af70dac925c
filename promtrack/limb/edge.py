"""The zone around the limb, unwrapped along rays, the edge in it to a fraction of a pixel, and the circle
through that.

Rays stand on a fixed grid of angles of the reference frame, so that zones of different frames can be laid on
each other: a narrow, fine one for the edge and the circle, a wide one for the position along the limb.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from promtrack.errors import InputError
from promtrack.limb.records import Place, inside_frame, shifted_place, squeezed
from promtrack.settings import LimbSettings, least_of

MOST_RAYS = 1000  # along the limb of a frame: more say nothing new of an edge smoothed over 2 px
TUKEY = 4.685  # biweight cut in units of sigma: 95 % efficiency on normal errors (Holland & Welsch 1977)
STRAIGHT_DEG = least_of(LimbSettings, "least_arc_deg")  # below, an edge is a horizon or a wall
MAD = 1.4826  # normal sigma in units of the median absolute deviation
GOOD_SCALE = 0.02  # relative error of the radius that does no harm
FAR_SIGMA = 6.0  # so far off by chance is nothing that is seen: what is, is something else


class LimbNotFound(InputError):
    """No limb in this frame; the message says what was seen instead."""

    remedy = "keep part of the Sun's edge with dark sky beyond it in the frame, or leave the frame out"


class LimbCutShort(LimbNotFound):
    """A limb of which the frame holds too little for a circle."""


class LimbArcTooShort(InputError):
    """The limb seen spans too little of the disc."""

    remedy = (
        "keep more of the Sun's edge in the frame: so short an arc gives neither its centre nor its scale"
    )

    def __init__(self, arc_deg: float, needed_deg: float):
        what = f"limb points span {arc_deg:.1f} deg of the disc, need {needed_deg:.1f} deg"
        if arc_deg < STRAIGHT_DEG:
            what = f"no limb of the Sun is seen, only an edge that is all but straight: {what}"
            self.remedy = "point the telescope at the Sun's edge, with dark sky beyond it in the frame"
        super().__init__(what)
        self.arc_deg = arc_deg
        self.needed_deg = needed_deg


class SmallFrame:
    """A frame reduced by area averaging, with what is needed to go back to full pixels."""

    __slots__ = ("factor", "full_scale", "full_shape", "image")

    def __init__(self, frame: np.ndarray, full_scale: float):
        rows, columns = self.full_shape = frame.shape
        self.factor = max(1.0, max(rows, columns) / 320)  # its long side becomes 320 px
        size = (max(8, round(columns / self.factor)), max(8, round(rows / self.factor)))  # (x, y)
        if frame.dtype not in (np.uint8, np.uint16, np.float32):
            frame = frame.astype(np.float32)
        if frame.dtype == np.float32:
            frame = np.nan_to_num(frame, nan=0.0, posinf=full_scale, neginf=0.0)
        self.image = cv2.resize(frame, size, interpolation=cv2.INTER_AREA).astype(np.float32)
        self.full_scale = full_scale

    def distance_px(self, x_px: float, y_px: float) -> np.ndarray:
        """(rows, columns) distance, reduced px, of each reduced pixel from a point of the full frame."""
        x, y = ((centre + 0.5) / self.factor - 0.5 for centre in (x_px, y_px))
        rows, columns = self.image.shape
        away = np.arange(rows, dtype=np.float32)[:, None] - y, np.arange(columns, dtype=np.float32) - x
        return np.sqrt(away[0] ** 2 + away[1] ** 2).astype(np.float32)

    def to_full(self, place: Place) -> Place:
        """A place in the reduced frame in pixels of the full one."""
        return _resized(place, self.factor)

    def to_small(self, place: Place) -> Place:
        """A place in the full frame in pixels of the reduced one; the inverse of `to_full`."""
        return _resized(place, 1.0 / self.factor)


def _resized(place: Place, by: float) -> Place:  # pixel centres are integers in both pictures
    x, y = (by * (centre + 0.5) - 0.5 for centre in (place.x_px, place.y_px))
    return replace(place, x_px=x, y_px=y, radius_px=by * place.radius_px)


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
    """Rays and distances on which every zone of a sequence is sampled."""

    theta_deg: np.ndarray  # (n,) all round the Sun, equally spaced
    step_px: float  # distance of neighbouring rays at the limb
    offset_px: np.ndarray  # (m,) distances from the limb, and
    pitch_px: float  # what lies between two of them
    sine: np.ndarray  # (n,) of theta, kept because every frame needs them
    cosine: np.ndarray  # (n,)

    @property
    def step_deg(self) -> float:
        """Angle between neighbouring rays, degrees."""
        return 360.0 / len(self.theta_deg)


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
    """Grid for a limb of this radius: rays `ray_px` apart there, samples `pitch_px` apart along them."""
    count = int(np.ceil(2 * np.pi * radius_px / ray_px))
    offsets = pitch_px * np.arange(-int(inside_px / pitch_px), int(outside_px / pitch_px) + 1.0)
    theta_deg = np.arange(count) * (360.0 / count)
    theta = np.radians(theta_deg)
    return Grid(theta_deg, 2 * np.pi * radius_px / count, offsets, pitch_px, np.sin(theta), np.cos(theta))


def unwrap(
    frame: np.ndarray,
    place: Place,
    grid: Grid,
    *,
    interpolation: int = cv2.INTER_CUBIC,
    margin_px: float = 5.0,
) -> Zone:
    """Sample the limb zone of a frame around `place` (cubic: the edge must not depend on the pixel's phase).
    Rays whose limb lies within `margin_px` of the border are left out: an edge half cut off at both ends of
    the arc would bend the circle."""
    rows, columns = frame.shape
    dx, dy = _directions(place, grid)
    limb_x, limb_y = place.x_px + place.radius_px * dx, place.y_px + place.radius_px * dy
    ray = np.flatnonzero(inside_frame(limb_x, limb_y, frame.shape, margin_px))
    if not len(ray):
        empty = np.zeros((0, len(grid.offset_px)), np.float32)
        return Zone(ray, empty, empty.astype(bool))
    # beginning after the widest gap: neighbours along the limb stand beside each other, also where the
    # numbers start anew
    ray = np.roll(ray, -1 - int(np.argmax(np.diff(ray, append=ray[0] + len(dx)))))
    dx, dy, limb_x, limb_y = (part[ray] for part in (dx, dy, limb_x, limb_y))
    # x and y are linear in the distance along a ray: a zone reaches as far as its first and last samples
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


def _directions(place: Place, grid: Grid) -> tuple[np.ndarray, np.ndarray]:
    """(n,) steps in x and y of one px outward along the rays."""
    cosine, sine = np.cos(np.radians(place.turn_deg)), np.sin(np.radians(place.turn_deg))
    dx = -(grid.sine * cosine + grid.cosine * sine)
    dy = -(grid.cosine * cosine - grid.sine * sine)
    return squeezed(dx, dy, place.zenith_deg, -place.flattening) if place.flattening else (dx, dy)


def edge_of(zone: Zone, grid: Grid, *, search_px: float, blur_px: float = 0.8, along_px: float = 2.0) -> Edge:
    """Steepest fall on each ray within `search_px` of the limb circle on which the zone was laid, by the
    derivative of a Gaussian of width `blur_px`, smoothed from ray to ray by `along_px` against noise."""
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


def shift_by_blur(narrow: Edge, wide: Edge, kept: np.ndarray) -> float:
    """How far blur has moved an edge found with a Gaussian of 0.8 px, outward positive, by the one found with
    1.6 px: where the two sides of the limb are unlike, blur of variance s2 moves the steepest point by c s2
    to first order. Two known blurs give c, and with the limb's own width the shift that all blur has made."""
    both = kept & wide.good & (np.abs(wide.offset_px - narrow.offset_px) < 1.5)
    if both.sum() < 20:
        return 0.0
    rate = float(np.mean(wide.offset_px[both] - narrow.offset_px[both])) / (1.6**2 - 0.8**2)
    return rate * float(0.8**2 + np.median(narrow.width_px[both]) ** 2)


@dataclass(frozen=True, slots=True, eq=False)
class RayFit:
    """Linear fit of the edge offsets of one zone."""

    shift_px: np.ndarray  # (2,) of the centre
    growth_px: float  # of the radius; 0 when it is held
    growth_err_px: float
    rms_px: float
    kept: np.ndarray  # (k,) bool


def edge_near(
    frame: np.ndarray, place: Place, grid: Grid, search_px: float, *, free_radius: bool = False
) -> tuple[Zone, Edge, RayFit]:
    """The limb zone of a frame [y, x] around a place, the edge within `search_px` of it, and the circle
    through that. Raises LimbCutShort: less limb in the frame than 60 px; LimbNotFound: an edge on the rays of
    less."""
    # 60 px of the 8 degrees that a lock needs bend by 1 px, of which the limb's edge is known to a tenth; of
    # less the ends of an edge cut by the frame make any circle
    least_px = 60.0
    zone = unwrap(frame, place, grid)
    limb_px = len(zone.ray) * grid.step_px
    if limb_px < least_px:
        raise LimbCutShort(f"the limb is cut short: only {limb_px:.0f} px of it in the frame")
    edge = edge_of(zone, grid, search_px=search_px)
    if edge.good.sum() * grid.step_px < least_px:
        raise LimbNotFound("no limb: its edge cannot be made out")
    return zone, edge, fit_rays(np.radians(grid.theta_deg[zone.ray]), edge, free_radius=free_radius)


def fit_rays(phi_rad: np.ndarray, edge: Edge, *, free_radius: bool = False) -> RayFit:
    """Robust linear fit offset = n . shift (+ growth), px, to the edge on (k,) rays at image angles
    `phi_rad`. Rays whose fall is much weaker or wider than usual stand on a filament, a mote or a prominence
    and are left out from the start; the biweight rejects the other spoiled ones."""
    usable = edge.good.copy()
    if usable.sum() >= 10:
        fall, width = np.median(edge.fall[usable]), np.median(edge.width_px[usable])
        usable &= (edge.fall > 0.3 * fall) & (edge.width_px < 2.5 * width + 0.5)
    used = np.flatnonzero(usable)
    phi, offset = phi_rad[used], edge.offset_px[used]
    rows = np.column_stack([-np.sin(phi), -np.cos(phi), np.ones(len(phi))])[:, : 3 if free_radius else 2]
    weight = np.ones(len(phi))
    for _ in range(8):
        left = (rows * weight[:, None]).T
        solution = np.linalg.lstsq(left @ rows, left @ offset, rcond=1e-12)[0]
        residual = offset - rows @ solution
        scale = max(MAD * np.median(np.abs(residual)), 0.02)
        before, weight = weight, biweight(residual / scale)
        if np.abs(weight - before).max() < 0.02:
            break
    kept = np.zeros(len(phi_rad), bool)
    kept[used[weight > 0]] = True
    rms = float(np.sqrt(np.mean(residual[weight > 0] ** 2)))
    error = rms * np.sqrt(np.linalg.pinv(left @ rows)[-1, -1]) if free_radius else 0.0
    return RayFit(solution[:2], float(solution[2]) if free_radius else 0.0, float(error), rms, kept)


def coarse_place(small: SmallFrame, last: Place, *, reach_px: float = 30.0) -> Place | None:
    """Place of the Sun to about a reduced pixel, within `reach_px` reduced pixels of the last one; None when
    the limb is not there."""
    place, far_px = small.to_small(last), 30.0
    grid = make_grid(place.radius_px, min(far_px, 0.6 * place.radius_px), far_px, ray_px=1.6)
    for search in (reach_px, 5.0, 4.0):
        zone = unwrap(small.image, place, grid, interpolation=cv2.INTER_LINEAR, margin_px=4.0)
        if len(zone.ray) < 12:
            return None
        edge = edge_of(zone, grid, search_px=min(search, 0.55 * place.radius_px), blur_px=1.2, along_px=1.0)
        if edge.good.sum() < 10:
            return None
        fit = fit_rays(np.radians(grid.theta_deg[zone.ray] + place.turn_deg), edge)
        part, rms, moved = float(fit.kept.mean()), fit.rms_px, float(np.hypot(*fit.shift_px))
        if moved > 2.5 * far_px:
            return None
        place = shifted_place(place, *fit.shift_px)
        if (
            moved < 5.0 and rms < 0.6
        ):  # a fit that is linear in the shift misses by its square over the radius
            break
    if part < 0.4 or rms > 1.2:
        return None
    return replace(small.to_full(place), radius_px=last.radius_px)


def fit_circle(
    points_px: np.ndarray, guess: Place, *, radius_px: float | None = None, robust: bool = True
) -> Place:
    """Fit a circle to limb points: Gauss-Newton steps on the weighted radial distances.

    Parameters
    ----------
    points_px : (n, 2) float array, columns x, y; at least 4 rows, all finite
    radius_px : hold the radius at this value
    robust : Cauchy's weights first, which let the majority win before anything is cut off, then Tukey's
        biweight; else all points weigh alike

    References
    ----------
    Geometric circle fit: Gander, Golub & Strebel 1994, BIT 34, 558.
    """
    circle = np.array([guess.x_px, guess.y_px, radius_px or guess.radius_px])
    free, weight = 2 if radius_px else 3, np.ones(len(points_px))
    for stage in ("cauchy", "biweight") if robust else ("even",):
        for _ in range(30):
            offset = points_px - circle[:2]
            distance = np.hypot(offset[:, 0], offset[:, 1])
            residual = distance - circle[2]
            slopes = np.column_stack([-offset / np.maximum(distance, 1e-12)[:, None], -np.ones(len(offset))])
            # a start that is off leaves a common residual, which must not count as an outlier; and what is
            # rejected already must not raise the scatter
            good = residual[weight > 0]
            spread = max(np.median(np.abs(good - np.median(good))), np.median(np.abs(good)), 1e-9 / MAD)
            pull = residual / (MAD * spread)
            if stage == "cauchy":
                weight = 1 / (1 + (2.0 * pull) ** 2)
            elif stage == "biweight":
                weight = biweight(pull)
            rows = slopes[:, :free] * weight[:, None]
            step = np.linalg.lstsq(rows.T @ slopes[:, :free], rows.T @ residual, rcond=1e-13)[0]
            step *= min(1.0, 0.2 * circle[2] / max(np.abs(step).max(), 1e-12))
            circle[:free] -= step
            if np.abs(step).max() < 1e-7 * max(1.0, circle[2]):
                break
    return replace(guess, x_px=float(circle[0]), y_px=float(circle[1]), radius_px=float(circle[2]))


def weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    """The one of (n,) values below which half of their (n,) weights lies."""
    return float(np.quantile(values, 0.5, weights=weights, method="inverted_cdf"))


def biweight(pull: np.ndarray) -> np.ndarray:
    """(n,) Tukey's weights of (n,) residuals in units of their sigma: 1 in the middle, 0 beyond the cut."""
    return np.clip(1 - (pull / TUKEY) ** 2, 0, None) ** 2
