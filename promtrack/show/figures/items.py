"""The named tracks on a sheet: letter, colour and shape of each, and the key that names them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from promtrack.motion.records import Front, KnotTrack
from promtrack.show.figures.style import days
from promtrack.show.findings import going, named_tracks, speed_of
from promtrack.show.numbers import counted
from promtrack.show.palette import KNOT_MARKERS, MarkColours
from promtrack.show.records import Measured

__all__ = ["Item", "items_of", "key", "key_below", "others_of", "others_words", "time_span"]

FRONT_MARKER = "D"  # shape says again what colour says
WAYS = {"rising": "↑", "falling": "↓", "along the limb": "↔", "moving": ""}


@dataclass(frozen=True, slots=True, eq=False)
class Item:
    """One knot or front as it appears on a sheet."""

    letter: str
    track: KnotTrack | Front
    colour: str
    marker: str


def items_of(measured: Measured, marks: MarkColours) -> list[Item]:
    """The named tracks in their colours and shapes."""
    return [
        Item(named.letter, named.track, marks.front, FRONT_MARKER)
        if named.place < 0
        else Item(named.letter, named.track, marks.knot(named.place), knot_marker(named.place))
        for named in named_tracks(measured)
    ]


def knot_marker(place: int) -> str:
    """Marker of the knot at this place among the lettered ones, from 0; the last one serves all beyond."""
    return KNOT_MARKERS[min(place, len(KNOT_MARKERS) - 1)]


def others_of(measured: Measured, items: list[Item]) -> list[KnotTrack | Front]:
    """The tracks without a letter."""
    named = {id(item.track) for item in items}
    tracks: tuple[KnotTrack | Front, ...] = (*measured.motion.knots, *measured.motion.fronts)
    return [track for track in tracks if id(track) not in named]


def others_words(others: list[KnotTrack | Front]) -> str:
    """How many tracks are drawn in grey; empty where there are none."""
    return f"grey: {counted(len(others), 'more track', 'more tracks')}" if others else ""


def key(figure: Figure, measured: Measured, items: list[Item], ends: list[float]) -> None:
    """Key in the right margin, in the order of the curves' ends from top to bottom."""
    left, top, gap = 0.745, 0.79, 0.103
    for row, index in enumerate(np.argsort(ends, kind="stable")[::-1]):
        item, place = items[index], top - gap * row
        line = Line2D([left - 0.018, left + 0.014], [place] * 2, color=item.colour)
        mark = Line2D([left], [place], marker=item.marker, color=item.colour, markersize=11, linestyle="none")
        figure.add_artist(line)
        figure.add_artist(mark)
        figure.text(left + 0.026, place + 0.021, _name(item), va="center", fontweight="bold")
        figure.text(left + 0.026, place - 0.021, _speed(measured, item), va="center")


def key_below(figure: Figure, measured: Measured, items: list[Item], foot: float) -> None:
    """Key in rows of one line each, from `foot` upward in parts of the sheet."""
    for row, item in enumerate(reversed(items)):
        place = foot + 0.055 * row
        style: dict[str, Any] = {"marker": item.marker, "color": item.colour, "markersize": 11}
        figure.add_artist(Line2D([0.06], [place], linestyle="none", **style))
        figure.text(0.11, place, _name(item), va="center", fontweight="bold")
        figure.text(0.97, place, _speed(measured, item), va="center", ha="right")


def time_span(measured: Measured) -> tuple[float, float]:
    """Limits of a time axis over the whole run, as day numbers."""
    last = float(measured.strip.time_s[-1])
    margin = 0.015 * max(last, 1.0)
    return float(days(measured, -margin)), float(days(measured, last + margin))


def _name(item: Item) -> str:
    kind = "leading edge" if isinstance(item.track, Front) else "knot"
    return f"{item.letter}  {kind}"


def _speed(measured: Measured, item: Item) -> str:
    words = speed_of(measured, item.track).text.replace("(error unknown)", "± unknown")
    if isinstance(item.track, Front):
        return words
    return f"{WAYS[going(item.track)]} {words}".strip()
