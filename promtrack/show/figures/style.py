"""How the figures look: two themes, type, colours, and the sheet with its title and foot.

No pyplot and no lasting change of matplotlib's settings: `themed` sets them for the time of one drawing.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC
from typing import Any, TypeVar

import cv2
import matplotlib
import matplotlib.style
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import LinearSegmentedColormap
from matplotlib.dates import DateFormatter, date2num
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke
from matplotlib.ticker import FixedLocator

from promtrack.rounding import day, span_text, unbroken
from promtrack.show.palette import ON_DARK, ON_LIGHT, MarkColours
from promtrack.show.records import Measured
from promtrack.show.verdict import PLANE_OF_SKY

WIDTH_INCH, HEIGHT_INCH = 13.333, 7.5  # 16:9, the size of a slide
ASPECT = WIDTH_INCH / HEIGHT_INCH
NARROW_INCH = 6.4  # 16 pt are 12 px where 350 px show it
TEXT_PT, LABEL_PT, TITLE_PT = 16, 17, 24  # 16 pt on a slide of this size is read from the last row
# Labels of a time axis: form, inches that one takes with the space after it, steps in seconds
TICKS = (
    ("%H:%M:%S", 1.4, (1, 2, 5, 10, 15, 30)),
    ("%H:%M", 1.0, (60, 120, 300, 600, 900, 1200, 1800, 3600, 7200, 10800, 21600, 43200)),
    ("%m-%d", 1.0, (86400, 172800, 432800, 864000, 4320000)),
)
Moments = TypeVar("Moments", float, np.ndarray)  # one time or many: what goes in comes out


@dataclass(frozen=True, slots=True)
class Theme:
    """Colours of one background."""

    suffix: str  # of the file name
    paper: str
    ink: str
    quiet: str  # secondary text: contrast 4.5 or more on paper
    faint: str  # grid
    care: str  # a light that says with care
    warning: str  # one that says not to be trusted
    marks: MarkColours

    def light(self, level: str) -> str:
        """Colour of a light of the verdict."""
        return {"good": self.marks.front, "fair": self.care, "poor": self.warning}[level]

    @property
    def colours(self) -> tuple[str, ...]:
        """All colours in a fixed order, the same in each theme."""
        marks = self.marks
        own = (self.paper, self.ink, self.quiet, self.faint, self.care, self.warning)
        return (*own, marks.front, *marks.knots, marks.rest)


LIGHT = Theme("", "#fbfaf8", "#1c1917", "#5f5852", "#ddd8d2", "#7a4b00", "#a3142b", ON_LIGHT)
DARK = Theme("_dark", "#14120f", "#f4efe8", "#b3aaa0", "#3a352f", "#f2c46b", "#ff7a85", ON_DARK)

# Lightness rises evenly from one end to the other (CIE L*), so that the map holds in grey and for every eye.
STEPS = (0.0, 0.059, 0.135, 0.361, 0.588, 0.797, 1.0)
WARM = ("#0b0908", "#2b1008", "#4a1405", "#9c3208", "#dd6c22", "#f7b36f", "#fff6e6")
TONES = LinearSegmentedColormap.from_list("prominence", list(zip(STEPS, WARM, strict=True)))
PLASMA = TONES.with_extremes(bad="#2b2b31")
PICTURE_INK = ON_DARK.annotation  # lines and letters on pictures, in both themes


@contextmanager
def themed(theme: Theme) -> Iterator[None]:
    """matplotlib's own defaults plus this theme, whatever the user's own matplotlib settings are."""
    style: dict[str, Any] = {
        "font.family": "DejaVu Sans",
        "font.size": TEXT_PT,
        "axes.titleweight": "bold",
        "axes.titlelocation": "left",
        "axes.titley": 1.0,  # found anew in each drawing otherwise, which takes a tenth of its time
        "axes.grid": True,
        "axes.axisbelow": True,
        "grid.color": theme.faint,
        "grid.linewidth": 0.9,
        "xtick.major.pad": 6.0,
        "lines.linewidth": 2.4,
        "legend.frameon": False,
        "svg.fonttype": "none",
        "svg.hashsalt": "promtrack",
        "image.origin": "lower",
        **dict.fromkeys(("axes.labelsize", "axes.titlesize"), LABEL_PT),
        **dict.fromkeys(("axes.spines.top", "axes.spines.right"), False),
        **dict.fromkeys(("axes.facecolor", "figure.facecolor"), theme.paper),
        **dict.fromkeys(("axes.edgecolor", "xtick.color", "ytick.color"), theme.quiet),
        **dict.fromkeys(("text.color", "axes.labelcolor", "xtick.labelcolor", "ytick.labelcolor"), theme.ink),
        **dict.fromkeys(("axes.linewidth", "xtick.major.width", "ytick.major.width"), 1.2),
    }
    with matplotlib.style.context(["default", style]):
        yield


def sheet(title: str, subtitle: str) -> Figure:
    """An empty 16:9 sheet with a title that says what is found, and a line below it."""
    figure = Figure(figsize=(WIDTH_INCH, HEIGHT_INCH))
    canvas = FigureCanvasAgg(figure)
    head = figure.text(0.03, 0.955, title, fontsize=TITLE_PT, fontweight="bold", va="center")
    width = head.get_window_extent(canvas.get_renderer()).width / figure.bbox.width
    # at the resolution of the file letters are up to 3 % wider
    head.set_fontsize(max(TITLE_PT * min(0.91 / width, 1.0), TEXT_PT))
    below = figure.text(0.03, 0.896, subtitle, va="center", color=matplotlib.rcParams["xtick.color"])
    width = below.get_window_extent(canvas.get_renderer()).width / figure.bbox.width
    if width > 0.94:  # two lines
        below.set_text(textwrap.fill(subtitle, int(0.88 * len(subtitle) / width)))
        below.set_linespacing(1.05)
        head.set_y(0.968)
    return figure


def narrow_sheet(title: str, subtitle: str, rows: int) -> tuple[Figure, Axes]:
    """A sheet as wide as a phone held upright, with room for so many rows of a key below its axes."""
    head, below = textwrap.wrap(unbroken(title), 30), textwrap.wrap(unbroken(subtitle), 44)
    above = 0.15 + 0.36 * len(head) + 0.28 * len(below) + 0.45  # inches
    tall = above + 2.9 + 0.95 + 0.36 * rows
    figure = Figure(figsize=(NARROW_INCH, tall))
    FigureCanvasAgg(figure)
    style: dict[str, Any] = {"va": "top", "linespacing": 1.1}
    figure.text(0.03, 1.0 - 0.15 / tall, "\n".join(head), fontsize=20, fontweight="bold", **style)
    quiet, top = matplotlib.rcParams["xtick.color"], 0.18 + 0.36 * len(head)
    figure.text(0.03, 1.0 - top / tall, "\n".join(below), color=quiet, **style)
    return figure, figure.add_axes((0.11, 1.0 - (above + 2.9) / tall, 0.82, 2.9 / tall))


def foot(figure: Figure, measured: Measured, *, speeds: bool) -> None:
    """The note on speeds on the left where speeds are shown, where and when on the right."""
    quiet, times = matplotlib.rcParams["xtick.color"], measured.sequence.times_utc
    if speeds:
        figure.text(0.03, 0.028, PLANE_OF_SKY, va="center", color=quiet)
    figure.text(0.97, 0.028, span_text(times[0], times[-1]), va="center", ha="right", color=quiet)


def name_y(axes: Axes, words: str) -> None:
    """The name of the y axis, upright above its tick labels: read without turning the head."""
    axes.set_title(words, loc="left", fontsize=LABEL_PT, fontweight="normal")


def note_above(axes: Axes, words: str, colour: str) -> None:
    """A short note above the axes on the right, over no data."""
    axes.set_title(words, loc="right", fontsize=TEXT_PT, fontweight="normal", color=colour)


def days(measured: Measured, time_s: Moments) -> Moments:
    """Seconds since the first strip, as the day numbers of a date axis."""
    return date2num(measured.strip.times_utc[0]) + time_s / 86400.0


def width_inch(axes: Axes) -> float:
    """Width of axes on their sheet."""
    return float(axes.bbox.width / axes.figure.dpi)


def date_axis(axes: Axes, measured: Measured, *, label: bool = True) -> None:
    """Make the x axis a time axis that says UTC and the date, with as many ticks as there is room for."""
    (low, high), width = axes.get_xlim(), width_inch(axes)
    middle, half = 0.5 * (low + high), max(0.5 * (high - low), 5.0 / 86400.0)  # 10 s at least
    axes.set_xlim(middle - half, middle + half)
    span_s = 2.0 * half * 86400.0
    steps = [
        (step, form) for form, inches, steps in TICKS for step in steps if span_s * inches <= step * width
    ]
    step_s, form = steps[0] if steps else (TICKS[-1][2][-1], TICKS[-1][0])
    day_s = 86400.0 * (np.array([middle - half, middle + half]) - np.floor(low))
    ticks = np.floor(low) + np.arange(np.ceil(day_s[0] / step_s), day_s[1] / step_s) * step_s / 86400.0
    axes.xaxis.set_major_locator(FixedLocator(ticks))
    axes.xaxis.set_major_formatter(DateFormatter(form, tz=UTC))
    axes.tick_params(labelbottom=label)
    if label:
        axes.set_xlabel(f"UTC, {day(measured.strip.times_utc[0])}")


def brightness_range(values: np.ndarray, low: float, high: float) -> tuple[float, float]:
    """Percentiles of the values that are known, never equal; 0 and 1 where none is."""
    known = values[np.isfinite(values)]
    if not known.size:
        return 0.0, 1.0
    bottom, top = np.percentile(known, (low, high))
    return float(bottom), max(float(top), float(bottom) + 1e-6)


def plasma(values: np.ndarray, top: float, *, most: tuple[int, int] = (700, 1400)) -> np.ndarray:
    """Brightness above the backdrop as uint8 RGBA: even steps near zero, compressed above; nan has its own
    colour. `top`: the value shown brightest; `most`: rows and columns beyond which the picture is averaged
    down, since a figure shows no more."""
    rows, columns = values.shape
    if rows > most[0] or columns > most[1]:
        size = (min(columns, most[1]), min(rows, most[0]))  # OpenCV wants (width, height)
        values = cv2.resize(np.ascontiguousarray(values, np.float32), size, interpolation=cv2.INTER_AREA)
    soft = 0.12 * top
    return PLASMA(np.arcsinh(np.clip(values, 0.0, top) / soft) / np.arcsinh(top / soft), bytes=True)


def outlined(colour: str = "#0b0908", width: float = 4.0) -> list[withStroke]:
    """A dark rim around lines and letters that stand on a picture."""
    return [withStroke(linewidth=width, foreground=colour)]
