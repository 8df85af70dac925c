"""The registration check: the limb lock in, one sheet out that says in five seconds whether to trust it."""

from __future__ import annotations

import textwrap
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.dates import date2num
from matplotlib.figure import Figure

from promtrack.limb.records import to_frame
from promtrack.rounding import error_text
from promtrack.show.figures.style import Theme, brightness_range, date_axis, foot, name_y, plasma, sheet
from promtrack.show.palette import ON_DARK
from promtrack.show.records import Measured
from promtrack.show.verdict import lights, rejections

TITLES = {"good": "✓ The Sun stands still", "fair": "! Use the lock with care"}
TITLES["poor"] = "✗ Do not trust the lock"
SPOILED = "#ff7ab8"  # left out, on the picture in both themes
LINES, LINE_LETTERS = 8, 52  # below the picture: most, letters in each


def registration_check(measured: Measured, theme: Theme) -> Figure:
    """Verdict in words, limb points on the reference frame, centre, radius and any turn of every frame."""
    lock = measured.lock
    found = lights(measured)[0]
    subtitle = "Where the Sun's edge was found, and how it moved"
    figure = sheet(f"{TITLES[found.level]} (registration)", subtitle)
    if found.level != "good":
        figure.texts[0].set_color(theme.light(found.level))
    still = float(np.ptp(lock.angle_deg[lock.used])) <= 0.01 * float(np.median(lock.angle_err_deg[lock.used]))
    draws = [_draw_centre, _draw_radius] if still else [_draw_centre, _draw_turn, _draw_radius]
    height = 0.26 if still else 0.16
    _draw_frame(figure.add_axes((0.065, 0.45, 0.40, 0.37)), measured)
    for row, line in enumerate(_words(measured)):
        if not line.startswith(" "):  # else the sentence goes on
            colour = theme.warning if line.startswith("×") else theme.ink
        figure.text(0.03, 0.335 - 0.036 * row, line, va="center", color=colour)
    for row, draw in enumerate(draws):
        axes = figure.add_axes((0.575, 0.84 - height - row * (height + 0.075 + 0.025 * still), 0.39, height))
        draw(axes, measured, theme)
        _mark_rejected(axes, measured, theme)
        axes.margins(x=0.02, y=0.2)
        axes.locator_params(axis="y", nbins=4)
        date_axis(axes, measured, label=row == len(draws) - 1)
    foot(figure, measured, speeds=False)
    return figure


def _draw_frame(axes: Axes, measured: Measured) -> None:
    """The reference frame with the limb points kept and rejected, and the circle."""
    lock = measured.lock
    frame = np.asarray(measured.sequence.frame(lock.reference), dtype=np.float32)
    rows, columns = lock.shape
    low, top = brightness_range(frame[::4, ::4], 1.0, 99.5)
    picture = plasma(0.6 * (frame - low), top - low, most=(520, 700))
    axes.imshow(picture, origin="upper", extent=(-0.5, columns - 0.5, rows - 0.5, -0.5), aspect="equal")
    axes.set_anchor("NW")
    axes.grid(False)
    theta = np.linspace(lock.from_deg, lock.to_deg, 400)
    circle = to_frame(lock, lock.reference, theta, np.full_like(theta, lock.radius_px))
    axes.plot(*circle, color=ON_DARK.rest, linewidth=1.2, label="circle")
    every = max(len(lock.limb_points_px) // 150, 1)
    axes.plot(*lock.limb_points_px[::every].T, ".", color=ON_DARK.annotation, label="edge points used")
    every = max(len(lock.rejected_points_px) // 80, 1)
    style: dict[str, Any] = {"markersize": 8, "markeredgewidth": 2.2}
    if len(lock.rejected_points_px):
        axes.plot(*lock.rejected_points_px[::every].T, "x", color=SPOILED, label="left out", **style)
    axes.set(xlim=(-0.5, columns - 0.5), ylim=(rows - 0.5, -0.5), xlabel="x (px)")
    axes.locator_params(nbins=5)
    name_y(axes, "y (px)")
    look = {"labelcolor": "#ffffff", "frameon": True, "facecolor": "#0b0908", "edgecolor": "none"}
    look |= {"framealpha": 0.75, "handlelength": 1.0, "loc": "best"}  # where no points lie
    if columns < 1.1 * rows:  # the names then stand beside the picture
        look |= {"loc": "upper left", "bbox_to_anchor": (1.02, 1.0), "borderaxespad": 0.0}
    axes.legend(**look)


def _words(measured: Measured) -> list[str]:
    """The reasons of the lock's light, then what was left out, in lines of `LINE_LETTERS`."""
    reasons = [("", sentence) for sentence in lights(measured)[0].reasons]
    out = rejections(measured.lock)
    reasons += [("× ", f"{count} left out: {reason}") for reason, count in out]
    if not out:
        reasons.append(("", "No frame was left out."))
    lines: list[str] = []
    for place, (mark, words) in enumerate(reasons):
        more = textwrap.wrap(mark + words, LINE_LETTERS, subsequent_indent="   ")
        if len(lines) + len(more) > LINES - (place + 1 < len(reasons)):
            lines.append("The other reasons stand in the report.")
            break
        lines += more
    return lines


def _draw_centre(axes: Axes, measured: Measured, theme: Theme) -> None:
    lock = measured.lock
    x, y = (values - values[lock.reference] for values in (lock.centre_x_px, lock.centre_y_px))
    _points(axes, measured, x, lock.centre_err_px, theme.ink, "s", "x")
    _points(axes, measured, y, lock.centre_err_px, theme.marks.rest, "o", "y")
    name_y(axes, "Sun's centre (px)")
    axes.legend(loc="lower right", bbox_to_anchor=(1.0, 0.97), ncols=2, handletextpad=0.1, columnspacing=0.8)


def _draw_turn(axes: Axes, measured: Measured, theme: Theme) -> None:
    lock = measured.lock
    _points(axes, measured, lock.angle_deg, lock.angle_err_deg, theme.ink, "s")
    name_y(axes, "turn about the centre (degrees)")


def _draw_radius(axes: Axes, measured: Measured, theme: Theme) -> None:
    """Each frame's own radius against the common one, and the limb's alone where something was joined in."""
    lock = measured.lock
    axes.axhspan(-lock.radius_err_px, lock.radius_err_px, color=theme.quiet, alpha=0.25, linewidth=0)
    axes.axhline(0.0, color=theme.quiet, linewidth=1.2)
    radius = lock.frame_radius_px - lock.radius_px
    _points(axes, measured, radius, lock.frame_radius_err_px, theme.ink, "s")
    words = "radius − common radius (px)"
    if lock.own_radius_px != lock.radius_px:
        own, colour = lock.own_radius_px - lock.radius_px, theme.ink
        axes.axhline(own, color=colour, linewidth=1.6, linestyle="--")
        words = "radius − common (px); dashed: limb alone"
    name_y(axes, words if "dashed" in words else f"{words}; band ± {error_text(lock.radius_err_px)}")


def _points(
    axes: Axes,
    measured: Measured,
    value: np.ndarray,
    error: np.ndarray,
    colour: str,
    marker: str,
    name: str = "",
) -> None:
    used, at = measured.lock.used, date2num(measured.sequence.times_utc)
    style: dict[str, Any] = {"color": colour, "markersize": 5, "elinewidth": 1.2, "label": name or None}
    axes.errorbar(at[used], value[used], error[used], fmt=marker, **style)


def _mark_rejected(axes: Axes, measured: Measured, theme: Theme) -> None:
    """A cross at the foot of the axes for each frame left out."""
    at = date2num(measured.sequence.times_utc)[measured.lock.rejected]
    style: dict[str, Any] = {"color": theme.warning, "markersize": 9, "markeredgewidth": 2.4}
    low, transform = np.full(len(at), 0.06), axes.get_xaxis_transform()
    axes.plot(at, low, "x", transform=transform, clip_on=False, **style)
    for place in at:
        axes.axvline(place, color=theme.warning, alpha=0.35, linewidth=1.0)
