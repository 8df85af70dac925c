"""The whole annotation of a clip: built and laid out once, then drawn onto every picture.

Order of the layout: the blocks that belong to corners first, then height labels, the front's label and the
knots' labels, each into what is still free. Times are seconds since the first frame shown.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.show.canvas import Canvas, Ink, Stamp, join_inks, lay
from promtrack.show.clock import Clock, draw_clock, gap_words, make_clock
from promtrack.show.furniture import compass_ink, height_arcs, height_labels, note_ink, scale_inks, title_ink
from promtrack.show.inset import make_inset
from promtrack.show.layout import Ground, Rect, make_ground
from promtrack.show.marks import Mark, Page, draw_mark
from promtrack.show.pacing import Shot, cadence
from promtrack.show.records import Measured
from promtrack.show.tracks import FrontMarker, Trail, draw_front, draw_head, front_marker, knot_trails
from promtrack.show.view import ClipView

__all__ = ["Annotation", "annotate", "draw_annotation", "make_page"]

LINGER = 14               # frames for which a trail stays after its knot is gone


@dataclass(frozen=True, slots=True, eq=False)
class Annotation:
    """Everything drawn over the clip."""

    standing: Stamp
    clock: Clock
    marks: tuple[Mark, ...]              # the inset
    trails: tuple[Trail, ...]
    fronts: tuple[FrontMarker, ...]
    ground: Ground                       # the layout, for checks


def make_page(view: ClipView, step: int) -> Page:
    """Type grows with the picture's shorter side; in a wide one with its width, as on a phone it is shown small."""
    unit = max(round(max(0.026 * min(view.width, view.height), 0.0178 * view.width)), 11)
    return Page(view.width, view.height, round(1.12 * unit) if view.height > 1.3 * view.width else unit, step)


def annotate(measured: Measured, view: ClipView, page: Page, busy_tone: np.ndarray, time_s: np.ndarray) -> Annotation:
    """Build the annotation that the settings ask for; `time_s` are the times of the frames shown."""
    clip, motion = measured.settings.clip, measured.motion
    wanted = frozenset(clip.overlays)
    ground = make_ground(view.width, view.height, page.margin, busy_tone)
    start = measured.sequence.times_utc[np.flatnonzero(measured.lock.used)[0]]
    late_s = float((measured.strip.times_utc[0] - start) / np.timedelta64(1, "s"))
    inks: list[Ink] = []
    if "title" in wanted:
        ink, ground = title_ink(clip.title, clip.credit, page, ground)
        inks += ink
    if "note" in wanted and page.narrow:                      # below everything else; else between clock and scale bar
        ink, ground = note_ink(_note(wanted, measured), page, ground)
        inks += ink
    clock, ground = make_clock(start, time_s, page, ground, clock="clock" in wanted, gaps="gaps" in wanted,
                               notices="gaps" in wanted or clip.blend > 0)
    if {"scale", "earth"} & wanted:
        ink, ground = scale_inks(view, page, ground, bar="scale" in wanted, earth="earth" in wanted)
        inks += ink
    if "note" in wanted and not page.narrow:
        ink, ground = note_ink(_note(wanted, measured), page, ground)
        inks += ink
    inset: list[Mark] = []
    if "inset" in wanted:
        inset, ground = make_inset(motion, float(time_s[-1]), late_s, page, ground)
    if "compass" in wanted:
        ink, ground = compass_ink(view, measured.orientation, page, ground)
        inks += ink
    blocks, fronts = ground, []
    if "front" in wanted:
        for front in motion.fronts:
            if front.moving:
                marker, ground = front_marker(front, view, measured.orientation, page, ground, late_s)
                fronts.append(marker)
    labels: list[tuple[float, Rect]] = []
    if "heights" in wanted:
        ink, ground, labels = height_labels(view, page, ground, _top(measured))
        inks += ink
    trails: list[Trail] = []
    if "knots" in wanted:
        trails, ground = knot_trails(motion.knots, view, measured.orientation, page, ground, late_s=late_s,
                                     linger_s=LINGER * cadence(time_s))
    if labels:
        inks.insert(0, height_arcs(view, page, labels, blocks, [trail.label for trail in trails if trail.label is not None]))
    standing = page.stamp(join_inks(inks, view.width, view.height))
    return Annotation(standing, clock, tuple(inset), tuple(trails), tuple(fronts), ground)


def draw_annotation(annotation: Annotation, canvas: Canvas, shot: Shot) -> None:
    """Draw everything as it stands at the shot's time, in place."""
    now_s = shot.time_s
    lay(annotation.standing, canvas)
    for mark in annotation.marks:
        draw_mark(mark, canvas, now_s)
    for trail in annotation.trails:
        for mark in trail.marks:
            draw_mark(mark, canvas, now_s)
        draw_head(trail, canvas, now_s)
    for marker in annotation.fronts:
        draw_front(marker, canvas, now_s)
    notice = gap_words(shot.gap_s) if shot.gap_s > 0.0 else "blended" if shot.other >= 0 else ""
    draw_clock(annotation.clock, canvas, now_s, notice)


def _note(wanted: frozenset[str], measured: Measured) -> str:
    parts = []
    if {"heights", "front", "inset"} & wanted:
        parts.append("Heights above the H-alpha limb.")
    if any(k.moving for k in measured.motion.knots) or any(f.moving for f in measured.motion.fronts):
        parts.append("Plane-of-sky speeds: lower bounds of the true speeds.")
    return " ".join(parts) or "Heights above the H-alpha limb."


def _top(measured: Measured) -> float:
    """Height [Mm] of the action, for the choice of arcs."""
    heights = [k.height_mm.max() for k in measured.motion.knots if k.moving]
    heights += [f.height_mm.max() for f in measured.motion.fronts if f.moving]
    geometry = measured.strip.geometry
    return float(max(heights, default=min(60.0, geometry.height_mm(geometry.rows - 1))))
