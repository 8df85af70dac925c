"""The speed sheets: knots and fronts in, speed and acceleration against time and the histogram of speeds
out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from promtrack.motion.meaning import acceleration_error
from promtrack.motion.records import Front, KnotTrack
from promtrack.rounding import rounded, with_error
from promtrack.show.curves import LOCAL_POINTS, drawing_times, front_curve, knot_speed, local_speeds
from promtrack.show.figure_heights import Item, empty, items_of, motion_title, side_labels, time_span
from promtrack.show.figure_style import (
    TEXT_PT,
    Theme,
    date_axis,
    days,
    foot,
    note_above,
    panel,
    set_ylabel,
    sheet,
)
from promtrack.show.numbers import counted
from promtrack.show.records import Measured
from promtrack.show.verdict import fastest_knot, going, leading_front, moving_knots
from promtrack.sun import escape_speed_km_s, gravity_m_s2

__all__ = ["speed_histogram", "speed_time"]

# To compare with. Threads: 5 to 15 km/s, transverse speeds alike (Schmieder et al. 2010, A&A 514, A68). Rain:
# 30 to 200 km/s from memory of reviews by Antolin.
USUAL_RANGES = (
    ("quiet threads (Schmieder et al. 2010)", 5.0, 15.0),
    ("coronal rain (reviews by Antolin, unchecked)", 30.0, 200.0),
)


def speed_time(measured: Measured, theme: Theme) -> Figure:
    """Speed and acceleration of knots and fronts against time."""
    items = items_of(measured, theme)
    figure = sheet(motion_title(measured), _conventions(items))
    width = 0.61 if items else 0.875
    top, below = panel(figure, 0.095, 0.48, width, 0.335), panel(figure, 0.095, 0.145, width, 0.255)
    below.axhline(0.0, color=theme.quiet, linewidth=1.2)
    accelerated = [_draw_speed(top, below, measured, item) for item in items]
    set_ylabel(top, "speed (km/s)")
    set_ylabel(below, "acceleration (m/s²)")
    below.margins(y=0.18)
    top.set_xlim(*time_span(measured))
    below.set_xlim(*time_span(measured))
    date_axis(top, measured, label=False)
    date_axis(below, measured)
    side_labels(figure, items, [_last_speed(measured, item) for item in items])
    escape, fall = _yardsticks(measured)
    note_above(top, escape if items else _draw_resting(top, measured, theme), theme.quiet)
    note_above(below, f"{_mean_band(below, measured, theme)}{fall}", theme.quiet)
    top.set_ylim(bottom=min(0.0, top.get_ylim()[0]))
    if not any(accelerated):
        below.set_ylim(-60.0, 60.0)
        below.text(
            0.5,
            0.75,
            "no acceleration beyond its error",
            transform=below.transAxes,
            ha="center",
            va="center",
            color=theme.quiet,
        )
    foot(figure, measured, speeds=True)
    return figure


def speed_histogram(measured: Measured, theme: Theme) -> Figure:
    """How many knots move how fast, each knot's own value and error below, usual ranges above."""
    knots = moving_knots(measured)
    figure = sheet(*_histogram_words(measured))
    top, below = panel(figure, 0.085, 0.44, 0.885, 0.315), panel(figure, 0.085, 0.145, 0.885, 0.25)
    top.set_ylabel("knots")
    top.tick_params(labelbottom=False)
    below.set_xlabel("speed in the plane of the sky (km/s)")
    shown = knots or measured.motion.knots
    if shown:
        _draw_bars(top, shown, theme)
        _draw_each(below, shown, theme)
        below.set_xlim(top.get_xlim())
    else:
        empty(top, "No track was long enough to be fitted.", theme)
        for axes in (top, below):
            axes.set(xlim=(0.0, 60.0), ylim=(0.0, 1.0), yticks=[])
    _usual_ranges(top, theme)
    foot(figure, measured, speeds=True)
    return figure


def _draw_speed(top: Axes, below: Axes, measured: Measured, item: Item) -> bool:
    """Draw one knot's or front's speed and acceleration; whether there is an acceleration to show."""
    if isinstance(item.track, KnotTrack):
        return _draw_knot(top, below, measured, item, item.track)
    return _draw_front(top, below, measured, item, item.track)


def _draw_knot(top: Axes, below: Axes, measured: Measured, item: Item, knot: KnotTrack) -> bool:
    fit, times = knot.fit, np.linspace(knot.time_s[0], knot.time_s[-1], 24)
    speed, error = knot_speed(knot, measured.strip.geometry.limb_mm, times)
    at, middle = days(measured, times), days(measured, fit.time_s)
    top.fill_between(at, speed - error, speed + error, color=item.colour, alpha=0.28, linewidth=0)
    top.plot(at, speed, color=item.colour)
    top.plot(middle, fit.speed_km_s, item.marker, color=item.colour, markersize=9, zorder=3)
    if not np.isfinite(fit.accel_m_s2):
        return False
    below.plot(at, np.full(len(at), fit.accel_m_s2), color=item.colour, linewidth=1.6)
    below.errorbar(
        middle,
        fit.accel_m_s2,
        fit.accel_err_m_s2,
        fmt=item.marker,
        color=item.colour,
        markersize=9,
        elinewidth=2.0,
    )
    return True


def _draw_resting(axes: Axes, measured: Measured, theme: Theme) -> str:
    """Speeds of tracks that are not called moving, with their errors: how still the prominence is known to
    be; what is drawn."""
    knots = measured.motion.knots
    axes.errorbar(
        days(measured, np.array([knot.fit.time_s for knot in knots])),
        [knot.fit.speed_km_s for knot in knots],
        [knot.fit.speed_err_km_s for knot in knots],
        fmt="o",
        color=theme.quiet,
        elinewidth=1.6,
    )
    axes.set_ylim(0.0, max(5.0, 1.2 * axes.get_ylim()[1]))
    return "grey: tracks that do not beat rest" if knots else "no track was long enough to be fitted"


def _draw_front(top: Axes, below: Axes, measured: Measured, item: Item, front: Front) -> bool:
    best = front.best
    times, speed, error = local_speeds(front)
    top.errorbar(
        days(measured, times), speed, error, fmt=item.marker, color=item.colour, markersize=7, elinewidth=1.6
    )
    if best is None:
        return False
    times = drawing_times(front.time_s)
    at, curve = days(measured, times), front_curve(front, best, times)
    top.fill_between(
        at,
        curve.speed_km_s - curve.speed_err_km_s,
        curve.speed_km_s + curve.speed_err_km_s,
        color=item.colour,
        alpha=0.28,
        linewidth=0,
    )
    top.plot(at, curve.speed_km_s, color=item.colour)
    if best.model == "constant speed":
        return False
    below.plot(at, curve.accel_m_s2, color=item.colour)
    return True


def _last_speed(measured: Measured, item: Item) -> float:
    track = item.track
    if isinstance(track, KnotTrack):
        return float(knot_speed(track, measured.strip.geometry.limb_mm, track.time_s[-1:])[0][0])
    return float(track.best.speed_km_s[-1]) if track.best else float(np.sum(local_speeds(track)[1][-1:]))


def _mean_band(axes: Axes, measured: Measured, theme: Theme) -> str:
    """The leading front's mean acceleration with its error, as a band; what is to be said of it, or
    nothing."""
    front = leading_front(measured)
    best = front.best if front else None
    if best is None or best.model == "constant speed" or not np.isfinite(best.accel_err_m_s2):
        return ""
    error = acceleration_error(best, measured.motion.scale_err, measured.motion.clock_err)
    low, high = best.accel_m_s2 - error, best.accel_m_s2 + error
    axes.axhspan(low, high, color=theme.series[0], alpha=0.3, linewidth=0)
    axes.axhline(best.accel_m_s2, color=theme.series[0], linewidth=1.2, linestyle=(0, (4, 3)))
    return f"dashed: the front's mean, {with_error(best.accel_m_s2, error)}; "


def _conventions(items: list[Item]) -> str:
    """What lines, bands and marks stand for."""
    if not items:
        return "Marks: speed of each track at its mid-time, with its error (1 sigma, chance alone)"
    words = "Lines: fitted models, with bands of 1 sigma from chance"
    if any(isinstance(item.track, KnotTrack) for item in items):
        words += "; knots: mark at mid-time"
    if any(isinstance(item.track, Front) for item in items):
        words += f"; front: slopes over {LOCAL_POINTS} heights"
    return words


def _yardsticks(measured: Measured) -> tuple[str, str]:
    """Escape speed and gravity at a front's greatest height, or a knot's mean one, as in the sentences on
    them."""
    front, knot = leading_front(measured), fastest_knot(measured)
    height = float(np.nanmax(front.height_mm)) if front else float(np.mean(knot.height_mm)) if knot else 0.0
    above = height + measured.scale.limb.height_mm
    return (
        f"escape speed {height:.0f} Mm up: {float(escape_speed_km_s(above)):.0f} km/s",
        f"free fall: −{float(gravity_m_s2(above)):.0f}",
    )


def _histogram_words(measured: Measured) -> tuple[str, str]:
    knots = moving_knots(measured)
    resting = len(measured.motion.knots) - len(knots)
    title = f"{len(knots) or 'No'} moving {'knot' if len(knots) == 1 else 'knots'}"
    if len(knots) > 1:
        title += (
            f", median speed {rounded(float(np.median([knot.fit.speed_km_s for knot in knots])), 2)} km/s"
        )
    if not resting:
        every = "The only track moves" if len(knots) == 1 else "All tracks move"
        return title, f"{every} significantly" if knots else "No track was long enough to be judged"
    tracks = (
        counted(resting, "track shows", "tracks show")
        if not knots
        else counted(resting, "more track shows", "more tracks show")
    )
    return title, f"{tracks} no motion beyond what the same data give at rest"


@dataclass(frozen=True, slots=True, eq=False)
class _Group:
    """Knots of one kind on the histogram."""

    knots: list[KnotTrack]
    name: str
    marker: str
    colour: str


def _groups(knots: tuple[KnotTrack, ...], theme: Theme) -> list[_Group]:
    """By the way they go where they move, else all at rest."""
    if not any(knot.moving for knot in knots):
        return [_Group(list(knots), "at rest", "o", theme.quiet)]
    looks = {
        "rising": ("^", theme.series[0]),
        "falling": ("v", theme.series[1]),
        "along the limb": ("D", theme.series[2]),
        "moving": ("o", theme.quiet),
    }
    groups = [
        _Group([knot for knot in knots if going(knot) == name], name, *look) for name, look in looks.items()
    ]
    return [group for group in groups if group.knots]


def _draw_bars(axes: Axes, knots: tuple[KnotTrack, ...], theme: Theme) -> None:
    groups = _groups(knots, theme)
    speeds = [np.array([knot.fit.speed_km_s for knot in group.knots]) for group in groups]
    fastest = float(np.concatenate(speeds).max())
    width = _bin_width(np.concatenate(speeds))
    edges = np.arange(0.0, fastest + 1.2 * width, width)
    names, colours = [group.name for group in groups], [group.colour for group in groups]
    axes.hist(speeds, bins=edges.tolist(), stacked=True, color=colours, rwidth=0.92, label=names)
    axes.locator_params(axis="y", integer=True)
    axes.set_xlim(0.0, max(edges[-1], 1.13 * fastest, 40.0))
    axes.set_ylim(0.0, 1.28 * axes.get_ylim()[1])
    axes.legend(loc="upper right", ncols=len(groups))


def _draw_each(axes: Axes, knots: tuple[KnotTrack, ...], theme: Theme) -> None:
    place = {knot.knot: row for row, knot in enumerate(sorted(knots, key=lambda knot: knot.fit.speed_km_s))}
    size = 9 if len(knots) <= 12 else 5 if len(knots) <= 60 else 3
    for group in _groups(knots, theme):
        fits = [knot.fit for knot in group.knots]
        axes.errorbar(
            [fit.speed_km_s for fit in fits],
            [place[knot.knot] for knot in group.knots],
            xerr=[fit.speed_err_km_s for fit in fits],
            fmt=group.marker,
            color=group.colour,
            markersize=size,
            elinewidth=2.0,
        )
    for knot in knots if len(knots) <= 5 else ():
        right = (knot.fit.speed_km_s + knot.fit.speed_err_km_s, place[knot.knot])
        axes.annotate(
            f"knot {knot.knot}", right, (12, 0), textcoords="offset points", va="center", fontsize=TEXT_PT
        )
    spare = max(0.8, 0.05 * len(knots))
    axes.set(yticks=[], ylim=(-spare, len(knots) - 1.0 + spare), ylabel="each knot\n± 1 sigma")


def _bin_width(speeds: np.ndarray) -> float:
    """Freedman-Diaconis where there are enough values, else an eighth of the range; a step that reads
    well."""
    quartiles = np.percentile(speeds, (25, 75))
    width = (
        2.0 * (quartiles[1] - quartiles[0]) / len(speeds) ** (1.0 / 3.0)
        if len(speeds) >= 20
        else speeds.max() / 8.0
    )
    return float(min((1.0, 2.0, 5.0, 10.0, 20.0, 50.0), key=lambda step: abs(np.log(step / max(width, 0.5)))))


def _usual_ranges(axes: Axes, theme: Theme) -> None:
    """Brackets above the histogram, each with its name over it: speeds that published studies give."""
    high = axes.get_xlim()[1]
    place = axes.get_xaxis_transform()
    for row, (name, first, last) in enumerate(USUAL_RANGES):
        if first >= high:
            continue
        level = 1.05 + 0.17 * row
        axes.plot(
            (first, min(last, 0.995 * high)),
            (level, level),
            color=theme.accent,
            linewidth=3.5,
            transform=place,
            clip_on=False,
            solid_capstyle="butt",
        )
        if last > high:  # the range goes on
            axes.plot(high, level, ">", color=theme.accent, markersize=13, transform=place, clip_on=False)
        fits = first / high < 0.45  # the longer name takes half the width
        axes.text(
            first if fits else high,
            level + 0.03,
            name,
            transform=place,
            ha="left" if fits else "right",
            va="bottom",
        )
