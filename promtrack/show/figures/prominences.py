"""All prominences: where they stand round the limb, how high they reach, and their heights against time."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from promtrack.motion.prominences import Prominence
from promtrack.rounding import with_error
from promtrack.show.figures.items import time_span
from promtrack.show.figures.style import (
    PICTURE_INK,
    TEXT_PT,
    Theme,
    brightness_range,
    date_axis,
    days,
    foot,
    height_note,
    name_y,
    note_above,
    outlined,
    panel,
    plasma,
    sheet,
)
from promtrack.show.findings import height_error
from promtrack.show.numbers import counted
from promtrack.show.records import Measured

MOST = 6  # with a number and a curve on the sheet; prominences.ecsv has all
STRIPS = 12  # whose greatest light the map shows, over the whole time
APART = (
    0.035  # of the sheet's width, between numbers on the map; of the axes, double, between those at curves
)


def prominences(measured: Measured, theme: Theme) -> Figure:
    """Map of everything above the limb with extents and greatest heights; below, height against time."""
    named = measured.motion.prominences[:MOST]
    figure = sheet(_title(measured), f"{height_note(measured)}. Bands: total error (1 sigma)")
    above, below = panel(figure, 0.065, 0.575, 0.86, 0.245), panel(figure, 0.065, 0.145, 0.86, 0.275)
    _draw_map(above, measured, named)
    _draw_heights(below, measured, named, theme)
    rest = len(measured.motion.prominences) - len(named)
    if rest:
        note_above(below, f"{counted(rest, 'smaller one', 'smaller ones')} in prominences.ecsv", theme.quiet)
    foot(figure, measured, speeds=False)
    return figure


def _title(measured: Measured) -> str:
    found = measured.motion.prominences
    highest = max(found, key=lambda p: float(np.nanmax(p.height_mm)))
    top = int(np.nanargmax(highest.height_mm))
    error = height_error(measured, highest.height_mm[top], highest.height_err_mm[top])
    reached = with_error(float(highest.height_mm[top]), float(error), "Mm")
    at_least = "at least " if highest.leaves_strip else ""
    which = f", the highest, number {highest.prominence}, to" if len(found) > 1 else " reaches"
    return f"{counted(len(found), 'prominence', 'prominences')}{which} {at_least}{reached}"


def _draw_map(axes: Axes, measured: Measured, named: tuple[Prominence, ...]) -> None:
    """The greatest light of strips spread over the whole time, with a line at each one's greatest height."""
    strip, geometry = measured.strip, measured.strip.geometry
    picks = np.unique(np.linspace(0, len(strip) - 1, STRIPS).round().astype(int))
    light = strip.read(int(picks[0]), int(picks[0]) + 1)[0]
    for index in picks[1:]:
        light = np.fmax(light, strip.read(int(index), int(index) + 1)[0])
    top = brightness_range(light[max(int(geometry.row(0.0)), 0) :], 0.0, 99.7)[1]
    half = 0.5 * np.array([geometry.deg_per_column, geometry.mm_per_row])
    left, right = geometry.from_deg - half[0], float(geometry.angle_deg(geometry.columns - 1)) + half[0]
    low, high = geometry.low_mm - half[1], float(geometry.height_mm(geometry.rows - 1)) + half[1]
    axes.imshow(plasma(light, top), extent=(left, right, low, high), aspect="auto")
    axes.set(xlim=(left, right), ylim=(max(low, -10.0), high))
    axes.grid(False)
    style: dict[str, Any] = {"color": PICTURE_INK, "path_effects": outlined(width=3.0)}
    taken: list[float] = []
    for one in named:
        # angles of a stretch of limb may pass 360: the turn that puts its start on the axis
        first = left + (one.from_deg - left) % 360.0
        last, height = first + one.to_deg - one.from_deg, float(np.nanmax(one.height_mm))
        axes.plot([first, first, last, last], [height - 3.0, height, height, height - 3.0], **style)
        middle = 0.5 * (first + last)
        if all(abs(middle - other) > APART * (right - left) for other in taken):
            taken.append(middle)
            beyond = height > high - 0.25 * (high - low)  # no room above
            axes.annotate(
                str(one.prominence),
                (middle, height),
                (0, -8 if beyond else 4),
                textcoords="offset points",
                ha="center",
                va="top" if beyond else "bottom",
                fontweight="bold",
                **style,
            )
    ticks = [t for t in axes.get_xticks() if left <= t <= right]
    axes.set_xticks(ticks, [f"{t % 360.0:g}" for t in ticks])
    axes.set_xlabel(f"{measured.orientation.label} (°)", labelpad=2)
    name_y(axes, "height (Mm), greatest light of the whole time")


def _draw_heights(axes: Axes, measured: Measured, named: tuple[Prominence, ...], theme: Theme) -> None:
    ends: list[tuple[float, Prominence, str]] = []
    for place, one in enumerate(named):
        colour = theme.marks.knot(place) if place < 3 else theme.marks.rest
        error = height_error(measured, one.height_mm, one.height_err_mm)
        times, seen = days(measured, one.time_s), np.isfinite(one.height_mm)
        if seen.sum() == 1:
            axes.errorbar(times[seen], one.height_mm[seen], error[seen], fmt="o", color=colour)
        else:
            axes.fill_between(times, one.height_mm - error, one.height_mm + error, color=colour, alpha=0.25)
            axes.plot(times, one.height_mm, color=colour, linewidth=1.8)
        ends.append((float(one.height_mm[seen][-1]), one, colour))
    axes.set_xlim(*time_span(measured))
    axes.set_ylim(bottom=0.0, top=1.08 * axes.get_ylim()[1])
    date_axis(axes, measured)
    name_y(axes, "height (Mm)")
    _number(axes, ends)


def _number(axes: Axes, ends: list[tuple[float, Prominence, str]]) -> None:
    """The numbers beside the curves' ends, in their order, apart from each other."""
    step = TEXT_PT / 72.0 * 1.3 / (axes.bbox.height / axes.figure.dpi)  # a line of text, of the axes
    top = axes.get_ylim()[1]
    place = -np.inf
    for height, one, colour in sorted(ends, key=lambda end: end[0]):
        place = max(height / top, place + step)
        style: dict[str, Any] = {"color": colour, "fontweight": "bold", "va": "center"}
        axes.text(1.012, place, str(one.prominence), transform=axes.transAxes, **style)
