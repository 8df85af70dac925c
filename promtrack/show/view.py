"""The clip's view: which piece of the sky it shows, turned how and how large.

Picture pixels: (0, 0) is the centre of the top-left pixel, y down. A point at image angle theta of the
reference frame (counter-clockwise from image up) and distance rho (px of the frames) from the Sun's centre
stands in the picture at angle side * (theta - turn), counter-clockwise from the picture's up, and at
distance zoom * rho.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.ndimage import gaussian_filter1d, minimum_filter1d

from promtrack.limb.records import LimbLock, to_frame
from promtrack.settings import ClipSettings
from promtrack.show.region_of_interest import FILL, INSIDE, LARGEST_ZOOM, LEAST_SHARE, Action
from promtrack.sun import Orientation, Scale

SIZES = {"wide": (1920, 1080), "disc": (1920, 1080), "square": (1080, 1080), "tall": (1080, 1920)}
# Between first and last picture: less is not worth it, more hurries.
LEAST_ZOOM_OUT, MOST_ZOOM_OUT = 1.25, 2.2
TO_SKY = 0.35  # of the height that the action leaves free is moved from the disc to the sky
FOLLOWED, FOLLOW_SIGMA = 0.35, 0.1  # how far from the middle, of half the picture; smoothing, of the clip


@dataclass(frozen=True, slots=True)
class ClipView:
    """Geometry of the clip's picture."""

    width: int
    height: int
    zoom: float  # picture px per frame px
    turn_deg: float  # image angle of the reference frame that points up in the picture
    side: int  # +1, or -1 when the picture is mirrored back to the sky's sense
    sun_x_px: float  # the Sun's centre in the picture
    sun_y_px: float
    radius_px: float  # of the limb in the picture
    km_per_px: float  # of the picture

    def to_picture(
        self, theta_deg: np.ndarray | float, height_mm: np.ndarray | float
    ) -> tuple[np.ndarray, np.ndarray]:
        """x, y [px] in the picture of image angles and heights above the limb, in their shape."""
        angle = self.side * np.deg2rad(np.asarray(theta_deg) - self.turn_deg)
        rho = self.radius_px + np.asarray(height_mm) * 1e3 / self.km_per_px
        return self.sun_x_px - rho * np.sin(angle), self.sun_y_px - rho * np.cos(angle)

    def height_map_px(self) -> np.ndarray:
        """(height, width) float32 distance from the limb in px of the frames, outside positive."""
        x = np.arange(self.width, dtype=np.float32) - np.float32(self.sun_x_px)
        y = np.arange(self.height, dtype=np.float32) - np.float32(self.sun_y_px)
        distance = cv2.sqrt(x[None, :] ** 2 + y[:, None] ** 2)
        return cv2.addWeighted(distance, 1.0 / self.zoom, distance, 0.0, -self.radius_px / self.zoom)

    def scaled(self, by: float) -> ClipView:
        """The same view in a picture `by` times as large."""
        wide, tall = max(round(self.width * by), 8), max(round(self.height * by), 8)
        by = wide / self.width
        sun_x, sun_y = (s * by + 0.5 * (by - 1.0) for s in (self.sun_x_px, self.sun_y_px))
        zoom, radius, km_per_px = self.zoom * by, self.radius_px * by, self.km_per_px / by
        return ClipView(wide, tall, zoom, self.turn_deg, self.side, sun_x, sun_y, radius, km_per_px)


def view_of(
    lock: LimbLock,
    scale: Scale,
    size: tuple[int, int],
    zoom: float,
    turn: float,
    side: int,
    sun: tuple[float, float],
) -> ClipView:
    """The view of a picture of this size with the Sun's centre there."""
    return ClipView(*size, zoom, turn, side, *sun, lock.radius_px * zoom, scale.km_per_px / zoom)


def affine_to_frame(view: ClipView, lock: LimbLock, index: int) -> np.ndarray:
    """(2, 3) matrix from picture pixels to pixels of frame `index`, for cv2.warpAffine with WARP_INVERSE_MAP.
    The lock's geometry (turn and flattening about the Sun's centre) is affine, so three points fix it."""
    sample = np.array([[0.0, 0.0], [1000.0, 0.0], [0.0, 1000.0]])
    dx, dy = sample[:, 0] - view.sun_x_px, sample[:, 1] - view.sun_y_px
    theta = view.turn_deg + view.side * np.rad2deg(np.arctan2(-dx, -dy))
    x, y = to_frame(lock, index, theta, np.hypot(dx, dy) / view.zoom)
    points = np.stack([x, y])  # (2, 3)
    return np.stack(
        [(points[:, 1] - points[:, 0]) / 1000.0, (points[:, 2] - points[:, 0]) / 1000.0, points[:, 0]], axis=1
    )


def choose_views(
    lock: LimbLock,
    scale: Scale,
    orientation: Orientation,
    action: Action,
    clip: ClipSettings,
    strip_s: np.ndarray,
) -> tuple[ClipView, ...]:
    """The views of the pictures, one a frame shown, cropped on the action. The limb lies level, or solar
    north is up; a level limb leans towards the frames' own axes, or stands upright, where the action would
    otherwise be cut, or be lower than `LEAST_SHARE` of the picture though it could be larger. What rises far
    is followed by a slow zoom out. `strip_s`: (n,) times of the frames shown, seconds since the first
    strip."""
    if clip.view == "native":
        return (_native(lock, scale),) * len(strip_s)
    needed = action.top_at(strip_s)
    lowest, highest = float(needed.min()), float(needed.max())
    turn, side, level = picture_up(orientation, action, clip)
    turns = leaning(turn, orientation) if level else np.array([turn])
    whole = replace(clip, zoom=1.0)
    tried = [_Shape(lock, scale, action, whole, float(one), side) for one in turns]
    level_zoom = tried[0].fit(highest)[0]
    low = level_zoom * highest * 1e3 / scale.km_per_px < LEAST_SHARE * SIZES[clip.view][1]

    def worth(one: _Shape) -> tuple[float, bool]:
        return -one.lost(highest), low and one.fit(highest)[0] > LEAST_ZOOM_OUT * level_zoom

    shape = _Shape(lock, scale, action, clip, max(tried, key=worth).turn, side)
    tops = np.linspace(highest, lowest, 24)
    fitted = [shape.fit(float(top)) for top in tops]
    zooms = np.log([zoom for zoom, _ in fitted])
    if zooms[-1] - zooms[0] < np.log(LEAST_ZOOM_OUT):
        if action.followed is None:
            return (shape.view(*fitted[0]),) * len(strip_s)
        return shape.following(np.full(len(strip_s), zooms[0]), fitted[0][1], strip_s)
    wanted = np.interp(-needed, -tops, np.minimum(zooms, zooms[0] + np.log(MOST_ZOOM_OUT)))
    # Smooth, and never closer than what must be seen allows: the least of what lies within two sigma ahead.
    sigma = max(0.10 * len(strip_s), 1.0)
    reach = 2 * round(2.0 * sigma) + 1
    smooth = gaussian_filter1d(minimum_filter1d(wanted, reach, mode="nearest"), sigma, mode="nearest")
    rising, first = np.unique(zooms, return_index=True)
    centres = np.array([centre for _, centre in fitted])[first]
    middles = np.stack([np.interp(smooth, rising, column) for column in centres.T], axis=1)
    return shape.following(smooth, middles, strip_s)


class _Shape:
    """How a picture of these settings is laid over what the frames show."""

    def __init__(
        self, lock: LimbLock, scale: Scale, action: Action, clip: ClipSettings, turn: float, side: int
    ):
        self.lock, self.scale, self.action, self.clip = lock, scale, action, clip
        self.turn, self.side = turn, side
        self.size = np.array(SIZES[clip.view], dtype=float)
        self.cover = covered(lock)
        self.rotation = rotation(self.turn, self.side)
        self.box = np.abs(self.rotation.T) @ self.size  # of the turned picture along the frame's axes

    def fit(self, top_mm: float) -> tuple[float, np.ndarray]:
        """Zoom and middle (turned, frame px from the Sun's centre) that show the action up to a height and no
        border of the frames."""
        middle, span = self._extent(top_mm)
        # the frames just fill the picture
        filled = float((self.box / (self.cover[2:] - self.cover[:2])).max())
        wanted = float((FILL * self.size / span).min())
        if len(self.action.home_theta_deg):
            middle, whole = self._extent(top_mm, home=True)
            wanted = min(wanted, float((INSIDE * self.size / whole).min()))
        zoom = max(min(wanted, LARGEST_ZOOM), filled) * self.clip.zoom
        spare = max(self.size[1] / zoom - span[1] / FILL, 0.0)  # rather sky than disc
        middle = middle - [
            0.0,
            TO_SKY * spare * np.cos(np.deg2rad(np.mean(self.action.theta_deg) - self.turn)),
        ]
        return zoom, moved_inside(middle, self.size / zoom / 2.0, self.rotation, self.cover)

    def lost(self, top_mm: float) -> float:
        """How much of the action is cut, in hundredths of its size, at most all."""
        zoom, middle = self.fit(top_mm)
        wanted, span = self._extent(top_mm)
        cut = np.abs(wanted - middle) + span / 2.0 - self.size / zoom / 2.0
        return min(round(float(np.maximum(cut, 0.0).sum() / span.max()), 2), 1.0)

    def following(self, zooms: np.ndarray, middles: np.ndarray, strip_s: np.ndarray) -> tuple[ClipView, ...]:
        """The views of all pictures, moved so that the body to follow stays near their middle. `zooms`: (n,)
        logarithms; `middles`: (n, 2) or (2,) frame px."""
        half = 0.5 * self.size / np.exp(zooms)[:, None]
        middles = np.broadcast_to(middles, half.shape)
        if (way := self.action.followed) is not None:
            theta, height = (np.interp(strip_s, way.time_s, v) for v in (way.theta_deg, way.height_mm))
            rho = self.lock.radius_px + height * 1e3 / self.scale.km_per_px
            body = np.stack(turned(theta, rho, self.turn, self.side), axis=1)
            middles = np.clip(middles, body - FOLLOWED * half, body + FOLLOWED * half)
            sigma = max(FOLLOW_SIGMA * len(strip_s), 1.0)
            middles = gaussian_filter1d(middles, sigma, axis=0, mode="nearest")
            both = zip(middles, half, strict=True)
            middles = np.array([moved_inside(one, own, self.rotation, self.cover) for one, own in both])
        return tuple(self.view(float(np.exp(z)), middle) for z, middle in zip(zooms, middles, strict=True))

    def _extent(self, top_mm: float, *, home: bool = False) -> tuple[np.ndarray, np.ndarray]:
        """Middle and size of the action up to a height, turned, frame px. What a front carries along spreads
        about it in the measure in which it rises. `home`: with both feet."""
        theta, height = self.action.theta_deg, self.action.height_mm
        if np.isfinite(front := self.action.front_theta_deg):
            share = (min(top_mm, float(height.max())) - height.min()) / np.ptp(height)
            theta = front + share * (theta - front)
        if home:
            feet = self.action.home_theta_deg
            theta, height = np.append(theta, feet), np.append(height, np.zeros(len(feet)))
        rho = self.lock.radius_px + np.minimum(height, top_mm) * 1e3 / self.scale.km_per_px
        x, y = turned(theta, rho, self.turn, self.side)
        middle = np.array([x.min() + x.max(), y.min() + y.max()]) / 2.0
        return middle, np.maximum([np.ptp(x), np.ptp(y)], 8.0)

    def view(self, zoom: float, middle: np.ndarray) -> ClipView:
        """The view with this zoom (picture px per frame px) and middle ((2,), frame px)."""
        sun, size = (self.size - 1.0) / 2.0 - zoom * middle, SIZES[self.clip.view]
        return view_of(self.lock, self.scale, size, zoom, self.turn, self.side, tuple(sun.tolist()))


def locked_view(lock: LimbLock, scale: Scale) -> ClipView:
    """The reference frame's own geometry at its own scale: what locked frames are written in."""
    x, y = lock.centre_x_px[lock.reference], lock.centre_y_px[lock.reference]
    return view_of(lock, scale, lock.shape[::-1], 1.0, 0.0, 1, (float(x), float(y)))


def _native(lock: LimbLock, scale: Scale) -> ClipView:
    """As recorded at one picture px per frame px, on what the frames share, with an even size."""
    cover = covered(lock)
    size = np.minimum(np.floor(cover[2:] - cover[:2] + 1.0), lock.shape[::-1]).astype(int) // 2 * 2
    sun = -np.rint((cover[:2] + cover[2:] - size + 1.0) / 2.0)
    return view_of(lock, scale, tuple(size.tolist()), 1.0, 0.0, 1, tuple(sun.tolist()))


def picture_up(orientation: Orientation, action: Action, clip: ClipSettings) -> tuple[float, int, bool]:
    """Image angle that points up in pictures, +1 or -1 where they are mirrored back, and whether the limb is
    level."""
    side = orientation.sign if orientation.position_angles else 1
    if clip.level_limb and np.ptp(action.theta_deg) < 90.0:  # a longer piece has no level
        return float(np.average(action.theta_deg, weights=action.weight)), side, True
    if orientation.position_angles:
        return orientation.zero_deg, side, False
    return 0.0, side, False


def leaning(turn: float, orientation: Orientation) -> np.ndarray:
    """Turns that a picture with a level limb may be given, level first: leaning towards the frames' own axes,
    which wastes least of them, or upright."""
    own = 90.0 * round(turn / 90.0) - turn
    upright = 90.0 if np.sin(np.deg2rad(turn - orientation.zero_deg)) < 0.0 else -90.0  # more north up
    return (turn + np.array([0.0, upright, -upright])[:, None] + np.linspace(0.0, own, 5)).ravel()


def turned(
    theta_deg: np.ndarray, rho_px: np.ndarray, turn: float, side: int
) -> tuple[np.ndarray, np.ndarray]:
    """x, y [frame px] about the Sun's centre, y down, of (n,) image angles and distances. `turn`, `side`: of
    the picture, as in `picture_up`."""
    angle = side * np.deg2rad(theta_deg - turn)
    return -rho_px * np.sin(angle), -rho_px * np.cos(angle)


def rotation(turn: float, side: int) -> np.ndarray:
    """(2, 2) matrix from a frame's axes (x right, y down) to those of a picture turned and mirrored so."""
    c, s = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
    return np.array([[side * c, -side * s], [s, c]])


def moved_inside(wanted: np.ndarray, half: np.ndarray, rotation: np.ndarray, cover: np.ndarray) -> np.ndarray:
    """The middle of a picture moved so that it ends inside the frames, or shows all of them where it is the
    larger. `wanted`, `half`: (2,) middle about the Sun's centre along the picture's axes, and half its size,
    frame px; `rotation`: from the frame's axes to the picture's; `cover`: as `covered` gives it."""
    reach = np.abs(rotation.T) @ half
    low, high = cover[:2] + reach, cover[2:] - reach
    return rotation @ np.clip(rotation.T @ wanted, np.minimum(low, high), np.maximum(low, high))


def covered(lock: LimbLock, frames: np.ndarray | None = None) -> np.ndarray:
    """x0, y0, x1, y1 about the Sun's centre (frame px) that every one of these frames shows, but for single
    ones that stand far off (the mount was nudged); None: all used."""
    half = 0.5 * (np.array(lock.shape[::-1]) - 1.0)
    which = lock.used if frames is None else frames
    x, y = half[:, None] - [lock.centre_x_px[which], lock.centre_y_px[which]]  # of the frames' middles
    turn = lock.angle_deg[which]
    middle = np.stack(turned(np.rad2deg(np.arctan2(-x, -y)) - turn, np.hypot(x, y), 0.0, 1), axis=1)
    c, s = np.abs([np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))])[:, :, None]
    # the largest box of a frame's shape that is in the frame
    inside = half * (half / (c * half + s * half[::-1])).min(axis=1, keepdims=True)
    table, far = np.concatenate([middle - inside, -middle - inside], axis=1), 0.05 * min(lock.shape)
    table[table > np.percentile(table, 95, axis=0) + far] = -np.inf
    low, high = np.split(table.max(axis=0) * [1, 1, -1, -1], 2)
    return np.concatenate([low, np.maximum(high, low + 16.0)])


def frame_border(view: ClipView, lock: LimbLock, index: int) -> float:
    """How far [picture px] the frame reaches beyond the view on its tightest side; negative: a border
    shows."""
    matrix = affine_to_frame(view, lock, index)
    corners = np.array(
        [[0, 0, 1], [view.width - 1, 0, 1], [0, view.height - 1, 1], [view.width - 1, view.height - 1, 1]]
    )
    x, y = matrix @ corners.T
    rows, columns = lock.shape
    return float(min(x.min(), y.min(), columns - 1 - x.max(), rows - 1 - y.max()) * view.zoom)


def warp(
    frame: np.ndarray,
    matrix: np.ndarray,
    view: ClipView,
    rows: slice | None = None,
    *,
    fill: float | None = None,
) -> np.ndarray:
    """The frame in the picture's geometry, or some of its rows, in its own type. `matrix`: (2, 3), as
    `affine_to_frame` gives it; `rows`: of the picture, None: all; `fill`: value of what the frame does not
    show, None: it repeats its border."""
    # Cubic also where nothing is enlarged: linear interpolation blurs by an amount that goes with the drift's
    # fraction.
    flags = cv2.WARP_INVERSE_MAP | (cv2.INTER_CUBIC if view.zoom > 0.9 else cv2.INTER_LINEAR)
    first, last = (0, view.height) if rows is None else (rows.start, rows.stop)
    moved = matrix + np.array([[0.0, 0.0, matrix[0, 1] * first], [0.0, 0.0, matrix[1, 1] * first]])
    border = cv2.BORDER_REPLICATE if fill is None else cv2.BORDER_CONSTANT
    size = (view.width, last - first)
    return cv2.warpAffine(frame, moved, size, flags=flags, borderMode=border, borderValue=fill or 0)
