"""Which knot a front's edge merely follows, which ridges are a front's own edge, and whether a ridge has the
speed of the knot that runs along it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from promtrack.motion import limits
from promtrack.motion.front_search import CELL_ALONG_MM
from promtrack.motion.records import Front, KnotTrack, Ridge
from promtrack.strip.records import StripGeometry, TimeDistance
from promtrack.sun import wrapped_deg


def knot_followed(front: Front, knots: Sequence[KnotTrack], geometry: StripGeometry) -> int:
    """Number of the knot that is all there is to a front, 0 if there is none: it lies at the edge at most of
    its times and through most of its rise, and what rises is not much wider than its way along the limb. An
    eruption is wide, though knots go with it. The knot need not be called moving: it was tried as a knot,
    which asks for more than the edge of a sector."""
    rise_mm = np.abs(np.gradient(front.height_mm if front.best is None else front.best.curve_mm))
    extent_mm = np.deg2rad(front.extent_deg) * geometry.limb_mm
    for knot in knots:
        # a still knot is seen in one to three steps of angle
        if extent_mm > 3.5 * CELL_ALONG_MM + np.ptp(knot.along_mm):
            continue
        _, mine, its = np.intersect1d(front.frame, knot.frame, return_indices=True)
        apart = front.height_mm[mine] - knot.height_mm[its]
        turn = np.deg2rad(wrapped_deg(front.angle_deg[mine] - knot.angle_deg[its]))
        along = turn * (geometry.limb_mm + knot.height_mm[its])
        # a knot's edge lies half a size above its middle, smoothed outward
        reach_mm = limits.KNOT_MM + 2 * np.hypot(front.height_err_mm[mine], knot.height_err_mm[its])
        there = mine[(np.abs(apart) < reach_mm) & (np.abs(along) < reach_mm)]
        if 2 * len(there) > len(front.frame) and 2 * rise_mm[there].sum() > rise_mm.sum():
            return knot.knot
    return 0


def match_ridges(
    ridges: tuple[Ridge, ...],
    slits: tuple[TimeDistance, ...],
    knots: tuple[KnotTrack, ...],
    geometry: StripGeometry,
    fronts: tuple[Front, ...] = (),
) -> tuple[Ridge, ...]:
    """Give each ridge the knot that runs along it, and compare the speeds along the path over the same time;
    and the moving front of whose edge it is the light.

    A knot belongs to a ridge if it is seen in most of its time, in median within 3 Mm of it; its velocity is
    that of its fitted path in the middle of that time. A front does if it is seen in most of that time, in
    median with the ridge in its sector and not farther above it than half level and middle of a structure lie
    apart.
    """
    matched = []
    for ridge in ridges:
        slit = slits[ridge.slit]
        away = [_distance_mm(knot, ridge, slit, geometry) for knot in knots]
        if away and min(away) <= limits.KNOT_MM / 2:
            knot = knots[int(np.argmin(away))]
            at, along = ridge.time_s, ridge.distance_mm
            velocity = _outward_along(knot.time_s, knot.curve_mm, knot.curve_angle_deg, at, geometry)
            path = _outward_along(slit.distance_mm, slit.height_mm, slit.angle_deg, along, geometry)
            speed = 1e3 * float(velocity @ path / np.hypot(*path))
            error = np.hypot(np.interp(at, knot.time_s, knot.speed_err_km_s), ridge.speed_err_km_s)
            agrees = bool(abs(speed - ridge.speed_km_s) <= limits.COMPATIBLE * error)
            ridge = replace(ridge, knot=knot.knot, knot_speed_km_s=speed, agrees=agrees)
        on = [one.front for one in fronts if one.moving and _on_front(ridge, slit, one)]
        matched.append(replace(ridge, front=on[0]) if on else ridge)
    return tuple(matched)


def _on_front(ridge: Ridge, slit: TimeDistance, front: Front) -> bool:
    """Whether a ridge is the light of a front's edge."""
    during, height, angle = _during(ridge, slit, front.time_s)
    if not during.any():
        return False
    apart = np.abs(front.height_mm[during] - height) - 2 * front.height_err_mm[during]
    sector = (front.to_deg - front.from_deg) % 360.0
    width = np.nanmax([sector, front.extent_deg])
    # or where an arch that rises may grow beyond it, by a quarter of its width on either side
    inside = np.abs(wrapped_deg(angle - front.from_deg - 0.5 * sector)) < 0.75 * width
    return bool(np.median(apart) < limits.KNOT_MM and np.median(inside) > 0)


def _during(ridge: Ridge, slit: TimeDistance, time_s: np.ndarray) -> tuple[np.ndarray, ...]:
    """Which of the times lie in a ridge's, to half a second, none where they do not cover most of it; and
    height and angle of the ridge at those."""
    during = (time_s >= ridge.first_s - 0.5) & (time_s <= ridge.last_s + 0.5)
    seen = time_s[during]
    if len(seen) < 4 or np.ptp(seen) < 0.6 * (ridge.last_s - ridge.first_s):
        during, seen = np.zeros(len(time_s), bool), seen[:0]
    distance = ridge.distance_mm + ridge.speed_km_s / 1e3 * (seen - ridge.time_s)
    return during, *(np.interp(distance, slit.distance_mm, axis) for axis in (slit.height_mm, slit.angle_deg))


def _distance_mm(knot: KnotTrack, ridge: Ridge, slit: TimeDistance, geometry: StripGeometry) -> float:
    """Median distance of a knot from the ridge in the plane of the sky; inf if it is hardly seen then."""
    during, height, angle = _during(ridge, slit, knot.time_s)
    if not during.any():
        return float("inf")
    turn = np.deg2rad(wrapped_deg(knot.angle_deg[during] - angle))
    return float(np.median(np.hypot(knot.height_mm[during] - height, turn * (geometry.limb_mm + height))))


def _outward_along(
    x: np.ndarray, height_mm: np.ndarray, angle_deg: np.ndarray, at: float, geometry: StripGeometry
) -> np.ndarray:
    """(2,) derivative by x of a path, at x = `at`: outward, and along the limb towards increasing angle."""
    outward = np.gradient(height_mm, x)
    along = np.gradient(np.deg2rad(angle_deg), x) * (geometry.limb_mm + height_mm)
    return np.array([np.interp(at, x, part) for part in (outward, along)])
