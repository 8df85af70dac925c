"""The strip montage: strips in, twelve moments on one scale of brightness out."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from promtrack.show.figure_style import (
    LABEL_PT,
    PICTURE_INK,
    Theme,
    brightness_range,
    foot,
    height_note,
    outlined,
    panel,
    plasma,
    sheet,
)
from promtrack.show.numbers import clock
from promtrack.show.records import Measured

__all__ = ["strip_montage"]

MOMENTS = 12
END_SHARE = 0.06  # of a panel at either end, without a number
DISC_SHARE = (
    0.25  # of the brightness of what shows over the disc, where it would draw the eye from the prominence
)


def strip_montage(measured: Measured, theme: Theme) -> Figure:
    """Twelve moments, height against angle, on one common scale of brightness."""
    strip, geometry = measured.strip, measured.strip.geometry
    chosen = np.unique(np.linspace(0, len(strip) - 1, MOMENTS).round().astype(int))
    pictures = [np.array(strip.read(index, index + 1)[0]) for index in chosen]
    low = max(int(geometry.row(0.0)), 0)
    top = max(brightness_range(np.stack([picture[low::2, ::2] for picture in pictures]), 0.0, 99.7)[1], 1e-6)
    figure = sheet(f"{len(chosen)} moments in {_duration(measured)}", height_note(measured))
    extent = (
        geometry.from_deg,
        float(geometry.angle_deg(geometry.columns - 1)),
        geometry.low_mm,
        float(geometry.height_mm(geometry.rows - 1)),
    )
    for place, (index, picture) in enumerate(zip(chosen, pictures, strict=True)):
        row, column = divmod(place, 3)
        axes = panel(figure, 0.085 + 0.302 * column, 0.665 - 0.1735 * row, 0.29, 0.162)
        picture[:low] *= DISC_SHARE
        axes.imshow(plasma(picture, top, most=(300, 800)), extent=extent, aspect="auto")
        axes.grid(False)
        axes.axhline(0.0, color=PICTURE_INK, linewidth=1.0, alpha=0.7)
        axes.text(
            0.02,
            0.93,
            clock(strip.times_utc[index]),
            transform=axes.transAxes,
            color=PICTURE_INK,
            va="top",
            fontweight="bold",
            path_effects=outlined(),
        )
        axes.xaxis.set_visible(row == 3)
        axes.yaxis.set_visible(column == 0)
        axes.set_xticks(_angle_ticks(*extent[:2]))
        axes.xaxis.set_major_formatter(lambda angle, _: f"{round(angle, 6) % 360.0:g}")  # angles may pass 360
        axes.locator_params(axis="y", nbins=3)
    figure.text(0.02, 0.485, "height (Mm)", rotation=90, va="center", ha="center", fontsize=LABEL_PT)
    figure.text(
        0.53,
        0.078,
        f"{measured.orientation.label} (degrees); times are UTC",
        va="center",
        ha="center",
        fontsize=LABEL_PT,
    )
    foot(figure, measured, speeds=False)
    return figure


def _angle_ticks(first: float, last: float) -> np.ndarray:
    """Round angles, none so close to an end that its number would meet the neighbouring panel's."""
    ticks, margin = (
        np.asarray(MaxNLocator(5, steps=(1, 2, 5, 10)).tick_values(first, last)),
        END_SHARE * (last - first),
    )
    return ticks[(ticks >= first + margin) & (ticks <= last - margin)]


def _duration(measured: Measured) -> str:
    minutes = float(measured.strip.time_s[-1]) / 60.0
    return f"{minutes:.0f} minutes" if minutes < 120.0 else f"{minutes / 60.0:.1f} hours"
