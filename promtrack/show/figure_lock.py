"""The registration check: the limb lock in, one sheet out that says in five seconds whether to trust it."""

from __future__ import annotations

import textwrap
from typing import Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from promtrack.limb.geometry import to_frame
from promtrack.limb.records import LimbLock
from promtrack.rounding import error_text, with_error
from promtrack.show.figure_style import (
    Theme,
    brightness_range,
    date_axis,
    date_numbers,
    foot,
    panel,
    plasma,
    set_ylabel,
    sheet,
)
from promtrack.show.records import Measured
from promtrack.show.verdict import lock_verdict, not_known, rejections

__all__ = ["registration_check"]

MARKS = {"good": "✓", "fair": "!", "poor": "✗"}
KEPT, SPOILED, CIRCLE = "#8fe3ff", "#ff7ab8", "#ffffff"  # on the picture, in both themes
BESIDE = 0.85  # width over height of a picture, below which its key stands at its side
LEAST_TURN = 0.01  # errors: a smaller turn is none
JOINED = 0.05  # of the limb's own error, by which the common radius stands beside it before it is drawn apart
REASON_LINES, REASON_WIDTH = 5, 42  # lines under the picture, characters in each
LIMIT_LINES = 2  # of them for what is not known
REASONS_TOP, REASON_STEP, LIMITS_BELOW = (
    0.214,
    0.039,
    0.009,
)  # of the sheet: first line, from line to line, gap before what is not known
Corner = Literal["upper left", "upper right", "lower left", "lower right"]


def registration_check(measured: Measured, theme: Theme) -> Figure:
    """Verdict in words, limb points on the reference frame, and centre, turn and radius of every frame."""
    verdict = lock_verdict(measured)
    figure = sheet(f"{MARKS[verdict.level]} {verdict.headline}", f"{verdict.reasons[0]} {verdict.reasons[1]}")
    if verdict.level != "good":
        figure.texts[0].set_color(theme.warning)
    _draw_frame(panel(figure, 0.08, 0.375, 0.37, 0.465), measured)
    _write_reasons(figure, measured, theme)
    used = measured.lock.used
    turns = bool(
        np.ptp(measured.lock.angle_deg[used]) > LEAST_TURN * np.median(measured.lock.angle_err_deg[used])
    )
    draws = (_draw_centre, _draw_turn, _draw_radius) if turns else (_draw_centre, _draw_radius)
    bottoms, height = ((0.64, 0.3925, 0.145), 0.18) if turns else ((0.60, 0.145), 0.22)
    places = [panel(figure, 0.605, bottom, 0.36, height) for bottom in bottoms]
    for axes, draw in zip(places, draws, strict=True):
        draw(axes, measured, theme)
        _mark_rejected(axes, measured, theme)
        axes.margins(x=0.02, y=0.45 if axes.get_legend() else 0.2)  # room for the key
        axes.locator_params(axis="y", nbins=4)
        date_axis(axes, measured, label=axes is places[-1], most=6)
    if not turns:
        figure.text(0.545, 0.495, _no_turn(measured), va="center", color=theme.ink)
    foot(figure, measured, speeds=False)
    return figure


def _draw_frame(axes: Axes, measured: Measured) -> None:
    """The reference frame with the limb points kept and rejected, and the circle."""
    lock = measured.lock
    frame = np.asarray(measured.sequence.frame(lock.reference), dtype=np.float32)
    rows, columns = lock.shape
    low, top = brightness_range(frame[::4, ::4], 1.0, 99.5)
    axes.imshow(
        plasma(0.6 * (frame - low), top - low, most=(520, 700)),
        origin="upper",
        extent=(-0.5, columns - 0.5, rows - 0.5, -0.5),
        aspect="equal",
    )
    axes.set_anchor("NW")
    axes.grid(False)
    theta = np.linspace(lock.from_deg, lock.to_deg, 400)
    axes.plot(
        *to_frame(lock, lock.reference, theta, np.full_like(theta, lock.radius_px)),
        color=CIRCLE,
        linewidth=1.2,
        label="circle",
    )
    every = max(len(lock.limb_points_px) // 150, 1)
    axes.plot(*lock.limb_points_px[::every].T, ".", color=KEPT, markersize=6, label="limb points used")
    every = max(len(lock.rejected_points_px) // 80, 1)
    if len(lock.rejected_points_px):
        axes.plot(
            *lock.rejected_points_px[::every].T,
            "x",
            color=SPOILED,
            markersize=8,
            markeredgewidth=2.2,
            label="left out",
        )
    axes.set(xlim=(-0.5, columns - 0.5), ylim=(rows - 0.5, -0.5), xlabel="x (px)", ylabel="y (px)")
    axes.locator_params(axis="x", nbins=5)
    axes.locator_params(axis="y", nbins=4)
    beside = columns < BESIDE * rows  # a narrow picture has no corner free, but room at its side
    axes.legend(
        loc="upper left" if beside else _emptiest_corner(lock),
        bbox_to_anchor=(1.02, 1.02) if beside else None,
        labelcolor="#ffffff",
        frameon=True,
        facecolor="#0b0908",
        edgecolor="none",
        framealpha=0.75,
        handlelength=1.0,
        borderpad=0.35,
        labelspacing=0.25,
    )


def _emptiest_corner(lock: LimbLock) -> Corner:
    """The corner of the picture with the fewest limb points, on the disc where several are free."""
    rows, columns = lock.shape
    x, y = np.concatenate([lock.limb_points_px, lock.rejected_points_px]).T
    corners = [(up, left) for up in (False, True) for left in (True, False)]
    held = [np.sum(((x < 0.55 * columns) == left) & ((y < 0.4 * rows) == up)) for up, left in corners]
    up, left = corners[int(np.argmin(held))]
    if up:
        return "upper left" if left else "upper right"
    return "lower left" if left else "lower right"


def _write_reasons(figure: Figure, measured: Measured, theme: Theme) -> None:
    """What was left out and why, and what is not known, under the picture."""
    open_ = not_known(measured)
    limits = (
        textwrap.wrap(f"Not known: {', '.join(open_)}", REASON_WIDTH, max_lines=LIMIT_LINES, placeholder=" …")
        if open_
        else []
    )
    lines = _reason_lines(measured.lock, most=REASON_LINES - len(limits))
    figure.text(
        0.03,
        REASONS_TOP + 1.05 * REASON_STEP,
        "× Frames left out" if lines else "No frame was left out",
        va="center",
        fontweight="bold",
        color=theme.warning if lines else theme.ink,
    )
    for row, line in enumerate(lines):
        figure.text(0.03, REASONS_TOP - REASON_STEP * row, line, va="center", color=theme.ink)
    for row, line in enumerate(limits, start=len(lines)):
        figure.text(
            0.03, REASONS_TOP - LIMITS_BELOW - REASON_STEP * row, line, va="center", color=theme.quiet
        )


def _reason_lines(lock: LimbLock, *, most: int) -> list[str]:
    """Reasons for leaving frames out with their counts, in at most so many lines."""
    counted = rejections(lock)
    lines: list[str] = []
    for place, (reason, count) in enumerate(counted):
        more = textwrap.wrap(f"{count} × {reason}", REASON_WIDTH, subsequent_indent="    ")
        if len(lines) + len(more) > most - (
            place + 1 < len(counted)
        ):  # one line is kept for what does not fit
            return [
                *lines,
                f"{sum(number for _, number in counted[place:])} × other reasons (see the report)",
            ]
        lines += more
    return lines


def _draw_centre(axes: Axes, measured: Measured, theme: Theme) -> None:
    lock, at = measured.lock, date_numbers(measured.sequence.times_utc)
    for values, colour, marker, name in (
        (lock.centre_x_px, theme.series[1], "s", "x"),
        (lock.centre_y_px, theme.series[0], "o", "y"),
    ):
        drift = values - values[lock.reference]
        axes.errorbar(
            at[lock.used],
            drift[lock.used],
            lock.centre_err_px[lock.used],
            fmt=marker,
            color=colour,
            markersize=5,
            elinewidth=1.2,
            label=name,
        )
    set_ylabel(axes, "centre (px)")
    axes.legend(loc="upper left", ncols=2, handletextpad=0.1, columnspacing=0.8, borderaxespad=0.1)


def _draw_turn(axes: Axes, measured: Measured, theme: Theme) -> None:
    lock, at = measured.lock, date_numbers(measured.sequence.times_utc)
    axes.errorbar(
        at[lock.used],
        lock.angle_deg[lock.used],
        lock.angle_err_deg[lock.used],
        fmt="o",
        color=theme.series[1],
        markersize=5,
        elinewidth=1.2,
    )
    set_ylabel(axes, "turn (degrees)")


def _no_turn(measured: Measured) -> str:
    """Why there is no turn to draw."""
    error = error_text(float(np.median(measured.lock.angle_err_deg[measured.lock.used])))
    if measured.settings.camera.mount == "equatorial":
        return f"turn: none, as an equatorial mount\ndoes not turn the field (± {error}°)"
    return f"turn: the same in all frames (± {error}°)"


def _draw_radius(axes: Axes, measured: Measured, theme: Theme) -> None:
    """Each frame's own radius against the common one, and what the limb alone makes of all frames where
    something stated was joined in."""
    lock, at = measured.lock, date_numbers(measured.sequence.times_utc)
    axes.axhspan(-lock.radius_err_px, lock.radius_err_px, color=theme.series[0], alpha=0.25, linewidth=0)
    axes.axhline(0.0, color=theme.quiet, linewidth=1.2)
    axes.errorbar(
        at[lock.used],
        lock.frame_radius_px[lock.used] - lock.radius_px,
        lock.frame_radius_err_px[lock.used],
        fmt="o",
        color=theme.series[1],
        markersize=5,
        elinewidth=1.2,
    )
    beside = lock.own_radius_px - lock.radius_px
    if abs(beside) > JOINED * lock.own_radius_err_px:
        words = f"limb alone: {with_error(lock.own_radius_px, lock.own_radius_err_px, 'px')}"
        axes.axhline(beside, color=theme.series[1], linewidth=1.6, linestyle="--", label=words)
        axes.legend(loc="upper left", handlelength=1.6, borderaxespad=0.1)
    set_ylabel(axes, "radius − common radius (px); band: its error")


def _mark_rejected(axes: Axes, measured: Measured, theme: Theme) -> None:
    """A cross at the foot of the axes for each frame left out."""
    at = date_numbers(measured.sequence.times_utc)[~measured.lock.used]
    axes.plot(
        at,
        np.full(len(at), 0.06),
        "x",
        color=theme.warning,
        markersize=9,
        markeredgewidth=2.4,
        transform=axes.get_xaxis_transform(),
        clip_on=False,
    )
    for place in at:
        axes.axvline(place, color=theme.warning, alpha=0.35, linewidth=1.0)
