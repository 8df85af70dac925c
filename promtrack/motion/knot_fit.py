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
FREEST = 6           # degree of the freest polynomial tried: an arch from leg to leg
POINTS_PER_COEFFICIENT = 3   # for degrees above 2
LESS_SUPPORT = 2.0   # difference of AICc below which a model keeps substantial support; Burnham & Anderson 2004


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

    Wrong points are left out first (see `find_wrong_points`; at most a quarter of them). If chi squared of a fit is
    beyond chance its errors are scaled by sqrt(chi2 / dof) (Birge 1932, Phys. Rev. 40, 207).
    BIC chooses between constant speed and constant acceleration. Knots on arches obey neither, so polynomials of degree 3
    to 6 are tried as well: if the best of them has more support (AICc, made for the case that no candidate is true), the
    model is 'none', and speed and acceleration are those of that polynomial at mid-time.
    The errors of speed and acceleration hold the spread of all polynomials about the chosen one, weighted by their
    support exp(-AICc / 2): a curve that the data can hardly tell from a straight path bends the speed all the same.

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
    estimator of Plaszczynski et al. 2014, MNRAS 439, 4048. Support of models and the error from their spread: Burnham &
    Anderson 2004, Sociol. Methods Res. 33, 261.
    """
    time_s, radial_mm, along_mm = (np.asarray(values, float) for values in (time_s, radial_mm, along_mm))
    if time_s.ndim != 1 or not time_s.shape == radial_mm.shape == along_mm.shape or len(time_s) < 4:
        raise ValueError("time_s, radial_mm and along_mm must have one shape (n,) with n >= 4, got "
                         f"{time_s.shape}, {radial_mm.shape} and {along_mm.shape}")
    place = np.stack([radial_mm, along_mm])
    error = np.stack([np.broadcast_to(np.hypot(radial_err_mm, shared_radial_mm), time_s.shape),
                      np.broadcast_to(np.hypot(along_err_mm, shared_along_mm), time_s.shape)])
    used = find_wrong_points(time_s, place, error, 2 if len(time_s) >= 7 else 1)
    fits = [_fit_both(time_s, place, error, degree, used) for degree in _degrees(int(used.sum()))]
    choice = _choose(fits)
    middle = 0.5 * (time_s[0] + time_s[-1])
    fit = _as_knot_fit(fits, choice, middle, math.hypot(scale_err, clock_err))
    radial, along = (part.value(time_s) for part in fits[choice.chosen])
    return KnotPath(fit, radial, along)


@dataclass(frozen=True, slots=True, eq=False)
class _Choice:
    """Which fit is quoted, and how much the others count."""

    chosen: int           # index of the fit
    scale: float          # factor on its errors
    weights: np.ndarray   # (k,) support of each fit, sum 1
    criteria: np.ndarray  # (k,) BIC of each fit


def _degrees(points: int) -> list[int]:
    """Degrees that so many points can carry: a line always."""
    free = [degree for degree in range(3, FREEST + 1) if points >= POINTS_PER_COEFFICIENT * (degree + 1)]
    return [1] + [2] * (points >= 5) + free


def _fit_both(time_s: np.ndarray, place: np.ndarray, error: np.ndarray, degree: int,
              used: np.ndarray) -> tuple[Polynomial, Polynomial]:
    radial, along = (fit_polynomial(time_s, place[i], error[i], degree, used=used) for i in (0, 1))
    return radial, along


def _choose(fits: list[tuple[Polynomial, Polynomial]]) -> _Choice:
    squares = np.array([radial.chi2 + along.chi2 for radial, along in fits])
    dof = np.array([radial.dof + along.dof for radial, along in fits])
    values = 2 * int(fits[0][0].used.sum())
    free = values - dof
    closest = int(np.argmin(squares / dof))
    scaled = squares / _excess(squares[closest], dof[closest])
    criteria = scaled + free * math.log(values)
    support = scaled + 2 * free + 2 * free * (free + 1) / np.maximum(values - free - 1, 1)
    chosen = int(np.argmin(criteria[:2]))
    if len(fits) > 2 and support[2:].min() < support[:2].min() - LESS_SUPPORT:
        chosen = 2 + int(np.argmin(support[2:]))
    weights = np.exp(-0.5 * (support - support.min()))
    return _Choice(chosen, math.sqrt(_excess(squares[chosen], dof[chosen])), weights / weights.sum(), criteria)


def _excess(squares: float, dof: int) -> float:
    """Chi squared per degree of freedom where it is beyond chance, else 1."""
    return squares / dof if beyond_chance(squares, dof) else 1.0


def _as_knot_fit(fits: list[tuple[Polynomial, Polynomial]], choice: _Choice, middle: float, relative_err: float) -> KnotFit:
    velocity, sigma = (part * KM_S for part in _derivative(fits, choice, middle, 1))
    speed, speed_err, unit = _speed(velocity, sigma)
    accel = accel_err = math.nan
    if choice.chosen > 0:
        change, change_err = (part * M_S2 for part in _derivative(fits, choice, middle, 2))
        accel, accel_err = float(unit @ change), float(np.hypot(*(unit * change_err)))
    parts = fits[choice.chosen]
    return KnotFit(
        model=("constant speed", "constant acceleration", "none")[min(choice.chosen, 2)], time_s=middle,
        radial_km_s=float(velocity[0]), radial_err_km_s=float(sigma[0]),
        along_km_s=float(velocity[1]), along_err_km_s=float(sigma[1]),
        speed_km_s=speed, speed_err_km_s=speed_err,
        direction_deg=math.degrees(math.atan2(velocity[1], velocity[0])) % 360,
        accel_m_s2=accel, accel_err_m_s2=accel_err, systematic_km_s=speed * relative_err,
        chi2_per_dof=sum(part.chi2 for part in parts) / sum(part.dof for part in parts), errors_scaled=choice.scale > 1,
        bic_speed=float(choice.criteria[0]), bic_accel=float(choice.criteria[1]) if len(fits) > 1 else math.inf)


def _derivative(fits: list[tuple[Polynomial, Polynomial]], choice: _Choice, at_s: float,
                order: int) -> tuple[np.ndarray, np.ndarray]:
    """(2,) derivative of the chosen fit, outward and along the limb, and its error with the spread of the other fits."""
    values = np.array([[part.value(at_s, order) for part in fit] for fit in fits])
    own = choice.scale * np.array([part.error(at_s, order) for part in fits[choice.chosen]])
    spread2 = choice.weights @ (values - values[choice.chosen]) ** 2
    return values[choice.chosen], np.sqrt(own**2 + spread2)


def _speed(velocity: np.ndarray, sigma: np.ndarray) -> tuple[float, float, np.ndarray]:
    """Length of a noisy vector with its noise bias removed, its error, and the direction."""
    raw = float(np.hypot(*velocity))
    unit = velocity / raw if raw > 0 else np.array([1.0, 0.0])
    across2 = float(np.sum((sigma * unit[::-1]) ** 2))   # variance across the motion makes the length too large
    bias = across2 * -math.expm1(-raw**2 / across2) / (2 * raw) if raw > 0 and across2 > 0 else 0.0
    return raw - bias, float(np.sqrt(np.sum((sigma * unit) ** 2))), unit
