"""The one-page summary: everything measured in, a slide out."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from promtrack.checks import LEVELS
from promtrack.show.figures.heights import draw_heights
from promtrack.show.figures.items import items_of, time_span
from promtrack.show.figures.knot_map import SHEET_ASPECT, draw_map
from promtrack.show.figures.map_view import fitting_aspect, map_of, moment_of
from promtrack.show.figures.style import Theme, clipped, date_axis, foot, height_note, panel, sheet
from promtrack.show.findings import heights_title, leading_front, moving_knots, three_numbers
from promtrack.show.records import Measured
from promtrack.show.verdict import lights

__all__ = ["summary"]


def summary(measured: Measured, theme: Theme) -> Figure:
    """Map, heights, the numbers that matter and the three lights, on one slide."""
    name = measured.settings.clip.title or measured.sequence.path.name
    figure = sheet(heights_title(measured), f"{clipped(name, 40)}. {height_note(measured)}")
    frames = np.array([moment_of(measured)])
    moves = bool(moving_knots(measured) or leading_front(measured))
    wide = 0.445 if moves else 0.94
    aspect = fitting_aspect(measured, wide * SHEET_ASPECT / 0.525, frames)
    width = aspect * 0.525 / SHEET_ASPECT
    sky = panel(figure, 0.03 + 0.5 * (wide - width), 0.325, width, 0.525)
    draw_map(sky, measured, map_of(measured, aspect, frames), int(frames[0]))
    sky.set_axis_off()
    if moves:
        heights = panel(figure, 0.545, 0.405, 0.42, 0.40)
        draw_heights(heights, measured, items_of(measured, theme.marks), theme)
        heights.set_xlim(*time_span(measured))
        date_axis(heights, measured)
    found = lights(measured)
    cards = [(one.text.replace("(error unknown)", "± ?"), one.title, "") for one in three_numbers(measured)]
    worst = max(found, key=lambda one: LEVELS.index(one.level))
    cards.append((worst.words, "how far to trust it", worst.level))
    for index, (number, title, level) in enumerate(cards):
        left = 0.03 + 0.2425 * index
        colour = theme.light(level or "good")
        figure.add_artist(Line2D([left, left + 0.215], [0.255, 0.255], color=colour, linewidth=3.0))
        size = 20 if len(number) <= 20 else 16
        figure.text(left, 0.195, number, fontsize=size, fontweight="bold", va="center")
        figure.text(left, 0.130, clipped(title, 30), va="center", color=theme.quiet)
    foot(figure, measured, speeds=moves)
    return figure
