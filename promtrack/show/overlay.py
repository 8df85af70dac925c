"""The whole annotation of a clip: built and laid out once, then drawn onto every picture.

Order of the layout: the blocks that must not be missing first, then the way of the front's label, inset and
compass, height labels and the knots' labels, each into what is still free. Times are seconds since the first
frame shown.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.show.canvas import Canvas, Ink, Stamp, join_inks, lay, without
from promtrack.show.clock import Clock, draw_clock, gap_words, make_clock
from promtrack.show.front_marks import (
    FrontMarker,
    draw_front,
    front_edge,
    front_label,
    front_marker,
    take_front,
)
from promtrack.show.furniture import (
    arc_lines,
    compass_ink,
    height_arcs,
    height_labels,
    note_ink,
    scale_inks,
    title_ink,
)
from promtrack.show.inset import make_inset
from promtrack.show.layout import Ground, Rect, crosses, make_ground, mind_line, overlaps, take_line
from promtrack.show.marks import Mark, Page, draw_mark
from promtrack.show.pacing import Shot, cadence
from promtrack.show.records import Measured
from promtrack.show.tracks import Pace, Trail, draw_head, drawn_paths, knot_trails, label_shows, trail_paths
from promtrack.show.verdict import limb_name
from promtrack.show.view import ClipView

__all__ = ["Annotation", "annotate", "draw_annotation", "label_boxes", "make_page"]


@dataclass(frozen=True, slots=True, eq=False)
class Annotation:
    """Everything drawn over the clip."""

    arcs: Stamp | None  # of equal height; they give way to words that come and go
    standing: Stamp
    clock: Clock
    marks: tuple[Mark, ...]  # the inset
    trails: tuple[Trail, ...]
    fronts: tuple[FrontMarker, ...]
    ground: Ground  # the layout, for checks
    blocks: tuple[Rect, ...]  # where words stand all the time


def make_page(view: ClipView, step: int) -> Page:
    """Type grows with the picture's shorter side; in a wide one with its width, as on a phone it is shown
    small."""
    unit = max(round(max(0.026 * min(view.width, view.height), 0.021 * view.width)), 11)
    return Page(view.width, view.height, round(1.12 * unit) if view.height > 1.3 * view.width else unit, step)


def annotate(
    measured: Measured, view: ClipView, page: Page, busy_tone: np.ndarray, time_s: np.ndarray
) -> Annotation:
    """Build the annotation that the settings ask for; `time_s` are the times of the frames shown."""
    motion, wanted = measured.motion, frozenset(measured.settings.clip.overlays)
    ground = make_ground(view.width, view.height, page.margin, busy_tone)
    pace = Pace(
        float((measured.strip.times_utc[0] - _start(measured)) / np.timedelta64(1, "s")),
        cadence(time_s),
        float(time_s[-1]),
    )
    paths = trail_paths(motion, view, measured.orientation, page, pace) if "knots" in wanted else []
    for path in drawn_paths(paths):  # what must not be missing keeps clear of trails where it can ...
        ground = mind_line(ground, path.points_px, page.unit)
    inks, clock, ground = _corner_blocks(measured, view, page, ground, time_s)
    for path in drawn_paths(paths):  # ... and all else in any case
        ground = take_line(ground, path.points_px, page.unit)
    moving = (
        sorted((f for f in motion.fronts if f.moving), key=lambda f: -float(f.height_mm.max()))
        if "front" in wanted
        else []
    )
    for front in moving:
        ground = take_front(front, view, measured.orientation, page, ground)
    fronts: list[FrontMarker] = []
    for front in moving:
        marker, ground = front_marker(front, view, page, ground, measured, pace.late_s)
        fronts.append(marker)
    inset: list[Mark] = []
    if "inset" in wanted:
        inset, ground = make_inset(motion, float(time_s[-1]), pace.late_s, page, ground)
    if "compass" in wanted:
        ink, ground = compass_ink(view, measured.orientation, page, ground)
        inks += ink
    labels: list[tuple[float, Rect]] = []
    blocks = ground.placed
    if "heights" in wanted:
        ink, ground, labels = height_labels(view, page, ground, _top(measured))
        inks += ink
    standing = ground.placed
    trails, ground = knot_trails(paths, page, ground, arc_lines(view, labels), pace)
    arcs = page.stamp(height_arcs(view, page, labels, list(blocks))) if labels else None
    stamp = page.stamp(join_inks(inks, view.width, view.height))
    return Annotation(arcs, stamp, clock, tuple(inset), tuple(trails), tuple(fronts), ground, standing)


def _corner_blocks(
    measured: Measured, view: ClipView, page: Page, ground: Ground, time_s: np.ndarray
) -> tuple[list[Ink], Clock, Ground]:
    """What must not be missing: title, clock, scale bar with the Earth, footnote."""
    clip, wanted = measured.settings.clip, frozenset(measured.settings.clip.overlays)
    start = _start(measured)
    inks: list[Ink] = []
    if "title" in wanted:
        ink, ground = title_ink(clip.title, clip.credit, page, ground)
        inks += ink
    if "note" in wanted and page.narrow:  # below everything else; else between clock and scale bar
        ink, ground = note_ink(_note(wanted, measured), page, ground)
        inks += ink
    clock, ground = make_clock(
        start,
        time_s,
        page,
        ground,
        clock="clock" in wanted,
        gaps="gaps" in wanted,
        notices="gaps" in wanted or clip.blend > 0,
    )
    if {"scale", "earth"} & wanted:
        ink, ground = scale_inks(view, page, ground, bar="scale" in wanted, earth="earth" in wanted)
        inks += ink
    if "note" in wanted and not page.narrow:
        ink, ground = note_ink(_note(wanted, measured), page, ground)
        inks += ink
    return inks, clock, ground


def _start(measured: Measured) -> np.datetime64:
    return measured.sequence.times_utc[np.flatnonzero(measured.lock.used)[0]]


def draw_annotation(annotation: Annotation, canvas: Canvas, shot: Shot) -> None:
    """Draw everything as it stands at the shot's time, in place."""
    now_s = shot.time_s
    shown = label_boxes(annotation, now_s)
    if annotation.arcs is not None:
        lay(_giving_way(annotation, annotation.arcs, shown), canvas)
    lay(annotation.standing, canvas)
    for mark in annotation.marks:
        draw_mark(mark, canvas, now_s)
    for trail in annotation.trails:
        for mark in trail.marks:
            draw_mark(mark, canvas, now_s)
        draw_head(trail, canvas, now_s)
    for marker in annotation.fronts:
        label = front_label(marker, now_s)
        draw_front(marker, canvas, now_s, labelled=label is not None and label[1] in shown)
    notice = gap_words(shot.gap_s) if shot.gap_s > 0.0 else "blended" if shot.other >= 0 else ""
    draw_clock(annotation.clock, canvas, now_s, notice)


def _giving_way(annotation: Annotation, arcs: Stamp, shown: list[Rect]) -> Stamp:
    """The arcs broken at the words that are shown now and do not stand there all the time."""
    page = annotation.clock.page
    for box in shown[len(annotation.blocks) :]:
        gap = box.grown(round(0.3 * page.unit))
        arcs = without(arcs, (gap.left, gap.top, gap.right, gap.bottom), page.width, page.step)
    return arcs


def label_boxes(annotation: Annotation, now_s: float) -> list[Rect]:
    """Where words stand at that time: blocks, height labels, speeds, and fronts' labels as far as they have
    room.

    A front's label wanders; it is left out while it would lie on other words or on another front.
    """
    boxes = list(annotation.blocks)
    boxes += [
        trail.label for trail in annotation.trails if trail.label is not None and label_shows(trail, now_s)
    ]
    edges = [edge for edge in (front_edge(marker, now_s) for marker in annotation.fronts) if edge is not None]
    for marker in annotation.fronts:
        label = front_label(marker, now_s)
        if (
            label is None
            or any(overlaps(label[1], box) for box in boxes)
            or any(crosses(label[1], edge[0], edge[-1]) for edge in edges)
        ):
            continue
        boxes.append(label[1])
    return boxes


def _note(wanted: frozenset[str], measured: Measured) -> list[str]:
    moving, sure_km_s = (
        [knot for knot in measured.motion.knots if knot.moving],
        measured.motion.control.sure_km_s,
    )
    speeds = bool(moving) or any(f.moving for f in measured.motion.fronts)
    parts = ["Plane-of-sky speeds: lower bounds"] if speeds else []
    if {"heights", "front", "inset"} & wanted or not speeds:
        parts.append(f"Heights above {limb_name(measured)}")
    if "knots" in wanted and any(knot.fit.speed_km_s > sure_km_s for knot in moving):
        parts.append("? cadence too slow to be sure")
    return parts


def _top(measured: Measured) -> float:
    """Height [Mm] of the action, for the choice of arcs."""
    heights = [k.height_mm.max() for k in measured.motion.knots if k.moving]
    heights += [f.height_mm.max() for f in measured.motion.fronts if f.moving]
    geometry = measured.strip.geometry
    return float(max(heights, default=min(60.0, geometry.height_mm(geometry.rows - 1))))
