"""Kinematic fit of one knot in the plane of the sky: positions against time in, KnotFit out.

Heights and distances along the limb in Mm, times in s, speeds in km/s, accelerations in m/s^2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from promtrack.motion.kinematics import Polynomial, beyond_chance, find_wrong_points, fit_polynomial
from promtrack.motion.records import KnotFit

__all__ = ["KnotPath", "fit_knot", "fit_path"]

KM_S = 1e3      # Mm/s in km/s
M_S2 = 1e6      # Mm/s^2 in m/s^2
VERY_STRONG = 10.0   # difference of BIC; Kass & Raftery 1995, J. Am. Stat. Assoc. 90, 773


@dataclass(frozen=True, slots=True, eq=False)
class KnotPath:
    """A knot's fit, and where the fitted path runs at the times of its points, in the coordinates of the points."""

    fit: KnotFit
    radial_mm: np.ndarray   # (n,)
    along_mm: np.ndarray    # (n,)


def fit_knot(time_s: np.ndarray, radial_mm: np.ndarray, along_mm: np.ndarray,
             radial_err_mm: np.ndarray | float, along_err_mm: np.ndarray | float, *,
             shared_radial_mm: np.ndarray | float = 0.0, shared_along_mm: np.ndarray | float = 0.0,
             scale_err: float = 0.0, clock_err: float = 0.0) -> KnotFit:
    """The fit alone of `fit_path`."""
    return fit_path(time_s, radial_mm, along_mm, radial_err_mm, along_err_mm, shared_radial_mm=shared_radial_mm,
                    shared_along_mm=shared_along_mm, scale_err=scale_err, clock_err=clock_err).fit


def fit_path(time_s: np.ndarray, radial_mm: np.ndarray, along_mm: np.ndarray,
             radial_err_mm: np.ndarray | float, along_err_mm: np.ndarray | float, *,
             shared_radial_mm: np.ndarray | float = 0.0, shared_along_mm: np.ndarray | float = 0.0,
             scale_err: float = 0.0, clock_err: float = 0.0) -> KnotPath:
    """Fit constant speed and constant acceleration in both coordinates, and choose by BIC.

    Wrong points are left out first (see `find_wrong_points`; at most a quarter of them). If chi squared of the
    fullest fit is beyond chance all errors are scaled by sqrt(chi2 / dof) (Birge 1932, Phys. Rev. 40, 207).
    If a change of acceleration with time is very strongly preferred (BIC difference above 10) the model is
    'none': the speed given is then the slope at mid-time of the cubic fit, and the acceleration its value there.

    Parameters
    ----------
    time_s, radial_mm, along_mm : (n,) finite, n >= 4; radial outward, along the limb towards increasing angle
    radial_err_mm, along_err_mm : 1-sigma errors of the single points, one value or (n,)
    shared_radial_mm, shared_along_mm : registration errors of the frames; added in quadrature, because from frame
        to frame they are independent
    scale_err, clock_err : relative 1-sigma errors of scale and clock; reported apart, as `systematic_km_s`

    Raises
    ------
    ValueError : wrong shapes, fewer than 4 points, values that are not finite

    References
    ----------
    Speed from two noisy components, without the bias that makes every knot at rest move: the modified asymptotic
    estimator of Plaszczynski et al. 2014, MNRAS 439, 4048.
    """
    time_s, radial_mm, along_mm = (np.asarray(values, float) for values in (time_s, radial_mm, along_mm))
    if time_s.ndim != 1 or not time_s.shape == radial_mm.shape == along_mm.shape or len(time_s) < 4:
        raise ValueError("time_s, radial_mm and along_mm must have one shape (n,) with n >= 4, got "
                         f"{time_s.shape}, {radial_mm.shape} and {along_mm.shape}")
    place = np.stack([radial_mm, along_mm])
    error = np.stack([np.broadcast_to(np.hypot(radial_err_mm, shared_radial_mm), time_s.shape),
                      np.broadcast_to(np.hypot(along_err_mm, shared_along_mm), time_s.shape)])
    used = find_wrong_points(time_s, place, error, 2 if len(time_s) >= 7 else 1)
    fits = [_fit_both(time_s, place, error, degree, used) for degree in range(1, min(3, int(used.sum()) - 3) + 1)]
    chosen, scale, criteria = _choose(fits)
    middle = 0.5 * (time_s[0] + time_s[-1])
    fit = _as_knot_fit(fits[chosen], chosen, scale, criteria, middle, math.hypot(scale_err, clock_err))
    radial, along = (part.value(time_s) for part in fits[chosen])
    return KnotPath(fit, radial, along)


def _fit_both(time_s: np.ndarray, place: np.ndarray, error: np.ndarray, degree: int,
              used: np.ndarray) -> tuple[Polynomial, Polynomial]:
    radial, along = (fit_polynomial(time_s, place[i], error[i], degree, used=used) for i in (0, 1))
    return radial, along


def _choose(fits: list[tuple[Polynomial, Polynomial]]) -> tuple[int, float, list[float]]:
    """Index of the chosen fit, factor on all errors, BIC of each fit with the errors so scaled."""
    squares = [radial.chi2 + along.chi2 for radial, along in fits]
    dof = [radial.dof + along.dof for radial, along in fits]
    values = 2 * int(fits[0][0].used.sum())
    fullest = min(range(len(fits)), key=lambda i: squares[i] / dof[i])
    scale2 = squares[fullest] / dof[fullest] if beyond_chance(squares[fullest], dof[fullest]) else 1.0
    criteria = [chi2 / scale2 + (values - free) * math.log(values) for chi2, free in zip(squares, dof, strict=True)]
    chosen = int(np.argmin(criteria[:2]))
    if len(fits) > 2 and criteria[2] < criteria[chosen] - VERY_STRONG:
        chosen = 2
    scale2 = squares[chosen] / dof[chosen] if beyond_chance(squares[chosen], dof[chosen]) else 1.0
    return chosen, math.sqrt(scale2), criteria


def _as_knot_fit(fit: tuple[Polynomial, Polynomial], chosen: int, scale: float, criteria: list[float],
                 middle: float, relative_err: float) -> KnotFit:
    radial, along = fit
    fit = radial.scaled(scale), along.scaled(scale)
    velocity = np.array([part.value(middle, 1) for part in fit]) * KM_S
    sigma = np.array([part.error(middle, 1) for part in fit]) * KM_S
    speed, speed_err, unit = _speed(velocity, sigma)
    accel = accel_err = math.nan
    if chosen > 0:
        accel = float(unit @ [part.value(middle, 2) for part in fit]) * M_S2
        accel_err = float(np.hypot(*(unit * [part.error(middle, 2) for part in fit]))) * M_S2
    return KnotFit(
        model=("constant speed", "constant acceleration", "none")[chosen], time_s=middle,
        radial_km_s=float(velocity[0]), radial_err_km_s=float(sigma[0]),
        along_km_s=float(velocity[1]), along_err_km_s=float(sigma[1]),
        speed_km_s=speed, speed_err_km_s=speed_err,
        direction_deg=math.degrees(math.atan2(velocity[1], velocity[0])) % 360,
        accel_m_s2=accel, accel_err_m_s2=accel_err, systematic_km_s=speed * relative_err,
        chi2_per_dof=sum(part.chi2 for part in fit) / sum(part.dof for part in fit), errors_scaled=scale > 1,
        bic_speed=criteria[0], bic_accel=criteria[1] if len(criteria) > 1 else math.inf)


def _speed(velocity: np.ndarray, sigma: np.ndarray) -> tuple[float, float, np.ndarray]:
    """Length of a noisy vector with its noise bias removed, its error, and the direction."""
    raw = float(np.hypot(*velocity))
    unit = velocity / raw if raw > 0 else np.array([1.0, 0.0])
    across2 = float(np.sum((sigma * unit[::-1]) ** 2))   # variance across the motion makes the length too large
    bias = across2 * -math.expm1(-raw**2 / across2) / (2 * raw) if raw > 0 and across2 > 0 else 0.0
    return raw - bias, float(np.sqrt(np.sum((sigma * unit) ** 2))), unit
