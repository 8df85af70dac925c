"""What the knot map shows: everything measured in, the crop of one frame and the moment that shows the motion
best out.

The map is turned as the clip is: solar north up where it is known, else the limb level.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.motion.records import Front, KnotTrack
from promtrack.show.action import Action
from promtrack.show.figure_style import brightness_range, plasma
from promtrack.show.records import Measured
from promtrack.show.verdict import leading_front, moving_knots
from promtrack.show.view import ClipView, affine_to_frame, covered, picture_up, turned, warp

__all__ = ["Map", "fitting_aspect", "map_of", "map_picture", "moment_of", "with_arrows"]

MAP_COLUMNS, MOST_ARROWS = 1100, 6
LARGEST_ZOOM = 2.5  # beyond it single pixels would show
LEAST_HALF_PX = 80.0  # half the width of the map; less would show single pixels
CALM_SHARE = 0.15  # of the pixels at one distance from the limb: so much is taken to be calm sky
CALM_PIXELS = 100_000  # so many tell it as well as all
DISC_TONE = 0.05  # of the brightest plasma: the disc stays calm and dark, and is seen


@dataclass(frozen=True, slots=True, eq=False)
class Map:
    """The part of one frame that is shown, turned upright; Mm count to the right and up from its lower left
    corner."""

    view: ClipView
    frame: int  # number in the sequence
    width_mm: float
    height_mm: float

    @property
    def mm_per_px(self) -> float:
        """Of the map's picture."""
        return 1e-3 * self.view.km_per_px

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """Of the map's picture: left, right, bottom, top."""
        return (
            0.0,
            self.view.width * self.mm_per_px,
            self.height_mm - self.view.height * self.mm_per_px,
            self.height_mm,
        )

    @property
    def sun_mm(self) -> tuple[float, float]:
        """Place of the Sun's centre, usually far below the map."""
        return (self.view.sun_x_px + 0.5) * self.mm_per_px, self.height_mm - (
            self.view.sun_y_px + 0.5
        ) * self.mm_per_px

    def place(self, image_deg: np.ndarray, above_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Image angle of the reference frame and height above the limb to Mm on the map."""
        x, y = self.view.to_picture(image_deg, above_mm)
        return (x + 0.5) * self.mm_per_px, self.height_mm - (y + 0.5) * self.mm_per_px

    def above_mm(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Height above the limb of places on the map."""
        sun_x, sun_y = self.sun_mm
        return (
            np.hypot(np.asarray(x_mm) - sun_x, np.asarray(y_mm) - sun_y)
            - self.view.radius_px * self.mm_per_px
        )


def with_arrows(knots: tuple[KnotTrack, ...]) -> tuple[KnotTrack, ...]:
    """The fastest knots, as many as there is room for arrows with numbers; the others show as paths."""
    return tuple(
        sorted(sorted(knots, key=lambda knot: -knot.fit.speed_km_s)[:MOST_ARROWS], key=lambda knot: knot.knot)
    )


def moment_of(measured: Measured) -> int:
    """The frame that shows the motion best: the sharpest of those in which most of the fastest knots are
    seen.

    Where only a front moves it is the frame of its greatest height, where nothing moves the reference frame.
    """
    strip, lock, front = measured.strip, measured.lock, leading_front(measured)
    knots = with_arrows(moving_knots(measured))
    if not knots:
        return lock.reference if front is None else int(front.frame[np.nanargmax(front.height_mm)])
    seen = sum(
        ((strip.time_s >= knot.time_s[0]) & (strip.time_s <= knot.time_s[-1])).astype(int) for knot in knots
    )
    frames = strip.frame[np.flatnonzero(seen == np.max(seen))]
    return int(frames[np.argmax(np.nan_to_num(lock.sharpness[frames]))])


def fitting_aspect(measured: Measured, widest: float) -> float:
    """Width over height of a map that shows what it must and nothing beyond the frame; `widest` where the
    frame allows."""
    box, cover, _, _ = _boxes(measured)
    wide, tall = cover[2:] - cover[:2]
    half_x, half_y = _half(box, widest)
    if 2.0 * half_x <= wide:
        return widest
    half_y = max(0.5 * float(box[3] - box[1]), 0.5 * wide / widest)
    return float(np.clip(0.5 * wide / min(half_y, 0.5 * tall), 0.6, widest))


def map_of(measured: Measured, aspect: float) -> Map:
    """The crop: around what moves, or around all that the strips show where nothing moves."""
    box, cover, turn, side = _boxes(measured)
    half = np.array(_half(box, aspect))
    middle = np.where(
        2.0 * half > cover[2:] - cover[:2],
        0.5 * (cover[:2] + cover[2:]),
        np.clip(0.5 * (box[:2] + box[2:]), cover[:2] + half, np.maximum(cover[2:] - half, cover[:2] + half)),
    )
    corner, size = middle - half, 2.0 * half
    zoom = min(MAP_COLUMNS / float(size[0]), LARGEST_ZOOM)
    width, height = (max(round(float(part) * zoom), 2) for part in size)
    lock, km_per_px = measured.lock, measured.scale.km_per_px
    view = ClipView(
        width,
        height,
        zoom,
        turn,
        side,
        float(-corner[0] * zoom),
        float(-corner[1] * zoom),
        lock.radius_px * zoom,
        km_per_px / zoom,
        "",
    )
    return Map(
        view, moment_of(measured), float(size[0]) * km_per_px * 1e-3, float(size[1]) * km_per_px * 1e-3
    )


def map_picture(measured: Measured, area: Map) -> np.ndarray:
    """uint8 RGBA of the crop, toned: the disc dark and flat, what stands off the limb bright, black beyond
    the frame."""
    lock, view = measured.lock, area.view
    crop = _resampled(measured.sequence.frame(area.frame), affine_to_frame(view, lock, area.frame), view)
    out = view.height_map_px()
    off, disc = (out > 0.0) & np.isfinite(crop), out <= 0.0
    crop[off] -= _calm(
        out[off], crop[off], max(1.0 / view.zoom, 1.0)
    )  # the glow about the limb would outshine the prominence
    top = brightness_range(crop[off], 0.0, 99.7)[1]
    level = float(np.nanmedian(crop[disc])) if np.isfinite(crop[disc]).any() else 1.0
    return plasma(np.nan_to_num(np.where(disc, DISC_TONE * top * crop / max(level, 1e-6), crop)), top)


def _boxes(measured: Measured) -> tuple[np.ndarray, np.ndarray, float, int]:
    """What the map must show and what the frame covers, both x0, y0, x1, y1 in px about the Sun's centre;
    turn and side."""
    geometry, lock = measured.strip.geometry, measured.lock
    tracks: list[KnotTrack | Front] = [
        *moving_knots(measured),
        *(front for front in measured.motion.fronts if front.moving),
    ]
    angles = [angle for track in tracks for angle in (np.nanmin(track.angle_deg), np.nanmax(track.angle_deg))]
    heights = [float(np.nanmax(track.height_mm)) for track in tracks]
    low, high = (
        (min(angles) - 1.5, max(angles) + 1.5)
        if tracks
        else (geometry.from_deg, float(geometry.angle_deg(geometry.columns - 1)))
    )
    top = max(heights) + 15.0 if tracks else 0.6 * float(geometry.height_mm(geometry.rows - 1))
    angle, height = (
        part.ravel()
        for part in np.meshgrid(np.linspace(low, high, 33), np.array([-12.0, 0.0, max(top, 30.0)]))
    )
    theta = np.asarray(measured.orientation.to_image(angle))
    turn, side, _ = picture_up(
        lock, measured.orientation, Action(theta, height, np.ones_like(theta)), measured.settings.clip
    )
    x, y = turned(theta, lock.radius_px * (1.0 + height / geometry.limb_mm), turn, side)
    cover = covered(lock, turn, side, np.array([moment_of(measured)]))
    corners = np.clip(np.array([[x.min(), y.min()], [x.max(), y.max()]]), cover[:2], cover[2:])
    return corners.ravel(), cover, turn, side


def _half(box: np.ndarray, aspect: float) -> tuple[float, float]:
    """Half the width and half the height of a map of this shape that shows the whole box."""
    half_x = max(0.5 * float(box[2] - box[0]), 0.5 * float(box[3] - box[1]) * aspect, LEAST_HALF_PX)
    return half_x, half_x / aspect


def _calm(out_px: np.ndarray, value: np.ndarray, step: float) -> np.ndarray:
    """The calm sky's brightness at each pixel: a low share of what stands at its distance from the limb,
    never rising."""
    some = slice(None, None, max(len(value) // CALM_PIXELS, 1))
    ring = (8.0 * np.log1p(out_px[some] / (8.0 * step))).astype(
        np.intp
    )  # a pixel wide at the limb, wider where noise matters more
    order = np.lexsort((value[some], ring))
    first = np.searchsorted(ring[order], np.arange(ring.max() + 2)) if ring.size else np.zeros(1, np.intp)
    count = np.diff(first)
    seen = np.flatnonzero(count > 8)
    if not len(seen):
        return np.zeros_like(value)
    level = value[some][order][first[seen] + (CALM_SHARE * count[seen]).astype(np.intp)]
    return np.interp(out_px, 8.0 * step * np.expm1((seen + 0.5) / 8.0), np.minimum.accumulate(level))


def _resampled(frame: np.ndarray, matrix: np.ndarray, view: ClipView) -> np.ndarray:
    """The frame in the map's geometry, averaged where it is made smaller; float32, nan beyond the frame."""
    step = 1.0 / view.zoom
    picture = cv2.blur(frame, (round(step), round(step))) if step >= 1.5 else frame
    crop = warp(picture.astype(np.float32), matrix, view)
    x, y = np.arange(view.width)[None, :], np.arange(view.height)[:, None]
    for (per_x, per_y, first), size in zip(matrix, frame.shape[::-1], strict=True):
        place = per_x * x + per_y * y + first
        crop[(place < 0.0) | (place > size - 1.0)] = np.nan
    return crop
