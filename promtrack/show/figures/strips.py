"""Sheets from the strips: time-distance diagrams with ridges, oscillations with fits, and all prominences."""

from __future__ import annotations

import textwrap
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from scipy.interpolate import CubicSpline
from scipy.ndimage import median_filter

from promtrack.motion.interpretation import label_motion
from promtrack.motion.records import KnotTrack, Prominence, Ridge
from promtrack.motion.ridge import STILL
from promtrack.rounding import counted, degrees, with_error
from promtrack.sequence.records import spread_over
from promtrack.show import findings, quoted
from promtrack.show.curves import LONG_GAP, drawing_times
from promtrack.show.figures import style
from promtrack.show.figures.items import time_span, write_beside
from promtrack.show.figures.style import PICTURE_INK, TEXT_PT, Theme
from promtrack.show.palette import ON_DARK
from promtrack.show.quoted import CHANGES, Quoted
from promtrack.show.records import Measured
from promtrack.show.region_of_interest import SAMPLES
from promtrack.show.verdict import limb_name, limb_words
from promtrack.strip.records import TimeDistance


def time_distance(measured: Measured, theme: Theme) -> Figure:
    """Brightness along each slit against time, with the ridges and their speeds."""
    ridges, every = quoted.told_ridges(measured), range(len(measured.motion.slits))
    # those with a ridge of a knot, else those with any ridge, else all
    shown = sorted({r.slit for r in ridges if r.knot} or {r.slit for r in ridges} or every)[:2]
    relative = {r: r.speed_err_km_s / max(abs(r.speed_km_s), 1e-3) for r in ridges}
    first = sorted(relative, key=lambda r: (not r.knot, relative[r]))
    drawn = {number: [r for r in first if r.slit == number][:4] for number in shown}
    subtitle = f"What is brighter than usual along a path. Heights above {limb_name(measured)}"
    figure = style.sheet(_title(measured, [r for ridges in drawn.values() for r in ridges]), subtitle)
    width = (0.905 - 0.065 * (len(shown) - 1)) / len(shown)
    for place, number in enumerate(shown):
        axes = figure.add_axes((0.065 + place * (width + 0.065), 0.145, width, 0.595))
        slit = measured.motion.slits[number]
        _draw_slit(axes, measured, slit, drawn[number])
        words = textwrap.fill(path_words(slit, measured.orientation.label), round(100 * width))
        style.name_y(axes, f"{words}\ndistance (Mm)")
        style.date_axis(axes, measured)
    style.foot(figure, measured, speeds=True)
    return figure


def oscillation(measured: Measured, theme: Theme) -> Figure:
    """The least random oscillation: displacement with the damped sine, and the power of each period."""
    swing = min(measured.motion.oscillations, key=lambda one: one.false_alarm)
    minutes, amplitude = swing.period_s / 60.0, with_error(swing.amplitude_mm, swing.amplitude_err_mm, "Mm")
    path = path_words(measured.motion.slits[swing.slit], measured.orientation.label)
    false_alarm, damping = findings.false_alarm_text(swing.false_alarm), "no damping seen"
    if np.isfinite(swing.damping_s):
        damping = f"decay {with_error(swing.damping_s / 60.0, swing.damping_err_s / 60.0, 'min')}"
    figure = style.sheet(
        f"A thread oscillated with a period of {with_error(minutes, swing.period_err_s / 60.0, 'min')}",
        f"Amplitude {amplitude}, {damping}; false alarm {false_alarm}; {path}",
    )
    left, right = figure.add_axes((0.065, 0.145, 0.51, 0.665)), figure.add_axes((0.665, 0.145, 0.31, 0.665))
    at = style.days(measured, swing.time_s)
    points: dict[str, Any] = {"fmt": "o", "color": theme.marks.rest, "elinewidth": 1.3}
    left.errorbar(at, swing.displacement_mm, swing.displacement_err_mm, **points)
    times = drawing_times(swing.time_s, 400)
    seen, first = np.unique(swing.time_s, return_index=True)
    left.plot(style.days(measured, times), CubicSpline(seen, swing.curve_mm[first])(times), color=theme.ink)
    style.name_y(left, "displacement (Mm)")
    style.date_axis(left, measured)
    right.plot(swing.power_period_s / 60.0, swing.power, color=theme.ink)
    right.axvline(minutes, color=theme.quiet, linewidth=2.0, linestyle=(0, (4, 3)))
    right.set(xscale="log", xlabel="period (min)")
    low, high = swing.power_period_s.min() / 60.0, swing.power_period_s.max() / 60.0
    ticks = [tick for tick in (0.5, 1, 2, 5, 10, 20, 50, 100, 200) if low <= tick <= high]
    right.set_xticks(ticks, [f"{tick:g}" for tick in ticks])
    right.minorticks_off()
    style.name_y(right, "Lomb-Scargle power")
    style.foot(figure, measured, speeds=False)
    return figure


def even_times(slit: TimeDistance) -> tuple[np.ndarray, float, float]:
    """The diagram [distance, time] on even time steps, nan where no frame is near; its limits in time [s]."""
    steps = np.diff(np.unique(slit.time_s))
    cadence = float(np.median(steps)) if len(steps) else 1.0
    count = int(np.clip(round((slit.time_s[-1] - slit.time_s[0]) / cadence) + 1, 2, 1400))
    times = np.linspace(slit.time_s[0], slit.time_s[-1], count)
    after = np.clip(np.searchsorted(slit.time_s, times), 1, len(slit.time_s) - 1)
    near = after - (times - slit.time_s[after - 1] < slit.time_s[after] - times)
    step = max(cadence, times[1] - times[0])
    picture = slit.value[near].T.astype(np.float32)
    picture[:, np.abs(slit.time_s[near] - times) > 0.75 * step] = np.nan
    return picture, times[0] - 0.5 * step, times[-1] + 0.5 * step


def _draw_slit(axes: Axes, measured: Measured, slit: TimeDistance, ridges: list[Ridge]) -> None:
    picture, first, last = even_times(slit)
    seen = np.isfinite(picture).any(axis=1)  # freed of what stands still, as ridges are sought
    picture[seen] -= np.nanpercentile(picture[seen], STILL, axis=1)[:, None]
    top = max(style.brightness_range(picture, 0.0, 99.7)[1], 1e-6)
    low, high = (float(end) for end in slit.distance_mm[[0, -1]])
    extent = style.days(measured, first), style.days(measured, last), low, high
    axes.imshow(style.plasma(picture, top), extent=extent, aspect="auto")
    axes.grid(False)
    axes.set(xlim=extent[:2], ylim=extent[2:])
    named = label_motion(measured.motion)
    words, lines, colours = [], [], []
    for ridge in ridges:
        times = np.linspace(ridge.first_s, ridge.last_s, 24)
        since = times - ridge.time_s
        distance = ridge.distance_mm + (1e-3 * ridge.speed_km_s + 0.5e-6 * ridge.accel_m_s2 * since) * since
        lines.append(np.stack([style.days(measured, times), distance], axis=1))
        knot = next((knot for knot in measured.motion.knots if knot.knot == ridge.knot), None)
        words.append(_ridge_words(measured, ridge, knot))
        colours.append(
            ON_DARK.knot(named.place(knot)) if knot and named.knot(knot) and not ridge.front else PICTURE_INK
        )
        axes.plot(*lines[-1].T, color=colours[-1], linewidth=1.6, path_effects=style.outlined(width=3.2))
    write_beside(axes, words, lines, colours)


def _ridge_words(measured: Measured, ridge: Ridge, knot: KnotTrack | None) -> str:
    """The speed with its sign, as in the tables (positive is outward), and whether the knot's along this path
    is the same then, or of which front it is the edge."""
    error = float(np.hypot(ridge.speed_err_km_s, ridge.speed_km_s * quoted.relative_error(measured)))
    speed = Quoted(ridge.speed_km_s, error, "km/s").text
    front = next((front for front in measured.motion.fronts if front.front == ridge.front), None)
    if front is not None:
        return f"{speed} along this path\nthe edge of {quoted.track_name(measured, front)}"
    if knot is None:
        return speed
    return f"{speed}\n{quoted.track_name(measured, knot)} {'agrees' if ridge.agrees else 'differs'} then"


def _title(measured: Measured, drawn: list[Ridge]) -> str:
    """What the ridges on the sheet say together."""
    every = [ridge for ridge in measured.motion.ridges if ridge.knot and not ridge.front]
    if shown := [ridge for ridge in drawn if ridge in every]:
        agree, cases = sum(ridge.agrees for ridge in shown), counted(len(shown), "case")
        more = f" here, {sum(ridge.agrees for ridge in every)} of {len(every)} in all"
        words = f"Streaks (ridges) confirm a knot's speed in {agree} of {cases}"
        return words + more * (len(every) > len(shown))
    words = counted(len(drawn), "streak (ridge)", "streaks (ridges)")
    return f"{words[0].upper()}{words[1:]} along these paths"


def prominences(measured: Measured, theme: Theme) -> Figure:
    """Map of everything above the limb with extents and greatest heights; below, height against time."""
    found, highest = measured.motion.prominences, quoted.highest_prominence(measured)
    assert highest is not None, "the sheet is drawn where something stands"
    # with a number and a curve on the sheet; prominences.ecsv has all
    named, which = found[:6], f", the highest, number {highest[0].prominence}, to"
    title = f"{counted(len(found), 'prominence')}{which if len(found) > 1 else ' reaches'}"
    subtitle = f"Outlines above {limb_words(measured)}. Bands: total error"
    figure = style.sheet(f"{title} {highest[1]}", subtitle)
    _draw_map(figure.add_axes((0.065, 0.575, 0.86, 0.245)), measured, named)
    below = figure.add_axes((0.065, 0.145, 0.86, 0.275))
    _draw_heights(below, measured, named, theme)
    rest, notes, front = len(found) - len(named), [], quoted.leading_front(measured)
    if front is not None:
        name = quoted.track_name(measured, front)
        notes.append(f"{name}, half-way down its light: {quoted.top_height(measured, front).text}")
    if rest:
        notes.append(f"{counted(rest, 'smaller one')} in prominences.ecsv")
    style.note_above(below, "; ".join(notes), theme.quiet)
    style.foot(figure, measured, speeds=False)
    return figure


def _draw_map(axes: Axes, measured: Measured, named: tuple[Prominence, ...]) -> None:
    """The greatest light of strips spread over the whole time, with a line at each one's greatest height."""
    strip, geometry = measured.strip, measured.strip.geometry
    light = np.fmax.reduce(list(strip.mapped(np.asarray, spread_over(len(strip), SAMPLES).tolist())))
    top = style.brightness_range(light[max(int(geometry.row(0.0)), 0) :], 0.0, 99.7)[1]
    half = 0.5 * np.array([geometry.deg_per_column, geometry.mm_per_row])
    left, right = geometry.from_deg - half[0], float(geometry.angle_deg(geometry.columns - 1)) + half[0]
    low, high = geometry.low_mm - half[1], float(geometry.height_mm(geometry.rows - 1)) + half[1]
    axes.imshow(style.plasma(light, top), extent=(left, right, low, high), aspect="auto")
    axes.set(xlim=(right, left), ylim=(max(low, -10.0), high))  # angles run against the clock, as on the sky
    axes.grid(False)
    look: dict[str, Any] = {"color": PICTURE_INK, "path_effects": style.outlined(width=3.0)}
    taken: list[float] = []
    for one in named:
        # angles of a stretch of limb may pass 360: the turn that puts its start on the axis
        first = left + (one.from_deg - left) % 360.0
        last, height = first + one.to_deg - one.from_deg, float(np.nanmax(one.height_mm))
        axes.plot([first, first, last, last], [height - 3.0, height, height, height - 3.0], **look)
        middle = 0.5 * (first + last)
        if all(abs(middle - other) > 0.035 * (right - left) for other in taken):
            taken.append(middle)
            # no room above: below
            up, foot = (-8, "top") if height > high - 0.25 * (high - low) else (4, "bottom")
            place: dict[str, Any] = {"xytext": (0, up), "textcoords": "offset points", "va": foot}
            words = str(one.prominence)
            axes.annotate(words, (middle, height), ha="center", fontweight="bold", **place, **look)
    ticks = [t for t in axes.get_xticks() if left <= t <= right]
    axes.set_xticks(ticks, [f"{t % 360.0:g}" for t in ticks])
    known = measured.orientation.position_angles
    quarters = "0 north, 90 east, 180 south, 270 west" if known else "against the clock"
    axes.set_xlabel(f"{measured.orientation.label} (°): {quarters}", labelpad=2)
    style.name_y(axes, "height (Mm), maximum over time")


def _draw_heights(axes: Axes, measured: Measured, named: tuple[Prominence, ...], theme: Theme) -> None:
    ends: list[tuple[float, Prominence, str]] = []
    highest = max(named, key=lambda one: float(np.nanmax(one.height_mm)))
    for one in named:
        colour = theme.ink if one is highest else theme.marks.rest  # letters' colours are of what moves
        error = quoted.height_error(measured, one.height_mm, one.height_err_mm)
        times, seen = style.days(measured, one.time_s), np.isfinite(one.height_mm)
        if seen.sum() == 1:
            axes.errorbar(times[seen], one.height_mm[seen], error[seen], fmt="o", color=colour)
        else:
            breaks = _breaks(one, error)
            times, height, error = (np.insert(v, breaks, np.nan) for v in (times, one.height_mm, error))
            axes.fill_between(times, height - error, height + error, color=colour, alpha=0.25)
            axes.plot(times, height, "o-", color=colour, linewidth=1.8, markersize=1.8)
        ends.append((float(one.height_mm[seen][-1]), one, colour))
    axes.set_xlim(*time_span(measured))
    axes.set_ylim(bottom=0.0, top=1.08 * axes.get_ylim()[1])
    style.date_axis(axes, measured)
    style.name_y(axes, "height (Mm)")
    _number(axes, ends)


def _breaks(one: Prominence, error: np.ndarray) -> np.ndarray:
    """Places before which a curve of heights breaks: in gaps, and where a height jumps by more than its error
    and than it changes before and after, since a piece has joined or come off."""
    step_s, step = np.diff(one.time_s), np.abs(np.diff(one.height_mm))
    usual = median_filter(np.nan_to_num(step), 9)
    jumps = (step > CHANGES * usual) & (step > 2.0 * np.hypot(error[1:], error[:-1]))
    return 1 + np.flatnonzero(jumps | (step_s > LONG_GAP * np.median(step_s)))


def _number(axes: Axes, ends: list[tuple[float, Prominence, str]]) -> None:
    """The numbers beside the curves' ends, in their order, apart from each other."""
    step = TEXT_PT / 72.0 * 1.3 / (axes.bbox.height / axes.figure.dpi)  # a line of text, of the axes
    top = axes.get_ylim()[1]
    place = -np.inf
    for height, one, colour in sorted(ends, key=lambda end: end[0]):
        place = max(height / top, place + step)
        look: dict[str, Any] = {"color": colour, "fontweight": "bold", "va": "center"}
        axes.text(1.012, place, str(one.prominence), transform=axes.transAxes, **look)


def path_words(slit: TimeDistance, label: str) -> str:
    """A slit's path in words; `label` is 'position angle' or 'image angle'."""
    angle, height = [degrees(one) for one in slit.angle_deg[[0, -1]]], slit.height_mm
    if slit.kind == "radial":
        return f"outward at {label} {angle[0]}"
    short = "PA" if label == "position angle" else label
    if slit.kind == "parallel":
        return f"along the limb at {height[0]:.0f} Mm, from {short} {angle[0]}"
    return f"{slit.kind}, {short} {angle[0]}, {height[0]:.0f} Mm to {angle[1]}, {height[-1]:.0f} Mm"
