"""The knot map: the reference frame and moving knots in, a map with arrows coloured by speed out."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.collections import LineCollection
from matplotlib.colors import Normalize
from matplotlib.figure import Figure

from promtrack.limb.geometry import to_frame, to_polar
from promtrack.motion.records import Front, KnotTrack
from promtrack.show.figure_labels import Room, label_beside, label_on, pixels_of, room_of
from promtrack.show.figure_style import PICTURE_INK, TEXT_PT, Theme, brightness_range, foot, outlined, panel, plasma, sheet, speed_colours
from promtrack.show.numbers import clock, day, with_error
from promtrack.show.records import Measured
from promtrack.show.verdict import fastest_knot, leading_front, moving_knots

__all__ = ["SHEET_ASPECT", "Map", "arrow_minutes", "draw_map", "fitting_aspect", "knot_map", "map_of"]

MAP_COLUMNS, MOST_ARROWS = 1100, 12
MOST_ARCS = 6.0
ARM_PT = 46.0  # of the compass
MAP_HEIGHT, SHEET_ASPECT = 0.69, 13.333 / 7.5  # of the knot map, in parts of the sheet
CALM_SHARE = 0.15  # of the pixels at one distance from the limb: so much is taken to be calm sky
DISC_TONE = 0.05  # of the brightest plasma: the disc stays calm and dark, and is seen
FRONT_COLOUR = "#ff9de2"
LEAST_HALF_PX = 80.0  # half the width of the map; less would show single pixels


@dataclass(frozen=True, slots=True, eq=False)
class Map:
    """The part of the reference frame that is shown: pixels, and what they are worth."""

    left_px: float
    right_px: float
    top_px: float
    bottom_px: float
    mm_per_px: float

    def mm(self, x_px: np.ndarray, y_px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Mm to the right and up from the lower left corner."""
        return (np.asarray(x_px) - self.left_px) * self.mm_per_px, (self.bottom_px - np.asarray(y_px)) * self.mm_per_px

    @property
    def extent(self) -> tuple[float, float, float, float]:
        return (
            0.0,
            (self.right_px - self.left_px) * self.mm_per_px,
            0.0,
            (self.bottom_px - self.top_px) * self.mm_per_px,
        )


def knot_map(measured: Measured, theme: Theme) -> Figure:
    """Moving knots over the reference frame: arrows coloured by speed."""
    knot, knots = fastest_knot(measured), moving_knots(measured)
    title = (
        f"{len(knots)} moving knots, up to {with_error(knot.fit.speed_km_s, knot.fit.speed_err_km_s, 'km/s')}"
        if knot and len(knots) > 1
        else f"One moving knot, at {with_error(knot.fit.speed_km_s, knot.fit.speed_err_km_s, 'km/s')}"
        if knot
        else "No knot moves significantly"
    )
    aspect = fitting_aspect(measured, (0.775 if knots else 0.885) * SHEET_ASPECT / MAP_HEIGHT)
    width = aspect * MAP_HEIGHT / SHEET_ASPECT
    minutes = arrow_minutes(measured, map_of(measured, aspect))
    time = measured.sequence.times_utc[measured.lock.reference]
    subtitle = f"Frame of {day(time)}, {clock(time)} UTC; heights above the H-alpha limb"
    arrows = "arrows" if len(knots) <= MOST_ARROWS else f"{MOST_ARROWS} fastest"
    figure = sheet(title, f"{subtitle}; {arrows}: way covered in {minutes:g} min" if knots else subtitle)
    left = 0.085 + 0.5 * ((0.775 if knots else 0.885) - width)  # a map narrower than its place stands in the middle
    axes = panel(figure, left, 0.145, width, MAP_HEIGHT)
    draw_map(axes, measured, aspect=aspect)
    axes.set(xlabel="across the frame (Mm)", ylabel="up the frame (Mm)")
    if knots:
        place = panel(figure, left + width + 0.025, 0.145, 0.02, MAP_HEIGHT)
        bar = figure.colorbar(ScalarMappable(_speed_scale(knots), speed_colours()), cax=place)
        bar.set_label("speed in the plane of the sky (km/s)")
        bar.outline.set_visible(False)
    foot(figure, measured, speeds=True)
    return figure


def draw_map(axes: Axes, measured: Measured, *, aspect: float) -> None:
    """The map itself on given axes, `aspect` being their width over their height."""
    area = map_of(measured, aspect)
    axes.imshow(_picture(measured, area), extent=area.extent, aspect="auto", origin="upper")
    axes.grid(False)
    axes.set(xlim=area.extent[:2], ylim=area.extent[2:])
    _compass(axes, measured, area)
    ways = _arrows(axes, measured, area)
    edges = _front_edge(axes, measured, area)
    room = room_of(axes, [*ways, *edges])
    front = leading_front(measured)
    if front is not None:
        style = {"color": FRONT_COLOUR, "fontweight": "bold", "path_effects": outlined()}
        label_beside(room, f"front {front.front}", pixels_of(axes, edges[-1]), **style)
    _height_arcs(axes, measured, area, room)


def fitting_aspect(measured: Measured, widest: float) -> float:
    """Width over height of a map that shows what it must and nothing beyond the frame; `widest` where the frame allows."""
    (left, right), (upper, lower) = _wanted(measured)
    rows, columns = measured.lock.shape
    half_x = max(0.5 * (right - left), 0.5 * (lower - upper) * widest, LEAST_HALF_PX)
    if 2.0 * half_x <= columns - 1.0:
        return widest
    half_y = max(0.5 * (lower - upper), 0.5 * (columns - 1.0) / widest)
    return float(np.clip(0.5 * (columns - 1.0) / min(half_y, 0.5 * (rows - 1.0)), 0.6, widest))


def map_of(measured: Measured, aspect: float) -> Map:
    """The crop: around what moves, or around all that the strips show where nothing moves."""
    (left, right), (upper, lower) = _wanted(measured)
    rows, columns = measured.lock.shape
    half_x = max(0.5 * (right - left), 0.5 * (lower - upper) * aspect, LEAST_HALF_PX)
    half_y = half_x / aspect
    middle_x = _shifted(0.5 * (left + right), half_x, columns - 1.0)
    middle_y = _shifted(0.5 * (upper + lower), half_y, rows - 1.0)
    return Map(middle_x - half_x, middle_x + half_x, middle_y - half_y, middle_y + half_y, measured.scale.km_per_px * 1e-3)


def _wanted(measured: Measured) -> tuple[tuple[float, float], tuple[float, float]]:
    """Columns and rows between which lies what the map must show."""
    geometry = measured.strip.geometry
    tracks: list[KnotTrack | Front] = [*moving_knots(measured), *(front for front in measured.motion.fronts if front.moving)]
    angles = [angle for track in tracks for angle in (np.nanmin(track.angle_deg), np.nanmax(track.angle_deg))]
    heights = [float(np.nanmax(track.height_mm)) for track in tracks]
    low, high = (min(angles) - 1.5, max(angles) + 1.5) if tracks else (geometry.from_deg, float(geometry.angle_deg(geometry.columns - 1)))
    top = max(heights) + 15.0 if tracks else 0.6 * float(geometry.height_mm(geometry.rows - 1))
    angle, height = np.meshgrid(np.linspace(low, high, 33), np.array([-12.0, 0.0, max(top, 30.0)]))
    x, y = _pixels(measured, angle, height)
    rows, columns = measured.lock.shape
    left, right = max(float(x.min()), 0.0), min(float(x.max()), columns - 1.0)
    upper, lower = max(float(y.min()), 0.0), min(float(y.max()), rows - 1.0)
    return (left, right), (upper, lower)


def _pixels(measured: Measured, angle_deg: np.ndarray, height_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Product angle and height to pixels of the reference frame."""
    lock = measured.lock
    rho = lock.radius_px * (1.0 + np.asarray(height_mm) / measured.strip.geometry.limb_mm)
    return to_frame(lock, lock.reference, measured.orientation.to_image(np.asarray(angle_deg)), rho)


def _shifted(middle: float, half: float, last: float) -> float:
    """Keep the crop inside the frame where it fits."""
    return 0.5 * last if 2.0 * half > last else float(np.clip(middle, half, last - half))


def _picture(measured: Measured, area: Map) -> np.ndarray:
    """The crop, toned: the disc dark and flat, what stands off the limb bright; nan beyond the frame."""
    lock = measured.lock
    frame = measured.sequence.frame(lock.reference)
    step = max((area.right_px - area.left_px) / MAP_COLUMNS, 1.0)
    x = np.arange(area.left_px, area.right_px + 0.5 * step, step)
    y = np.arange(area.top_px, area.bottom_px + 0.5 * step, step)
    _, rho = to_polar(lock, lock.reference, x[None, :].astype(np.float32), y[:, None].astype(np.float32))
    crop = _resampled(frame, x, y, step)
    out = rho - lock.radius_px
    off, disc = (out > 0.0) & np.isfinite(crop), out <= 0.0
    crop[off] -= _calm(out[off], crop[off], step)  # the glow about the limb would outshine the prominence
    top = brightness_range(crop[off], 0.0, 99.7)[1]
    level = float(np.nanmedian(crop[disc])) if np.isfinite(crop[disc]).any() else 1.0
    return plasma(np.where(disc, DISC_TONE * top * crop / max(level, 1e-6), crop), top)


def _calm(out_px: np.ndarray, value: np.ndarray, step: float) -> np.ndarray:
    """The calm sky's brightness at each pixel: a low share of what stands at its distance from the limb, never rising."""
    ring = (8.0 * np.log1p(out_px / (8.0 * step))).astype(np.intp)  # a pixel wide at the limb, wider where noise matters more
    order = np.lexsort((value, ring))
    first = np.searchsorted(ring[order], np.arange(ring.max() + 2)) if ring.size else np.zeros(1, np.intp)
    count = np.diff(first)
    seen = np.flatnonzero(count > 8)
    if not len(seen):
        return np.zeros_like(value)
    level = value[order][first[seen] + (CALM_SHARE * count[seen]).astype(np.intp)]
    return np.interp(out_px, 8.0 * step * np.expm1((seen + 0.5) / 8.0), np.minimum.accumulate(level))


def _resampled(frame: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, step: float) -> np.ndarray:
    """The frame at these columns and rows, averaged over `step` pixels; nan outside."""
    picture = cv2.blur(frame, (round(step), round(step))) if step >= 1.5 else frame
    x, y = np.meshgrid(x_px.astype(np.float32), y_px.astype(np.float32))  # cv2.remap wants x, then y, float32
    return cv2.remap(picture.astype(np.float32), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan"))


def _height_arcs(axes: Axes, measured: Measured, area: Map, room: Room) -> None:
    """The limb and dotted arcs of equal height, each broken at its label."""
    highest = _highest(measured, area)
    step = next((step for step in (10.0, 20.0, 50.0, 100.0, 200.0) if highest / step <= MOST_ARCS), 500.0)
    angle = np.linspace(0.0, 360.0, 5761)
    box = axes.bbox.extents
    prefer = np.array([box[2], box[1]])
    for height in np.arange(0.0, max(highest, step), step):
        line = np.stack(area.mm(*_pixels(measured, angle, np.full_like(angle, height))), axis=1)
        seen = np.all((line > 0.0) & (line < (area.extent[1], area.extent[3])), axis=1)
        if seen.sum() < 16:
            continue
        place = axes.transData.transform(line)
        words = "limb" if height == 0.0 else f"{height:.0f} Mm"
        label = label_on(room, words, place[seen][::4], prefer, color=PICTURE_INK, fontsize=TEXT_PT, path_effects=outlined(width=3.0))
        if label is not None:
            seen &= ~((place > label[:2] - 4.0) & (place < label[2:] + 4.0)).all(axis=1)
        style = {"alpha": 0.75, "linewidth": 1.5} if height == 0.0 else {"alpha": 0.45, "linewidth": 1.2, "linestyle": (0, (2, 4))}
        axes.plot(*np.where(seen[:, None], line, np.nan).T, color=PICTURE_INK, **style)


def _highest(measured: Measured, area: Map) -> float:
    """Height above the limb of the corner that is farthest out."""
    x, y = np.array([area.left_px, area.right_px] * 2), np.array([area.top_px, area.top_px, area.bottom_px, area.bottom_px])
    _, rho = to_polar(measured.lock, measured.lock.reference, x, y)
    return float(rho.max() / measured.lock.radius_px - 1.0) * measured.strip.geometry.limb_mm


def _inches(axes: Axes) -> tuple[float, float]:
    """Width and height of the axes."""
    box, window = axes.get_position(), axes.get_figure(root=True)
    assert window is not None, "axes on a sheet"
    return box.width * window.get_figwidth(), box.height * window.get_figheight()


def _arms(measured: Measured) -> tuple[tuple[str, np.ndarray], ...]:
    """North and east where they are known, else the way up in the image: names and ways to them on the sheet, points."""
    orientation = measured.orientation
    if not orientation.position_angles:
        return (("image up", np.array([0.0, ARM_PT])),)
    image = np.deg2rad([float(orientation.to_image(angle)) for angle in (0.0, 90.0)])
    return tuple((name, ARM_PT * np.array([-np.sin(angle), np.cos(angle)])) for name, angle in zip("NE", image, strict=True))


def _compass(axes: Axes, measured: Measured, area: Map) -> None:
    """The compass where all of it lies deepest in the disc, or farthest from the limb where no disc is in view."""
    mm_per_pt = area.extent[1] / (72.0 * _inches(axes)[0])
    arms = _arms(measured)
    reach = np.stack([np.zeros(2), *(1.35 * way for _, way in arms)]) * mm_per_pt
    pad = np.array([3.0 if len(arms) == 1 else 1.0, 1.0]) * TEXT_PT * mm_per_pt
    low, high = pad - reach.min(axis=0), np.array([area.extent[1], area.extent[3]]) - pad - reach.max(axis=0)
    x, y = (np.linspace(first, max(last, first), 13) for first, last in zip(low, high, strict=True))
    places = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 1, 2) + reach
    pixels = area.left_px + places[..., 0] / area.mm_per_px, area.bottom_px - places[..., 1] / area.mm_per_px
    _, rho = to_polar(measured.lock, measured.lock.reference, *pixels)
    origin = places[int(np.argmin(rho.max(axis=1))), 0]
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
            arrowprops={"arrowstyle": "<-", "color": PICTURE_INK, "linewidth": 1.8, "shrinkA": 1.0, "shrinkB": 0.0},
        )


def _speed_scale(knots: tuple[KnotTrack, ...]) -> Normalize:
    return Normalize(0.0, max((knot.fit.speed_km_s for knot in knots), default=1.0))


def arrow_minutes(measured: Measured, area: Map) -> float:
    """A round number of minutes in which the fastest knot covers about an eighth of the map's width."""
    knot = fastest_knot(measured)
    wanted = 0.125 * area.extent[1] / (0.06 * max(knot.fit.speed_km_s, 1.0)) if knot else 1.0
    return min((0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0), key=lambda minutes: abs(np.log(minutes / wanted)))


def _arrows(axes: Axes, measured: Measured, area: Map) -> list[np.ndarray]:
    """The paths of moving knots, and an arrow from the middle of each along its velocity; all these lines, in Mm."""
    knots, minutes = moving_knots(measured), arrow_minutes(measured, area)
    if not knots:
        return []
    paths = [np.stack(area.mm(*_pixels(measured, knot.angle_deg, knot.height_mm)), axis=1) for knot in knots]
    speeds = [knot.fit.speed_km_s for knot in knots]
    axes.add_collection(LineCollection(paths, cmap=speed_colours(), norm=_speed_scale(knots), array=speeds, linewidths=1.6), autolim=False)
    knots = with_arrows(knots)
    angle = np.array([np.median(knot.angle_deg[_middle(knot)]) for knot in knots])
    height = np.array([np.median(knot.height_mm[_middle(knot)]) for knot in knots])
    radial, along = 0.06 * minutes * np.array([(knot.fit.radial_km_s, knot.fit.along_km_s) for knot in knots]).T
    end = angle + np.rad2deg(along / (measured.strip.geometry.limb_mm + height))
    x0, y0 = area.mm(*_pixels(measured, angle, height))
    x1, y1 = area.mm(*_pixels(measured, end, height + radial))
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


def _numbers(axes: Axes, knots: tuple[KnotTrack, ...], start_mm: np.ndarray, end_mm: np.ndarray) -> None:
    """The knots' numbers behind their arrows, the fastest first; one without room is left out."""
    start, end = axes.transData.transform(start_mm), axes.transData.transform(end_mm)
    back = (start - end) / np.maximum(np.hypot(*(end - start).T), 1e-6)[:, None]
    room = room_of(axes, [])
    for index in np.argsort([-knot.fit.speed_km_s for knot in knots]):
        turn = np.arctan2(back[index, 1], back[index, 0]) + np.deg2rad([0.0, 50.0, -50.0, 90.0, -90.0])
        places = start[index] + 18.0 * np.stack([np.cos(turn), np.sin(turn)], axis=1)
        style = {"color": PICTURE_INK, "fontsize": TEXT_PT, "fontweight": "bold", "path_effects": outlined(), "zorder": 5}
        label_on(room, str(knots[index].knot), places, places[0], **style)


def with_arrows(knots: tuple[KnotTrack, ...]) -> tuple[KnotTrack, ...]:
    """The fastest knots, as many as there is room for arrows with numbers; the others show as paths."""
    return tuple(sorted(sorted(knots, key=lambda knot: -knot.fit.speed_km_s)[:MOST_ARROWS], key=lambda knot: knot.knot))


def _middle(knot: KnotTrack) -> slice:
    """The three points in the middle of a track."""
    middle = len(knot.time_s) // 2
    return slice(middle - 1, middle + 2)


def _front_edge(axes: Axes, measured: Measured, area: Map) -> list[np.ndarray]:
    """Where the leading front stood first and last, as arcs across its sector, in Mm."""
    front = leading_front(measured)
    if front is None:
        return []
    angle = np.linspace(front.from_deg, front.to_deg, 40)
    edges = [np.stack(area.mm(*_pixels(measured, angle, np.full_like(angle, front.height_mm[index]))), axis=1) for index in (0, -1)]
    for edge in edges:
        axes.plot(*edge.T, color=FRONT_COLOUR, linewidth=3.0, path_effects=outlined(width=5.0))
    return edges
