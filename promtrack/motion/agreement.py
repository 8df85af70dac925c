"""Do knots and ridges tell the same speed? Ridges, slits and knots in, ridges with their knots out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from promtrack.motion.kinematics import beyond_chance, fit_polynomial
from promtrack.motion.records import KnotTrack, Ridge
from promtrack.strip.records import StripGeometry, TimeDistance
from promtrack.sun import wrapped_deg

__all__ = ["match_ridges"]

NEAR_MM = 3.0       # half the largest knot and a little
SIGMAS = 2.0        # of the combined error: what counts as agreement
LEAST_POINTS = 4    # of a knot during the ridge


def match_ridges(ridges: tuple[Ridge, ...], slits: tuple[TimeDistance, ...], knots: tuple[KnotTrack, ...],
                 geometry: StripGeometry) -> tuple[Ridge, ...]:
    """Give each ridge the knot that runs along it, and compare the speeds along the path.

    A knot belongs to a ridge if it is within 3 Mm of the ridge's middle at that time. Its speed along the path is
    fitted anew over the time of the ridge, because a knot on an arch changes it.
    """
    return tuple(_matched(ridge, slits[ridge.slit], knots, geometry) for ridge in ridges)


def _matched(ridge: Ridge, slit: TimeDistance, knots: tuple[KnotTrack, ...], geometry: StripGeometry) -> Ridge:
    height = float(np.interp(ridge.distance_mm, slit.distance_mm, slit.height_mm))
    angle = float(np.interp(ridge.distance_mm, slit.distance_mm, slit.angle_deg))
    away = [_distance_mm(knot, ridge.time_s, height, angle, geometry) for knot in knots]
    if not away or min(away) > NEAR_MM:
        return ridge
    knot = knots[int(np.argmin(away))]
    turn = np.deg2rad(wrapped_deg(knot.angle_deg - angle))
    along_mm = turn * (geometry.limb_mm + knot.height_mm)
    speed, error = _speed_along(knot, along_mm, ridge, _tangent(slit, ridge.distance_mm, geometry))
    agrees = abs(speed - ridge.speed_km_s) <= SIGMAS * np.hypot(error, ridge.speed_err_km_s)
    return replace(ridge, knot=knot.knot, knot_speed_km_s=speed, agrees=bool(agrees))


def _distance_mm(knot: KnotTrack, time_s: float, height_mm: float, angle_deg: float, geometry: StripGeometry) -> float:
    """Distance of a knot from a point in the plane of the sky; inf when it is not seen at that time."""
    if not knot.time_s[0] <= time_s <= knot.time_s[-1]:
        return float("inf")
    h = float(np.interp(time_s, knot.time_s, knot.height_mm))
    a = float(np.interp(time_s, knot.time_s, np.unwrap(knot.angle_deg, period=360)))
    turn = np.deg2rad(wrapped_deg(a - angle_deg))
    return float(np.hypot(h - height_mm, turn * (geometry.limb_mm + 0.5 * (h + height_mm))))


def _tangent(slit: TimeDistance, distance_mm: float, geometry: StripGeometry) -> np.ndarray:
    """(2,) unit vector of the path: outward, and along the limb towards increasing angle."""
    outward = np.gradient(slit.height_mm, slit.distance_mm)
    along = np.gradient(np.deg2rad(slit.angle_deg), slit.distance_mm) * (geometry.limb_mm + slit.height_mm)
    vector = np.array([np.interp(distance_mm, slit.distance_mm, part) for part in (outward, along)])
    return vector / np.hypot(*vector)


def _speed_along(knot: KnotTrack, along_mm: np.ndarray, ridge: Ridge, tangent: np.ndarray) -> tuple[float, float]:
    """Speed of the knot along the path, and its error, over the time of the ridge."""
    during = (knot.time_s >= ridge.first_s - 1) & (knot.time_s <= ridge.last_s + 1)
    if during.sum() < LEAST_POINTS:
        velocity = np.array([knot.fit.radial_km_s, knot.fit.along_km_s])
        errors = np.array([knot.fit.radial_err_km_s, knot.fit.along_err_km_s])
        return float(tangent @ velocity), float(np.hypot(*(tangent * errors)))
    place = tangent[0] * knot.height_mm + tangent[1] * along_mm
    sigma = np.hypot(tangent[0] * knot.height_err_mm, tangent[1] * knot.along_err_mm)
    count = int(during.sum())
    fits = [fit_polynomial(knot.time_s, place, sigma, degree, used=during) for degree in range(1, min(3, count // 5) + 1)]
    fit = min(fits or [fit_polynomial(knot.time_s, place, sigma, 1, used=during)],
              key=lambda one: one.chi2 + (one.degree + 1) * np.log(count))   # BIC with known errors
    if beyond_chance(fit.chi2, fit.dof):
        fit = fit.scaled(float(np.sqrt(fit.chi2 / fit.dof)))
    at = float(np.clip(ridge.time_s, knot.time_s[during][0], knot.time_s[during][-1]))
    return float(fit.value(at, 1)) * 1e3, float(fit.error(at, 1)) * 1e3
