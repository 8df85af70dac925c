"""The whole annotation of a clip: laid out once, then drawn onto every picture.

Order of the layout: clock, scale bar and compass, each in the calmest of its corners; the column of height
ticks; then the numbers, each near its body. Title and end card have their pictures to themselves.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from promtrack.show.bodies import (
    NUMBER_S,
    Body,
    ClipTime,
    bodies_of,
    draw_body,
    place_numbers,
    schedule_numbers,
)
from promtrack.show.canvas import Canvas, dim
from promtrack.show.everyday import everyday, recorded
from promtrack.show.findings import headline
from promtrack.show.layout import Ground, Rect, busy_share, make_ground, place_block, take
from promtrack.show.numbers import span_text
from promtrack.show.primitives import Page, draw_text
from promtrack.show.records import Measured
from promtrack.show.scale_bar import (
    HeightTick,
    clock_size,
    compass_size,
    draw_clock,
    draw_compass,
    draw_heights,
    draw_scale,
    height_ticks,
    notice_words,
    scale_size,
    wrapped,
)
from promtrack.show.text import Block, block
from promtrack.show.timing import Plan, Shot
from promtrack.show.verdict import limb_name
from promtrack.show.view import ClipView

__all__ = ["Annotation", "annotate", "draw_annotation"]

END_DIMMED = 0.30  # light of the last picture left under the end card
TITLE_TYPE, END_TYPE = 1.3, 1.15  # of the usual type size


@dataclass(frozen=True, slots=True, eq=False)
class Annotation:
    """Everything drawn over the clip."""

    measured: Measured
    plan: Plan
    views: tuple[ClipView, ...]  # one a frame shown
    page: Page
    wanted: frozenset[str]  # clip.overlays
    blocks: dict[str, Rect]  # places of clock, scale and compass
    side: str  # 'left' or 'right': where heights are marked
    bodies: tuple[Body, ...]
    time: ClipTime
    ground: Ground  # the layout, for checks
    title_ground: Ground  # the picture as it is when the title shows

    @property
    def first_utc(self) -> np.datetime64:
        """Time of the first frame shown."""
        return self.measured.sequence.times_utc[self.plan.frames[0]]

    def words(self, shot: Shot) -> list[Rect]:
        """Where words stand in a picture of the motion: blocks, numbers that are due, and height labels."""
        clip_s = self.time.at(shot.time_s)
        due = [
            b.label
            for b in self.bodies
            if b.label and b.number_s and b.number_s[0] <= clip_s <= b.number_s[1]
        ]
        boxes = [*self.blocks.values(), *due]
        if "heights" in self.wanted:
            boxes += [tick.label for tick in self.ticks(self.views[shot.place])]
        return boxes

    def ticks(self, view: ClipView) -> list[HeightTick]:
        """Ticks of height, clear of blocks and of all numbers."""
        spared = [*self.blocks.values(), *(b.label for b in self.bodies if b.label)]
        return height_ticks(view, self.page, self.side, spared)


def annotate(
    measured: Measured,
    plan: Plan,
    views: tuple[ClipView, ...],
    page: Page,
    busy_tone: tuple[np.ndarray, np.ndarray],
    wanted: frozenset[str],
) -> Annotation:
    """Lay out the annotation.

    Parameters
    ----------
    views : one a frame shown
    busy_tone : coarse maps of tone (0 to 1) above the quiet Sun, of the whole clip and of its first frame:
        where not to write
    wanted : what is drawn, as in `clip.overlays`
    """
    view = views[-1]
    ground, title_ground = (make_ground(page.width, page.height, page.inside, busy) for busy in busy_tone)
    sizes = {}
    notice = "gaps" in wanted or measured.settings.clip.blend > 0
    if {"clock", "gaps"} & wanted or notice:
        spots = ("bottom left", "bottom right", "top left", "top right")
        sizes["clock"] = clock_size(page, line="gaps" in wanted, notice=notice), spots
    if {"scale", "earth"} & wanted:
        size = scale_size(views, page, bar="scale" in wanted, earth="earth" in wanted)
        sizes["scale"] = size, ("bottom right", "bottom left", "top right", "top left")
    if "compass" in wanted:
        spots = ("top right", "top left", "bottom right", "bottom left")
        sizes["compass"] = compass_size(view, measured.orientation, page), spots
    blocks = {}
    for name, (size, spots) in sizes.items():
        rect = place_block(ground, *size, spots)
        if rect is not None:
            blocks[name] = rect
            ground = take(ground, rect, page.unit // 2)
    side = _calmer_side(ground, (views[0], views[-1]), page, list(blocks.values()))
    if "heights" in wanted:
        ticks = [height_ticks(v, page, side, list(blocks.values())) for v in (views[0], views[-1])]
        placed = ground.placed
        for tick in [*ticks[0], *ticks[1]]:
            ground = take(ground, tick.label, page.unit // 3)
        ground = replace(ground, placed=placed)
    bodies = bodies_of(
        measured,
        measured.sequence.times_utc[plan.frames[0]],
        fronts="front" in wanted,
        knots="knots" in wanted,
    )
    bodies = [b for b in bodies if _inside(b, views, plan)]
    recorded_s, clip_s = plan.clip_s()
    start_s = clip_s[0]
    motion = sum(shot.repeats for shot in plan.shots if shot.act == "motion") / plan.rate
    time = ClipTime(recorded_s, clip_s, start_s + motion, NUMBER_S + 2.0 / plan.rate)
    bodies, ground = place_numbers(schedule_numbers(bodies, time), time, views, plan.time_s, page, ground)
    return Annotation(
        measured, plan, views, page, wanted, blocks, side, tuple(bodies), time, ground, title_ground
    )


def draw_annotation(annotation: Annotation, canvas: Canvas, shot: Shot) -> None:
    """Draw everything as it stands in one shot, in place."""
    if shot.act == "title":
        _draw_title(annotation, canvas)
        return
    page, view, wanted = annotation.page, annotation.views[shot.place], annotation.wanted
    if shot.act == "end":
        dim(canvas, END_DIMMED)
        _draw_end(annotation, canvas)
    else:
        if "heights" in wanted:
            draw_heights(canvas, annotation.ticks(view), page)
        for body in reversed(annotation.bodies):  # the first letters lie on top
            draw_body(canvas, body, page, view, shot.time_s, annotation.time)
        if "clock" in annotation.blocks:
            now = annotation.first_utc + np.timedelta64(round(shot.time_s * 1e6), "us")
            times = annotation.plan.time_s if "gaps" in wanted else np.zeros(0)
            notice = notice_words(shot.other, shot.gap_s if "gaps" in wanted else 0.0)
            draw_clock(
                canvas,
                annotation.blocks["clock"],
                page,
                now if "clock" in wanted else None,
                notice,
                (times, shot.time_s),
            )
        if "compass" in annotation.blocks:
            draw_compass(canvas, annotation.blocks["compass"], page, view, annotation.measured.orientation)
    if "scale" in annotation.blocks:
        rect = annotation.blocks["scale"]
        if shot.act == "end":  # the card has the rest of the picture to itself
            left, top = page.inside.right - rect.width, page.inside.bottom - rect.height
            rect = Rect(left, top, rect.width, rect.height)
        draw_scale(canvas, rect, page, view, bar="scale" in wanted, earth="earth" in wanted)


def title_lines(annotation: Annotation) -> list[str]:
    """What, where, when, and how many times faster than life."""
    measured, plan = annotation.measured, annotation.plan
    what, where = recorded(measured)
    times = measured.sequence.times_utc[plan.frames]
    lines = [measured.settings.clip.title or what, where, span_text(times[0], times[-1])]
    faster = plan.speed_up
    if faster >= 1.5:
        digits = max(2 - len(str(int(faster))), -len(str(int(faster))) + 2)
        lines.append(f"{round(faster, digits):.0f} times faster than life")
    return lines


def _draw_title(annotation: Annotation, canvas: Canvas) -> None:
    page = annotation.page
    title, *rest = title_lines(annotation)
    lines = wrapped(title, round(TITLE_TYPE * page.unit), page.inside.width)
    for line in rest:
        lines += wrapped(line, page.unit, page.inside.width)
    card = _fitted(lines, page)
    spots = ("top left", "top right", "bottom left", "bottom right")
    rect = place_block(annotation.title_ground, card.width, card.height, spots)
    if rect is not None:
        draw_text(canvas, card, rect.left, rect.top, strength=0.95)


def _draw_end(annotation: Annotation, canvas: Canvas) -> None:
    measured, page = annotation.measured, annotation.page
    width = page.inside.width
    lines = wrapped(headline(measured), round(END_TYPE * page.unit), width)
    terms = everyday(measured)
    lines += wrapped(terms, page.unit, width) if terms else []
    lines += wrapped(
        f"True speeds are at least these. Heights above {limb_name(measured)}.", page.unit, width
    )
    if measured.settings.clip.credit:
        lines += wrapped(measured.settings.clip.credit, page.unit, page.inside.width)
    card = _fitted(lines, page)
    draw_text(canvas, card, page.inside.left, page.inside.top, strength=0.95)


def _fitted(lines: list[tuple[str, int]], page: Page) -> Block:
    """A block of lines, each made smaller where a single word is wider than the page."""
    fitted = []
    for words, size in lines:
        wide = block(((words, size),)).width
        fitted.append((words, size if wide <= page.inside.width else int(size * page.inside.width / wide)))
    return block(tuple(fitted))


def _inside(body: Body, views: tuple[ClipView, ...], plan: Plan) -> bool:
    """Whether the picture shows most of a body's way."""
    which = np.clip(np.searchsorted(plan.time_s, body.time_s), 0, len(views) - 1)
    spots = np.array([body.place(views[k], float(s)) for k, s in zip(which, body.time_s, strict=True)])
    size = np.array([views[0].width, views[0].height])
    during = (body.time_s >= plan.time_s[0]) & (body.time_s <= plan.time_s[-1])
    inside = ((spots > 0) & (spots < size - 1)).all(axis=1) & during
    return bool(inside.mean() > 0.6) if during.any() else False


def _calmer_side(ground: Ground, views: tuple[ClipView, ...], page: Page, spared: list[Rect]) -> str:
    """The side where more heights find a place that is no plasma's."""

    def clear(side: str) -> float:
        ticks = [tick for view in views for tick in height_ticks(view, page, side, spared)]
        return sum(1.0 - 4.0 * busy_share(ground, tick.label) for tick in ticks)

    return max(("left", "right"), key=clear)
