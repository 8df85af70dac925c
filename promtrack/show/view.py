"""The clip's view: which piece of the sky it shows, turned how and how large.

Picture pixels: (0, 0) is the centre of the top-left pixel, y down. A point at image angle theta of the
reference frame (counter-clockwise from image up) and distance rho (px of the frames) from the Sun's centre
stands in the picture at angle side * (theta - turn), counter-clockwise from the picture's up, and at
distance zoom * rho.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.limb.geometry import to_frame
from promtrack.limb.records import LimbLock
from promtrack.settings import ClipSettings
from promtrack.show.action import Action
from promtrack.sun import Orientation, Scale

__all__ = [
    "ClipView",
    "affine_to_frame",
    "choose_view",
    "covered",
    "frame_border",
    "locked_view",
    "picture_up",
    "turned",
    "warp",
]

SIZES = {"wide": (1920, 1080), "square": (1080, 1080), "tall": (1080, 1920)}
LARGEST_ZOOM = 2.5  # beyond it a picture is soft, not larger
CLOSE_ZOOM = 1.6  # closest approach where the frames alone would fill the view
FILL = 0.58  # part of the view's width or height that the action takes at most, so that labels find room ...
FILL_BESIDE = 0.66  # ... and where the frames cannot fill the view: labels find room beside them


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
    up: str  # what points up: 'solar north', 'limb' or 'image'

    def to_picture(
        self, theta_deg: np.ndarray | float, height_mm: np.ndarray | float
    ) -> tuple[np.ndarray, np.ndarray]:
        """x, y in the picture of points at image angle theta and height above the H-alpha limb."""
        angle = self.side * np.deg2rad(np.asarray(theta_deg) - self.turn_deg)
        rho = self.radius_px + np.asarray(height_mm) * 1e3 / self.km_per_px
        return self.sun_x_px - rho * np.sin(angle), self.sun_y_px - rho * np.cos(angle)

    def height_map_px(self) -> np.ndarray:
        """(height, width) float32 distance from the limb in px of the frames, outside positive."""
        x = np.arange(self.width, dtype=np.float32) - np.float32(self.sun_x_px)
        y = np.arange(self.height, dtype=np.float32) - np.float32(self.sun_y_px)
        return (np.sqrt(x[None, :] ** 2 + y[:, None] ** 2) - np.float32(self.radius_px)) / np.float32(
            self.zoom
        )


def affine_to_frame(view: ClipView, lock: LimbLock, index: int) -> np.ndarray:
    """(2, 3) matrix from picture pixels to pixels of frame `index`, for cv2.warpAffine with WARP_INVERSE_MAP.

    The lock's geometry (turn and flattening about the Sun's centre) is affine, so three points fix it.
    """
    sample = np.array([[0.0, 0.0], [1000.0, 0.0], [0.0, 1000.0]])
    dx, dy = sample[:, 0] - view.sun_x_px, sample[:, 1] - view.sun_y_px
    theta = view.turn_deg + view.side * np.rad2deg(np.arctan2(-dx, -dy))
    x, y = to_frame(lock, index, theta, np.hypot(dx, dy) / view.zoom)
    points = np.stack([x, y])  # (2, 3)
    return np.stack(
        [(points[:, 1] - points[:, 0]) / 1000.0, (points[:, 2] - points[:, 0]) / 1000.0, points[:, 0]], axis=1
    )


def choose_view(
    lock: LimbLock, scale: Scale, orientation: Orientation, action: Action, clip: ClipSettings
) -> ClipView:
    """The view for these settings: solar north up where known, else the limb level; cropped on the action."""
    if clip.view == "native":
        return _native(lock, scale)
    turn, side, up = picture_up(lock, orientation, action, clip)
    width, height = SIZES[clip.view]
    cover = covered(lock, turn, side)
    x, y = turned(action.theta_deg, lock.radius_px + action.height_mm * 1e3 / scale.km_per_px, turn, side)
    box = np.array([x.min(), y.min(), x.max(), y.max()])
    room, span = cover[2:] - cover[:2], np.maximum(box[2:] - box[:2], 8.0)
    size = np.array([width, height], dtype=float)
    fill = float((size / room).max())  # frames just fill the view
    closest = min(LARGEST_ZOOM, max(fill, CLOSE_ZOOM))
    share = FILL_BESIDE if fill > closest else FILL
    zoom = float(np.clip((share * size / span).min(), min(float((size / room).min()), LARGEST_ZOOM), closest))
    corner = _corner(box, cover, size / zoom)
    sun = -corner * zoom
    return ClipView(
        width,
        height,
        zoom,
        turn,
        side,
        float(sun[0]),
        float(sun[1]),
        lock.radius_px * zoom,
        scale.km_per_px / zoom,
        up,
    )


def locked_view(lock: LimbLock, scale: Scale) -> ClipView:
    """The reference frame's own geometry at its own scale: what locked frames are written in."""
    x, y = lock.centre_x_px[lock.reference], lock.centre_y_px[lock.reference]
    rows, columns = lock.shape
    return ClipView(columns, rows, 1.0, 0.0, 1, float(x), float(y), lock.radius_px, scale.km_per_px, "image")


def _native(lock: LimbLock, scale: Scale) -> ClipView:
    """As recorded at one picture px per frame px, on what the frames share, with an even size."""
    cover = covered(lock, 0.0, 1)
    rows, columns = lock.shape
    size = np.minimum(np.floor(cover[2:] - cover[:2] + 1.0), [columns, rows]).astype(int) // 2 * 2
    corner = np.rint((cover[:2] + cover[2:] - size + 1.0) / 2.0)
    return ClipView(
        int(size[0]),
        int(size[1]),
        1.0,
        0.0,
        1,
        float(-corner[0]),
        float(-corner[1]),
        lock.radius_px,
        scale.km_per_px,
        "image",
    )


def picture_up(
    lock: LimbLock, orientation: Orientation, action: Action, clip: ClipSettings
) -> tuple[float, int, str]:
    """Image angle that points up in pictures, +1 or -1 where they are mirrored back, and what points up."""
    side = orientation.sign if orientation.position_angles else 1
    if orientation.position_angles and not clip.level_limb:
        return orientation.zero_deg, side, "solar north"
    if lock.to_deg - lock.from_deg > 180.0 and not clip.level_limb:
        return 0.0, side, "image"
    return float(np.average(action.theta_deg, weights=action.weight)), side, "limb"


def turned(
    theta_deg: np.ndarray, rho_px: np.ndarray, turn: float, side: int
) -> tuple[np.ndarray, np.ndarray]:
    """x, y about the Sun's centre, y down, of image angles and distances in a picture turned and mirrored
    so."""
    angle = side * np.deg2rad(theta_deg - turn)
    return -rho_px * np.sin(angle), -rho_px * np.cos(angle)


def covered(lock: LimbLock, turn: float, side: int, frames: np.ndarray | None = None) -> np.ndarray:
    """x0, y0, x1, y1 about the Sun's centre (turned, frame px) that nearly every one of these frames shows;
    None: all used."""
    rows, columns = lock.shape
    edges = []
    for index in np.flatnonzero(lock.used) if frames is None else frames:
        x = np.array([0.0, columns - 1.0, columns - 1.0, 0.0]) - lock.centre_x_px[index]
        y = np.array([0.0, 0.0, rows - 1.0, rows - 1.0]) - lock.centre_y_px[index]
        theta = np.rad2deg(np.arctan2(-x, -y)) - lock.angle_deg[index]
        px, py = turned(theta, np.hypot(x, y), turn, side)
        # Of a frame that stands askew the box through the middles of its slanted sides is taken.
        px, py = np.sort(px), np.sort(py)
        edges.append([px[:2].mean(), py[:2].mean(), px[2:].mean(), py[2:].mean()])
    table = np.array(edges)
    low, high = np.percentile(table[:, :2], 95, axis=0), np.percentile(table[:, 2:], 5, axis=0)
    return np.concatenate([low, np.maximum(high, low + 16.0)])


def _corner(box: np.ndarray, cover: np.ndarray, size: np.ndarray) -> np.ndarray:
    """Top-left corner of the view: the action in the middle as far as the frames reach."""
    corner = (box[:2] + box[2:] - size) / 2.0
    room = cover[2:] - cover[:2]
    inside = np.clip(corner, cover[:2], np.maximum(cover[2:] - size, cover[:2]))
    return np.where(size <= room, inside, (cover[:2] + cover[2:] - size) / 2.0)


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


def warp(frame: np.ndarray, matrix: np.ndarray, view: ClipView, rows: slice | None = None) -> np.ndarray:
    """The frame in the picture's geometry, or some of its rows, in its own type; what it does not show
    repeats its border."""
    # Cubic also where nothing is enlarged: linear interpolation blurs by an amount that goes with the drift's
    # fraction.
    flags = cv2.WARP_INVERSE_MAP | (cv2.INTER_CUBIC if view.zoom > 0.9 else cv2.INTER_LINEAR)
    first, last = (0, view.height) if rows is None else (rows.start, rows.stop)
    moved = matrix + np.array([[0.0, 0.0, matrix[0, 1] * first], [0.0, 0.0, matrix[1, 1] * first]])
    return cv2.warpAffine(
        frame, moved, (view.width, last - first), flags=flags, borderMode=cv2.BORDER_REPLICATE
    )
