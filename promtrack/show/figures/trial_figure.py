"""What a recording could have shown: bodies put into it in, one figure of what was found out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from promtrack.atomic_write import atomic_write
from promtrack.show.figures.style import LIGHT, name_y, panel, sheet, themed

__all__ = ["draw_trial"]

MARKERS = ("o", "s", "^")  # faint, middle, bright: told apart by shape too
COLOURS = (LIGHT.marks.rest, LIGHT.marks.knots[0], LIGHT.marks.knots[2])


def draw_trial(
    path: Path,
    *,
    kind: np.ndarray,
    speed_km_s: np.ndarray,
    brightness_sigma: np.ndarray,
    found: np.ndarray,
    pull: np.ndarray,
) -> Path:
    """Bodies found and missed by speed and brightness, and how far the stated errors hold.

    Parameters
    ----------
    kind : (n,) 'knot' or 'front'
    speed_km_s : (n,) true speeds
    brightness_sigma : (n,) peak brightness in the noise of one strip pixel
    found : (n,) bool
    pull : (n,) measured minus true speed in stated errors; nan where not found
    """
    with themed(LIGHT):
        count = int(found.sum())
        title = f"{count} of {len(found)} bodies put into these frames were found"
        figure = sheet(title, "Hollow: not found. Right: how far the stated errors hold")
        left, right = panel(figure, 0.085, 0.145, 0.50, 0.61), panel(figure, 0.665, 0.145, 0.31, 0.61)
        handles = _draw_found(left, kind, speed_km_s, brightness_sigma, found)
        figure.legend(handles=handles, loc="upper left", bbox_to_anchor=(0.02, 0.875), ncols=len(handles))
        _draw_pulls(right, pull)
        with atomic_write(path) as part:
            figure.savefig(part, format="png", dpi=130)
    return path


def _draw_found(
    axes: Axes, kind: np.ndarray, speed_km_s: np.ndarray, brightness_sigma: np.ndarray, found: np.ndarray
) -> list[Line2D]:
    """One mark a body, knots and fronts in rows of their own; handles for a legend."""
    levels, handles = np.unique(brightness_sigma), []
    # so that marks do not cover each other
    spread = np.random.default_rng(0).uniform(-0.06, 0.06, len(found))
    for marker, colour, level in zip(MARKERS, COLOURS, levels, strict=False):
        for shape, row in (("knot", 0), ("front", 1)):
            chosen = (brightness_sigma == level) & (kind == shape)
            for seen in (True, False):
                some = chosen & (found == seen)
                place = row + 0.25 * (float(np.searchsorted(levels, level)) - 1.0) + spread[some]
                face = colour if seen else "none"
                axes.scatter(speed_km_s[some], place, marker=marker, s=90, facecolor=face, edgecolor=colour)
        label = f"{level:g} times the noise"
        handles.append(Line2D([], [], linestyle="none", marker=marker, color=colour, label=label, ms=10))
    axes.set(xscale="log", xlabel="true speed (km/s)", ylim=(-0.6, 1.6))
    axes.set_xticks([10, 20, 50, 100, 200], ["10", "20", "50", "100", "200"])
    axes.minorticks_off()
    axes.set_yticks([0, 1], ["knots", "fronts"])
    return handles


def _draw_pulls(axes: Axes, pull: np.ndarray) -> None:
    """Share of the speeds that are off by less than so many stated errors, and where a normal one stands."""
    pulls = np.sort(np.abs(pull[np.isfinite(pull)]))
    share = (np.arange(len(pulls)) + 1) / max(len(pulls), 1)
    axes.plot(pulls, share, drawstyle="steps-post", color=COLOURS[1])
    for sigma, part in ((1.0, 0.683), (2.0, 0.954)):  # of a normal distribution
        axes.plot([0, sigma, sigma], [part, part, 0], color=LIGHT.quiet, linewidth=1.2, linestyle=":")
    axes.set(xlabel="error in stated errors", xlim=(0, 5), ylim=(0, 1.02))
    name_y(axes, "share with a smaller error")
