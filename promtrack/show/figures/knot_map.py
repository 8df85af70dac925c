"""Pictures of the sky: the map of what moves, the montage of six moments, and the slide with map and
numbers."""

from __future__ import annotations

import textwrap
from typing import Any

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Circle, FancyArrowPatch
from matplotlib.path import Path

from promtrack.checks import LEVELS
from promtrack.motion.interpretation import ranked_fronts, ranked_knots
from promtrack.motion.records import Front, KnotTrack
from promtrack.rounding import clock
from promtrack.show.curves import knot_path
from promtrack.show.figures import map_view
from promtrack.show.figures.heights import draw_heights
from promtrack.show.figures.items import Item, items_of, key, name_items, others_of, write_beside
from promtrack.show.figures.map_view import Map
from promtrack.show.figures.style import (
    ASPECT,
    PICTURE_INK,
    TEXT_PT,
    Theme,
    date_axis,
    foot,
    name_y,
    outlined,
    sheet,
    width_inch,
)
from promtrack.show.findings import going, growth_title, run_title, three_numbers, time_words
from promtrack.show.palette import ON_DARK
from promtrack.show.quoted import leading_front, moving_knots
from promtrack.show.records import Measured
from promtrack.show.region_of_interest import way_of
from promtrack.show.verdict import lights, limb_name, limb_words
from promtrack.sun import EARTH_RADIUS_KM

MINUTES = (60.0, 30.0, 20.0, 10.0, 5.0, 2.0, 1.0, 0.5)


def knot_map(measured: Measured, theme: Theme) -> Figure:
    """Where the plasma moves: the frame that shows it best, with arrows that follow the tracks."""
    frames, items = np.array([map_view.moment_of(measured)]), items_of(measured, theme.marks)
    wide, tall = 0.64, 0.68
    aspect = map_view.fitting_aspect(measured, wide * ASPECT / tall, frames)
    area, width = map_view.map_of(measured, aspect, frames), aspect * tall / ASPECT
    time = clock(measured.sequence.times_utc[frames[0]])  # its day stands at the foot
    subtitle = f"Frame of {time} UTC; heights above {limb_name(measured)}"
    minutes = travel_minutes(measured, area)
    if minutes:
        subtitle += f"; arrows: distance in {minutes:g} min"
    beyond = [item.letter for item in items if not _shows(measured, area, item)]
    if beyond:
        subtitle += f"; {' and '.join(beyond)} elsewhere"
    figure = sheet(_title(measured), subtitle)
    axes = figure.add_axes((0.065 + 0.5 * (wide - width), 0.145, width, tall))
    draw_map(axes, measured, area, int(frames[0]))
    axes.set_xlabel("x (Mm)")
    name_y(axes, "y (Mm)")
    key(figure, measured, items)
    foot(figure, measured, speeds=True)
    return figure


def draw_map(axes: Axes, measured: Measured, area: Map, frame: int) -> None:
    """The map itself on axes of its shape."""
    picture = map_view.map_pictures(measured, area, np.array([frame]))[0]
    axes.imshow(picture, extent=area.extent, aspect="equal", origin="upper")
    axes.grid(False)
    axes.set(xlim=(0.0, area.width_mm), ylim=(0.0, area.height_mm))
    taken = picture.copy()
    taken[:, -picture.shape[1] // 4 :] = 255  # heights are named there
    tracks: list[KnotTrack | Front] = [*ranked_fronts(measured.motion), *ranked_knots(measured.motion)]
    for gone in (way_of(track, measured.orientation) for track in tracks):
        points = np.stack(area.view.to_picture(gone.theta_deg, gone.height_mm), axis=1).clip(-1e4, 1e4)
        cv2.polylines(taken, [points.astype(np.int32)[:, None]], False, (255, 255, 255, 255), 25)
    map_view.compass(axes, measured, area, taken)
    items = [item for item in items_of(measured, ON_DARK) if _shows(measured, area, item)]  # a dark picture
    for track in others_of(measured, items):
        if isinstance(track, KnotTrack) and track.moving:
            axes.plot(*_on_map(measured, area, track).T, color=PICTURE_INK, alpha=0.5, linewidth=1.0)
    _height_arcs(axes, area)
    minutes, lines, words = travel_minutes(measured, area), [], []
    now_s = float(measured.strip.time_s[measured.strip.frame == frame][0]) if items else 0.0
    for item in items:
        first_s, last_s = item.track.time_s[[0, -1]]
        then_s = float(np.clip(now_s, first_s, last_s))
        if isinstance(item.track, Front):
            lines.append(_front_edge(axes, measured, area, item, frame))
        else:
            axes.plot(*_on_map(measured, area, item.track).T, color=item.colour, linewidth=1.4)
            lines.append(_arrow(axes, measured, area, item, then_s, minutes))
        when = "" if then_s == now_s else f" {time_words(measured, then_s)}"  # not seen in this frame
        words.append(f"{item.letter}{when}")
    write_beside(axes, words, lines, [item.colour for item in items])


def travel_minutes(measured: Measured, area: Map) -> float:
    """The longest round time that every named knot was seen and stays on its part of the map; 0: no knots."""
    knots = [item.track for item in items_of(measured, ON_DARK) if isinstance(item.track, KnotTrack)]
    if not knots:
        return 0.0
    seen = min(float(np.ptp(knot.time_s)) for knot in knots) / 60.0
    fastest = max(knot.fit.speed_km_s for knot in knots)
    most = min(seen, 0.2 * area.width_mm / (0.06 * max(fastest, 1.0)))  # 1 km/s is 0.06 Mm a minute
    return next((minutes for minutes in MINUTES if minutes <= most), MINUTES[-1])


def _title(measured: Measured) -> str:
    """How many knots go which way."""
    knots, front = moving_knots(measured), leading_front(measured)
    if len(knots) < 2:
        return run_title(measured)
    ways = ("rising", "falling", "along the limb")
    counts = [(sum(going(knot) == way for knot in knots), way) for way in ways]
    parts = [f"{'all' if count == len(knots) else count} {way}" for count, way in counts if count]
    beside = "Beside the leading edge " if front else ""
    return f"{beside}{len(knots)} knots move{': ' if parts else ''}{', '.join(parts)}"


def _on_map(measured: Measured, area: Map, knot: KnotTrack) -> np.ndarray:
    """(n, 2) fitted path of a knot, Mm on the map."""
    return area.place(np.asarray(measured.orientation.to_image(knot.curve_angle_deg)), knot.curve_mm)


def _shows(measured: Measured, area: Map, item: Item) -> bool:
    """Whether most of a track lies on the map."""
    track = item.track
    x, y = area.place(np.asarray(measured.orientation.to_image(track.angle_deg)), track.height_mm).T
    inside = (x > 0.0) & (x < area.width_mm) & (y > 0.0) & (y < area.height_mm)
    return bool(inside.mean() > 0.5)


def _arrow(
    axes: Axes, measured: Measured, area: Map, item: Item, then_s: float, minutes: float
) -> np.ndarray:
    """An arrow along a knot's path about a time, as long as the way in so many minutes; its line."""
    knot, half_s = item.track, 30.0 * minutes
    assert isinstance(knot, KnotTrack), "fronts have edges"
    first, last = float(knot.time_s[0]), float(knot.time_s[-1])
    middle = float(np.clip(then_s, first + half_s, max(last - half_s, first + half_s)))
    times = np.clip(np.linspace(middle - half_s, middle + half_s, 24), first, last)
    height, angle = knot_path(knot, times)
    line = area.place(np.asarray(measured.orientation.to_image(angle)), height)
    look: dict[str, Any] = {"color": item.colour, "linewidth": 3.2, "path_effects": outlined(width=5.0)}
    arrow = "-|>,head_width=5,head_length=9"
    axes.add_patch(FancyArrowPatch(path=Path(line), arrowstyle=arrow, zorder=4, **look))
    return line


def _front_edge(axes: Axes, measured: Measured, area: Map, item: Item, frame: int) -> np.ndarray:
    """Where a front stood in the frame shown, or the nearest that shows it, as an arc across its sector."""
    front = item.track
    assert isinstance(front, Front), "knots have arrows"
    index = int(np.argmin(np.abs(front.frame - frame)))
    angle = np.linspace(front.from_deg, front.to_deg, 40)
    image = np.asarray(measured.orientation.to_image(angle))
    edge = area.place(image, np.full_like(angle, front.height_mm[index]))
    axes.plot(*edge.T, color=item.colour, linewidth=3.0, path_effects=outlined(width=5.0))
    return edge


def _height_arcs(axes: Axes, area: Map) -> None:
    """The limb and dotted arcs of equal height, each named at its right end."""
    corners = np.meshgrid([0.0, area.width_mm], [0.0, area.height_mm])
    highest = float(area.above_mm(*corners).max())
    step = next((step for step in (10.0, 20.0, 50.0, 100.0, 200.0) if highest / step <= 6.0), 500.0)
    angle = np.linspace(0.0, 360.0, 5761)
    for height in np.arange(0.0, max(highest, step), step):
        line = area.place(angle, np.full_like(angle, height))
        inside = np.all((line > 0.0) & (line < (area.width_mm, area.height_mm)), axis=1)
        dashes = "-" if height == 0.0 else (0, (2, 4))
        broken = np.where(inside[:, None], line, np.nan)
        axes.plot(*broken.T, color=PICTURE_INK, alpha=0.6, linewidth=1.3, linestyle=dashes)
        if inside.any():
            end = line[inside][np.argmax(line[inside][:, 0])]
            words = "limb" if height == 0.0 else f"{height:.0f} Mm"
            if area.height_mm - end[1] > 0.1 * area.height_mm and end[0] > 0.5 * area.width_mm:
                style: dict[str, Any] = {"color": PICTURE_INK, "path_effects": outlined(width=7.0)}
                axes.text(min(end[0], 0.985 * area.width_mm), end[1], words, ha="right", va="bottom", **style)


FRAMES = 6


def strip_montage(measured: Measured, theme: Theme) -> Figure:
    """Six moments, all of one part of the sky on one scale of brightness."""
    frames = map_view.growth_frames(measured, FRAMES)
    wide, tall = 0.305, 0.375
    aspect = map_view.fitting_aspect(measured, wide / tall * ASPECT, frames)
    area = map_view.map_of(measured, aspect, frames)
    steps = "about equal growth" if leading_front(measured) else "about equal times"
    subtitle = f"{steps} from frame to frame; each {area.width_mm:.0f} Mm wide; Earth to scale; times are UTC"
    figure = sheet(growth_title(measured), subtitle[0].upper() + subtitle[1:])
    width = aspect * tall / ASPECT
    pictures = map_view.map_pictures(measured, area, frames)
    earth_mm = 1e-3 * EARTH_RADIUS_KM
    for place, (frame, picture) in enumerate(zip(frames, pictures, strict=True)):
        row, column = divmod(place, 3)
        left = 0.03 + (wide + 0.0125) * column + 0.5 * (wide - width)
        axes = figure.add_axes((left, 0.84 - tall - 0.39 * row, width, tall))
        axes.imshow(picture, extent=area.extent, aspect="equal", origin="upper")
        axes.set(xlim=(0.0, area.width_mm), ylim=(0.0, area.height_mm))
        axes.set_axis_off()
        style: dict[str, Any] = {"color": PICTURE_INK, "path_effects": outlined()}
        style["transform"] = axes.transAxes
        line_mm = TEXT_PT / 72.0 / width_inch(axes) * area.width_mm
        x = (1.0 - 0.03) * area.width_mm - earth_mm  # as far from its side as the time from the other
        y = area.height_mm - max(1.3 * earth_mm, line_mm)
        up = y / area.height_mm
        time = clock(measured.sequence.times_utc[frame])
        axes.text(0.03, up, time, va="center", fontweight="bold", **style)
        axes.add_patch(Circle((x, y), earth_mm, color="#7fb4e6", linewidth=0))
        if place == 0:
            left_of = (x - earth_mm) / area.width_mm - 0.02
            axes.text(left_of, up, "Earth", ha="right", va="center", **style)
            taken = picture.copy()
            taken[: len(taken) // 4] = 255  # the time and the Earth stand there
            map_view.compass(axes, measured, area, taken)
        _name_knots(axes, measured, area, int(frame))
    foot(figure, measured, speeds=False)
    return figure


def _name_knots(axes: Axes, measured: Measured, area: Map, frame: int) -> None:
    """The letters of what moves beside its place in a frame, where there is room."""
    items, lines = [], []
    for item in items_of(measured, ON_DARK):
        way, at = way_of(item.track, measured.orientation), item.track.frame == frame
        place = area.place(way.theta_deg[at], way.height_mm[at])[:1]
        if len(place) and (place > 0.0).all() and (place < (area.width_mm, area.height_mm)).all():
            items.append(item)
            lines.append(place)
            if isinstance(item.track, KnotTrack):  # a front has a whole edge
                style: dict[str, Any] = {"color": item.colour, "marker": item.marker, "markersize": 12}
                style["zorder"] = 4  # above the halos of letters
                axes.plot(*place.T, fillstyle="none", path_effects=outlined(width=3.0), **style)
    name_items(axes, items, lines)


def summary(measured: Measured, theme: Theme) -> Figure:
    """Map, heights, the numbers that matter and the three lights, on one slide."""
    name = measured.settings.clip.title or measured.sequence.path.name
    name = name if len(name) <= 40 else f"{name[:39]}…"
    figure = sheet(run_title(measured), f"{name}. Heights above {limb_words(measured)}")
    frames = np.array([map_view.moment_of(measured)])
    moves = bool(moving_knots(measured) or leading_front(measured))
    wide = 0.445 if moves else 0.94
    aspect = map_view.fitting_aspect(measured, wide * ASPECT / 0.525, frames)
    width = aspect * 0.525 / ASPECT
    sky = figure.add_axes((0.03 + 0.5 * (wide - width), 0.325, width, 0.525))
    draw_map(sky, measured, map_view.map_of(measured, aspect, frames), int(frames[0]))
    sky.set_axis_off()
    if moves:
        heights = figure.add_axes((0.545, 0.405, 0.42, 0.40))
        draw_heights(heights, measured, items_of(measured, theme.marks), theme)
        date_axis(heights, measured)
    found = lights(measured)
    numbers = [(one, " (in doubt)" if "confused" in one.note else "") for one in three_numbers(measured)]
    cards = [(one.text.replace("(error unknown)", "± ?"), one.title + doubt, "") for one, doubt in numbers]
    worst = max(found, key=lambda one: LEVELS.index(one.level))
    cards.append((worst.words, "how far to trust it", worst.level))
    for index, (number, title, level) in enumerate(cards):
        left = 0.03 + 0.2425 * index
        colour = theme.light(level or "good")
        figure.add_artist(Line2D([left, left + 0.215], [0.255, 0.255], color=colour, linewidth=3.0))
        size = 20 if len(number) <= 20 else 16
        figure.text(left, 0.195, number, fontsize=size, fontweight="bold", va="center")
        figure.text(left, 0.130, textwrap.shorten(title, 30, placeholder="…"), va="center", color=theme.quiet)
    foot(figure, measured, speeds=moves)
    return figure
