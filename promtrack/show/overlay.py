"""The whole annotation of a clip: laid out once, then drawn onto every picture.

Order of the layout: clock and scale bar, each in the calmest of its corners; the headline's number, near its
body; the compass; the other numbers; then the ticks of height. Title and end card have their pictures
to themselves.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np

from promtrack.motion.records import Prominence
from promtrack.sequence.records import spread_over
from promtrack.show import scale_bar
from promtrack.show.bodies import (
    Body,
    bodies_of,
    draw_body,
    mind_edge,
    mind_way,
    place_number,
    schedule_numbers,
)
from promtrack.show.canvas import Canvas, Page, text_width
from promtrack.show.cards import draw_end, draw_title, end_scale
from promtrack.show.disc_view import Inset, draw_insets, inset_name, title_room
from promtrack.show.layout import FREE, Ground, Rect, busy_share, make_ground, place_block, take
from promtrack.show.records import Measured
from promtrack.show.scale_bar import HeightTick
from promtrack.show.timing import ClipTime, Plan, Shot
from promtrack.show.view import ClipView


@dataclass(frozen=True, slots=True, eq=False)
class Annotation:
    """Everything drawn over the clip."""

    measured: Measured
    plan: Plan
    views: tuple[ClipView, ...]  # one a frame shown
    page: Page
    wanted: frozenset[str]  # clip.overlays
    blocks: dict[str, Rect]  # places of clock, scale and compass
    heights: tuple[str, tuple[float, ...]]  # side at which heights are marked, and which [Mm]
    bodies: tuple[Body, ...]
    time: ClipTime
    ground: Ground  # the layout, for checks
    title_ground: Ground  # the picture as it is when the title shows
    insets: tuple[Inset, ...] = ()  # of clip.view=disc
    not_shown: int = 0  # prominences that found no inset

    @property
    def first_utc(self) -> np.datetime64:
        """Time of the first frame shown."""
        return self.measured.sequence.times_utc[self.plan.frames[0]]

    def words(self, shot: Shot) -> list[Rect]:
        """Where words stand in a picture of the motion: blocks, numbers that are due, and height labels."""
        due = [b.label for b in self.bodies if b.label and b.due(self.time, shot.time_s)]
        boxes = [*self.blocks.values(), *due]
        if "heights" in self.wanted:
            boxes += [tick.label for tick in self.ticks(self.views[shot.place])]
        return boxes

    def marks(self, shot: Shot) -> list[Rect]:
        """Where the marks of bodies with letters stand in a picture of the motion, and along fronts."""
        reach, boxes = round(0.4 * self.page.unit), []
        for body in self.bodies:
            if body.letter and body.seen(shot.time_s):
                view = body.views[shot.place]
                marks = np.rint(body.ends(view, shot.time_s)).astype(int)
                boxes += [Rect(x, y, 0, 0).grown(reach) for x, y in marks.tolist()]
                if body.label and body.due(self.time, shot.time_s):  # its leader
                    start, end = body.leader(view, shot.time_s, body.label)
                    along = np.rint(start + np.linspace(0.0, 1.0, 16)[:, None] * (end - start))
                    boxes += [Rect(x, y, 0, 0).grown(4) for x, y in along.astype(int).tolist()]
        return boxes

    def shows(self, prominence: Prominence) -> bool:
        """Whether the middle of a prominence lies in the last picture."""
        view = self.views[-1]
        middle = self.measured.orientation.to_image(0.5 * (prominence.from_deg + prominence.to_deg))
        x, y = view.to_picture(float(middle), 0.5 * float(np.nanmax(prominence.height_mm)))
        return bool(0 < x < view.width and 0 < y < view.height)

    def ticks(self, view: ClipView) -> list[HeightTick]:
        """Ticks of height."""
        return scale_bar.height_ticks(view, self.page, *self.heights)


def annotate(
    measured: Measured,
    plan: Plan,
    views: tuple[ClipView, ...],
    page: Page,
    tones: np.ndarray,
    wanted: frozenset[str],
    insets: tuple[Inset, ...] = (),
    not_shown: int = 0,
    *,
    few: bool = False,
) -> Annotation:
    """Lay out the annotation. `views`: one a frame shown; `tones`: coarse maps of tone (0 to 1) above the
    quiet Sun, (moments, rows, columns), of pictures evenly spread over the clip, the first and the last among
    them: where not to write; `wanted`: what is drawn, as in `clip.overlays`; `insets`, `not_shown`: of
    clip.view=disc, where the scale is that of the insets; `few`: no number but the headline's."""
    room = page.width, page.height, page.inside
    ground, title_ground = make_ground(*room, tones), make_ground(*room, tones[:1])
    moments = spread_over(len(views), len(tones))
    if insets:
        wanted = wanted - {"heights"}
        title_ground = replace(title_ground, inside=title_room(views[0], page.inside))
        page = replace(page, inside=replace(page.inside, width=page.height - 2 * page.inside.left))
        ground = replace(ground, inside=page.inside)
    first_utc, time = measured.sequence.times_utc[plan.frames[0]], plan.time
    bodies = bodies_shown(measured, plan, views, insets, wanted)
    bodies = schedule_numbers(bodies[:1] if few else bodies, time) + (bodies[1:] if few else [])
    for body in bodies:
        ground = mind_way(body, plan.time_s, page, ground)
    blocks: dict[str, Rect] = {}

    def stand(name: str, size: tuple[int, int], spots: tuple[str, ...], ground: Ground) -> Ground:
        rect = place_block(ground, *size, spots)
        if rect is None:
            return ground
        blocks[name] = rect
        return take(ground, rect, page.unit // 2)

    if {"clock", "gaps"} & wanted:
        notices = {scale_bar.gap_words(shot.gap, first_utc) for shot in plan.shots if shot.gap}
        size = scale_bar.clock_size(page, notices if "gaps" in wanted else set(), gaps="gaps" in wanted)
        ground = stand("clock", size, ("bottom left", "bottom right", "top left", "top right"), ground)
    if {"scale", "earth"} & wanted and not insets:
        spots = ("bottom right", "bottom left", "top right", "top left")
        size = scale_bar.scale_size(views, page, bar="scale" in wanted, earth="earth" in wanted)
        rect, across = place_block(ground, *size, spots), scale_bar.earth_px(views)
        covers = rect is None or busy_share(ground, rect) > FREE
        if covers and across > text_width("Earth", page.unit):  # a close picture, most of which it would take
            wanted = wanted - {"earth"}
            size = scale_bar.scale_size(views, page, bar="scale" in wanted, earth=False)
        if {"scale", "earth"} & wanted:
            ground = stand("scale", size, spots, ground)
    for place in range(len(insets)):
        ground = take(ground, inset_name(insets, place, not_shown, page)[1], page.unit // 4)
    placed: list[Body] = []
    fronts = [body for body in bodies if body.sector_deg is not None]

    def numbered(bodies: list[Body], ground: Ground, clear: Ground, *, headline: bool) -> Ground:
        for body in bodies:
            own = replace(clear, busy=ground.busy)  # numbers that never stand together may have one place
            for other in placed:
                if other.label and any(
                    a < d and c < b for a, b, _ in body.stands for c, d, _ in other.stands
                ):
                    own = take(own, other.label, page.unit // 3)
            for front in fronts:
                if front.letter != body.letter:
                    own = mind_edge(front, plan.time_s, moments, page, own)
            inside = insets[body.inset].rect.grown(-page.unit // 4) if body.inset >= 0 else page.inside
            here, own = replace(page, inside=inside), replace(own, inside=inside)
            body, own = place_number(body, time, plan.time_s, moments, here, own, headline=headline)
            placed.append(body)
            ground = replace(ground, busy=own.busy)
            ground = take(ground, body.label, page.unit // 3) if body.label else ground
        return ground

    clear = ground
    ground = numbered(bodies[:1], ground, clear, headline=True)
    if "compass" in wanted:
        sides = "top right, top left, right, left, bottom right, bottom left, bottom"
        size = scale_bar.compass_size(views[0], measured.orientation, page)
        ground = stand("compass", size, tuple(("middle" if insets else sides).split(", ")), ground)
        clear = take(clear, blocks["compass"], page.unit // 2) if "compass" in blocks else clear
    ground = numbered(bodies[1:], ground, clear, headline=False)
    for inset in reversed(insets) if {"scale", "earth"} & wanted else ():
        size = scale_bar.scale_size((inset.view,) * 2, page, bar="scale" in wanted, earth="earth" in wanted)
        ground = replace(ground, inside=inset.rect.grown(-page.unit // 4))
        ground = stand("scale", size, ("bottom right", "top right"), ground)
        if "scale" in blocks:
            break
    ground = replace(ground, inside=page.inside)
    edges = [_heights(ground, views, page, side) for side in ("left", "right")] if "heights" in wanted else []
    heights = max(edges, key=lambda one: len(one[1]), default=("left", ()))
    laid_out = blocks, heights, tuple(placed), time, ground, title_ground, insets, not_shown
    return Annotation(measured, plan, views, page, wanted, *laid_out)


def bodies_shown(
    measured: Measured,
    plan: Plan,
    views: tuple[ClipView, ...],
    insets: tuple[Inset, ...],
    wanted: Collection[str],
) -> list[Body]:
    """The bodies of which the clip shows most, the headline's first, still without numbers."""
    first_utc = measured.sequence.times_utc[plan.frames[0]]
    bodies = bodies_of(measured, first_utc, fronts="front" in wanted, knots="knots" in wanted)
    angles = [float(np.median(np.asarray(measured.orientation.to_product(b.theta_deg)))) for b in bodies]
    homes = [next((k for k, inset in enumerate(insets) if inset.holds(angle)), -1) for angle in angles]
    own = [views if home < 0 else (insets[home].view,) * len(views) for home in homes]
    bodies = [replace(b, inset=home, views=seen) for b, home, seen in zip(bodies, homes, own, strict=True)]
    return [body for body in bodies if _inside(body, plan)]


def draw_annotation(annotation: Annotation, canvas: Canvas, shot: Shot) -> None:
    """Draw everything as it stands in one shot, in place."""
    if shot.act == "title":
        draw_title(annotation, canvas)
        return
    page, view, wanted = annotation.page, annotation.views[shot.place], annotation.wanted
    if shot.act == "end":
        draw_end(annotation, canvas)
    else:
        if "heights" in wanted:
            scale_bar.draw_heights(canvas, annotation.ticks(view), page)
        insets, orientation = annotation.insets, annotation.measured.orientation
        draw_insets(canvas, insets, annotation.views[0], orientation, annotation.not_shown, page)
        spared = annotation.words(shot) + annotation.marks(shot)
        for body in annotation.bodies:  # the first letters find room first
            here = replace(page, inside=insets[body.inset].rect if body.inset >= 0 else page.inside)
            home, now_s = body.views[shot.place], shot.time_s
            letter = draw_body(canvas, body, here, home, now_s, annotation.time, spared)
            spared += [] if letter is None else [letter]
        if "clock" in annotation.blocks:
            rect, first_utc = annotation.blocks["clock"], annotation.first_utc
            now = first_utc + np.timedelta64(round(shot.time_s * 1e6), "us") if "clock" in wanted else None
            line = annotation.plan.time_s if "gaps" in wanted else np.zeros(0), shot.time_s
            notice = scale_bar.gap_words(shot.gap, first_utc) if "gaps" in wanted and shot.gap else ""
            scale_bar.draw_clock(canvas, rect, page, now, notice, line)
        if "compass" in annotation.blocks:
            scale_bar.draw_compass(
                canvas, annotation.blocks["compass"], page, view, annotation.measured.orientation
            )
    place = end_scale(annotation) if shot.act == "end" else annotation.blocks.get("scale")
    if place is not None:
        view = annotation.insets[-1].view if annotation.insets else view
        scale_bar.draw_scale(canvas, place, page, view, bar="scale" in wanted, earth="earth" in wanted)


def _inside(body: Body, plan: Plan) -> bool:
    """Whether the picture shows most of a body's way in the time that the clip shows."""
    spots, size = body.way(plan.time_s, body.time_s), np.array([body.views[0].width, body.views[0].height])
    during = (body.time_s >= plan.time_s[0]) & (body.time_s <= plan.time_s[-1])
    inside = np.all((spots > 0) & (spots < size - 1), axis=1)
    return bool(during.any() and inside[during].mean() > 0.6)


def _heights(
    ground: Ground, views: tuple[ClipView, ...], page: Page, side: str
) -> tuple[str, tuple[float, ...]]:
    """One side of the picture, and heights whose ticks stand there from the first to the last picture, on no
    plasma, way or words; none where all that they would say is what the scale bar says."""
    looked = [views[k] for k in spread_over(len(views), len(ground.plasma))]
    apart_px = max(2.2 * page.unit, 0.17 * page.height)
    step = scale_bar.nice_step(apart_px * 1e-3 * max(view.km_per_px for view in looked))
    wanted = [step * n for n in range(1, 12)]
    ways = np.where(ground.plasma.max(axis=0) > 0.0, 0.0, ground.busy)
    for view, plasma in zip(looked, ground.plasma, strict=True):
        now = replace(ground, busy=np.maximum(plasma, ways))
        wanted = [
            tick.height_mm
            for tick in scale_bar.height_ticks(view, page, side, wanted)
            if busy_share(now, tick.label) <= FREE
            if not any(tick.label.grown(page.unit // 3).overlaps(one) for one in ground.placed)
        ]
    alone = len(wanted) == 1 and wanted[0] in {scale_bar.bar_of(view)[0] for view in looked}
    return side, () if alone else tuple(wanted[:3])
