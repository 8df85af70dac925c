"""Kinematic fit of one knot in the plane of the sky: positions against time in, KnotFit out.

Heights and distances along the limb in Mm, times in s, speeds in km/s, accelerations in m/s^2.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from promtrack.motion.kinematics import Polynomial, beyond_chance, find_wrong_points, fit_polynomial
from promtrack.motion.records import KnotFit

__all__ = ["Choice", "KnotPath", "allow_swerve", "fit_knot", "fit_path", "usual_swerve"]

KM_S = 1e3  # Mm/s in km/s
M_S2 = 1e6  # Mm/s^2 in m/s^2
FREEST = 6  # degree of the freest polynomial tried: an arch from leg to leg
POINTS_PER_COEFFICIENT = 3  # for degrees above 2
LESS_SUPPORT = (
    2.0  # difference of AICc below which a model keeps substantial support; Burnham & Anderson 2004
)
SWERVES = np.concatenate([[0.0], np.geomspace(3e-4, 0.3, 60)])  # relative; from none to a third of the speed
PARABOLA, CUBIC, QUINTIC = 1, 2, 4  # index of the fit of degree 2, 3, 5
TURNS_ON = (
    0.2  # swerve to be expected beyond a cubic or quartic, over what the cubic turned the parabola's velocity
)
# (arches of made strips: 0.03 to 0.2)
TAILS = 4.0  # degrees of freedom of Student's law for swerves: one track that changes knots decides little


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """Which of several fits is quoted, and how much the others count."""

    chosen: int  # index of the fit
    scale: float  # factor on its errors
    weights: np.ndarray  # (k,) support of each fit, sum 1
    criteria: np.ndarray  # (k,) BIC of each fit


@dataclass(frozen=True, slots=True, eq=False)
class KnotPath:
    """A knot's fit, where the fitted path runs at the times of its points, in their coordinates, and what
    else was fitted."""

    fit: KnotFit
    radial_mm: np.ndarray  # (n,)
    along_mm: np.ndarray  # (n,)
    fits: list[
        tuple[Polynomial, Polynomial]
    ]  # of degree 1, 2, ... as far as the points carry; outward, along the limb
    choice: Choice

    def velocity(self, fit: int) -> tuple[np.ndarray, np.ndarray]:
        """(2,) outward and along the limb at mid-time by one of the fits, and its error; km/s."""
        value, error = np.array(
            [[part.value(self.fit.time_s, 1), part.error(self.fit.time_s, 1)] for part in self.fits[fit]]
        ).T
        return value * KM_S, error * KM_S * self.choice.scale

    def apart(self, simpler: int, freer: int) -> tuple[np.ndarray, np.ndarray]:
        """(2,) velocity by the freer fit minus that by the simpler one, and its error if the simpler one is
        true; km/s."""
        (value, error), (other, other_err) = self.velocity(simpler), self.velocity(freer)
        return other - value, np.sqrt(
            np.maximum(other_err**2 - error**2, 1e-12)
        )  # Hausman 1978, Econometrica 46, 1251


def fit_knot(
    time_s: np.ndarray,
    radial_mm: np.ndarray,
    along_mm: np.ndarray,
    radial_err_mm: np.ndarray | float,
    along_err_mm: np.ndarray | float,
    *,
    shared_radial_mm: np.ndarray | float = 0.0,
    shared_along_mm: np.ndarray | float = 0.0,
    scale_err: float = 0.0,
    clock_err: float = 0.0,
) -> KnotFit:
    """The fit alone of `fit_path`."""
    return fit_path(
        time_s,
        radial_mm,
        along_mm,
        radial_err_mm,
        along_err_mm,
        shared_radial_mm=shared_radial_mm,
        shared_along_mm=shared_along_mm,
        scale_err=scale_err,
        clock_err=clock_err,
    ).fit


def fit_path(
    time_s: np.ndarray,
    radial_mm: np.ndarray,
    along_mm: np.ndarray,
    radial_err_mm: np.ndarray | float,
    along_err_mm: np.ndarray | float,
    *,
    shared_radial_mm: np.ndarray | float = 0.0,
    shared_along_mm: np.ndarray | float = 0.0,
    scale_err: float = 0.0,
    clock_err: float = 0.0,
) -> KnotPath:
    """Fit constant speed and constant acceleration in both coordinates, and choose by BIC.

    Wrong points are left out first (see `find_wrong_points`; at most a quarter of them). If chi squared of a
    fit is beyond chance its errors are scaled by sqrt(chi2 / dof) (Birge 1932, Phys. Rev. 40, 207).
    BIC chooses between constant speed and constant acceleration. Knots on arches obey neither, so polynomials
    of degree 3 to 6 are tried as well: if the best of them has more support (AICc, made for the case that no
    candidate is true), the model is 'none', and speed and acceleration are those of that polynomial at
    mid-time. The errors of speed and acceleration hold the spread of all polynomials about the chosen one,
    weighted by their support exp(-AICc / 2): a curve that the data can hardly tell from a straight path bends
    the speed all the same.

    Parameters
    ----------
    time_s, radial_mm, along_mm : (n,) finite, n >= 4; radial outward, along the limb towards increasing angle
    radial_err_mm, along_err_mm : 1-sigma errors of the single points, one value or (n,)
    shared_radial_mm, shared_along_mm : registration errors of the frames; added in quadrature, because from
        frame to frame they are independent
    scale_err, clock_err : relative 1-sigma errors of scale and clock; reported apart, as `systematic_km_s`

    Raises
    ------
    ValueError : wrong shapes, fewer than 4 points, values that are not finite

    References
    ----------
    Speed from two noisy components, without the bias that makes every knot at rest move: the modified
    asymptotic estimator of Plaszczynski et al. 2014, MNRAS 439, 4048. Support of models and the error from
    their spread: Burnham & Anderson 2004, Sociol. Methods Res. 33, 261.
    """
    time_s, radial_mm, along_mm = (np.asarray(values, float) for values in (time_s, radial_mm, along_mm))
    if time_s.ndim != 1 or not time_s.shape == radial_mm.shape == along_mm.shape or len(time_s) < 4:
        raise ValueError(
            "time_s, radial_mm and along_mm must have one shape (n,) with n >= 4, got "
            f"{time_s.shape}, {radial_mm.shape} and {along_mm.shape}"
        )
    place = np.stack([radial_mm, along_mm])
    error = np.stack(
        [
            np.broadcast_to(np.hypot(radial_err_mm, shared_radial_mm), time_s.shape),
            np.broadcast_to(np.hypot(along_err_mm, shared_along_mm), time_s.shape),
        ]
    )
    used = find_wrong_points(time_s, place, error, 2 if len(time_s) >= 7 else 1)
    fits = [_fit_both(time_s, place, error, degree, used) for degree in _degrees(int(used.sum()))]
    choice = _choose(fits)
    middle = 0.5 * (time_s[0] + time_s[-1])
    fit = _as_knot_fit(fits, choice, middle, math.hypot(scale_err, clock_err))
    radial, along = (part.value(time_s) for part in fits[choice.chosen])
    return KnotPath(fit, radial, along, fits, choice)


def usual_swerve(paths: list[KnotPath]) -> float:
    """How far knots of one run usually swerve from line and parabola: 1 sigma of their velocity's change,
    over their speed.

    Of evenly spaced points line and parabola give one velocity at mid-time; a cubic changes it. Rain that
    falls along one arcade swerves in each of its knots, mostly by less than a single fit can tell. All of
    them together tell: the value of greatest likelihood, 0 where the errors explain it all. Empirical Bayes:
    Efron & Morris 1973, J. Am. Stat. Assoc. 68, 117.
    """
    known = [path for path in paths if len(path.fits) > CUBIC]
    if not known:
        return 0.0
    away, err = np.concatenate([path.apart(PARABOLA, CUBIC) for path in known], axis=1)
    speed = np.repeat([np.hypot(*path.velocity(PARABOLA)[0]) for path in known], 2)
    variance = err**2 + (SWERVES[:, None] * speed) ** 2
    likelihood = -0.5 * np.sum((TAILS + 1) * np.log1p(away**2 / variance / TAILS) + np.log(variance), axis=1)
    return float(SWERVES[np.argmax(likelihood)])


def allow_swerve(path: KnotPath, usual: float) -> KnotPath:
    """The path with errors that hold the swerve to be expected of it, in place of the spread of the models.

    Line and parabola may swerve as the run's knots usually do, a polynomial of degree 3 or 4 by a fifth of
    what it turned already; the next odd power, where it was fitted, bounds either: mean and variance after
    the data, of a Gaussian before them. Paths of degree 5 and 6 keep the spread.
    """
    chosen = path.choice.chosen
    if chosen >= QUINTIC:
        return path
    fit, (velocity, sigma) = path.fit, path.velocity(chosen)
    freer, before = (
        (CUBIC, usual * np.hypot(*velocity))
        if chosen < CUBIC
        else (QUINTIC, TURNS_ON * np.hypot(*path.apart(PARABOLA, CUBIC)[0]))
    )
    after2 = np.full(2, before**2)
    if len(path.fits) > freer:
        away, err = path.apart(chosen, freer)
        weight = before**2 / (before**2 + err**2)
        after2 = (1 - weight) * before**2 + (weight * away) ** 2
    sigma = np.sqrt(sigma**2 + after2)
    speed, speed_err, _ = _speed(velocity, sigma)
    relative_err = fit.systematic_km_s / fit.speed_km_s if fit.speed_km_s > 0 else 0.0
    return replace(
        path,
        fit=replace(
            fit,
            radial_err_km_s=float(sigma[0]),
            along_err_km_s=float(sigma[1]),
            speed_km_s=speed,
            speed_err_km_s=speed_err,
            systematic_km_s=speed * relative_err,
        ),
    )


def _degrees(points: int) -> list[int]:
    """Degrees that so many points can carry: a line always."""
    free = [degree for degree in range(3, FREEST + 1) if points >= POINTS_PER_COEFFICIENT * (degree + 1)]
    return [1] + [2] * (points >= 5) + free


def _fit_both(
    time_s: np.ndarray, place: np.ndarray, error: np.ndarray, degree: int, used: np.ndarray
) -> tuple[Polynomial, Polynomial]:
    radial, along = (fit_polynomial(time_s, place[i], error[i], degree, used=used) for i in (0, 1))
    return radial, along


def _choose(fits: list[tuple[Polynomial, Polynomial]]) -> Choice:
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
    return Choice(chosen, math.sqrt(_excess(squares[chosen], dof[chosen])), weights / weights.sum(), criteria)


def _excess(squares: float, dof: int) -> float:
    """Chi squared per degree of freedom where it is beyond chance, else 1."""
    return squares / dof if beyond_chance(squares, dof) else 1.0


def _as_knot_fit(
    fits: list[tuple[Polynomial, Polynomial]], choice: Choice, middle: float, relative_err: float
) -> KnotFit:
    velocity, sigma = (part * KM_S for part in _derivative(fits, choice, middle, 1))
    speed, speed_err, unit = _speed(velocity, sigma)
    accel = accel_err = math.nan
    if choice.chosen > 0:
        change, change_err = (part * M_S2 for part in _derivative(fits, choice, middle, 2))
        accel, accel_err = float(unit @ change), float(np.hypot(*(unit * change_err)))
    parts = fits[choice.chosen]
    return KnotFit(
        model=("constant speed", "constant acceleration", "none")[min(choice.chosen, 2)],
        time_s=middle,
        radial_km_s=float(velocity[0]),
        radial_err_km_s=float(sigma[0]),
        along_km_s=float(velocity[1]),
        along_err_km_s=float(sigma[1]),
        speed_km_s=speed,
        speed_err_km_s=speed_err,
        direction_deg=math.degrees(math.atan2(velocity[1], velocity[0])) % 360,
        accel_m_s2=accel,
        accel_err_m_s2=accel_err,
        systematic_km_s=speed * relative_err,
        chi2_per_dof=sum(part.chi2 for part in parts) / sum(part.dof for part in parts),
        errors_scaled=choice.scale > 1,
        bic_speed=float(choice.criteria[0]),
        bic_accel=float(choice.criteria[1]) if len(fits) > 1 else math.inf,
    )


def _derivative(
    fits: list[tuple[Polynomial, Polynomial]], choice: Choice, at_s: float, order: int
) -> tuple[np.ndarray, np.ndarray]:
    """(2,) derivative of the chosen fit, outward and along the limb, and its error with the spread of the
    other fits."""
    values = np.array([[part.value(at_s, order) for part in fit] for fit in fits])
    own = choice.scale * np.array([part.error(at_s, order) for part in fits[choice.chosen]])
    spread2 = choice.weights @ (values - values[choice.chosen]) ** 2
    return values[choice.chosen], np.sqrt(own**2 + spread2)


def _speed(velocity: np.ndarray, sigma: np.ndarray) -> tuple[float, float, np.ndarray]:
    """Length of a noisy vector with its noise bias removed, its error, and the direction."""
    raw = float(np.hypot(*velocity))
    unit = velocity / raw if raw > 0 else np.array([1.0, 0.0])
    across2 = float(
        np.sum((sigma * unit[::-1]) ** 2)
    )  # variance across the motion makes the length too large
    bias = across2 * -math.expm1(-(raw**2) / across2) / (2 * raw) if raw > 0 and across2 > 0 else 0.0
    return raw - bias, float(np.sqrt(np.sum((sigma * unit) ** 2))), unit
