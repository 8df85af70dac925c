"""The montage: six frames in the sky's sense, equal growth or equal time between them, Earth to scale."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.patches import Circle

from promtrack.show.figures.knot_map import SHEET_ASPECT, compass
from promtrack.show.figures.map_view import fitting_aspect, growth_frames, map_of, map_pictures
from promtrack.show.figures.style import PICTURE_INK, Theme, foot, outlined, panel, sheet
from promtrack.show.findings import growth_title, leading_front
from promtrack.show.numbers import clock
from promtrack.show.records import Measured

__all__ = ["strip_montage"]

FRAMES, COLUMNS = 6, 3
EARTH_MM = 6.371  # mean radius, IUGG (Moritz 2000, J. Geodesy 74, 128)
EARTH_INK = "#7fb4e6"


def strip_montage(measured: Measured, theme: Theme) -> Figure:
    """Six moments, all of one part of the sky on one scale of brightness."""
    frames = growth_frames(measured, FRAMES)
    tall = 0.375
    aspect = fitting_aspect(measured, 0.305 * SHEET_ASPECT / tall, frames)
    area, width = map_of(measured, aspect, frames), aspect * tall / SHEET_ASPECT
    steps = "equal growth" if leading_front(measured) else "equal times"
    subtitle = f"{steps} from frame to frame; each {area.width_mm:.0f} Mm wide; Earth to scale; times are UTC"
    figure = sheet(growth_title(measured), subtitle[0].upper() + subtitle[1:])
    pictures = map_pictures(measured, area, frames)
    brightest = np.max(pictures, axis=0)
    tall_px, wide_px = (round(part * size) for part, size in zip((0.25, 0.5), brightest.shape, strict=False))
    brightest[:tall_px, :wide_px] = brightest[:tall_px, -wide_px:] = (
        255  # the times and the Earth stand there
    )
    for place, (frame, picture) in enumerate(zip(frames, pictures, strict=True)):
        row, column = divmod(place, COLUMNS)
        left = 0.03 + 0.3175 * column + 0.5 * (0.305 - width)
        axes = panel(figure, left, 0.465 - 0.39 * row, width, tall)
        axes.imshow(picture, extent=area.extent, aspect="equal", origin="upper")
        axes.set(xlim=(0.0, area.width_mm), ylim=(0.0, area.height_mm))
        axes.set_axis_off()
        style: dict[str, Any] = {
            "transform": axes.transAxes,
            "color": PICTURE_INK,
            "path_effects": outlined(),
        }
        axes.text(0.03, 0.96, clock(measured.sequence.times_utc[frame]), va="top", fontweight="bold", **style)
        earth = np.array([0.94 * area.width_mm, 0.90 * area.height_mm])
        axes.add_patch(Circle((float(earth[0]), float(earth[1])), EARTH_MM, color=EARTH_INK, linewidth=0))
        if place == 0:
            axes.text(0.91 - EARTH_MM / area.width_mm, 0.90, "Earth", ha="right", va="center", **style)
        compass(axes, measured, area, brightest)
    foot(figure, measured, speeds=False)
    return figure
