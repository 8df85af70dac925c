"""The one-page summary: everything measured in, a slide out."""

from __future__ import annotations

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from promtrack.rounding import rounded, with_error
from promtrack.show.figure_heights import draw_heights, motion_title, time_span
from promtrack.show.figure_map import SHEET_ASPECT, draw_map
from promtrack.show.figure_style import Theme, clipped, date_axis, foot, height_note, panel, set_ylabel, sheet
from promtrack.show.map_view import fitting_aspect, map_of
from promtrack.show.records import Measured
from promtrack.show.verdict import (
    fastest_knot,
    going,
    highest,
    leading_front,
    lock_verdict,
    moving_knots,
    speed_error,
    too_fast,
)

__all__ = ["summary"]

POOR, UNSURE = "lock not to be trusted", "unsure: cadence too slow"


def summary(measured: Measured, theme: Theme) -> Figure:
    """Map, heights and the four numbers that matter, on one slide."""
    name = measured.settings.clip.title or measured.sequence.path.name
    figure = sheet(motion_title(measured), f"{clipped(name, 48)}. {height_note(measured)}")
    aspect = fitting_aspect(measured, 0.445 * SHEET_ASPECT / 0.525)
    width = aspect * 0.525 / SHEET_ASPECT
    sky = panel(figure, 0.03 + 0.5 * (0.445 - width), 0.325, width, 0.525)
    draw_map(sky, measured, map_of(measured, aspect))
    sky.set_axis_off()
    heights = panel(figure, 0.60, 0.405, 0.36, 0.41)
    draw_heights(heights, measured, theme)
    set_ylabel(heights, "height (Mm)")
    heights.set_xlim(*time_span(measured))
    date_axis(heights, measured, most=6)
    cards = _cards(measured)
    for index, (number, caption, detail) in enumerate(cards):
        left = 0.03 + 0.2425 * index
        figure.add_artist(Line2D([left, left + 0.215], [0.265, 0.265], color=theme.accent, linewidth=3.0))
        figure.text(left, 0.218, number, fontsize=20, fontweight="bold", va="center")
        figure.text(left, 0.160, caption, va="center")
        figure.text(
            left, 0.112, detail, va="center", color=theme.warning if detail in (POOR, UNSURE) else theme.quiet
        )
    foot(figure, measured, speeds=True)
    return figure


def _cards(measured: Measured) -> list[tuple[str, str, str]]:
    lock = measured.lock
    verdict = lock_verdict(measured)
    systematic = 100.0 * float(np.hypot(measured.motion.scale_err, measured.motion.clock_err))
    trust = {"good": "lock to be trusted", "fair": "lock usable, with care", "poor": POOR}[verdict.level]
    return [
        _knot_card(measured),
        _front_card(measured),
        (f"{int(lock.used.sum())} of {len(lock.used)}", "frames used", trust),
        (f"± {systematic:.1f} %", "from scale and clock", "in every error, alike"),
    ]


def _knot_card(measured: Measured) -> tuple[str, str, str]:
    knot, count = fastest_knot(measured), len(moving_knots(measured))
    if knot is None:
        tracks = len(measured.motion.knots)
        return "no knot moves", f"{tracks} {'track' if tracks == 1 else 'tracks'} followed", "none beats rest"
    return (
        *_card_number(
            knot.fit.speed_km_s, speed_error(measured, knot), "km/s", f"fastest knot (knot {knot.knot})"
        ),
        UNSURE if too_fast(measured, knot) else f"{going(knot)}; {count} {'moves' if count == 1 else 'move'}",
    )


def _front_card(measured: Measured) -> tuple[str, str, str]:
    front = leading_front(measured)
    if front is None:
        search = measured.motion.front_search
        if search.level != "none":
            return "no front", "eruptions not measurable", "see the report for the reason"
        speeds = f"{search.slowest_km_s:.0f} to {search.fastest_km_s:.0f} km/s"
        return "no front moves", f"none of {speeds}", f"brighter than {search.faintest_noise:.0f} x noise"
    height, chance, systematic = highest(measured, front)
    error = float(np.hypot(chance, systematic))
    number = _card_number(height, error, "Mm", f"highest front (front {front.front})")
    return *number, "top height in the run"


def _card_number(value: float, error: float, unit: str, caption: str) -> tuple[str, str]:
    """The number of a card and its caption, which says so where the error is unknown: a card is narrow."""
    if np.isfinite(error):
        return with_error(value, error, unit), caption
    return rounded(value, 3, unit), f"{caption.partition(' (')[0]}, error unknown"
