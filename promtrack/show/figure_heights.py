"""The height-time sheet: knots and fronts in, heights with fits, residuals and error bars out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from promtrack.motion.records import Front, KnotTrack
from promtrack.show.curves import drawing_times, front_curve, knot_height
from promtrack.show.figure_style import (
    MARKERS,
    Theme,
    date_axis,
    days,
    foot,
    height_note,
    note_above,
    panel,
    set_ylabel,
    sheet,
)
from promtrack.show.records import Measured
from promtrack.show.verdict import (
    fastest_knot,
    going,
    height_text,
    leading_front,
    moving_knots,
    speed_text,
    too_fast,
)

__all__ = [
    "Item",
    "draw_heights",
    "empty",
    "height_time",
    "hold_values",
    "items_of",
    "motion_title",
    "side_labels",
    "time_span",
]

LEAST_RANGE_MM = 20.0
LONG_BAR = 4.0  # usual error bars: a longer one may run off the axes
MOST_ITEMS, MOST_FRONTS, MOST_BESIDE_FRONT = 6, 2, 3  # named on one sheet; more are drawn thin and counted


@dataclass(frozen=True, slots=True, eq=False)
class Item:
    """One knot or front as it appears on a sheet."""

    name: str
    note: str
    track: KnotTrack | Front
    colour: str
    marker: str


def motion_title(measured: Measured) -> str:
    """What moves, in one line."""
    front, knot = leading_front(measured), fastest_knot(measured)
    if front is not None and front.best is not None:
        return f"Front {front.front} reaches {speed_text(measured, front)}"
    if front is not None:
        return f"Front {front.front} climbs to {height_text(measured, front)}; no model describes it"
    if knot is not None:
        moves = "seems to move" if too_fast(measured, knot) else "moves"
        return f"The fastest knot {moves} at {speed_text(measured, knot)}{' (cadence too slow)' if too_fast(measured, knot) else ''}"
    return "Nothing moves significantly"


def height_time(measured: Measured, theme: Theme) -> Figure:
    """Heights of knots and fronts against time with their fits, residuals below."""
    figure = sheet(motion_title(measured), height_note(measured))
    items = items_of(measured, theme)
    width = 0.61 if items else 0.88
    top, below = panel(figure, 0.095, 0.41, width, 0.405), panel(figure, 0.095, 0.145, width, 0.19)
    draw_heights(top, measured, theme)
    for item in items:
        _residuals(below, measured, item)
    hold_values(below, [(_residual(item.track), item.track.height_err_mm) for item in items])
    below.axhline(0.0, color=theme.quiet, linewidth=1.2)
    set_ylabel(top, "height (Mm)")
    set_ylabel(below, "residual (Mm)")
    top.set_xlim(*time_span(measured))
    below.set_xlim(*time_span(measured))
    date_axis(top, measured, label=False)
    date_axis(below, measured)
    side_labels(figure, items, [float(item.track.height_mm[-1]) for item in items])
    if not items:
        empty(below, "no fit, so no residuals", theme)
        below.set_ylim(-1.0, 1.0)
    foot(figure, measured, speeds=True)
    return figure


def draw_heights(axes: Axes, measured: Measured, theme: Theme) -> None:
    """Heights against time on given axes: tracks that do not move in grey, the others with fits and error
    bars."""
    items = items_of(measured, theme)
    named = {id(item.track) for item in items}
    tracks: tuple[KnotTrack | Front, ...] = (*measured.motion.knots, *measured.motion.fronts)
    others = [track for track in tracks if id(track) not in named]
    if others:  # one line with gaps: hundreds of tracks would each cost an artist
        at = np.concatenate([np.append(track.time_s, np.nan) for track in others])
        heights = np.concatenate([np.append(track.height_mm, np.nan) for track in others])
        axes.plot(days(measured, at), heights, color=theme.quiet, alpha=0.55, linewidth=1.2)
    for item in items:
        track = item.track
        axes.errorbar(
            days(measured, track.time_s),
            track.height_mm,
            track.height_err_mm,
            fmt=item.marker,
            color=item.colour,
            markersize=5.5,
            elinewidth=1.3,
            alpha=0.85,
        )
        times = drawing_times(track.time_s)
        axes.plot(days(measured, times), _model_height(track, times), color=item.colour, linewidth=2.6)
    shown = [(item.track.height_mm, item.track.height_err_mm) for item in items]
    hold_values(axes, [*shown, *((track.height_mm, np.zeros(len(track.time_s))) for track in others)])
    if others:
        counted = f"{len(others)} {'track' if len(others) == 1 else 'tracks'}"
        text = (
            f"grey: {len(others)} more {'track' if len(others) == 1 else 'tracks'}"
            if items
            else f"{counted} (grey), none moving"
        )
        note_above(axes, text, theme.quiet)
        low, high = axes.get_ylim()
        spare = max(LEAST_RANGE_MM - (high - low), 0.0)  # a track at rest should look at rest
        axes.set_ylim(low - 0.5 * spare, high + 0.5 * spare)
    elif not items:
        empty(axes, "No knot and no front was found.", theme)
        axes.set_ylim(0.0, max(measured.strip.geometry.height_mm(measured.strip.geometry.rows - 1), 1.0))


def hold_values(axes: Axes, shown: list[tuple[np.ndarray, np.ndarray]]) -> None:
    """A y range that holds every value, and error bars as long as they usually are: one bad point must not
    flatten the rest."""
    if not shown:
        return
    values, errors = (np.concatenate(column) for column in zip(*shown, strict=True))
    known = np.isfinite(values)
    if not known.any():
        return
    values, errors = values[known], np.nan_to_num(errors[known])
    usual = float(np.median(errors[errors > 0.0])) if (errors > 0.0).any() else 0.0
    reach = np.minimum(errors, LONG_BAR * usual)
    low, high = float((values - reach).min()), float((values + reach).max())
    room = max(0.05 * (high - low), 1e-3)
    axes.set_ylim(low - room, high + room)


def items_of(measured: Measured, theme: Theme) -> list[Item]:
    """Fronts first, then the fastest knots: those that move, as many as one sheet can name.

    Of many beside a front fewer are named: most of them are parts of the same eruption.
    """
    fronts = [front for front in measured.motion.fronts if front.moving]
    fronts = sorted(fronts, key=lambda front: -float(np.nanmax(front.height_mm)))[:MOST_FRONTS]
    knots = moving_knots(measured)
    most = MOST_BESIDE_FRONT if fronts and len(fronts) + len(knots) > MOST_ITEMS else MOST_ITEMS
    fastest = sorted(knots, key=lambda knot: -knot.fit.speed_km_s)[:most]
    tracks: tuple[KnotTrack | Front, ...] = (*fronts, *sorted(fastest, key=lambda knot: knot.knot))
    items = []
    for index, track in enumerate(tracks):
        name, note = (
            _front_words(measured, track) if isinstance(track, Front) else _knot_words(measured, track)
        )
        items.append(
            Item(name, note, track, theme.series[index % len(theme.series)], MARKERS[index % len(MARKERS)])
        )
    return items


def side_labels(figure: Figure, items: list[Item], ends: list[float]) -> None:
    """Key in the right margin, in the order of the curves' ends from top to bottom."""
    left, top, gap = 0.735, 0.79, 0.103
    for row, index in enumerate(np.argsort(ends, kind="stable")[::-1]):
        item, place = items[index], top - gap * row
        figure.add_artist(Line2D([left - 0.014, left + 0.014], [place] * 2, color=item.colour, linewidth=2.6))
        figure.add_artist(
            Line2D([left], [place], marker=item.marker, color=item.colour, markersize=11, linestyle="none")
        )
        figure.text(left + 0.026, place + 0.021, item.name, va="center", fontweight="bold")
        figure.text(
            left + 0.026, place - 0.021, item.note.replace("(error unknown)", "± unknown"), va="center"
        )


def time_span(measured: Measured) -> tuple[float, float]:
    """Limits of a time axis over the whole run, as day numbers."""
    last = float(measured.strip.time_s[-1])
    margin = 0.015 * max(last, 1.0)
    return float(days(measured, -margin)), float(days(measured, last + margin))


def empty(axes: Axes, words: str, theme: Theme) -> None:
    """Say in the middle of the axes why they are empty."""
    axes.text(0.5, 0.5, words, transform=axes.transAxes, ha="center", va="center", color=theme.quiet)


def _model_height(track: KnotTrack | Front, times: np.ndarray) -> np.ndarray:
    if isinstance(track, KnotTrack):
        return knot_height(track, times)
    return front_curve(track, track.best, times).height_mm if track.best else np.full_like(times, np.nan)


def _residual(track: KnotTrack | Front) -> np.ndarray:
    return track.height_mm - _model_height(track, track.time_s)


def _residuals(axes: Axes, measured: Measured, item: Item) -> None:
    track = item.track
    axes.errorbar(
        days(measured, track.time_s),
        _residual(track),
        track.height_err_mm,
        fmt=item.marker,
        color=item.colour,
        markersize=4.5,
        elinewidth=1.1,
        alpha=0.8,
    )


def _front_words(measured: Measured, front: Front) -> tuple[str, str]:
    if front.best is None:
        return f"Front {front.front}", "no model fits"
    return (
        f"Front {front.front}",
        f"{'up to' if front.best.peak_speed_km_s > 0.0 else '↓'} {speed_text(measured, front)}",
    )


def _knot_words(measured: Measured, knot: KnotTrack) -> tuple[str, str]:
    sense = {"rising": "↑", "falling": "↓"}.get(going(knot), "↔")
    return f"Knot {knot.knot}", f"{sense} {speed_text(measured, knot)}"
