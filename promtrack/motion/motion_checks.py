"""Checks of the knots that are not their fits: what stands still, what stands on the sensor while the Sun
drifts over it, what is or may be a speck before the Sun, what moves alike, what is too fast for the cadence.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.optimize import root

from promtrack.checks import Check
from promtrack.motion import limits
from promtrack.motion.interpretation import RAIN_MEAN
from promtrack.motion.knot_fit import KnotPath
from promtrack.motion.knots import KnotPoints, sky_plane, sky_to_strip
from promtrack.motion.records import KnotTrack
from promtrack.sequence.records import spread_over
from promtrack.strip.records import Strip, StripGeometry

STILL = "what stands still"  # name of its check
FIXED = "fixed on the sensor"
BEFORE = "as bright before the disc, as nothing on the Sun is"
CROSSES = "crosses the field from border to border, as a reflection or a speck in the optics may"
TURN = "the frames turn otherwise than the settings say"
_LEFT_OUT = {  # why a track is not called moving: name of the check, words
    FIXED: ("fixed on the sensor", "fixed on the sensor (dust, a ghost)"),
    BEFORE: ("bright before the disc", "as bright before the disc as beside it (a reflection, a speck)"),
    CROSSES: (
        "crossing the field",
        "on a straight line from border to border: plasma, or a reflection or a speck in the optics",
    ),
    TURN: ("turn of the frames", TURN),
}
LOOKS = 8  # strips in which a place is looked at


@dataclass(frozen=True, slots=True)
class Sensor:
    """Where the Sun stood on it."""

    place: limits.Place
    shape: tuple[int, int]  # rows, columns
    block_mm: float = 0.0  # side of the blocks that compression leaves; 0: none

    def ends_at(self, frame: int, angle_deg: float, height_mm: float) -> bool:
        """Whether a place lies beyond the frame's border, or nearer than a knot's size."""
        here = np.array(self.place(frame, angle_deg, height_mm))
        px = limits.KNOT_MM * np.hypot(*(self.place(frame, angle_deg, height_mm + 1.0) - here))
        return bool((here < px).any() or (here > np.array(self.shape[::-1]) - 1.0 - px).any())


def check_knots(knots: tuple[KnotTrack, ...], still_pull: float, still: int) -> Iterator[Check]:
    """Checks of the motion by its knots. `still_pull`: rms velocity over its error of the `still` tracks of
    what stands still; nan without any."""
    if still:
        # one or two may be plasma that drifts by itself; of a wrong lock all speak
        fair = still_pull <= limits.SEEN or still < 3
        level = "good" if still_pull <= 1.5 else "fair" if fair else "poor"
        which = f"{still} track{'s' * (still != 1)}"
        words = f"What stands still ({which}) moves by {still_pull:.1f} of its errors rms"
        yield Check("motion", STILL, level, words + ("" if level == "good" else ", where 1 is expected"))
    for reason, (name, words) in _LEFT_OUT.items():
        alike = sum(knot.left_out == reason for knot in knots)
        if alike:
            level = "fair" if alike > 0.3 * len(knots) or reason == CROSSES else "good"
            level = "poor" if reason == TURN else level
            yield Check("motion", name, level, f"{alike} of {len(knots)} tracks not called moving: {words}")
    moving = [knot.fit for knot in knots if knot.moving]
    if len(moving) >= 6:  # fewer may well share a velocity
        velocity = np.array([(fit.radial_km_s, fit.along_km_s) for fit in moving])
        middle = np.median(velocity, axis=0)
        near = np.hypot(*(velocity - middle).T) < 0.25 * np.hypot(*middle)
        # a wrong lock would carry along what stands still, a loop that rises as one piece does not
        resting = [knot.fit for knot in knots if not knot.moving and not knot.left_out]
        apart = [np.hypot(fit.radial_km_s - middle[0], fit.along_km_s - middle[1]) for fit in resting]
        rest = sum(d > limits.SEEN * fit.speed_err_km_s for d, fit in zip(apart, resting, strict=True))
        if near.sum() > 0.8 * (len(moving) + rest):  # four in five
            speed = float(np.hypot(*middle))
            yield Check(
                "motion",
                "all knots alike",
                "poor",
                f"{int(near.sum())} of {len(moving)} moving knots share one velocity of {speed:.0f} km/s, "
                "as a wrong lock or a wrong field rotation makes them; check camera.mirrored, "
                "camera.mount and the site",
            )


def on_one_line(knots: tuple[KnotTrack, ...], geometry: StripGeometry) -> Iterator[Check]:
    """Whether the moving knots of a time lie on one straight line across the picture, as the trail of an
    aircraft, a wire or the edge of a cloud does."""
    moving = [knot for knot in knots if knot.moving]
    if not moving:
        return
    frame = np.concatenate([knot.frame for knot in moving])
    place = np.concatenate([_in_the_sky(geometry, knot.height_mm, knot.angle_deg) for knot in moving])
    least_mm = 0.5 * np.deg2rad(geometry.columns * geometry.deg_per_column) * np.median(np.abs(place))
    seen, crossed = 0, 0
    for one in np.unique(frame):
        points = place[frame == one]
        if len(points) < 6:  # which may well lie on one
            continue
        ahead = points - points[:, None]
        i, j = np.nonzero(np.abs(ahead) >= least_mm)  # half the width of the strips
        along = ahead[i, j] / np.abs(ahead[i, j])
        off = np.abs(((points - points[i][:, None]) * along.conj()[:, None]).imag)
        seen += 1
        crossed += bool((np.mean(off < limits.KNOT_MM / 2, axis=1) > 0.8).any())
    if crossed > seen / 2:
        words = (
            "The moving knots lie on one straight line across the picture: the trail of an aircraft, a wire "
            "or the edge of a cloud, not plasma; leave those frames out, or cover it by marks"
        )
        yield Check("motion", "one straight line", "poor", words)


def fixed_on_sensor(strip: Strip, points: KnotPoints, path: KnotPath, place: limits.Place) -> bool:
    """Whether a track keeps its place on the sensor while the Sun moves, or runs there against it.

    In the strips, which follow the Sun, dust shadows, hot pixels and ghosts move with the drift's speed,
    turned round; a reflection that runs against the Sun moves twice as fast. Along the edge of a reflection a
    track may slide: then the sensor is bright there when the Sun has moved on, too.
    """
    angle, height = strip.geometry.angle_deg(points.column), strip.geometry.height_mm(points.row)
    own, sun, px_per_mm = on_sensor(strip.frame[points.index], angle, height, place)
    time = points.time_s - points.time_s.mean()
    slope = time / np.sum(time**2)
    error = max(path.fit.radial_err_km_s, path.fit.along_err_km_s) / 1e3 * px_per_mm
    # any drift tells the two apart, also one to and fro that a velocity does not show
    if any(
        keeps_place(own + against, sun + against)
        and np.hypot(*(slope @ (own + against))) < limits.SEEN * error
        for against in (0.0, sun)
    ):
        return True
    drifts = np.hypot(*(slope @ sun)) > limits.CERTAIN * error
    return bool(drifts) and _stays_bright(strip, points, own, place)


def _stays_bright(strip: Strip, points: KnotPoints, own_px: np.ndarray, place: limits.Place) -> bool:
    """Whether the places of a track on the sensor, (n, 2), are as bright at other times, when other parts of
    the Sun stand there: four in five of them within a factor of two."""
    geometry, pairs = strip.geometry, []
    others, looked = (spread_over(n, most).tolist() for n, most in ((len(strip), 5), (len(points), LOOKS)))
    lights = list(strip.mapped(np.asarray, others))
    for k, own in zip(looked, strip.mapped(np.asarray, points.index[looked].tolist()), strict=True):
        here = np.array([points.row[k], points.column[k]])
        for frame, light in zip(strip.frame[others].tolist(), lights, strict=True):

            def aside(at: np.ndarray, frame: int = frame, k: int = k) -> np.ndarray:
                """Sensor pixels from the place of the track to where a place of the strip stands."""
                on_sun = float(geometry.angle_deg(at[1])), float(geometry.height_mm(at[0]))
                return np.subtract(place(frame, *on_sun), own_px[k])

            at = root(aside, here).x
            if np.hypot(*(at - here)) > 10.0:  # px of the strips, twice a usual knot
                pairs.append((contrast(light, *at), contrast(own, *here)))
    there, then = np.array(pairs).reshape(-1, 2).T
    known = np.isfinite(there) & np.isfinite(then) & (then != 0.0)
    seen = there[known] / then[known]
    return len(seen) >= LOOKS and bool(np.mean((seen > 0.5) & (seen < 2.0)) > 0.8)


def on_sensor(
    frame: np.ndarray, angle_deg: np.ndarray, height_mm: np.ndarray, place: limits.Place
) -> tuple[np.ndarray, np.ndarray, float]:
    """(n, 2) where places stand on the sensor in these frames; (n, 2) where their middle does, a point of the
    Sun; and sensor pixels in a megametre."""
    frames, middle = frame.tolist(), (float(angle_deg.mean()), float(height_mm.mean()))
    at = zip(frames, angle_deg.tolist(), height_mm.tolist(), strict=True)
    own, sun = np.array([place(*one) for one in at]), np.array([place(one, *middle) for one in frames])
    above = place(frames[0], middle[0], middle[1] + 1.0)
    return own, sun, float(np.hypot(*np.subtract(above, sun[0])))


def keeps_place(own_px: np.ndarray, sun_px: np.ndarray) -> bool:
    """Whether places on the sensor, (n, 2), scatter there far less than on a Sun at `sun_px`."""
    own, on_sun = (np.hypot(*np.std(places, axis=0)) for places in (own_px, own_px - sun_px))
    return bool(own < 0.5 * on_sun)


def contrast(strip: np.ndarray, row: float, column: float) -> float:
    """Brightness of 3 x 3 pixels against the median of 15 x 15; nan beyond what the strip shows."""
    r, c = round(row), round(column)
    around = strip[max(r - 7, 0) : r + 8, max(c - 7, 0) : c + 8]
    if around.shape != (15, 15) or not np.isfinite(around).all():
        return float("nan")
    return float(around[6:9, 6:9].mean() - np.median(around))


def before_the_sun(strip: Strip, points: KnotPoints, sensor: Sensor | None = None) -> str:
    """Why a track is, or may be, something between the Sun and the telescope; '' where nothing says so.

    Its straight line is followed beyond its ends. Plasma takes light from the disc behind it, and does not
    add as much there as beside it; and plasma that crosses all the field has neither risen from the Sun nor
    fallen on it. The field ends with the frames, not where strips are narrower or something is covered;
    without `sensor` its borders are not known.
    """
    found = _on_its_line(strip.geometry, points.time_s, points.row, points.column, strip.time_s)
    own = (strip.time_s >= points.time_s[0]) & (strip.time_s <= points.time_s[-1])
    deepest = strip.geometry.row(-3.0)  # well inside the limb, and what the air makes of it
    on_disc = np.flatnonzero(~own & (found[:, 0] >= 7) & (found[:, 0] < deepest))
    if len(on_disc) and _adds_light(strip, points, on_disc, found):
        return BEFORE
    if sensor is None:
        return ""
    crosses = all(_passes_border(strip, points.index, points.row, points.column, sensor))
    return CROSSES if crosses else ""


def doubtful_knots(strip: Strip, knots: tuple[KnotTrack, ...]) -> Iterator[Check]:
    """Whether moving knots look like specks before the Sun: straight, at one speed, seen neither to begin nor
    to end, and 30 Mm or more from all other tracks."""
    lone = []
    for knot in knots:
        if not knot.moving or knot.by_hand or knot.fit.model != "constant speed":
            continue
        index = np.searchsorted(strip.frame, knot.frame)
        row, column = strip.geometry.row(knot.height_mm), strip.geometry.column(knot.angle_deg)
        cut = index[0] <= 1, index[-1] >= len(strip) - 2  # by the recording's own beginning and end
        open_ = [c or p for c, p in zip(cut, _passes_border(strip, index, row, column), strict=True)]
        others = [_in_the_sky(strip.geometry, k.height_mm, k.angle_deg) for k in knots if k is not knot]
        own = _in_the_sky(strip.geometry, knot.height_mm, knot.angle_deg)
        if all(open_) and all(np.abs(np.subtract.outer(own, other)).min() > 30.0 for other in others):
            lone.append(f"{knot.knot}")
    if lone:
        which = f"Knot {lone[0]} flies" if len(lone) == 1 else f"Knots {', '.join(lone)} fly"
        # satellites, birds and insects go at 15 arcsec a second and more: 11000 km/s, if it were on the Sun
        words = f"{which} alone and straight, and the frames show no beginning and no end"
        other = "a reflection, or a speck in the optics, that wanders would look the same"
        yield Check("motion", "lone knots", "fair", f"{words}: {other}")


def _in_the_sky(geometry: StripGeometry, height_mm: np.ndarray, angle_deg: np.ndarray) -> np.ndarray:
    """(n,) places in the plane of the sky as complex numbers, Mm from the Sun's centre."""
    return (geometry.limb_mm + height_mm) * np.exp(1j * np.deg2rad(angle_deg))


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
    step = 3.0 * float(np.median(np.diff(strip.time_s)))  # the line goes on for three frames
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
    looked = spread_over(len(points), LOOKS)
    elsewhere = list(strip.mapped(np.asarray, points.index[looked].tolist()))
    at = zip(elsewhere, points.row[looked], points.column[looked], strict=True)
    own = [contrast(*one) for one in at]
    index = index[spread_over(len(index), LOOKS)]
    lights = list(strip.mapped(np.asarray, index.tolist()))
    # columns beside the track's, whose change tells what its own light is worth: what is fast shows itself on
    # the disc in one frame, in which few of them would look alike by chance
    aside = [0, *range(-48, -8, 8), *range(16, 56, 8)]
    change = np.full((len(lights), len(aside)), np.nan)
    for i, (light, (row, column)) in enumerate(zip(lights, place[index], strict=True)):
        for k, away in enumerate(aside):
            usual = [contrast(other, row, column + away) for other in elsewhere]
            if np.isfinite(usual).any():
                change[i, k] = contrast(light, row, column + away) - np.nanmedian(usual)
    seen = np.isfinite(change).any(axis=0)
    if not seen[0] or seen.sum() < 4 or not np.isfinite(own).any():
        return False
    here, *beside = np.nanmean(change[:, seen], axis=0)
    return bool(
        here > 0.5 * np.nanmedian(own) and here > limits.CERTAIN * np.sqrt(np.mean(np.square(beside)))
    )


def sure_km_s(strip: Strip, spacing_mm: float) -> float:
    """The speed at which a knot moves half the spacing of knots between two frames. Beyond it the nearest
    point of the next strip is more often another knot, and knots in file seem to move slowly, or backward."""
    return 0.5e3 * spacing_mm / float(np.median(np.diff(strip.time_s)))


def cadence_notes(strip: Strip, spacing_mm: float, knots: tuple[KnotTrack, ...]) -> tuple[str, ...]:
    """A sentence where the cadence is too slow for what moves, or for what usually falls; else nothing."""
    # What was measured cannot tell of confusion, so what usually falls must be within reach too.
    limit = sure_km_s(strip, spacing_mm)
    if limit >= max(RAIN_MEAN.high_km_s, *(knot.fit.speed_km_s for knot in knots if knot.moving), 0.0):
        return ()
    return (
        f"the cadence of {np.median(np.diff(strip.time_s)):.0f} s is too slow for such motion: knots stand "
        f"{spacing_mm:.0f} Mm apart, so one faster than {limit:.0f} km/s moves more than half their "
        "spacing between frames and may be confused with its neighbour; take frames more often",
    )


def knot_spacing_mm(strip: Strip, points: KnotPoints) -> float:
    """Median distance of a point to the nearest other point of the same strip, inf where there are no two."""
    geometry = strip.geometry
    nearest = []
    edges = np.searchsorted(points.index, np.arange(len(strip) + 1))
    for first, last in pairwise(edges.tolist()):
        if last - first > 1:
            row, column = points.row[first:last], points.column[first:last]
            wide = geometry.mm_per_column(geometry.height_mm(row.mean()))
            apart = np.hypot((row[:, None] - row) * geometry.mm_per_row, (column[:, None] - column) * wide)
            np.fill_diagonal(apart, np.inf)
            nearest.append(apart.min(axis=1))
    return float(np.median(np.concatenate(nearest))) if nearest else float("inf")
