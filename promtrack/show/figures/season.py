"""Figures beyond one run: a season's heights and speeds by date, and what a trial with known bodies found."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.dates import AutoDateLocator, ConciseDateFormatter, date2num
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.lines import Line2D

from promtrack.files import atomic_write
from promtrack.rounding import counted
from promtrack.show.figures.style import LIGHT, NARROW_INCH, name_y, sheet, themed
from promtrack.show.records import Season, SeasonRow, TrialRow


def draw_season(season: Season, folder: Path) -> list[Path]:
    """season.png and season.svg in the folder, and season_narrow.svg for a phone; runs with a poor verdict
    are hollow. Returns the two SVG files."""
    drawn = []
    for name, size in (("season", (13.333, 7.5)), ("season_narrow", (NARROW_INCH, 9.0))):
        with themed(LIGHT):
            figure = _season_sheet(season, size)
            for kind in ("png", "svg") if name == "season" else ("svg",):
                about: dict[str, str | None] = {"Title": "Season"} | ({"Date": None} if kind == "svg" else {})
                with atomic_write(folder / f"{name}.{kind}") as part:
                    figure.savefig(part, format=kind, dpi=110, metadata=about)
        drawn.append(folder / f"{name}.svg")
    return drawn


def _season_sheet(season: Season, size: tuple[float, float]) -> Figure:
    """Heights above speeds, by date."""
    figure = Figure(figsize=size, layout=ConstrainedLayoutEngine(w_pad=0.15, h_pad=0.12))
    wide = size[0] > size[1]
    FigureCanvasAgg(figure)
    heights, speeds = figure.subplots(2, 1)
    rows, fronts, marks = season.rows, season.eruptions, LIGHT.marks
    tops = [(r, r.height_mm, r.height_err_mm) for r in rows if not r.height_is_lower_bound]
    bounds = [(r, r.height_mm, r.height_err_mm) for r in rows if r.height_is_lower_bound]
    knots = [(r, r.knot_speed_km_s, r.knot_speed_err_km_s) for r in rows]
    peaks = [(one.row, one.speed_km_s, one.speed_err_km_s) for one in fronts]
    _draw(heights, tops, LIGHT.ink, "o")
    _draw(heights, bounds, LIGHT.ink, "^", "top beyond what was measured: at least")
    _draw(speeds, knots, marks.knots[0], "o", "fastest knot")
    _draw(speeds, peaks, marks.front, "D", "leading edges, largest or mean")
    heights.set_title("highest prominence of each run, outline (Mm)", fontweight="normal")
    speeds.set_title("speeds in the plane of the sky (km/s)", fontweight="normal")
    for axes in (heights, speeds):
        axes.set_ylim(bottom=0.0)
        if axes.get_legend_handles_labels()[1]:  # beside the title or below the axes, clear of all data
            place = ("lower right", (1.0, 1.0)) if wide else ("upper left", (0.0, -0.2))
            axes.legend(loc=place[0], bbox_to_anchor=place[1], ncols=1 + wide)
        _date_axis(axes, season)
    edges = counted(len(fronts), "moving leading edge", "moving leading edges")
    hollow = "(hollow: not to be trusted)" if any(row.poor for row in rows) else ""
    title = f"{counted(len(rows), 'run', 'runs')}, {edges} {hollow}"
    figure.suptitle(textwrap.fill(title, 80 if wide else 36), x=0.02, ha="left", fontweight="bold")
    return figure


def _draw(
    axes: Axes, values: list[tuple[SeasonRow, float, float]], colour: str, marker: str, label: str = ""
) -> None:
    """Values of runs and their errors by date, filled where the run may be quoted and hollow where not."""
    for poor, face in ((False, colour), (True, "none")):
        some = [(_day(row), *numbers) for row, *numbers in values if row.poor == poor]
        at, value, error = np.array(some, float).reshape(-1, 3).T
        style: dict[str, Any] = {"color": colour, "markerfacecolor": face, "elinewidth": 1.2, "alpha": 0.9}
        axes.errorbar(at, value, np.nan_to_num(error), fmt=marker, **style)
    if values:
        axes.plot([], [], marker, color=colour, label=label)


def _day(row: SeasonRow) -> float:
    return float(date2num(row.first_utc))


def _date_axis(axes: Axes, season: Season) -> None:
    first, last = _day(season.rows[0]), _day(season.rows[-1])
    half = max(0.54 * (last - first), 1.0)  # days
    axes.set_xlim(0.5 * (first + last) - half, 0.5 * (first + last) + half)
    locator = AutoDateLocator(minticks=2, maxticks=6)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(ConciseDateFormatter(locator))


MARKERS = ("o", "s", "^")  # faint, middle, bright: told apart by shape too
COLOURS = (LIGHT.marks.rest, LIGHT.quiet, LIGHT.ink)


def draw_trial(rows: Sequence[TrialRow], path: Path) -> None:
    """Bodies found and missed by speed and brightness, and how far the stated errors hold."""
    with themed(LIGHT):
        count = sum(row.found for row in rows)
        title = f"{count} of {len(rows)} test features put into these frames were found"
        figure = sheet(title, "Hollow: not found. Right: how far the stated errors hold")
        left, right = figure.add_axes((0.085, 0.145, 0.50, 0.61)), figure.add_axes((0.665, 0.145, 0.31, 0.61))
        handles = _draw_found(left, rows)
        figure.legend(handles=handles, loc="upper left", bbox_to_anchor=(0.02, 0.875), ncols=len(handles))
        _draw_pulls(right, np.array([(row.measured_km_s - row.speed_km_s) / row.error_km_s for row in rows]))
        with atomic_write(path) as part:
            figure.savefig(part, format="png", dpi=130)


def _draw_found(axes: Axes, rows: Sequence[TrialRow]) -> list[Line2D]:
    """One mark a body, knots and fronts in lines of their own; handles for a legend."""
    levels, handles = sorted({row.brightness_sigma for row in rows}), []
    fronts = any(row.kind == "front" for row in rows)
    spread = np.random.default_rng(0).uniform(-0.06, 0.06, len(rows))  # marks do not cover each other
    for row, shift in zip(rows, spread, strict=True):
        level = levels.index(row.brightness_sigma)
        place = (row.kind == "front") + 0.25 * (level - 1.0) + shift
        face = COLOURS[level] if row.found else "none"
        axes.scatter(
            row.speed_km_s, place, marker=MARKERS[level], s=90, facecolor=face, edgecolor=COLOURS[level]
        )
    for marker, colour, sigma in zip(MARKERS, COLOURS, levels, strict=False):
        label = f"{sigma:g} times the noise"
        handles.append(Line2D([], [], linestyle="none", marker=marker, color=colour, label=label, ms=10))
    axes.set(xscale="log", xlabel="true speed (km/s)", ylim=(-0.6, 0.6 + fronts))
    axes.set_xticks([10, 20, 50, 100, 200], ["10", "20", "50", "100", "200"])
    axes.minorticks_off()
    axes.set_yticks([0, 1][: 1 + fronts], ["knots", "fronts"][: 1 + fronts])
    return handles


def _draw_pulls(axes: Axes, pull: np.ndarray) -> None:
    """Share of the speeds that are off by less than so many stated errors, and where a normal one stands."""
    pulls = np.sort(np.abs(pull[np.isfinite(pull)]))
    share = (np.arange(len(pulls)) + 1) / max(len(pulls), 1)
    axes.plot(pulls, share, drawstyle="steps-post", color=COLOURS[1])
    for sigma, part in ((1.0, 0.683), (2.0, 0.954)):  # of a normal distribution
        axes.plot([0, sigma, sigma], [part, part, 0], color=LIGHT.quiet, linewidth=1.2, linestyle=":")
    axes.set(xlabel="error / stated error", xlim=(0, 5), ylim=(0, 1.02))
    name_y(axes, "share with a smaller error")
