"""What a recording could have shown: bodies put into it in, one figure of what was found out."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from promtrack.atomic_write import atomic_write

__all__ = ["draw_trial"]

MARKERS = ("o", "s", "^")
COLOURS = ("#9aa3b2", "#2a7fb8", "#b5402a")  # faint, middle, bright: told apart by shape too


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
    figure = Figure(figsize=(12.0, 5.6), layout="constrained")
    FigureCanvasAgg(figure)
    left, right = figure.subplots(1, 2)
    levels = np.unique(brightness_sigma)
    spread = np.random.default_rng(0).uniform(
        -0.06, 0.06, len(found)
    )  # so that marks do not cover each other
    for marker, colour, level in zip(MARKERS, COLOURS, levels, strict=False):
        for shape, row in (("knot", 0), ("front", 1)):
            chosen = (brightness_sigma == level) & (kind == shape)
            for seen in (True, False):
                some = chosen & (found == seen)
                place = row + 0.25 * (float(np.searchsorted(levels, level)) - 1.0) + spread[some]
                face = colour if seen else "none"
                left.scatter(speed_km_s[some], place, marker=marker, s=70, facecolor=face, edgecolor=colour)
        left.scatter([], [], marker=marker, color=colour, s=70, label=f"{level:g} times the noise")
    left.scatter([], [], marker="o", facecolor="none", edgecolor="#444", s=70, label="not found")
    left.set_xscale("log")
    left.set_xticks([10, 20, 50, 100, 200], ["10", "20", "50", "100", "200"])
    left.minorticks_off()
    left.set_xlabel("true speed (km/s)")
    left.set_yticks([0, 1], ["knots", "fronts"])
    left.set_ylim(-0.6, 1.6)
    left.legend(loc="upper left", fontsize=10, ncols=2, frameon=False, bbox_to_anchor=(0.0, 1.12))
    pulls = np.abs(pull[np.isfinite(pull)])
    right.plot(
        np.sort(pulls),
        (np.arange(len(pulls)) + 1) / max(len(pulls), 1),
        drawstyle="steps-post",
        color=COLOURS[1],
    )
    for sigma, share in ((1.0, 0.683), (2.0, 0.954)):  # of a normal distribution
        right.plot([0, sigma, sigma], [share, share, 0], color="#888", linewidth=0.8, linestyle=":")
    right.set_xlabel("error of the speed in stated errors")
    right.set_ylabel("share with a smaller error")
    right.set_xlim(0, 5)
    right.set_ylim(0, 1.02)
    count = int(found.sum())
    figure.suptitle(f"{count} of {len(found)} bodies put into these frames were found", fontsize=15)
    with atomic_write(path) as part:
        figure.savefig(part, format="png", dpi=130)
    return path
