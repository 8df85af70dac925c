"""What maps and montages show: everything measured in, a crop of some frames in the sky's sense out.

All of them are turned as the clip is, solar north up where it is known, else the limb level, and one
megametre is as long across as upward.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from matplotlib.axes import Axes

from promtrack.motion.records import Front, KnotTrack, Prominence
from promtrack.show.figures.style import (
    PICTURE_INK,
    TEXT_PT,
    brightness_range,
    outlined,
    plasma,
    width_inch,
)
from promtrack.show.quoted import leading_front, moving_knots, named_tracks
from promtrack.show.records import Measured
from promtrack.show.region_of_interest import Action
from promtrack.show.scale_bar import arrows_of
from promtrack.show.view import (
    ClipView,
    affine_to_frame,
    covered,
    leaning,
    moved_inside,
    picture_up,
    rotation,
    turned,
    warp,
)

MAP_COLUMNS, LARGEST_ZOOM = 1100, 2.5  # beyond this zoom single pixels would show
MARGIN_DEG, MARGIN_MM, DEPTH_MM = 1.5, 15.0, -12.0  # kept round what moves, and below the limb
MOST_DEG = 20.0  # of the limb, from the first named track: what lies beyond would make the map small
ARM_PT, ARM_SHARE = 40.0, 0.13  # of the compass, and of the axes' width at most


@dataclass(frozen=True, slots=True, eq=False)
class Map:
    """A part of the sky, turned upright; Mm count to the right and up from its lower left corner."""

    view: ClipView
    width_mm: float
    height_mm: float

    @property
    def mm_per_px(self) -> float:
        """Of the map's picture."""
        return 1e-3 * self.view.km_per_px

    @property
    def extent(self) -> tuple[float, float, float, float]:
        """Of the map's picture: left, right, bottom, top."""
        low = self.height_mm - self.view.height * self.mm_per_px
        return 0.0, self.view.width * self.mm_per_px, low, self.height_mm

    def place(self, image_deg: np.ndarray, above_mm: np.ndarray) -> np.ndarray:
        """(n, 2) Mm on the map of points at image angle (reference frame) and height above the limb."""
        x, y = self.view.to_picture(image_deg, above_mm)
        step = self.mm_per_px
        return np.stack([(x + 0.5) * step, self.height_mm - (y + 0.5) * step], axis=-1)

    def above_mm(self, x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
        """Height above the limb of places on the map."""
        sun_x = (self.view.sun_x_px + 0.5) * self.mm_per_px
        sun_y = self.height_mm - (self.view.sun_y_px + 0.5) * self.mm_per_px
        return np.hypot(x_mm - sun_x, y_mm - sun_y) - self.view.radius_px * self.mm_per_px


def moment_of(measured: Measured) -> int:
    """The frame that shows the motion best: of those in which most named tracks are seen, that in which the
    leading front stands highest, else the sharpest; the reference frame where nothing moves."""
    strip, front = measured.strip, leading_front(measured)
    tracks = [named.track for named in named_tracks(measured)]
    if not tracks:
        return measured.lock.reference
    seen = np.sum([np.isin(strip.frame, track.frame) for track in tracks], axis=0)
    rank = measured.lock.sharpness[strip.frame]
    if front is not None:
        rank = np.interp(strip.time_s, front.time_s, front.height_mm)
    return int(strip.frame[np.argmax(np.where(seen == seen.max(), np.nan_to_num(rank), -np.inf))])


def growth_frames(measured: Measured, count: int) -> np.ndarray:
    """Frames between which the leading front grows by equal heights, or that follow in equal times."""
    front, strip = leading_front(measured), measured.strip
    if front is None:
        return strip.frame[np.unique(np.linspace(0, len(strip) - 1, count).round().astype(int))]
    grown = np.maximum.accumulate(np.nan_to_num(front.height_mm, nan=-np.inf))
    levels = np.linspace(grown[0], grown[-1], count)
    return front.frame[np.unique(np.minimum(np.searchsorted(grown, levels - 1e-9), len(grown) - 1))]


def fitting_aspect(measured: Measured, widest: float, frames: np.ndarray) -> float:
    """Width over height of the map that cuts least of what it must show, a level one rather than one that
    leans; `widest` at most."""
    aspects = np.linspace(widest, min(widest, 0.6), 12).tolist()
    crops = {aspect: _crop_of(measured, aspect, frames) for aspect in aspects}
    return min(aspects, key=lambda aspect: (crops[aspect].lost, crops[aspect].lean_deg))


def map_of(measured: Measured, aspect: float, frames: np.ndarray) -> Map:
    """The crop: around what moves, or around all that the strips show where nothing moves."""
    crop = _crop_of(measured, aspect, frames)
    corner, size = crop.middle - crop.half, 2.0 * crop.half
    zoom = min(MAP_COLUMNS / float(size[0]), LARGEST_ZOOM)
    width, height = (max(round(float(part) * zoom), 2) for part in size)
    sun_x, sun_y = (float(part) for part in -corner * zoom)
    radius_px, km_per_px = measured.lock.radius_px * zoom, measured.scale.km_per_px
    view = ClipView(width, height, zoom, crop.turn_deg, crop.side, sun_x, sun_y, radius_px, km_per_px / zoom)
    return Map(view, float(size[0]) * km_per_px * 1e-3, float(size[1]) * km_per_px * 1e-3)


def map_pictures(measured: Measured, area: Map, frames: np.ndarray) -> list[np.ndarray]:
    """uint8 RGBA of the crop for each frame, in one tone: the disc dark and flat, what stands off the limb
    bright, black beyond the frame."""
    out = area.view.height_map_px()
    crops = [_crop(measured, area.view, int(frame), out) for frame in frames]
    top = max(brightness_range(crop[out > 0.0], 0.0, 99.7)[1] for crop in crops)
    pictures = []
    for crop in crops:
        disc = crop[(out <= 0.0) & np.isfinite(crop)]
        level = max(float(np.median(disc)), 1e-6) if disc.size else 1.0
        tone = np.where(out <= 0.0, 0.05 * top * crop / level, crop)
        pictures.append(plasma(np.nan_to_num(tone), top))
    return pictures


@dataclass(frozen=True, slots=True, eq=False)
class _Crop:
    """A crop about the Sun's centre along the map's axes, frame px."""

    middle: np.ndarray  # (2,)
    half: np.ndarray  # (2,) half its size
    lost: float  # how much of what should be shown is cut, in hundredths of its size
    turn_deg: float
    lean_deg: float  # of a limb that could be level
    side: int


def _crop_of(measured: Measured, aspect: float, frames: np.ndarray) -> _Crop:
    """The crop of this shape, moved and where need be made smaller so that no border of the frames shows. A
    level limb leans where it would otherwise cut what should be shown."""
    geometry, lock = measured.strip.geometry, measured.lock
    low, high, top = _piece(measured, frames)
    angle, height = np.meshgrid(np.linspace(low, high, 33), [DEPTH_MM, 0.0, max(top, 2.0 * MARGIN_MM)])
    theta, above = np.asarray(measured.orientation.to_image(angle.ravel())), height.ravel()
    action = Action(theta, above, np.ones_like(theta))
    up, side, level = picture_up(measured.orientation, action, measured.settings.clip)
    cover, rho_px = covered(lock, frames), lock.radius_px * (1.0 + above / geometry.limb_mm)

    def turned_by(turn: float) -> _Crop:
        x, y = turned(theta, rho_px, turn, side)
        needed = 0.5 * np.array([np.ptp(x), np.ptp(y)])
        wanted = 0.5 * np.array([x.min() + x.max(), y.min() + y.max()])
        half_x, to_picture = max(needed[0], needed[1] * aspect, 80.0), rotation(turn, side)  # less: pixels
        half = np.array([half_x, half_x / aspect])
        half *= min(1.0, float((0.5 * (cover[2:] - cover[:2]) / (np.abs(to_picture.T) @ half)).min()))
        middle = moved_inside(wanted, half, to_picture, cover)
        cut = np.maximum(np.abs(wanted - middle) + needed - half, 0.0).sum() / needed.max()
        return _Crop(middle, half, round(float(cut), 2), turn, abs(turn - up), side)

    turns = leaning(up, measured.orientation) if level else np.array([up])
    return min(map(turned_by, turns.tolist()), key=lambda crop: crop.lost)


def _piece(measured: Measured, frames: np.ndarray) -> tuple[float, float, float]:
    """First and last angle, and the greatest height, of what the map must show: all that moves within
    `MOST_DEG` of the first named track and the prominence about that, or the prominences, or all that the
    strips show; of what rises, as far as the last of the frames shows it."""

    def top_of(body: Front | KnotTrack | Prominence) -> float:
        by_then = body.height_mm[body.frame <= frames.max()] if not isinstance(body, KnotTrack) else ()
        return float(np.nanmax(by_then if np.isfinite(by_then).any() else body.height_mm))

    tracks = [named.track for named in named_tracks(measured)]
    tracks += [knot for knot in moving_knots(measured) if knot not in tracks]
    found = [(float(t.angle_deg.min()), float(t.angle_deg.max()), top_of(t)) for t in tracks]
    for one in measured.motion.prominences:  # that in which the first track moves, or all
        if not tracks or (found[0][0] - one.from_deg) % 360.0 <= one.to_deg - one.from_deg:
            found.append((one.from_deg, one.to_deg, top_of(one)))
    if not found:
        geometry = measured.strip.geometry
        last = float(geometry.angle_deg(geometry.columns - 1))
        return geometry.from_deg, last, 0.6 * float(geometry.height_mm(geometry.rows - 1))
    middle = 0.5 * (found[0][0] + found[0][1])
    lows, highs, tops = np.array(found).T
    turns = 360.0 * np.round((middle - 0.5 * (lows + highs)) / 360.0)
    near = np.abs(0.5 * (lows + highs) + turns - middle) <= MOST_DEG
    low, high = float((lows + turns)[near].min()), float((highs + turns)[near].max())
    return low - MARGIN_DEG, high + MARGIN_DEG, float(tops[near].max()) + MARGIN_MM


def _crop(measured: Measured, view: ClipView, frame: int, out_px: np.ndarray) -> np.ndarray:
    """One frame in the map's geometry less the calm sky's glow, which outshines plasma; nan beyond it."""
    matrix, step = affine_to_frame(view, measured.lock, frame), 1.0 / view.zoom
    picture = np.asarray(measured.sequence.frame(frame))
    if step >= 1.5:  # averaged where it is made smaller
        picture = cv2.blur(picture, (round(step), round(step)))
    crop = warp(picture.astype(np.float32), matrix, view)
    x, y = np.arange(view.width)[None, :], np.arange(view.height)[:, None]
    for (per_x, per_y, first), size in zip(matrix, picture.shape[::-1], strict=True):
        place = per_x * x + per_y * y + first
        crop[(place < 0.0) | (place > size - 1.0)] = np.nan
    off = (out_px > 0.0) & np.isfinite(crop)
    crop[off] -= _calm(out_px[off], crop[off], max(step, 1.0))
    return crop


def _calm(out_px: np.ndarray, value: np.ndarray, step: float) -> np.ndarray:
    """The calm sky's brightness at each pixel: a low share of what stands at its distance from the limb,
    never rising. Rings are a pixel wide at the limb and widen outward."""
    if not len(value):
        return value
    some = value[::8]  # of which so many are left in a ring that its share is sure
    ring = (8.0 * np.log1p(out_px[::8] / (8.0 * step))).astype(np.intp)
    order = np.lexsort((some, ring))
    first = np.searchsorted(ring[order], np.arange(ring.max() + 2))
    count = np.diff(first)
    seen = np.flatnonzero(count > 8)
    if not len(seen):
        return np.zeros_like(value)
    # 0.15 of the pixels at one distance from the limb are taken to be calm sky
    level = some[order][first[seen] + (0.15 * count[seen]).astype(np.intp)]
    return np.interp(out_px, 8.0 * step * np.expm1((seen + 0.5) / 8.0), np.minimum.accumulate(level))


def compass(axes: Axes, measured: Measured, area: Map, picture: np.ndarray) -> None:
    """North and east where they are known, else the way up in the image, where the map is darkest. `picture`:
    (rows, columns, 4) uint8, of the whole map with what else is drawn on it."""
    size, mm_per_pt = np.array([area.width_mm, area.height_mm]), area.width_mm / (72.0 * width_inch(axes))
    arm_mm = min(ARM_PT * mm_per_pt, ARM_SHARE * area.width_mm) * np.array([1.0, -1.0])  # y upward
    arms = [(name, arm_mm * way) for name, way in arrows_of(area.view, measured.orientation)]
    reach = np.stack([np.zeros(2), *(1.35 * way for _, way in arms)])
    pad = np.array([5.0 if len(arms) == 1 else 1.0, 1.0]) * TEXT_PT * mm_per_pt
    low = pad - reach.min(axis=0)
    high = np.maximum(size - pad - reach.max(axis=0), low)
    shares = np.stack(np.meshgrid(*[np.linspace(0.0, 1.0, 13)] * 2), axis=-1).reshape(-1, 2)
    box = np.array([reach.min(axis=0) - pad / 2, reach.max(axis=0) + pad / 2])

    def light(origin: np.ndarray) -> float:
        """Mean light beneath the compass."""
        ends = np.clip(origin + box, 0.0, size)
        (left, bottom), (right, top) = (ends / size * picture.shape[1::-1]).astype(int)
        rows = slice(picture.shape[0] - top, picture.shape[0] - bottom)
        part = picture[rows, left:right, 0]  # red, the brightest colour
        return float(part.mean()) if part.size else 0.0

    origin = min(low + shares * (high - low), key=light)
    look: dict[str, Any] = {"color": PICTURE_INK, "ha": "center", "va": "center", "fontweight": "bold"}
    arrow = {"arrowstyle": "<-", "color": PICTURE_INK, "linewidth": 1.8, "shrinkA": 1, "shrinkB": 0}
    for name, way in arms:
        if len(name) > 1 and abs(way[0]) > abs(way[1]):  # words beyond the tip, not over the arrow
            look["ha"] = "right" if way[0] < 0.0 else "left"
        axes.annotate(
            name, origin, tuple(origin + way), path_effects=outlined(width=3.0), arrowprops=arrow, **look
        )
