"""The speed sheet: knots and fronts in, speed against time out."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from promtrack.motion.records import Front
from promtrack.show.curves import LOCAL_POINTS, drawing_times, front_curve, knot_speed, local_speeds
from promtrack.show.figures.items import Item, items_of, key, time_span
from promtrack.show.figures.style import (
    Theme,
    date_axis,
    days,
    foot,
    name_y,
    note_above,
    panel,
    sheet,
)
from promtrack.show.findings import (
    fastest_knot,
    front_model,
    leading_front,
    relative_error,
    speed_of,
    speeds_title,
)
from promtrack.show.records import Measured
from promtrack.sun import escape_speed_km_s

__all__ = ["speed_time"]


def speed_time(measured: Measured, theme: Theme) -> Figure:
    """Speed of knots and fronts against time, by their models, with bands of the total error."""
    items = items_of(measured, theme.marks)
    figure = sheet(speeds_title(measured), _conventions(items))
    axes = panel(figure, 0.065, 0.145, 0.64, 0.665)
    ends = [_draw_speed(axes, measured, item) for item in items]
    name_y(axes, "speed (km/s)")
    axes.set_xlim(*time_span(measured))
    axes.set_ylim(bottom=min(0.0, axes.get_ylim()[0]))
    date_axis(axes, measured)
    key(figure, measured, items, ends)
    note_above(axes, _yardstick(measured), theme.quiet)
    foot(figure, measured, speeds=True)
    return figure


def _draw_speed(axes: Axes, measured: Measured, item: Item) -> float:
    """One knot's or front's speed; the last value drawn, for the order of the key."""
    track, relative = item.track, relative_error(measured)
    points: dict[str, Any] = {"fmt": item.marker, "color": item.colour, "elinewidth": 1.6}
    times = drawing_times(track.time_s)
    if isinstance(track, Front):
        at, speed, error = local_speeds(track)
        axes.errorbar(days(measured, at), speed, np.hypot(error, relative * speed), markersize=7, **points)
        model = front_model(track)
        if model is None:
            return float(np.sum(speed[-1:]))
        curve = front_curve(track, model, times)
        speed, error = curve.speed_km_s, curve.speed_err_km_s
    else:
        quoted = speed_of(measured, track)
        axes.errorbar(days(measured, track.fit.time_s), quoted.value, quoted.error, markersize=10, **points)
        if track.fit.model == "none":  # no model: its speed is known at one time only
            return quoted.value
        speed, error = knot_speed(track, measured.strip.geometry.limb_mm, times)
    error = np.hypot(error, relative * speed)
    at = days(measured, times)
    axes.fill_between(at, speed - error, speed + error, color=item.colour, alpha=0.28, linewidth=0)
    axes.plot(at, speed, color=item.colour)
    return float(speed[np.isfinite(speed)][-1])


def _conventions(items: list[Item]) -> str:
    """What lines, bands and marks stand for."""
    words = "Lines: models, bands: total error (1 sigma)"
    if any(not isinstance(item.track, Front) for item in items):
        words += "; knots: mark at mid-time"
    if any(isinstance(item.track, Front) for item in items):
        words += f"; leading edge: marks are slopes over {LOCAL_POINTS} heights"
    return words


def _yardstick(measured: Measured) -> str:
    """Escape speed at a front's greatest height, or at a knot's mean one."""
    front, knot = leading_front(measured), fastest_knot(measured)
    height = float(np.nanmax(front.height_mm)) if front else float(np.mean(knot.height_mm)) if knot else 0.0
    escape = float(escape_speed_km_s(height + measured.scale.limb.height_mm))
    return f"escape speed at {height:.0f} Mm: {escape:.0f} km/s"
