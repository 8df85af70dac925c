"""Knots that are not, or may not be, plasma on the Sun: specks before it and reflections, and what only
grows."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from promtrack.checks import Check
from promtrack.motion import limits
from promtrack.motion.knots import KnotPoints, sky_plane, sky_to_strip
from promtrack.motion.motion_checks import BEFORE, CROSSES, LEFT_OUT, LOOKS, Sensor, contrast
from promtrack.motion.records import KnotTrack
from promtrack.strip.records import Strip, StripGeometry

PASSING = 3  # frames in which the line of a track is looked at beyond its ends, at least
LONE_MM = 30.0  # to the next track
# columns beside those of a track, whose change tells what its own light is worth: what is fast shows itself
# on the disc in one frame, in which few of them would look alike by chance
BESIDE, LEAST_BESIDE = (-48, -40, -32, -24, -16, 16, 24, 32, 40, 48), 3
ON_DISC_MM = -3.0  # well inside the limb, and what the air makes of it


def before_the_sun(strip: Strip, points: KnotPoints, sensor: Sensor | None = None) -> str:
    """Why a track is, or may be, something between the Sun and the telescope; '' where nothing says so.

    Its straight line is followed beyond its ends. Plasma takes light from the disc behind it, and does not
    add as much there as beside it; and plasma that crosses all the field has neither risen from the Sun nor
    fallen on it. The field ends with the frames, not where strips are narrower or something is covered;
    without `sensor` its borders are not known.
    """
    found = _on_its_line(strip.geometry, points.time_s, points.row, points.column, strip.time_s)
    own = (strip.time_s >= points.time_s[0]) & (strip.time_s <= points.time_s[-1])
    deepest = strip.geometry.row(ON_DISC_MM)
    on_disc = np.flatnonzero(~own & (found[:, 0] >= 7) & (found[:, 0] < deepest))
    if len(on_disc) and _adds_light(strip, points, on_disc, found):
        return BEFORE
    if sensor is None:
        return ""
    crosses = all(_passes_border(strip, points.index, points.row, points.column, sensor))
    return CROSSES if crosses else ""


def doubtful_knots(
    strip: Strip, knots: tuple[KnotTrack, ...], largest_mm: float = limits.KNOT_MM
) -> Iterator[Check]:
    """Moving knots that could be something else.

    What goes less than the size of the largest knots looked for, `largest_mm`, may have grown, or brightened
    on one side. What is straight, at one speed, seen neither to begin nor to end, and far from all other
    tracks looks like a speck before the Sun.
    """
    moving = [knot for knot in knots if knot.moving]
    paths = [_in_the_sky(strip, knot.curve_mm, knot.curve_angle_deg) for knot in moving]
    short = sum(abs(path[-1] - path[0]) < largest_mm for path in paths)
    if short:
        words = (
            f"{short} of {len(moving)} moving knots ended less than {largest_mm:g} Mm from the start, "
            "a large knot's own size"
        )
        level = "fair" if short > LEFT_OUT * len(moving) else "good"
        more = "what grows, or brightens on one side, would look the same"
        yield Check("motion", "short ways", level, f"{words}: {more}")
    lone = []
    for knot in moving:
        if knot.by_hand or knot.fit.model != "constant speed":
            continue
        index = np.searchsorted(strip.frame, knot.frame)
        row, column = strip.geometry.row(knot.height_mm), strip.geometry.column(knot.angle_deg)
        cut = index[0] <= 1, index[-1] >= len(strip) - 2  # by the recording's own beginning and end
        open_ = [c or p for c, p in zip(cut, _passes_border(strip, index, row, column), strict=True)]
        others = [_in_the_sky(strip, k.height_mm, k.angle_deg) for k in knots if k is not knot]
        own = _in_the_sky(strip, knot.height_mm, knot.angle_deg)
        if all(open_) and all(np.abs(np.subtract.outer(own, other)).min() > LONE_MM for other in others):
            lone.append(f"{knot.knot}")
    if lone:
        which = f"Knot {lone[0]} flies" if len(lone) == 1 else f"Knots {', '.join(lone)} fly"
        # satellites, birds and insects go at 15 arcsec a second and more: 11000 km/s, if it were on the Sun
        words = f"{which} alone and straight, and the frames show no beginning and no end"
        other = "a reflection, or a speck in the optics, that wanders would look the same"
        yield Check("motion", "lone knots", "fair", f"{words}: {other}")


def _in_the_sky(strip: Strip, height_mm: np.ndarray, angle_deg: np.ndarray) -> np.ndarray:
    """(n,) places in the plane of the sky as complex numbers, Mm from the Sun's centre."""
    return (strip.geometry.limb_mm + height_mm) * np.exp(1j * np.deg2rad(angle_deg))


def _on_its_line(
    geometry: StripGeometry, time_s: np.ndarray, row: np.ndarray, column: np.ndarray, at_s: np.ndarray
) -> np.ndarray:
    """(k, 2) row and column at (k,) times on the line through (n,) points in the plane of the sky."""
    middle = float(geometry.angle_deg(column).mean())
    sky = np.transpose(sky_plane(geometry, row, column, middle))
    slope, first = np.polyfit(time_s - time_s[0], sky, 1)
    x, y = np.outer(at_s - time_s[0], slope).T + first[:, None]
    return np.column_stack(sky_to_strip(geometry, x, y, middle))


def _passes_border(
    strip: Strip, index: np.ndarray, row: np.ndarray, column: np.ndarray, sensor: Sensor | None = None
) -> list[bool]:
    """Whether a track comes in over the border of what strips show, or of the frames where `sensor` is given,
    the limb apart, and leaves over it."""
    time_s, geometry = strip.time_s[index], strip.geometry
    step = PASSING * float(np.median(np.diff(strip.time_s)))
    ends = _on_its_line(geometry, time_s, row, column, time_s[[0, -1]] + [-step, step])
    lights = strip.mapped(np.asarray, index[[0, -1]].tolist())
    passed = [_outside(geometry, light, *end) for light, end in zip(lights, ends, strict=True)]
    if sensor is None:
        return passed
    frames = strip.frame[index[[0, -1]]].tolist()
    at = [(f, geometry.angle_deg(c), geometry.height_mm(r)) for f, (r, c) in zip(frames, ends, strict=True)]
    return [out and sensor.ends_at(*one) for out, one in zip(passed, at, strict=True)]


def _outside(geometry: StripGeometry, light: np.ndarray, row: float, column: float) -> bool:
    """Whether a place lies beyond what a strip shows, but not below the limb; knots are found up to their own
    size from the border."""
    edge = limits.KNOT_MM / geometry.mm_per_row
    if row > geometry.rows - 1 - edge:
        return True
    if not edge < column < geometry.columns - 1 - edge:
        return geometry.columns * geometry.deg_per_column < 359.0
    return row >= 0 and not np.isfinite(light[round(row), round(column)])


def _adds_light(strip: Strip, points: KnotPoints, index: np.ndarray, place: np.ndarray) -> bool:
    """Whether strips are brighter at their places (row, column) than while the track was elsewhere, by half
    of its own contrast and certainly against the changes beside these places."""
    looked = np.unique(np.linspace(0, len(points) - 1, LOOKS).astype(int))
    elsewhere = list(strip.mapped(np.asarray, points.index[looked].tolist()))
    at = zip(elsewhere, points.row[looked], points.column[looked], strict=True)
    own = _seen(np.median, [contrast(*one) for one in at])
    index = index[np.unique(np.linspace(0, len(index) - 1, LOOKS).astype(int))]
    lights = list(strip.mapped(np.asarray, index.tolist()))
    here, *others = (
        _seen(
            np.mean,
            [
                contrast(light, row, column + away)
                - _seen(np.median, [contrast(other, row, column + away) for other in elsewhere])
                for light, (row, column) in zip(lights, place[index], strict=True)
            ],
        )
        for away in (0, *BESIDE)
    )
    beside = np.array(others)[np.isfinite(others)]
    if len(beside) < LEAST_BESIDE:
        return False
    return bool(here > 0.5 * own and here > limits.CERTAIN * np.sqrt(np.mean(beside**2)))


def _seen(mean: Callable[[np.ndarray], np.floating], values: list[float]) -> float:
    """The mean or median of what is not nan; nan where nothing is left."""
    seen = np.array(values)[np.isfinite(values)]
    return float(mean(seen)) if len(seen) else float("nan")
