"""Heights and speeds against time: knots and fronts in, values with models, residuals and errors out."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from promtrack.motion.front import local_speeds
from promtrack.motion.limits import LEAST_FRAMES
from promtrack.motion.records import Front, KnotTrack
from promtrack.rounding import counted
from promtrack.show import findings, quoted
from promtrack.show.curves import drawing_times, front_curve, knot_path, knot_speed
from promtrack.show.figures.items import Item, items_of, key, key_below, name_items, others_of, time_span
from promtrack.show.figures.style import Theme, date_axis, days, foot, name_y, narrow_sheet, note_above, sheet
from promtrack.show.records import Measured
from promtrack.show.verdict import limb_words
from promtrack.sun import escape_speed_km_s


def height_time(measured: Measured, theme: Theme) -> Figure:
    """Heights of knots and fronts against time with their fits, residuals below."""
    subtitle = f"Heights above {limb_words(measured)}. Bars: total error; below, random part"
    figure, items = sheet(findings.heights_title(measured), subtitle), items_of(measured, theme.marks)
    top, below = figure.add_axes((0.065, 0.44, 0.64, 0.385)), figure.add_axes((0.065, 0.145, 0.64, 0.19))
    draw_heights(top, measured, items, theme)
    residuals = [item.track.height_mm - _model_height(item.track, item.track.time_s) for item in items]
    for item, residual in zip(items, residuals, strict=True):
        _points(below, measured, item, residual, item.track.height_err_mm)
    _hold(below, residuals, [item.track.height_err_mm for item in items])
    below.axhline(0.0, color=theme.quiet, linewidth=1.2)
    name_y(below, "measured − model (Mm)")
    below.set_xlim(*time_span(measured))
    for axes in (top, below):
        date_axis(axes, measured, label=axes is below)
    key(figure, measured, items)
    foot(figure, measured, speeds=True)
    return figure


def height_time_narrow(measured: Measured, theme: Theme) -> Figure:
    """Heights alone, with the key below, in letters that a phone shows large."""
    items = items_of(measured, theme.marks)
    subtitle = f"Heights above {limb_words(measured)}. Bars: total error"
    figure, axes = narrow_sheet(findings.heights_title(measured), subtitle, len(items))
    draw_heights(axes, measured, items, theme)
    date_axis(axes, measured)
    key_below(figure, measured, items)
    return figure


def draw_heights(axes: Axes, measured: Measured, items: list[Item], theme: Theme) -> None:
    """Heights against time on given axes: tracks without a letter in grey, the others with fits and bars."""
    others = others_of(measured, items)
    if others:  # one line with gaps: hundreds of tracks would each cost an artist
        at = np.concatenate([np.append(track.time_s, np.nan) for track in others])
        heights = np.concatenate([np.append(track.height_mm, np.nan) for track in others])
        axes.plot(days(measured, at), heights, color=theme.quiet, alpha=0.55, linewidth=1.2)
        note_above(axes, f"grey: {counted(len(others), 'more track')}", theme.quiet)
    for item in items:
        track = item.track
        error = quoted.height_error(measured, track.height_mm, track.height_err_mm)
        _points(axes, measured, item, track.height_mm, error)
        times = drawing_times(track.time_s)
        rejected = isinstance(track, KnotTrack) and track.fit.model == "none"
        style: dict[str, Any] = {"linewidth": 1.4, "linestyle": "--"} if rejected else {"linewidth": 2.6}
        axes.plot(days(measured, times), _model_height(track, times), color=item.colour, **style)
    tracks = [*(item.track for item in items), *others]
    _hold(axes, [track.height_mm for track in tracks], [track.height_err_mm for track in tracks])
    name_y(axes, "height (Mm)")
    axes.set_xlim(*time_span(measured))
    name_items(axes, items, [np.stack([days(measured, i.track.time_s), i.track.height_mm], 1) for i in items])


def _points(axes: Axes, measured: Measured, item: Item, value: np.ndarray, error: np.ndarray) -> None:
    style: dict[str, Any] = {"color": item.colour, "markersize": 5.5, "elinewidth": 1.3, "alpha": 0.85}
    axes.errorbar(days(measured, item.track.time_s), value, error, fmt=item.marker, **style)


def _hold(axes: Axes, values: list[np.ndarray], errors: list[np.ndarray]) -> None:
    """A y range that holds every value, and usual error bars: one bad point must not flatten the rest."""
    value, error = np.concatenate([*values, []]), np.nan_to_num(np.concatenate([*errors, []]))
    value, error = value[np.isfinite(value)], error[np.isfinite(value)]
    if not len(value):
        return
    reach = np.minimum(error, 4.0 * np.median(error))  # a longer bar may run off the axes
    low, high = float((value - reach).min()), float((value + reach).max())
    room = max(0.05 * (high - low), 1e-3)
    axes.set_ylim(low - room, high + room)


def _model_height(track: KnotTrack | Front, times: np.ndarray) -> np.ndarray:
    """Height by the model, nan where none describes the front."""
    if isinstance(track, KnotTrack):
        return knot_path(track, times)[0]
    model = quoted.front_model(track)
    return np.full_like(times, np.nan) if model is None else front_curve(track, model, times).height_mm


def speed_time(measured: Measured, theme: Theme) -> Figure:
    """Speed of knots and fronts against time, by their models, with bands of the total error."""
    items = items_of(measured, theme.marks)
    words = "Models with total errors (1 sigma)"
    if any(not isinstance(item.track, Front) for item in items):
        words += "; knots: mark at mid-time"
    if any(isinstance(item.track, Front) for item in items):
        words += "; leading edge: slopes over a few heights"
    figure = sheet(findings.speeds_title(measured), words)
    axes = figure.add_axes((0.065, 0.145, 0.64, 0.665))
    lines = [_draw_speed(axes, measured, item) for item in items]
    name_y(axes, "speed (km/s)")
    axes.set_xlim(*time_span(measured))
    axes.set_ylim(bottom=min(0.0, axes.get_ylim()[0]))
    name_items(axes, items, lines)
    date_axis(axes, measured)
    key(figure, measured, items)
    if front := quoted.leading_front(measured):
        height = float(np.nanmax(front.height_mm))
        escape = float(escape_speed_km_s(height + measured.scale.limb.height_mm))
        note_above(axes, f"escape speed at {height:.0f} Mm: {escape:.0f} km/s", theme.quiet)
    foot(figure, measured, speeds=True)
    return figure


def _draw_speed(axes: Axes, measured: Measured, item: Item) -> np.ndarray:
    """One knot's or front's speed; its line, (n, 2) day number and km/s."""
    track, relative = item.track, quoted.relative_error(measured)
    points: dict[str, Any] = {"fmt": item.marker, "color": item.colour, "elinewidth": 1.6}
    times = drawing_times(track.time_s)
    if isinstance(track, Front):
        at, speed, error = local_speeds(
            track.time_s, track.height_mm, track.height_err_mm, min(LEAST_FRAMES, len(track.time_s))
        )
        axes.errorbar(days(measured, at), speed, np.hypot(error, relative * speed), markersize=7, **points)
        model = quoted.front_model(track)
        if model is None:
            return np.stack([days(measured, at), speed], axis=1)
        curve = front_curve(track, model, times)
        speed, error = curve.speed_km_s, curve.speed_err_km_s
    else:
        lone = quoted.speed_of(measured, track)
        axes.errorbar(days(measured, track.fit.time_s), lone.value, lone.error, markersize=10, **points)
        if track.fit.model == "none":  # no model: its speed is known at one time only
            return np.array([[days(measured, track.fit.time_s), lone.value]])
        speed, error = knot_speed(track, measured.strip.geometry.limb_mm, times)
    error = np.hypot(error, relative * speed)
    at = days(measured, times)
    axes.fill_between(at, speed - error, speed + error, color=item.colour, alpha=0.28, linewidth=0)
    axes.plot(at, speed, color=item.colour)
    return np.stack([at, speed], axis=1)
