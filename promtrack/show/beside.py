"""Frame and strip side by side: the picture on the left, on the right the same limb laid out straight."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.show.action import Action
from promtrack.show.canvas import Canvas, Ink, Stamp, blank_ink, join_inks, lay, paint
from promtrack.show.clock import Clock, draw_clock, make_clock
from promtrack.show.furniture import nice_step
from promtrack.show.layout import Rect, make_ground
from promtrack.show.marks import Page, line_mask
from promtrack.show.records import Measured
from promtrack.show.text import REGULAR, WHITE, text_mask
from promtrack.show.tone import Toner, line_tone
from promtrack.show.verdict import limb_name
from promtrack.strip.records import StripGeometry

__all__ = ["Beside", "beside_tone", "draw_beside", "make_beside"]


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """Geometry of the double picture, and its standing annotation."""

    measured: Measured
    page: Page
    crop: Rect  # of the clip's picture, shown at the left
    plot: Rect  # of the strip in the double picture
    matrix: np.ndarray  # (2, 3) from the plot's pixels to columns and rows of a strip
    slot: dict[int, int]  # frame to strip
    standing: Stamp
    clock: Clock


def make_beside(measured: Measured, page: Page, action: Action, time_s: np.ndarray) -> Beside:
    """Lay out the double picture, as large as the clip."""
    geometry = measured.strip.geometry
    half = page.width // 2 // 2 * 2
    crop = Rect((page.width - half) // 2, 0, half, page.height)
    product = np.asarray(measured.orientation.to_product(action.theta_deg))
    centre, wide = (product.min() + product.max()) / 2.0, np.deg2rad(np.ptp(product)) * geometry.limb_mm * 1.5
    left, right = half + round(3.4 * page.unit), page.width - page.margin
    most = page.height - 7 * page.unit
    low = geometry.low_mm
    high = min(float(geometry.height_mm(geometry.rows - 1)), 1.5 * float(action.height_mm.max()) + 10.0)
    px_per_mm = min((right - left) / max(wide, 20.0), most / (high - low))
    tall = round(px_per_mm * (high - low))
    plot = Rect(left, (page.height - tall) // 2, right - left, tall)
    per_px = 1.0 / px_per_mm
    columns = np.rad2deg(per_px / geometry.limb_mm) / geometry.deg_per_column
    first = float(geometry.column(_unwrapped(centre, geometry))) + columns * plot.width / 2.0
    # Angles grow to the left, as they do over the top of the Sun in the picture.
    matrix = np.array([[-columns, 0.0, first], [0.0, -per_px / geometry.mm_per_row, geometry.row(high)]])
    ground = make_ground(page.width, page.height, page.margin, np.zeros((8, 8)))
    start = measured.sequence.times_utc[np.flatnonzero(measured.lock.used)[0]]
    clock, _ = make_clock(start, time_s, page, ground, clock=True, gaps=True, notices=False)
    ink = join_inks([_axes(plot, matrix, measured, page)], page.width, page.height)
    slot = {int(frame): place for place, frame in enumerate(measured.strip.frame)}
    return Beside(measured, page, crop, plot, matrix, slot, page.stamp(ink), clock)


def beside_tone(beside: Beside, tone: np.ndarray, frame: int, toner: Toner) -> np.ndarray:
    """uint8 tone of the double picture."""
    crop, plot = beside.crop, beside.plot
    whole = np.full_like(tone, toner.calm.min())
    whole[:, : crop.width] = tone[:, crop.left : crop.right]
    place = beside.slot.get(frame)
    if place is not None:
        strip = np.nan_to_num(beside.measured.strip.read(place, place + 1)[0])
        laid = cv2.warpAffine(
            strip,
            beside.matrix,
            (plot.width, plot.height),
            flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
            borderMode=cv2.BORDER_CONSTANT,
        )
        whole[plot.top : plot.bottom, plot.left : plot.right] = line_tone(
            laid / np.float32(toner.quiet.peak), toner
        )
    return whole


def draw_beside(beside: Beside, canvas: Canvas, time_s: float) -> None:
    """Axes and clock, in place."""
    lay(beside.standing, canvas)
    draw_clock(beside.clock, canvas, time_s, "")


def _unwrapped(angle_deg: float, geometry: StripGeometry) -> float:
    """The angle brought into the strip's own turn."""
    middle = float(geometry.angle_deg(geometry.columns / 2.0))
    return angle_deg + 360.0 * round((middle - angle_deg) / 360.0)


def _axes(plot: Rect, matrix: np.ndarray, measured: Measured, page: Page) -> Ink:
    geometry = measured.strip.geometry
    ink, size = blank_ink(0, 0, page.width, page.height), round(0.8 * page.unit)
    frame = np.array(
        [[plot.left, plot.top], [plot.left, plot.bottom], [plot.right, plot.bottom]], dtype=float
    )
    lines = [frame]
    high, low = (float(geometry.height_mm(matrix[1, 1] * y + matrix[1, 2])) for y in (0, plot.height))
    for value in _ticks(low, high, 4.0):
        y = plot.top + (float(geometry.row(value)) - matrix[1, 2]) / matrix[1, 1]
        lines.append(np.array([[plot.left - 0.3 * page.unit, y], [plot.left, y]]))
        mask = text_mask(f"{value:g}", size, REGULAR)
        paint(
            ink,
            mask,
            WHITE,
            x=round(plot.left - 0.5 * page.unit - mask.shape[1]),
            y=round(y - 0.56 * mask.shape[0]),
        )
    first, last = (float(geometry.angle_deg(matrix[0, 0] * x + matrix[0, 2])) for x in (0, plot.width))
    for value in _ticks(last, first, 4.0):
        x = plot.left + (float(geometry.column(value)) - matrix[0, 2]) / matrix[0, 0]
        lines.append(np.array([[x, plot.bottom], [x, plot.bottom + 0.3 * page.unit]]))
        mask = text_mask(f"{value % 360.0:g}°", size, REGULAR)
        paint(ink, mask, WHITE, x=round(x - mask.shape[1] / 2.0), y=plot.bottom + round(0.4 * page.unit))
    title = text_mask(f"height above {limb_name(measured)} (Mm)", size, REGULAR)
    paint(ink, title, WHITE, x=plot.left, y=plot.top - round(1.6 * page.unit), strength=0.9)
    name = text_mask(measured.orientation.label, size, REGULAR)
    paint(
        ink, name, WHITE, x=plot.right - name.shape[1], y=plot.bottom + round(1.7 * page.unit), strength=0.9
    )
    paint(ink, line_mask(page.width, page.height, lines, page.stroke), WHITE, strength=0.7)
    return ink


def _ticks(low: float, high: float, count: float) -> np.ndarray:
    step = nice_step((high - low) / count)
    return np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step + 0.0  # + 0.0 turns -0 into 0
