"""Title and end card of the clip, and the everyday terms of a result, which the page shows too.

Everyday terms are made from the numbers and keep their digits: none is rounder or finer than the number that
it comes from.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from promtrack.motion.interpretation import ranked_fronts, ranked_knots
from promtrack.rounding import plain, significant_decimals, span_text
from promtrack.show.canvas import Block, Canvas, block, dim, draw_text, text_width
from promtrack.show.findings import card_sentence
from promtrack.show.layout import FREE, Rect, busy_share, place_block
from promtrack.show.quoted import (
    Quoted,
    fastest_knot,
    front_model,
    front_speed,
    leading_front,
    speed_of,
    top_height,
)
from promtrack.show.records import Measured
from promtrack.show.scale_bar import wrapped
from promtrack.show.verdict import lights, trust_words
from promtrack.sun import EARTH_RADIUS_KM

if TYPE_CHECKING:
    from promtrack.show.overlay import Annotation

TITLE_TYPE, END_TYPE = 1.3, 1.15  # of the usual type size
TITLE_LINES = 3
SMALLER = (1.0, 0.85, 0.7, 0.5)  # type of an end card that would not fit
MOON_KM = 384_400.0  # semi-major axis of the Moon's orbit, to 100 km
QUARTERS = ("north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west")


def everyday(measured: Measured) -> str:
    """'That is as high as 22.9 Earth diameters. At 1.06 million km/h the Moon is 21.8 minutes away.' Of what
    the headline is about; '' where nothing moves or no model gives a speed."""
    front, knot = leading_front(measured), fastest_knot(measured)
    said = []
    if front is not None:
        said.append(f"That is as high as {earth_diameters(top_height(measured, front))}.")
        speed = front_speed(measured, front) if front_model(front) else None
    else:
        speed = speed_of(measured, knot) if knot is not None and knot.fit.model != "none" else None
    if speed is not None:
        said.append(f"At {km_h(speed)} the Moon is {moon_trip(speed)} away.")
    return " ".join(said)


def recorded(measured: Measured) -> tuple[str, str]:
    """What was recorded and where: 'Erupting prominence', 'east limb, position angle 78°'."""
    fronts, knots = ranked_fronts(measured.motion), ranked_knots(measured.motion)
    models = [front_model(front) for front in fronts]
    rising = any(model is not None and model.peak_speed_km_s > 30.0 for model in models)  # our own limit
    what = "Prominence in motion" if fronts or knots else "Solar prominence"
    geometry = measured.strip.geometry
    angle = float(geometry.angle_deg((geometry.columns - 1) / 2.0))
    if fronts or knots:
        angle = float(np.median((fronts[0] if fronts else knots[0]).angle_deg))
    side = (
        f"{QUARTERS[round(angle % 360.0 / 45.0) % 8]} limb, " if measured.orientation.position_angles else ""
    )
    where = f"{side}{measured.orientation.label} {angle % 360.0:.0f}°"
    return "Erupting prominence" if rising else what, where


def earth_diameters(height: Quoted) -> str:
    """'22.9 Earth diameters', of a height in Mm."""
    across = 2e-3 * EARTH_RADIUS_KM
    return f"{_as_sure(height.value / across, height.error / across)} Earth diameters"


def km_h(speed: Quoted) -> str:
    """'1.04 million km/h', of a speed in km/s; below a million '94 thousand km/h'."""
    factor, unit = (3.6e-3, "million") if speed.value * 3600.0 >= 1e6 else (3.6, "thousand")
    return f"{_as_sure(speed.value * factor, speed.error * factor)} {unit} km/h"


def moon_trip(speed: Quoted) -> str:
    """'22 minutes' from the Earth to the Moon, at a speed in km/s."""
    seconds = MOON_KM / speed.value
    factor, unit = (60.0, "minutes") if seconds < 7200.0 else (3600.0, "hours")
    time = seconds / factor
    return f"{_as_sure(time, time * speed.error / speed.value)} {unit}"


def _as_sure(value: float, error: float) -> str:
    """The value with as few digits as its error bears; two where the error is unknown."""
    known = np.isfinite(error) and error > 0.0  # what rounding takes away is at most half of its last digit
    return plain(value, significant_decimals(2.0 * error if known else value, 1 if known else 2))


def title_lines(annotation: Annotation) -> list[str]:
    """What, where, when, and how many times faster than life."""
    measured, plan = annotation.measured, annotation.plan
    what, where = recorded(measured)
    times = measured.sequence.times_utc[plan.frames]
    if annotation.insets:
        where = "the whole disc"
    lines = [measured.settings.clip.title or what, where, span_text(times[0], times[-1])]
    faster = plan.speed_up
    if faster >= 1.5:
        digits = max(2 - len(str(int(faster))), -len(str(int(faster))) + 2)
        lines.append(f"{round(faster, digits):.0f} times faster than life")
    found = measured.motion.prominences
    shown = len(found) if annotation.insets else sum(map(annotation.shows, found))
    return lines + [f"{shown} of {len(found)} prominences shown"] * (shown < len(found))


def draw_title(annotation: Annotation, canvas: Canvas) -> None:
    """The title over a clean picture, where it covers least."""
    page, inside = annotation.page, annotation.title_ground.inside
    title, *rest = title_lines(annotation)
    spots = ("top left", "top right", "bottom left", "bottom right")
    found: list[tuple[float, Block, Rect]] = []
    for share in (1.0, 0.5, 0.4):  # of the width: narrower where that covers less plasma
        width = round(share * inside.width)
        sizes = [wrapped(title, round(size * page.unit), width) for size in (TITLE_TYPE, *SMALLER)]
        lines = next((one for one in sizes if len(one) <= TITLE_LINES), sizes[-1])
        if share < 1.0 and lines[0][1] < page.unit:
            continue
        lines += [line for words in rest for line in wrapped(words, page.unit, width)]
        card = _fitted(lines, inside.width)
        rect = place_block(annotation.title_ground, card.width, card.height, spots)
        if rect is not None:
            covered = busy_share(annotation.title_ground, rect)
            found.append((covered * rect.width * rect.height if covered > FREE else 0.0, card, rect))
    if found:
        _, card, rect = min(found, key=lambda one: one[0])
        draw_text(canvas, card, rect.left, rect.top, strength=0.95)


def draw_end(annotation: Annotation, canvas: Canvas) -> None:
    """The end card: the result in one sentence over the last picture, darkened."""
    dim(canvas, 0.3)
    inside = annotation.page.inside
    draw_text(canvas, end_card(annotation), inside.left, inside.top, strength=0.95)


def end_scale(annotation: Annotation) -> Rect | None:
    """Where the scale stands on the end card; None without one."""
    inside, scale = annotation.page.inside, annotation.blocks.get("scale")
    if scale is None:
        return None
    return Rect(inside.right - scale.width, inside.bottom - scale.height, scale.width, scale.height)


def end_card(annotation: Annotation) -> Block:
    """The words of the end card: above the scale, else beside it, else without everyday terms or smaller."""
    measured, page, scale = annotation.measured, annotation.page, end_scale(annotation)
    trust = trust_words(lights(measured))
    caveat = f"True speeds are at least these{f'; {trust}' if trust else ''}."
    texts = [(card_sentence(measured), END_TYPE), (caveat, 1.0), (measured.settings.clip.credit, 1.0)]
    terms = everyday(measured)  # or as much of its last sentence as one line holds
    *_, last = terms.split(". ")
    short = (terms, last, f"At that speed{last[last.find(' the Moon') :]}" if "Moon" in last else "")
    one_line = next((w for w in short if text_width(w, page.unit) <= page.inside.width), "")
    daily = [*texts[:1], (one_line, 1.0), *texts[1:]]
    above, beside = page.inside.height, page.inside.width
    if scale is not None:
        above, beside = scale.top - page.inside.top, page.inside.width - scale.width - page.unit
    for share, said in ((1.0, daily), *((share, texts) for share in SMALLER)):
        for height, width in ((above, page.inside.width), (page.inside.height, beside)):
            parts = [wrapped(words, round(share * size * page.unit), width) for words, size in said if words]
            space = " ", round(0.35 * share * page.unit)
            card = _fitted([line for part in parts for line in (space, *part)][1:], width)
            if card.height <= height:
                return card
    return card


def _fitted(lines: list[tuple[str, int]], width: int) -> Block:
    """A block of lines, each made smaller where a single word is wider than the room for it."""
    fitted = []
    for words, size in lines:
        wide = block(((words, size),)).width
        fitted.append((words, size if wide <= width else int(size * width / wide)))
    return block(tuple(fitted))
