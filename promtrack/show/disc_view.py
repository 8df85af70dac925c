"""The view of a whole disc: the disc at the left, and every measured prominence enlarged beside it.

Insets lie level, one scale for all of them. What finds no inset is counted in words on the picture.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from promtrack.errors import SettingsError
from promtrack.limb.records import LimbLock
from promtrack.motion.interpretation import ranked_fronts, ranked_knots
from promtrack.motion.records import Front, KnotTrack
from promtrack.show.canvas import Block, Canvas, Page, block, draw_line, draw_text
from promtrack.show.layout import Rect
from promtrack.show.records import Measured
from promtrack.show.region_of_interest import BENEATH, FILL, LARGEST_ZOOM, LEAST_MM
from promtrack.show.tone import Toner, tone_frame
from promtrack.show.view import SIZES, ClipView, view_of
from promtrack.sun import Orientation

GAP_PX = 12  # between insets, and from the border to what stands about the disc
ARC_MM = 60.0  # above the limb: where arcs show what is enlarged
ASIDE = 0.36  # of an inset's width: its prominence stands left of the middle, so that numbers find room


@dataclass(frozen=True, slots=True)
class Inset:
    """One enlarged piece of limb."""

    rect: Rect  # in the picture
    view: ClipView  # in coordinates of the whole picture
    from_deg: float  # product angles, from < to
    to_deg: float

    @property
    def own_view(self) -> ClipView:
        """The same geometry in a picture of the inset alone."""
        rect, view = self.rect, self.view
        sun_x, sun_y = view.sun_x_px - rect.left, view.sun_y_px - rect.top
        return replace(view, width=rect.width, height=rect.height, sun_x_px=sun_x, sun_y_px=sun_y)

    def holds(self, angle_deg: float) -> bool:
        """Whether a product angle lies in it."""
        return (angle_deg - self.from_deg) % 360.0 <= self.to_deg - self.from_deg


def disc_view(measured: Measured) -> ClipView:
    """The whole disc in the left part of a wide picture, solar north up where it is known. Raises
    SettingsError: the frames do not show a whole disc."""
    lock, orientation = measured.lock, measured.orientation
    if lock.to_deg - lock.from_deg < 359.0:
        shown = f"the frames show {lock.to_deg - lock.from_deg:.0f} degrees of the limb, not a whole disc"
        raise SettingsError(shown, where="clip.view", remedy="use wide, square, tall or native")
    width, height = SIZES["disc"]
    top_mm = max([ARC_MM, *(float(np.nanmax(p.height_mm)) for p in measured.motion.prominences)])
    reach_px = lock.radius_px + top_mm * 1e3 / measured.scale.km_per_px
    zoom = min((0.5 * height - GAP_PX) / reach_px, LARGEST_ZOOM)
    known = orientation.position_angles
    turn, side = (orientation.zero_deg, orientation.sign) if known else (0.0, 1)
    centre = 0.5 * (height - 1.0)
    return view_of(lock, measured.scale, (width, height), zoom, turn, side, (centre, centre))


def insets_of(measured: Measured, disc: ClipView) -> tuple[tuple[Inset, ...], int]:
    """The insets, what moves first and then the largest prominences, and how many found no place."""
    pieces = _pieces(measured)
    shown = pieces[:4]
    if not shown:
        return (), 0
    lock, scale, turn_of = measured.lock, measured.scale, measured.orientation.to_image
    wide, tall = disc.width - disc.height - GAP_PX, (disc.height - GAP_PX * (len(shown) - 1)) // len(shown)
    limb_mm = lock.radius_px * scale.km_per_px * 1e-3
    across = max(np.deg2rad(to - start) * limb_mm for start, to, _ in shown)
    upward = max((1.0 + BENEATH) * top for _, _, top in shown)
    px_per_mm = min(FILL * wide / max(across, 2.0 * LEAST_MM), FILL * tall / upward)
    zoom = min(px_per_mm * scale.km_per_px * 1e-3, LARGEST_ZOOM)
    insets = []
    for place, (start, to, top) in enumerate(shown):
        rect = Rect(disc.height + GAP_PX, place * (tall + GAP_PX), wide, tall)
        radius = lock.radius_px * zoom
        middle_px = radius + 0.5 * (1.0 - BENEATH) * top * 1e3 / (scale.km_per_px / zoom)
        turn = float(turn_of(0.5 * (start + to)))
        sun = rect.left + ASIDE * rect.width, rect.top + 0.5 * (rect.height - 1.0) + middle_px
        view = view_of(lock, scale, (disc.width, disc.height), zoom, turn, disc.side, sun)
        half = float(np.rad2deg(ASIDE * rect.width / radius))
        insets.append(Inset(rect, view, 0.5 * (start + to) - half, 0.5 * (start + to) + half))
    return tuple(insets), sum(not any(i.holds(0.5 * (a + b)) for i in insets) for a, b, _ in pieces)


def title_room(view: ClipView, inside: Rect) -> Rect:
    """Where the title of a whole disc stands: in the right part, which the insets have afterwards."""
    left = view.height + GAP_PX
    return replace(inside, left=left, width=inside.right - left)


def disc_tone(
    tone: np.ndarray,
    frame: np.ndarray,
    insets: tuple[Inset, ...],
    toner: Toner,
    lock: LimbLock,
    index: int,
    *,
    title: bool,
) -> np.ndarray:
    """The (height, width) uint8 tone of the whole disc's picture, changed in place: its right part is given
    to the insets, or left empty for the `title`. `frame`: (rows, columns), counts; `index`: of the frame in
    the sequence."""
    if insets:
        tone[:, tone.shape[0] :] = 0
    for inset in () if title else insets:
        part = np.s_[inset.rect.top : inset.rect.bottom, inset.rect.left : inset.rect.right]
        tone[part] = tone_frame(frame, toner, inset.own_view, lock, index)
    return tone


def inset_name(insets: tuple[Inset, ...], place: int, not_shown: int, page: Page) -> tuple[Block, Rect]:
    """The angle of an inset, with the last how many found none, and where that stands."""
    inset, pad = insets[place], page.unit // 4
    words = f"{0.5 * (inset.from_deg + inset.to_deg) % 360.0:.0f}°"
    if not_shown and place == len(insets) - 1:
        words += f", and {not_shown} more"
    name = block(((words, page.unit),))
    top = inset.rect.bottom - pad - name.height
    return name, Rect(inset.rect.left + pad, top, name.width, name.height)


def draw_insets(
    canvas: Canvas,
    insets: tuple[Inset, ...],
    disc: ClipView,
    orientation: Orientation,
    not_shown: int,
    page: Page,
) -> None:
    """Where each inset lies on the disc, and its name in both."""
    for place, inset in enumerate(insets):
        image = np.asarray(orientation.to_image(np.linspace(inset.from_deg, inset.to_deg, 25)))
        arc = np.stack(disc.to_picture(image, ARC_MM), axis=1)
        draw_line(canvas, arc, max(page.stroke - 1, 1), strength=0.6 * page.ink)
        name, rect = inset_name(insets, place, not_shown, page)
        draw_text(canvas, name, rect.left, rect.top, strength=page.ink)
        angle, _ = inset_name(insets, place, 0, page)
        limb, sun = np.array(disc.to_picture(float(image[12]), 0.0)), np.array([disc.sun_x_px, disc.sun_y_px])
        size, inward = np.array([angle.width, angle.height]), (sun - limb) / disc.radius_px
        away = 0.4 * page.unit + 0.5 * float(np.abs(inward) @ size)
        x, y = np.rint(limb + away * inward - size / 2).astype(int).tolist()
        draw_text(canvas, angle, x, y, strength=page.ink)


def _pieces(measured: Measured) -> list[tuple[float, float, float]]:
    """First and last product angle and height [Mm] of what is enlarged; pieces that overlap are one."""
    motion, limb_mm = measured.motion, measured.strip.geometry.limb_mm
    least_deg = float(np.rad2deg(LEAST_MM / limb_mm))
    tracks: list[KnotTrack | Front] = [*ranked_fronts(motion), *ranked_knots(motion)]
    found = [(float(t.angle_deg.min()), float(t.angle_deg.max()), float(t.height_mm.max())) for t in tracks]
    found += [(p.from_deg, p.to_deg, float(np.nanmax(p.height_mm))) for p in motion.prominences]
    pieces: list[tuple[float, float, float]] = []
    for start, to, top in found:
        for place, (a, b, height) in enumerate(pieces):
            turn = 360.0 * round((0.5 * (a + b) - 0.5 * (start + to)) / 360.0)
            if start + turn <= b + least_deg and to + turn >= a - least_deg:
                pieces[place] = (min(a, start + turn), max(b, to + turn), max(height, top))
                break
        else:
            pieces.append((start, to, top))
    return pieces
