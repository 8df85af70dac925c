"""The slit sheets: time-distance diagrams and oscillations in, diagrams with ridges and swings with their fit
out."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from promtrack.motion.records import Oscillation, Ridge
from promtrack.rounding import with_error
from promtrack.show.curves import drawing_times
from promtrack.show.figure_labels import label_beside, pixels_of, room_of
from promtrack.show.figure_style import (
    TEXT_PT,
    Theme,
    brightness_range,
    date_axis,
    days,
    foot,
    height_note,
    outlined,
    panel,
    plasma,
    sheet,
)
from promtrack.show.numbers import counted, false_alarm_text, path_words
from promtrack.show.records import Measured
from promtrack.strip.records import TimeDistance

__all__ = ["oscillation", "time_distance"]

MOST_SLITS, MOST_RIDGES = 3, 4
RIDGE_COLOUR = "#8fe3ff"  # stands out from the warm colours of the plasma for every eye


def time_distance(measured: Measured, theme: Theme) -> Figure:
    """Brightness along each slit against time, with the ridges and their speeds."""
    shown = _telling(measured)
    slits = [measured.motion.slits[number] for number in shown]
    drawn = [
        ridge
        for number in shown
        for ridge in _surest([ridge for ridge in measured.motion.ridges if ridge.slit == number])
    ]
    figure = sheet(
        _title(measured.motion.ridges, drawn, len(slits)),
        f"Brightness along a path against time. {height_note(measured)}",
    )
    if not slits:
        axes = panel(figure, 0.095, 0.145, 0.875, 0.69)
        axes.set(xlim=days(measured, measured.strip.time_s[[0, -1]]), ylim=(0.0, 1.0), yticks=[])
        axes.text(
            0.5,
            0.5,
            "No path stood out, and none was named.\nName one with motion.slits to see it.",
            transform=axes.transAxes,
            ha="center",
            va="center",
            color=theme.quiet,
            linespacing=1.6,
        )
        date_axis(axes, measured)
    width = (0.895 - 0.065 * (len(slits) - 1)) / max(len(slits), 1)
    for index, (number, slit) in enumerate(zip(shown, slits, strict=True)):
        axes = panel(figure, 0.08 + index * (width + 0.065), 0.145, width, 0.635)
        _draw_slit(axes, measured, slit, [ridge for ridge in drawn if ridge.slit == number])
        axes.set_title(
            _wrapped(path_words(slit, measured.orientation.label), len(slits)),
            fontsize=TEXT_PT,
            fontweight="normal",
            linespacing=1.25,
        )
        axes.set_ylabel("distance along the path (Mm)" if index == 0 else "")
        date_axis(axes, measured, most=7 if len(slits) == 1 else 5)
    foot(figure, measured, speeds=True)
    return figure


def _telling(measured: Measured) -> list[int]:
    """Numbers of the slits to show: those with a ridge of a knot first, then those with any ridge."""
    ridges = measured.motion.ridges
    worth = [
        max((1 + (ridge.knot > 0) for ridge in ridges if ridge.slit == number), default=0)
        for number in range(len(measured.motion.slits))
    ]
    return sorted(range(len(worth)), key=lambda number: -worth[number])[:MOST_SLITS]


def _surest(ridges: list[Ridge]) -> list[Ridge]:
    """The ridges of one slit that are drawn: the relatively surest ones."""
    return sorted(ridges, key=lambda ridge: ridge.speed_err_km_s / max(abs(ridge.speed_km_s), 1e-3))[
        :MOST_RIDGES
    ]


def oscillation(measured: Measured, swing: Oscillation, theme: Theme) -> Figure:
    """Displacement along a slit with the damped sine, and the power of each period."""
    minutes = swing.period_s / 60.0
    figure = sheet(
        f"An oscillation with a period of {with_error(minutes, swing.period_err_s / 60.0, 'min')}",
        f"Amplitude {with_error(swing.amplitude_mm, swing.amplitude_err_mm, 'Mm')}, {_damping(swing)}; "
        f"{path_words(measured.motion.slits[swing.slit], measured.orientation.label)}",
    )
    left, right = panel(figure, 0.085, 0.145, 0.49, 0.69), panel(figure, 0.665, 0.145, 0.31, 0.69)
    left.errorbar(
        days(measured, swing.time_s),
        swing.displacement_mm,
        swing.displacement_err_mm,
        fmt="o",
        color=theme.series[1],
        elinewidth=1.3,
    )
    times = drawing_times(swing.time_s)
    left.plot(days(measured, times), _curve(swing, times), color=theme.series[0])
    left.set_ylabel("displacement (Mm)")
    date_axis(left, measured, most=6)
    right.plot(swing.power_period_s / 60.0, swing.power, color=theme.series[1])
    right.axvline(minutes, color=theme.series[0], linewidth=2.0, linestyle=(0, (4, 3)))
    right.set(xscale="log", xlabel="period (min)", ylabel="Lomb-Scargle power")
    ticks = [
        t
        for t in (0.5, 1, 2, 5, 10, 20, 50, 100, 200)
        if swing.power_period_s.min() <= 60 * t <= swing.power_period_s.max()
    ]
    right.set_xticks(ticks, [f"{t:g}" for t in ticks])
    right.minorticks_off()
    right.set_title(
        f"false alarm: {false_alarm_text(swing.false_alarm)}", fontsize=TEXT_PT, fontweight="normal"
    )
    foot(figure, measured, speeds=False)
    return figure


def even_times(slit: TimeDistance) -> tuple[np.ndarray, float, float]:
    """The diagram [distance, time] on even time steps, nan where no frame is near; its first and last
    time."""
    cadence = float(np.median(np.diff(slit.time_s)))
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
    top = max(brightness_range(picture, 0.0, 99.7)[1], 1e-6)
    extent = (
        days(measured, first),
        days(measured, last),
        float(slit.distance_mm[0]),
        float(slit.distance_mm[-1]),
    )
    axes.imshow(plasma(picture, top), extent=extent, aspect="auto")
    axes.grid(False)
    axes.set(xlim=extent[:2], ylim=extent[2:])
    lines = [_ridge_line(measured, ridge) for ridge in ridges]
    for line in lines:
        axes.plot(*line.T, color=RIDGE_COLOUR, linewidth=2.6, path_effects=outlined(width=4.6))
    room = room_of(axes, lines)
    for ridge, line in zip(ridges, lines, strict=True):
        label_beside(
            room,
            _ridge_words(ridge),
            pixels_of(axes, line),
            color=RIDGE_COLOUR,
            fontsize=TEXT_PT,
            fontweight="bold",
            path_effects=outlined(),
            linespacing=1.2,
        )


def _ridge_line(measured: Measured, ridge: Ridge) -> np.ndarray:
    """(2, 2) ends of a ridge: day number, Mm."""
    ends = np.array([ridge.first_s, ridge.last_s])
    return np.stack(
        [days(measured, ends), ridge.distance_mm + 1e-3 * ridge.speed_km_s * (ends - ridge.time_s)], axis=1
    )


def _ridge_words(ridge: Ridge) -> str:
    speed = with_error(
        ridge.speed_km_s, ridge.speed_err_km_s, "km/s"
    )  # the sign as in the tables: positive is outward
    if not ridge.knot:
        return speed
    return f"{speed}\nknot {ridge.knot} {'agrees' if ridge.agrees else 'differs'}"


def _title(ridges: tuple[Ridge, ...], drawn: list[Ridge], slits: int) -> str:
    """What all ridges of the run say together, as the report's table has them: those along knots' own paths
    are not drawn."""
    if not slits:
        return "No time-distance diagram"
    if not drawn:
        return "No ridge stands out along these paths"
    crossed = [ridge for ridge in ridges if ridge.knot]
    agree = sum(ridge.agrees for ridge in crossed)
    if len(crossed) == 1:
        return f"Ridge and knot give {'the same speed' if agree else 'different speeds'}"
    if crossed:
        here = sum(ridge.knot > 0 for ridge in drawn)
        part = f" ({here or 'none'} drawn)" if here < len(crossed) else ""
        return f"Ridge and knot give the same speed in {agree} of {len(crossed)} cases{part}"
    return f"{counted(len(drawn), 'ridge', 'ridges')} in the time-distance diagrams"


def _wrapped(words: str, slits: int) -> str:
    if slits < 3 or len(words) <= 27:
        return words
    cut = words.rfind(" ", 0, 28)
    return f"{words[:cut]}\n{words[cut + 1 :]}"


def _curve(swing: Oscillation, times: np.ndarray) -> np.ndarray:
    """The damped sine between the record's own times: its two phases are read back from the record's
    curve."""

    def basis(at: np.ndarray) -> np.ndarray:
        phase = 2.0 * np.pi * at / swing.period_s
        decay = np.exp(-(at - swing.time_s[0]) / swing.damping_s)
        return np.column_stack([decay * np.sin(phase), decay * np.cos(phase), np.ones_like(at)])

    return basis(times) @ np.linalg.lstsq(basis(swing.time_s), swing.curve_mm, rcond=None)[0]


def _damping(swing: Oscillation) -> str:
    if not np.isfinite(swing.damping_s):
        return "no damping seen"
    return f"damped within {with_error(swing.damping_s / 60.0, swing.damping_err_s / 60.0, 'min')}"
