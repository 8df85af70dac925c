"""The knot map: the reference frame and moving knots in, a map with arrows coloured by speed out."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.cm import ScalarMappable
from matplotlib.colors import Normalize
from matplotlib.figure import Figure

from promtrack.limb.geometry import to_frame, to_polar
from promtrack.motion.records import Front, KnotTrack
from promtrack.show.figure_style import PICTURE_INK, TEXT_PT, Theme, brightness_range, foot, outlined, panel, plasma, sheet, speed_colours
from promtrack.show.numbers import clock, day, with_error
from promtrack.show.records import Measured
from promtrack.show.verdict import fastest_knot, leading_front, moving_knots

__all__ = ["Map", "draw_map", "knot_map", "map_of"]

MAP_COLUMNS, MOST_NAMED = 1100, 12
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
    time = measured.sequence.times_utc[measured.lock.reference]
    minutes = _arrow_minutes(measured)
    subtitle = f"Frame of {day(time)}, {clock(time)} UTC; heights above the H-alpha limb"
    figure = sheet(title, f"{subtitle}; arrows show the way covered in {minutes:g} min" if knots else subtitle)
    axes = panel(figure, 0.085, 0.145, 0.775 if knots else 0.885, 0.69)
    draw_map(axes, measured, aspect=(0.775 if knots else 0.885) * 13.333 / (0.69 * 7.5), minutes=minutes)
    axes.set(xlabel="across the frame (Mm)", ylabel="up the frame (Mm)")
    if knots:
        bar = figure.colorbar(ScalarMappable(_speed_scale(knots), speed_colours()), cax=panel(figure, 0.885, 0.145, 0.02, 0.69))
        bar.set_label("speed in the plane of the sky (km/s)")
        bar.outline.set_visible(False)
    foot(figure, measured, speeds=True)
    return figure


def draw_map(axes: Axes, measured: Measured, *, aspect: float, minutes: float | None = None) -> None:
    """The map itself on given axes, `aspect` being their width over their height."""
    area = map_of(measured, aspect)
    axes.imshow(_picture(measured, area), extent=area.extent, aspect="auto", origin="upper")
    axes.grid(False)
    compass = _compass_place(axes, measured, area)
    _height_arcs(axes, measured, area, compass)
    _compass(axes, measured, compass)
    _arrows(axes, measured, area, minutes or _arrow_minutes(measured))
    _front_edge(axes, measured, area)
    axes.set(xlim=area.extent[:2], ylim=area.extent[2:])


def map_of(measured: Measured, aspect: float) -> Map:
    """The crop: around what moves, or around all that the strips show where nothing moves."""
    geometry = measured.strip.geometry
    fronts = [front for front in measured.motion.fronts if front.moving]
    tracks: list[KnotTrack | Front] = [*moving_knots(measured), *fronts]
    angles = [angle for track in tracks for angle in (np.nanmin(track.angle_deg), np.nanmax(track.angle_deg))]
    heights = [float(np.nanmax(track.height_mm)) for track in tracks]
    low, high = (min(angles) - 1.5, max(angles) + 1.5) if tracks else (geometry.from_deg, float(geometry.angle_deg(geometry.columns - 1)))
    top = max(heights) + 15.0 if tracks else 0.6 * float(geometry.height_mm(geometry.rows - 1))
    angle, height = np.meshgrid(np.linspace(low, high, 33), np.array([-12.0, 0.0, max(top, 30.0)]))
    x, y = _pixels(measured, angle, height)
    rows, columns = measured.lock.shape
    left, right = max(float(x.min()), 0.0), min(float(x.max()), columns - 1.0)
    upper, lower = max(float(y.min()), 0.0), min(float(y.max()), rows - 1.0)
    half_x = max(0.5 * (right - left), 0.5 * (lower - upper) * aspect, LEAST_HALF_PX)
    half_y = half_x / aspect
    middle_x = _shifted(0.5 * (left + right), half_x, columns - 1.0)
    middle_y = _shifted(0.5 * (upper + lower), half_y, rows - 1.0)
    return Map(middle_x - half_x, middle_x + half_x, middle_y - half_y, middle_y + half_y, measured.scale.km_per_px * 1e-3)


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
    off = (rho > lock.radius_px + 1.5) & np.isfinite(crop)
    base, top = brightness_range(crop[off], 4.0, 99.6)
    span = top - base
    disc = rho <= lock.radius_px
    level = float(np.nanmedian(crop[disc])) if np.isfinite(crop[disc]).any() else 1.0
    return plasma(np.where(disc, 0.028 * span * crop / max(level, 1e-6), crop - base), span)


def _resampled(frame: np.ndarray, x_px: np.ndarray, y_px: np.ndarray, step: float) -> np.ndarray:
    """The frame at these columns and rows, averaged over `step` pixels; nan outside."""
    picture = cv2.blur(frame, (round(step), round(step))) if step >= 1.5 else frame
    x, y = np.meshgrid(x_px.astype(np.float32), y_px.astype(np.float32))  # cv2.remap wants x, then y, float32
    return cv2.remap(picture.astype(np.float32), x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan"))


def _height_arcs(axes: Axes, measured: Measured, area: Map, compass: tuple[float, float]) -> None:
    """The limb and dotted arcs of equal height, each with its label near the right, clear of the compass."""
    step = 20.0 if area.extent[3] < 160.0 else 50.0 if area.extent[3] < 500.0 else 200.0
    width, height_mm = area.extent[1], area.extent[3]
    inch = width / _inches(axes)[0]
    angle = np.linspace(0.0, 360.0, 2881)
    for height in np.arange(0.0, max(_highest(measured, area), step), step):
        x, y = area.mm(*_pixels(measured, angle, np.full_like(angle, height)))
        seen = (x > 0.0) & (x < width) & (y > 0.0) & (y < height_mm)
        if seen.sum() < 8:
            continue
        style = {"alpha": 0.75, "linewidth": 1.5} if height == 0.0 else {"alpha": 0.4, "linewidth": 1.1, "linestyle": (0, (2, 4))}
        axes.plot(np.where(seen, x, np.nan), np.where(seen, y, np.nan), color=PICTURE_INK, **style)
        beside = (np.abs(x - compass[0] - 0.5 * inch) < 1.5 * inch) & (np.abs(y - compass[1]) < inch)
        roomy = seen & (x > 0.1 * width) & (y < 0.92 * height_mm) & (y > 0.06 * height_mm) & ~beside
        if roomy.any():
            far = np.flatnonzero(roomy)[np.argmax(x[roomy])]
            _arc_label(axes, height, (float(x[far]), float(y[far])))


def _arc_label(axes: Axes, height: float, place: tuple[float, float]) -> None:
    """The limb's name below its line, a height above its own."""
    limb = height == 0.0
    axes.annotate(
        "limb" if limb else f"{height:.0f} Mm",
        place,
        (-6, -6 if limb else 4),
        textcoords="offset points",
        ha="right",
        va="top" if limb else "bottom",
        color=PICTURE_INK,
        fontsize=TEXT_PT,
        path_effects=outlined(width=3.0),
    )


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


def _compass_place(axes: Axes, measured: Measured, area: Map) -> tuple[float, float]:
    """The place at the rim that lies deepest in the disc, where nothing else is shown, with room for an arm either way."""
    side, end = 0.95 * area.extent[1] / _inches(axes)[0], 0.95 * area.extent[3] / _inches(axes)[1]
    right, top = area.extent[1] - side, area.extent[3] - end
    x, y = np.meshgrid((side, 0.5 * area.extent[1], right), (end, 0.5 * area.extent[3], top))
    _, rho = to_polar(measured.lock, measured.lock.reference, area.left_px + x / area.mm_per_px, area.bottom_px - y / area.mm_per_px)
    rho[1, 1] = np.inf  # never in the middle
    best = np.unravel_index(np.argmin(rho), rho.shape)
    return float(x[best]), float(y[best])


def _compass(axes: Axes, measured: Measured, origin: tuple[float, float]) -> None:
    """North and east where they are known, else the way up in the image."""
    orientation = measured.orientation
    arms = ((0.0, "N"), (90.0, "E")) if orientation.position_angles else ((0.0, "image up"),)
    for angle, name in arms:
        image = np.deg2rad(orientation.to_image(angle)) if orientation.position_angles else 0.0
        way = (-46.0 * np.sin(image), 46.0 * np.cos(image))
        arrow = {"arrowstyle": "<-", "color": PICTURE_INK, "linewidth": 1.8, "shrinkA": 1.0, "shrinkB": 0.0}
        axes.annotate(
            name,
            origin,
            way,
            textcoords="offset points",
            color=PICTURE_INK,
            ha="center",
            va="center",
            fontsize=TEXT_PT,
            fontweight="bold",
            path_effects=outlined(width=3.0),
            arrowprops=arrow,
        )


def _speed_scale(knots: tuple[KnotTrack, ...]) -> Normalize:
    return Normalize(0.0, max((knot.fit.speed_km_s for knot in knots), default=1.0))


def _arrow_minutes(measured: Measured) -> float:
    """A round number of minutes in which the fastest knot covers about 25 Mm."""
    knot = fastest_knot(measured)
    wanted = 25.0 / (0.06 * max(knot.fit.speed_km_s, 1.0)) if knot else 1.0
    return min((0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0), key=lambda minutes: abs(np.log(minutes / wanted)))


def _arrows(axes: Axes, measured: Measured, area: Map, minutes: float) -> None:
    """The paths of moving knots, and an arrow from the middle of each along its velocity."""
    knots = moving_knots(measured)
    if not knots:
        return
    angle = np.concatenate([np.append(knot.angle_deg, np.nan) for knot in knots])
    height = np.concatenate([np.append(knot.height_mm, np.nan) for knot in knots])
    axes.plot(*area.mm(*_pixels(measured, angle, height)), color=PICTURE_INK, alpha=0.6, linewidth=1.2)
    angle = np.array([np.median(knot.angle_deg[_middle(knot)]) for knot in knots])
    height = np.array([np.median(knot.height_mm[_middle(knot)]) for knot in knots])
    radial, along = 0.06 * minutes * np.array([(knot.fit.radial_km_s, knot.fit.along_km_s) for knot in knots]).T
    end = angle + np.rad2deg(along / (measured.strip.geometry.limb_mm + height))
    x0, y0 = area.mm(*_pixels(measured, angle, height))
    x1, y1 = area.mm(*_pixels(measured, end, height + radial))
    speeds = [knot.fit.speed_km_s for knot in knots]
    axes.quiver(
        x0,
        y0,
        x1 - x0,
        y1 - y0,
        speeds,
        cmap=speed_colours(),
        norm=_speed_scale(knots),
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
    if len(knots) > MOST_NAMED:
        return
    length = np.maximum(np.hypot(x1 - x0, y1 - y0), 1e-6)
    for knot, x, y, back_x, back_y in zip(knots, x0, y0, (x0 - x1) / length, (y0 - y1) / length, strict=True):
        axes.annotate(
            str(knot.knot),
            (x, y),
            (13.0 * back_x, 13.0 * back_y),
            textcoords="offset points",
            ha="center",
            va="center",
            color=PICTURE_INK,
            fontsize=TEXT_PT,
            fontweight="bold",
            path_effects=outlined(),
        )


def _middle(knot: KnotTrack) -> slice:
    """The three points in the middle of a track."""
    middle = len(knot.time_s) // 2
    return slice(middle - 1, middle + 2)


def _front_edge(axes: Axes, measured: Measured, area: Map) -> None:
    """Where the leading front stood first and last, as arcs across its sector."""
    front = leading_front(measured)
    if front is None:
        return
    angle = np.linspace(front.from_deg, front.to_deg, 40)
    for index, words in ((0, ""), (-1, f"front {front.front}")):
        x, y = area.mm(*_pixels(measured, angle, np.full_like(angle, front.height_mm[index])))
        axes.plot(x, y, color="#ff9de2", linewidth=3.0, path_effects=outlined(width=5.0))
        axes.annotate(
            words,
            (float(x.mean()), float(y.max())),
            (0, 8),
            textcoords="offset points",
            ha="center",
            va="bottom",
            color="#ff9de2",
            fontweight="bold",
            path_effects=outlined(),
        )
