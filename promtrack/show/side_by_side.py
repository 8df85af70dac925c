"""Frame and strip side by side: the picture on the left, on the right the same limb laid out straight."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.show.canvas import Canvas
from promtrack.show.layout import Rect
from promtrack.show.overlay import Annotation
from promtrack.show.primitives import draw_line, draw_text
from promtrack.show.records import Measured
from promtrack.show.region_of_interest import Action
from promtrack.show.scale_bar import clock_size, draw_clock, nice_step
from promtrack.show.text import block, line_height
from promtrack.show.timing import Shot
from promtrack.show.tone import Toner, line_tone
from promtrack.show.verdict import limb_name

__all__ = ["Beside", "beside_tone", "draw_beside", "make_beside"]


@dataclass(frozen=True, slots=True, eq=False)
class Beside:
    """Geometry of the double picture."""

    measured: Measured
    annotation: Annotation
    crop: Rect  # of the clip's picture, shown at the left
    plot: Rect  # of the strip in the double picture
    matrix: np.ndarray  # (2, 3) from the plot's pixels to columns and rows of a strip
    slot: dict[int, int]  # frame to strip


def make_beside(measured: Measured, annotation: Annotation, action: Action) -> Beside:
    """Lay out the double picture, as large as the clip."""
    geometry, page = measured.strip.geometry, annotation.page
    half = page.width // 2 // 2 * 2
    crop = Rect((page.width - half) // 2, 0, half, page.height)
    product = np.asarray(measured.orientation.to_product(action.theta_deg))
    centre, wide = (product.min() + product.max()) / 2.0, np.deg2rad(np.ptp(product)) * geometry.limb_mm * 1.5
    size = line_height(page.unit)
    left, right = half + round(2.6 * page.unit), page.inside.right
    low = geometry.low_mm
    high = min(float(geometry.height_mm(geometry.rows - 1)), 1.5 * float(action.height_mm.max()) + 10.0)
    px_per_mm = min((right - left) / max(wide, 20.0), (page.inside.height - 5 * size) / (high - low))
    tall = round(px_per_mm * (high - low))
    plot = Rect(left, (page.height - tall) // 2, right - left, tall)
    columns = np.rad2deg(1.0 / px_per_mm / geometry.limb_mm) / geometry.deg_per_column
    middle = float(geometry.angle_deg(geometry.columns / 2.0))
    centre += 360.0 * round((middle - centre) / 360.0)  # into the strip's own turn
    first = float(geometry.column(centre)) + columns * plot.width / 2.0
    rows = 1.0 / px_per_mm / geometry.mm_per_row
    # Angles grow to the left, as they do over the top of the Sun in the picture.
    matrix = np.array([[-columns, 0.0, first], [0.0, -rows, geometry.row(high)]])
    slot = {int(frame): place for place, frame in enumerate(measured.strip.frame)}
    return Beside(measured, annotation, crop, plot, matrix, slot)


def beside_tone(beside: Beside, tone: np.ndarray, frame: int, toner: Toner) -> np.ndarray:
    """uint8 tone of the double picture."""
    crop, plot = beside.crop, beside.plot
    whole = np.zeros_like(tone)
    whole[:, : crop.width] = tone[:, crop.left : crop.right]
    place = beside.slot.get(frame)
    if place is not None:
        strip = np.nan_to_num(beside.measured.strip.read(place, place + 1)[0])
        flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
        laid = cv2.warpAffine(strip, beside.matrix, (plot.width, plot.height), flags=flags)
        part = np.s_[plot.top : plot.bottom, plot.left : plot.right]
        whole[part] = line_tone(laid / np.float32(toner.quiet.peak), toner)
    return whole


def draw_beside(beside: Beside, canvas: Canvas, shot: Shot) -> None:
    """Axes and clock, in place."""
    annotation, plot, matrix = beside.annotation, beside.plot, beside.matrix
    page, geometry = annotation.page, beside.measured.strip.geometry
    frame = [[plot.left, plot.top], [plot.left, plot.bottom], [plot.right, plot.bottom]]
    draw_line(canvas, np.array(frame, dtype=float), page.stroke, strength=0.7)
    high, low = (float(geometry.height_mm(matrix[1, 1] * y + matrix[1, 2])) for y in (0, plot.height))
    for value in _ticks(low, high):
        y = plot.top + (float(geometry.row(value)) - matrix[1, 2]) / matrix[1, 1]
        draw_line(canvas, np.array([[plot.left - 0.3 * page.unit, y], [plot.left, y]]), page.stroke)
        label = block(((f"{value:g}", page.unit),))
        draw_text(canvas, label, round(plot.left - 0.4 * page.unit - label.width), round(y - 0.6 * page.unit))
    first, last = (float(geometry.angle_deg(matrix[0, 0] * x + matrix[0, 2])) for x in (0, plot.width))
    for value in _ticks(last, first):
        x = plot.left + (float(geometry.column(value)) - matrix[0, 2]) / matrix[0, 0]
        draw_line(canvas, np.array([[x, plot.bottom], [x, plot.bottom + 0.3 * page.unit]]), page.stroke)
        label = block(((f"{value % 360.0:g}°", page.unit),))
        draw_text(canvas, label, round(x - label.width / 2.0), plot.bottom + round(0.35 * page.unit))
    title = block((("height (Mm)", page.unit),))
    draw_text(canvas, title, plot.left, plot.top - title.height - round(0.3 * page.unit))
    lines = (
        (beside.measured.orientation.label, page.unit),
        (f"above {limb_name(beside.measured)}", page.unit),
    )
    name = block(lines, "right")
    draw_text(canvas, name, plot.right - name.width, plot.bottom + round(1.6 * page.unit))
    width, height = clock_size(page, line=False, notice=False)
    place = Rect(page.inside.left, page.inside.bottom - height, width, height)
    now = annotation.first_utc + np.timedelta64(round(shot.time_s * 1e6), "us")
    draw_clock(canvas, place, page, now, "", (np.zeros(0), shot.time_s))


def _ticks(low: float, high: float) -> np.ndarray:
    step = nice_step((high - low) / 3.0)
    return np.arange(np.ceil(low / step), np.floor(high / step) + 1) * step + 0.0  # + 0.0 turns -0 into 0
