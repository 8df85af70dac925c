"""Do knots and ridges tell the same speed? Ridges, slits and knots in, ridges with their knots out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from promtrack.motion.records import KnotTrack, Ridge
from promtrack.strip.records import StripGeometry, TimeDistance
from promtrack.sun import wrapped_deg

__all__ = ["match_ridges"]

NEAR_MM = 3.0  # half the largest knot and a little
SIGMAS = 2.0  # of the combined error: what counts as agreement
LEAST_POINTS = 4  # of a knot during the ridge
LEAST_SHARE = 0.6  # of the ridge's time in which the knot is seen


def match_ridges(
    ridges: tuple[Ridge, ...],
    slits: tuple[TimeDistance, ...],
    knots: tuple[KnotTrack, ...],
    geometry: StripGeometry,
) -> tuple[Ridge, ...]:
    """Give each ridge the knot that runs along it, and compare the speeds along the path over the same time.

    A knot belongs to a ridge if it is seen in most of its time and is then, in median, within 3 Mm of it. The
    velocity is that of its fitted path at the middle of that time, because a knot on an arch changes it,
    projected on the slit.
    """
    return tuple(_matched(ridge, slits[ridge.slit], knots, geometry) for ridge in ridges)


def _matched(
    ridge: Ridge, slit: TimeDistance, knots: tuple[KnotTrack, ...], geometry: StripGeometry
) -> Ridge:
    away = [_distance_mm(knot, ridge, slit, geometry) for knot in knots]
    if not away or min(away) > NEAR_MM:
        return ridge
    knot = knots[int(np.argmin(away))]
    speed, error = _speed_along(knot, ridge, slit, geometry)
    agrees = abs(speed - ridge.speed_km_s) <= SIGMAS * np.hypot(error, ridge.speed_err_km_s)
    return replace(ridge, knot=knot.knot, knot_speed_km_s=speed, agrees=bool(agrees))


def _during(knot: KnotTrack, ridge: Ridge) -> np.ndarray:
    """(n,) points of the knot in the time of the ridge; half a second counts as no difference."""
    return (knot.time_s >= ridge.first_s - 0.5) & (knot.time_s <= ridge.last_s + 0.5)


def _distance_mm(knot: KnotTrack, ridge: Ridge, slit: TimeDistance, geometry: StripGeometry) -> float:
    """Median distance of a knot from the ridge, in the plane of the sky; inf when it is not seen most of that
    time."""
    during = _during(knot, ridge)
    time = knot.time_s[during]
    if during.sum() < LEAST_POINTS or np.ptp(time) < LEAST_SHARE * (ridge.last_s - ridge.first_s):
        return float("inf")
    distance = ridge.distance_mm + ridge.speed_km_s / 1e3 * (time - ridge.time_s)
    height, angle = (np.interp(distance, slit.distance_mm, axis) for axis in (slit.height_mm, slit.angle_deg))
    turn = np.deg2rad(wrapped_deg(knot.angle_deg[during] - angle))
    return float(np.median(np.hypot(knot.height_mm[during] - height, turn * (geometry.limb_mm + height))))


def _speed_along(
    knot: KnotTrack, ridge: Ridge, slit: TimeDistance, geometry: StripGeometry
) -> tuple[float, float]:
    """Speed of the knot along the path at the middle of the ridge, and its error, by the knot's fitted
    path."""
    distance_s = (
        np.gradient(knot.curve_mm, knot.time_s),
        np.gradient(np.deg2rad(knot.curve_angle_deg), knot.time_s) * (geometry.limb_mm + knot.curve_mm),
    )
    velocity = [1e3 * float(np.interp(ridge.time_s, knot.time_s, part)) for part in distance_s]
    error = float(np.interp(ridge.time_s, knot.time_s, knot.speed_err_km_s))
    return float(_tangent(slit, ridge.distance_mm, geometry) @ velocity), error


def _tangent(slit: TimeDistance, distance_mm: float, geometry: StripGeometry) -> np.ndarray:
    """(2,) unit vector of the path: outward, and along the limb towards increasing angle."""
    outward = np.gradient(slit.height_mm, slit.distance_mm)
    along = np.gradient(np.deg2rad(slit.angle_deg), slit.distance_mm) * (geometry.limb_mm + slit.height_mm)
    vector = np.array([np.interp(distance_mm, slit.distance_mm, part) for part in (outward, along)])
    return vector / np.hypot(*vector)
