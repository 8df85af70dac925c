"""How the figures look: two themes, type, colours, and the sheet with its title and foot.

Only the figure modules of this room know matplotlib. No pyplot and no lasting change of its settings:
`themed` sets them for the time of one drawing.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC
from typing import Any, TypeVar

import cv2
import matplotlib
import matplotlib.style
import numpy as np
from cycler import cycler
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.dates import HOURLY, MINUTELY, SECONDLY, AutoDateLocator, DateFormatter, date2num
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke
from matplotlib.transforms import ScaledTranslation, blended_transform_factory

from promtrack.show.numbers import day, span_text
from promtrack.show.records import Measured
from promtrack.show.verdict import PLANE_OF_SKY, limb_words

__all__ = [
    "DARK",
    "LIGHT",
    "MARKERS",
    "PLASMA",
    "Theme",
    "brightness_range",
    "clipped",
    "date_axis",
    "date_numbers",
    "days",
    "foot",
    "height_note",
    "note_above",
    "outlined",
    "panel",
    "plasma",
    "set_ylabel",
    "sheet",
    "speed_colours",
    "themed",
]

WIDTH_INCH, HEIGHT_INCH = 13.333, 7.5  # 16:9, the size of a slide
TEXT_PT, LABEL_PT, TITLE_PT = 16, 17, 24  # 16 pt on a slide of this size is read from the last row
NAME_LEFT = 0.06  # of the sheet: from the name of a y axis to the axis, room for its tick labels
Moments = TypeVar("Moments", float, np.ndarray)  # one time or many: what goes in comes out
MARKERS = ("o", "s", "^", "D", "v", "P")  # shape says again what colour says


@dataclass(frozen=True, slots=True)
class Theme:
    """Colours of one background."""

    suffix: str  # of the file name
    paper: str
    ink: str
    quiet: str  # secondary text: contrast 4.5 or more on paper
    faint: str  # grid
    accent: str
    warning: str
    series: tuple[str, ...]  # told apart under all three colour-vision deficiencies

    @property
    def colours(self) -> tuple[str, ...]:
        """All colours in a fixed order, each once: a sheet drawn in one theme can be recoloured into
        another."""
        return (self.paper, self.ink, self.quiet, self.faint, self.accent, self.warning, *self.series)


# The series keep a CIE76 distance of 20 or more from one another in normal vision and under simulated
# protanopia, deuteranopia
# and tritanopia (Machado, Oliveira & Fernandes 2009), and a contrast of 3.9 or more on their paper; tests
# check both.
LIGHT = Theme(
    "",
    "#fbfaf8",
    "#1c1917",
    "#5f5852",
    "#ddd8d2",
    "#b83a0b",
    "#a3142b",
    ("#d1450f", "#2671d9", "#23266b", "#8f66a8", "#5c2410", "#a8706a"),
)
DARK = Theme(
    "_dark",
    "#14120f",
    "#f4efe8",
    "#b3aaa0",
    "#3a352f",
    "#ff9a4d",
    "#ff7a85",
    ("#ffb52e", "#67c7ff", "#e2562f", "#f3f3c4", "#9d6ff0", "#3f9275"),
)

# Lightness rises evenly from one end to the other in both maps (CIE L*), so that they hold in grey and for
# every eye.
PLASMA = LinearSegmentedColormap.from_list(
    "prominence",
    (
        (0.0, "#0b0908"),
        (0.059, "#2b1008"),
        (0.135, "#4a1405"),
        (0.361, "#9c3208"),
        (0.588, "#dd6c22"),
        (0.797, "#f7b36f"),
        (1.0, "#fff6e6"),
    ),
).with_extremes(bad="#2b2b31")
PICTURE_INK = "#e9f6ff"  # lines and letters on pictures, in both themes
_SPEED = LinearSegmentedColormap.from_list("speed", ("#3f74d8", "#3fa7c9", "#8fcf9f", "#dfe58a", "#fffde0"))


def speed_colours() -> LinearSegmentedColormap:
    """Colours for speeds drawn on a dark picture: slow blue, fast pale yellow."""
    return _SPEED


@contextmanager
def themed(theme: Theme) -> Iterator[None]:
    """matplotlib's own defaults plus this theme, whatever the user's own matplotlib settings are."""
    style = {
        "font.family": "DejaVu Sans",
        "font.size": TEXT_PT,
        "axes.labelsize": LABEL_PT,
        "axes.titlesize": LABEL_PT,
        "axes.titleweight": "bold",
        "axes.titlelocation": "left",
        "axes.facecolor": theme.paper,
        "axes.edgecolor": theme.quiet,
        "axes.labelcolor": theme.ink,
        "axes.linewidth": 1.2,
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.prop_cycle": cycler(color=theme.series),
        "axes.grid": True,
        "axes.axisbelow": True,
        "grid.color": theme.faint,
        "grid.linewidth": 0.9,
        "figure.facecolor": theme.paper,
        "savefig.facecolor": theme.paper,
        "text.color": theme.ink,
        "xtick.color": theme.quiet,
        "ytick.color": theme.quiet,
        "xtick.labelcolor": theme.ink,
        "ytick.labelcolor": theme.ink,
        "xtick.major.width": 1.2,
        "xtick.major.pad": 6.0,
        "ytick.major.width": 1.2,
        "lines.linewidth": 2.4,
        "lines.markersize": 6.0,
        "errorbar.capsize": 0.0,
        "legend.frameon": False,
        "legend.fontsize": TEXT_PT,
        "svg.fonttype": "path",
        "svg.hashsalt": "promtrack",
        "image.interpolation": "antialiased",
        "image.origin": "lower",
    }
    with matplotlib.style.context(["default", style]):
        yield


def sheet(title: str, subtitle: str = "") -> Figure:
    """An empty 16:9 sheet with a title that says what is found, and a line below it."""
    figure = Figure(figsize=(WIDTH_INCH, HEIGHT_INCH))
    FigureCanvasAgg(figure)
    figure.text(0.03, 0.955, title, fontsize=TITLE_PT, fontweight="bold", va="center")
    if subtitle:
        figure.text(
            0.03, 0.896, subtitle, fontsize=TEXT_PT, va="center", color=matplotlib.rcParams["xtick.color"]
        )
    return figure


def foot(figure: Figure, measured: Measured, *, speeds: bool) -> None:
    """The foot of a sheet: the note on speeds on the left where speeds are shown, where and when on the
    right."""
    quiet = matplotlib.rcParams["xtick.color"]
    if speeds:
        figure.text(0.03, 0.028, PLANE_OF_SKY, va="center", color=quiet)
    times = measured.sequence.times_utc
    figure.text(0.97, 0.028, span_text(times[0], times[-1]), va="center", ha="right", color=quiet)


def height_note(measured: Measured) -> str:
    """Which limb heights are counted from."""
    return f"Heights above {limb_words(measured)}"


def panel(figure: Figure, left: float, bottom: float, width: float, height: float, **axes: Any) -> Axes:
    """Axes at a place given in parts of the sheet."""
    return figure.add_axes((left, bottom, width, height), **axes)


def set_ylabel(axes: Axes, words: str) -> None:
    """The name of the y axis, upright above its tick labels: read without turning the head, and never off the
    sheet."""
    figure = axes.get_figure(root=True)
    assert figure is not None, "axes on a sheet"
    axes.set_ylabel(words, rotation=0, ha="left", va="bottom")
    place = blended_transform_factory(figure.transFigure, axes.transAxes) + ScaledTranslation(
        0.0, 7.0 / 72.0, figure.dpi_scale_trans
    )
    axes.yaxis.set_label_coords(axes.get_position().x0 - NAME_LEFT, 1.0, transform=place)


def note_above(axes: Axes, words: str, colour: str) -> None:
    """A short note above the axes on the right, over no data."""
    axes.set_title(words, loc="right", fontsize=TEXT_PT, fontweight="normal", color=colour)


def clipped(words: str, most: int) -> str:
    """At most so many characters, so that a sheet's text stays in its place."""
    return words if len(words) <= most else words[: most - 1].rstrip() + "…"


def date_numbers(times_utc: np.ndarray) -> np.ndarray:
    """Times as the day numbers of a date axis."""
    return date2num(times_utc)


def days(measured: Measured, time_s: Moments) -> Moments:
    """Seconds since the first strip, as the day numbers of a date axis."""
    return date2num(measured.strip.times_utc[0]) + time_s / 86400.0


def date_axis(axes: Axes, measured: Measured, *, label: bool = True, most: int = 7) -> None:
    """Make the x axis a time axis that says UTC and the date."""
    # below 3 minutes seconds are ticked, in steps of 30 s at most: fewer than 8 ticks could not span them
    locator = AutoDateLocator(
        tz=UTC, minticks=3, maxticks={HOURLY: most, MINUTELY: most, SECONDLY: max(most, 8)}
    )
    axes.xaxis.set_major_locator(locator)
    low, high = axes.get_xlim()
    axes.xaxis.set_major_formatter(
        DateFormatter("%H:%M" if (high - low) * 1440.0 > most / 2 else "%H:%M:%S", tz=UTC)
    )
    if label:
        axes.set_xlabel(f"UTC, {day(measured.strip.times_utc[0])}")
    else:
        axes.tick_params(labelbottom=False)


def brightness_range(values: np.ndarray, low: float, high: float) -> tuple[float, float]:
    """Percentiles of the values that are known, never equal; 0 and 1 where none is."""
    known = values[np.isfinite(values)]
    if not known.size:
        return 0.0, 1.0
    bottom, top = np.percentile(known, (low, high))
    return float(bottom), max(float(top), float(bottom) + 1e-6)


def plasma(values: np.ndarray, top: float, *, most: tuple[int, int] = (700, 1400)) -> np.ndarray:
    """Brightness above the backdrop as uint8 RGBA: even steps near zero, compressed above; nan has its own
    colour.

    top : the value shown brightest
    most : rows and columns beyond which the picture is averaged down, since a figure shows no more
    """
    rows, columns = values.shape
    if rows > most[0] or columns > most[1]:
        size = (min(columns, most[1]), min(rows, most[0]))  # OpenCV wants (width, height)
        values = cv2.resize(
            np.ascontiguousarray(values, dtype=np.float32), size, interpolation=cv2.INTER_AREA
        )
    soft = 0.12 * top
    return PLASMA(np.arcsinh(np.clip(values, 0.0, top) / soft) / np.arcsinh(top / soft), bytes=True)


def outlined(colour: str = "#0b0908", width: float = 4.0) -> list[withStroke]:
    """A dark rim around lines and letters that stand on a picture."""
    return [withStroke(linewidth=width, foreground=colour)]
