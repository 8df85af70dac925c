"""The knot map: one frame and moving knots in, a map with arrows coloured by speed out."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection
from matplotlib.colors import Normalize
from matplotlib.figure import Figure

from promtrack.motion.records import Front, KnotTrack
from promtrack.show.figure_labels import Room, label_beside, label_on, pixels_of, room_of
from promtrack.show.figure_style import (
    PICTURE_INK,
    TEXT_PT,
    Theme,
    foot,
    outlined,
    panel,
    sheet,
    speed_colours,
)
from promtrack.show.map_view import MOST_ARROWS, Map, fitting_aspect, map_of, map_picture, with_arrows
from promtrack.show.numbers import clock, day
from promtrack.show.records import Measured
from promtrack.show.verdict import fastest_knot, leading_front, limb_name, moving_knots, speed_text
from promtrack.show.view import ClipView

__all__ = ["SHEET_ASPECT", "arrow_minutes", "draw_map", "knot_map"]

MOST_ARCS = 6.0
ARROWS_APART = 0.08  # of the map's width: closer arrows and their numbers would cover each other
MANY = 12  # paths, beyond which each is drawn thin
ARM_PT = 46.0  # of the compass
MAP_HEIGHT, SHEET_ASPECT = 0.69, 13.333 / 7.5  # of the knot map, in parts of the sheet
FRONT_COLOUR = "#ff9de2"


def knot_map(measured: Measured, theme: Theme) -> Figure:
    """Moving knots over the frame that shows them best: arrows coloured by speed."""
    knot, knots = fastest_knot(measured), moving_knots(measured)
    title = (
        f"{len(knots)} moving knots, up to {speed_text(measured, knot)}"
        if knot and len(knots) > 1
        else f"One moving knot, at {speed_text(measured, knot)}"
        if knot
        else "No knot moves significantly"
    )
    aspect = fitting_aspect(measured, (0.775 if knots else 0.885) * SHEET_ASPECT / MAP_HEIGHT)
    width = aspect * MAP_HEIGHT / SHEET_ASPECT
    area = map_of(measured, aspect)
    minutes, time = arrow_minutes(measured, area), measured.sequence.times_utc[area.frame]
    subtitle = f"Frame of {day(time)}, {clock(time)} UTC; heights above {limb_name(measured)}"
    arrows = "arrows" if len(knots) <= MOST_ARROWS else "arrows of the fastest"
    figure = sheet(title, f"{subtitle}; {arrows}: way covered in {minutes:g} min" if knots else subtitle)
    left = 0.085 + 0.5 * (
        (0.775 if knots else 0.885) - width
    )  # a map narrower than its place stands in the middle
    axes = panel(figure, left, 0.145, width, MAP_HEIGHT)
    draw_map(axes, measured, area)
    axes.set(xlabel="across the picture (Mm)", ylabel="up the picture (Mm)")
    if knots:
        place = panel(figure, left + width + 0.025, 0.145, 0.02, MAP_HEIGHT)
        bar = figure.colorbar(ScalarMappable(_speed_scale(knots), speed_colours()), cax=place)
        bar.set_label("speed in the plane of the sky (km/s)")
        bar.outline.set_visible(False)
    foot(figure, measured, speeds=True)
    return figure


def draw_map(axes: Axes, measured: Measured, area: Map) -> None:
    """The map itself on axes of its shape."""
    axes.imshow(map_picture(measured, area), extent=area.extent, aspect="auto", origin="upper")
    axes.grid(False)
    axes.set(xlim=(0.0, area.width_mm), ylim=(0.0, area.height_mm))
    _compass(axes, measured, area)
    ways = _arrows(axes, measured, area)
    front = leading_front(measured)
    if front is None:
        room = room_of(axes, ways)
    else:
        index = int(
            np.argmin(np.abs(front.frame - area.frame))
        )  # the map's own frame, or the nearest that shows the front
        edge = _front_edge(axes, measured, area, front, index)
        room = room_of(axes, [*ways, edge])
        style = {"color": FRONT_COLOUR, "fontweight": "bold", "path_effects": outlined()}
        label_beside(room, _moment(measured, float(front.time_s[index])), pixels_of(axes, edge), **style)
    _height_arcs(axes, measured, area, room)


def _moment(measured: Measured, time_s: float) -> str:
    return f"front at {clock(measured.strip.times_utc[0] + np.timedelta64(round(time_s * 1e6), 'us'), seconds=False)}"


def _height_arcs(axes: Axes, measured: Measured, area: Map, room: Room) -> None:
    """The limb and dotted arcs of equal height, each broken at its label; the labels stand one over the
    other."""
    highest = float(area.above_mm(*np.meshgrid([0.0, area.width_mm], [0.0, area.height_mm])).max())
    step = next((step for step in (10.0, 20.0, 50.0, 100.0, 200.0) if highest / step <= MOST_ARCS), 500.0)
    angle = np.linspace(0.0, 360.0, 5761)
    taken: list[np.ndarray] = []
    for height in np.arange(0.0, max(highest, step), step):
        line = np.stack(area.place(angle, np.full_like(angle, height)), axis=1)
        seen = np.all((line > 0.0) & (line < (area.width_mm, area.height_mm)), axis=1)
        if seen.sum() < 16:
            continue
        place = axes.transData.transform(line)
        words = "limb" if height == 0.0 else f"{height:.0f} Mm"
        label = label_on(
            room,
            words,
            place[seen][::4],
            _arc_end(axes, area, taken),
            color=PICTURE_INK,
            fontsize=TEXT_PT,
            path_effects=outlined(width=3.0),
        )
        if label is not None:
            taken.append(label)
            seen &= ~((place > label[:2] - 4.0) & (place < label[2:] + 4.0)).all(axis=1)
        style = (
            {"alpha": 0.75, "linewidth": 1.5}
            if height == 0.0
            else {"alpha": 0.45, "linewidth": 1.2, "linestyle": (0, (2, 4))}
        )
        axes.plot(*np.where(seen[:, None], line, np.nan).T, color=PICTURE_INK, **style)


def _arc_end(axes: Axes, area: Map, taken: list[np.ndarray]) -> np.ndarray:
    """Where the next arc's label should stand: straight out from the last one, else at the end of the limb on
    the right."""
    box = axes.bbox.extents
    if not taken:
        return np.array([box[2], 0.5 * (box[1] + box[3])])
    middle, sun = 0.5 * (taken[-1][:2] + taken[-1][2:]), axes.transData.transform(area.sun_mm)
    out = (middle - sun) / np.hypot(*(middle - sun))
    return middle + 60.0 * out


def _inches(axes: Axes) -> tuple[float, float]:
    """Width and height of the axes."""
    box, window = axes.get_position(), axes.get_figure(root=True)
    assert window is not None, "axes on a sheet"
    return box.width * window.get_figwidth(), box.height * window.get_figheight()


def _arms(measured: Measured, view: ClipView) -> tuple[tuple[str, np.ndarray], ...]:
    """North and east where they are known, else the way up in the image: names and ways to them on the sheet,
    points."""
    orientation = measured.orientation
    known = orientation.position_angles
    ways = (
        [("N", float(orientation.to_image(0.0))), ("E", float(orientation.to_image(90.0)))]
        if known
        else [("image up", 0.0)]
    )
    turned = [(name, view.side * np.deg2rad(image - view.turn_deg)) for name, image in ways]
    return tuple((name, ARM_PT * np.array([-np.sin(angle), np.cos(angle)])) for name, angle in turned)


def _compass(axes: Axes, measured: Measured, area: Map) -> None:
    """The compass where all of it lies deepest in the disc, or farthest from the limb where no disc is in
    view."""
    mm_per_pt = area.width_mm / (72.0 * _inches(axes)[0])
    arms = _arms(measured, area.view)
    reach = np.stack([np.zeros(2), *(1.35 * way for _, way in arms)]) * mm_per_pt
    pad = np.array([3.0 if len(arms) == 1 else 1.0, 1.0]) * TEXT_PT * mm_per_pt
    low, high = pad - reach.min(axis=0), np.array([area.width_mm, area.height_mm]) - pad - reach.max(axis=0)
    x, y = (np.linspace(first, max(last, first), 13) for first, last in zip(low, high, strict=True))
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 1, 2) + reach
    above = area.above_mm(places[..., 0], places[..., 1])
    origin = places[int(np.argmin(above.max(axis=1))), 0]
    for name, way in arms:
        axes.annotate(
            name,
            origin,
            (float(way[0]), float(way[1])),
            textcoords="offset points",
            color=PICTURE_INK,
            ha="center",
            va="center",
            fontsize=TEXT_PT,
            fontweight="bold",
            path_effects=outlined(width=3.0),
            arrowprops={
                "arrowstyle": "<-",
                "color": PICTURE_INK,
                "linewidth": 1.8,
                "shrinkA": 1.0,
                "shrinkB": 0.0,
            },
        )


def _speed_scale(knots: tuple[KnotTrack, ...]) -> Normalize:
    return Normalize(0.0, max((knot.fit.speed_km_s for knot in knots), default=1.0))


def arrow_minutes(measured: Measured, area: Map) -> float:
    """A round number of minutes in which the fastest knot covers about an eighth of the map's width."""
    knot = fastest_knot(measured)
    wanted = 0.125 * area.width_mm / (0.06 * max(knot.fit.speed_km_s, 1.0)) if knot else 1.0
    return min(
        (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0), key=lambda minutes: abs(np.log(minutes / wanted))
    )


def _arrows(axes: Axes, measured: Measured, area: Map) -> list[np.ndarray]:
    """The paths of moving knots, and an arrow from the middle of each along its velocity; all these lines, in
    Mm."""
    knots, minutes, to_image = (
        moving_knots(measured),
        arrow_minutes(measured, area),
        measured.orientation.to_image,
    )
    if not knots:
        return []
    paths = [np.stack(area.place(to_image(knot.angle_deg), knot.height_mm), axis=1) for knot in knots]
    speeds = [knot.fit.speed_km_s for knot in knots]
    thick = 1.6 if len(knots) <= MANY else 0.8
    axes.add_collection(
        LineCollection(paths, cmap=speed_colours(), norm=_speed_scale(knots), array=speeds, linewidths=thick),
        autolim=False,
    )
    knots = with_arrows(_apart(knots, measured, area))
    if not knots:
        return paths
    angle = np.array([np.median(knot.angle_deg[_middle(knot)]) for knot in knots])
    height = np.array([np.median(knot.height_mm[_middle(knot)]) for knot in knots])
    radial, along = (
        0.06 * minutes * np.array([(knot.fit.radial_km_s, knot.fit.along_km_s) for knot in knots]).T
    )
    end = angle + np.rad2deg(along / (measured.strip.geometry.limb_mm + height))
    x0, y0 = area.place(to_image(angle), height)
    x1, y1 = area.place(to_image(end), height + radial)
    axes.quiver(
        x0,
        y0,
        x1 - x0,
        y1 - y0,
        [knot.fit.speed_km_s for knot in knots],
        cmap=speed_colours(),
        norm=_speed_scale(moving_knots(measured)),
        angles="xy",
        scale_units="xy",
        scale=1.0,
        units="inches",
        width=0.062,
        headwidth=4.6,
        headlength=5.0,
        headaxislength=4.6,
        minlength=1.5,
        edgecolor="#0b0908",
        linewidth=1.2,
        zorder=4,
    )
    _numbers(axes, knots, np.stack([x0, y0], axis=1), np.stack([x1, y1], axis=1))
    return [*paths, *np.stack([x0, y0, x1, y1], axis=1).reshape(-1, 2, 2)]


def _apart(knots: tuple[KnotTrack, ...], measured: Measured, area: Map) -> tuple[KnotTrack, ...]:
    """Knots whose arrows begin on the map, the fastest first, without those that begin close to a faster
    one."""
    kept: list[tuple[KnotTrack, np.ndarray]] = []
    for knot in sorted(knots, key=lambda knot: -knot.fit.speed_km_s):
        middle = _middle(knot)
        image = np.asarray(measured.orientation.to_image(np.median(knot.angle_deg[middle])))
        start = np.array(area.place(image, np.median(knot.height_mm[middle])))
        inside = np.all((start > 0.0) & (start < (area.width_mm, area.height_mm)))
        if inside and all(np.hypot(*(start - other)) > ARROWS_APART * area.width_mm for _, other in kept):
            kept.append((knot, start))
    return tuple(knot for knot, _ in kept)


def _numbers(axes: Axes, knots: tuple[KnotTrack, ...], start_mm: np.ndarray, end_mm: np.ndarray) -> None:
    """The knots' numbers behind their arrows, the fastest first; one without room is left out."""
    start, end = axes.transData.transform(start_mm), axes.transData.transform(end_mm)
    back = (start - end) / np.maximum(np.hypot(*(end - start).T), 1e-6)[:, None]
    room = room_of(axes, [])
    for index in np.argsort([-knot.fit.speed_km_s for knot in knots]):
        turn = np.arctan2(back[index, 1], back[index, 0]) + np.deg2rad([0.0, 50.0, -50.0, 90.0, -90.0])
        places = start[index] + 18.0 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        style = {
            "color": PICTURE_INK,
            "fontsize": TEXT_PT,
            "fontweight": "bold",
            "path_effects": outlined(),
            "zorder": 5,
        }
        label_on(room, str(knots[index].knot), places, places[0], **style)


def _middle(knot: KnotTrack) -> slice:
    """The three points in the middle of a track."""
    middle = len(knot.time_s) // 2
    return slice(middle - 1, middle + 2)


def _front_edge(axes: Axes, measured: Measured, area: Map, front: Front, index: int) -> np.ndarray:
    """Where a front stood at one of its points, as an arc across its sector, in Mm."""
    angle = np.linspace(front.from_deg, front.to_deg, 40)
    image = np.asarray(measured.orientation.to_image(angle))
    edge = np.stack(area.place(image, np.full_like(angle, front.height_mm[index])), axis=1)
    axes.plot(*edge.T, color=FRONT_COLOUR, linewidth=3.0, path_effects=outlined(width=5.0))
    return edge
