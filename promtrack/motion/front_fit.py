"""Models of a rising front: heights against time in, fits with bootstrap errors and a verdict out.

Constant speed; ballistic (thrown up, with the Sun's gravity); constant acceleration; rest and then constant
acceleration; and linear plus exponential (slow rise, then fast rise):
h(t) = c0 exp((t - t0)/tau) + c1 (t - t0) + c2 with t0 fixed at the first time, because a shift of t0 is
absorbed by c0 and c2 (Cheng et al. 2013, ApJL 769, L25). Its onset is the time when the exponential part of
the speed equals the linear part. The last two are linear but for the start or tau, which alone is searched
(variable projection: Golub & Pereyra 1973, SIAM J. Numer. Anal. 10, 413), so that a whole bootstrap is one
matrix product.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.optimize import minimize_scalar

from promtrack.motion.kinematics import beyond_chance, bic, fit_polynomial
from promtrack.motion.records import NONE, FrontFit

__all__ = [
    "fit_front",
    "front_verdict",
    "linear_exponential",
    "local_speeds",
    "onset_time",
]

SPEED, BALLISTIC, ACCELERATION, REST, EXPONENTIAL = MODELS = (
    "constant speed",
    "ballistic",
    "constant acceleration",
    "rest, then constant acceleration",
    "linear plus exponential",
)  # the simplest first
LEAST_AFTER_REST = 4  # heights after the start from rest
LOCAL_POINTS = 6  # heights in a window of a local speed
Shape = Callable[[np.ndarray, float], np.ndarray]
# differences of BIC that are 'not worth more than a bare mention', and 'very strong' evidence: Kass & Raftery
# 1995, J. Am. Stat. Assoc. 90, 773
BARE_MENTION, VERY_STRONG = 2.0, 10.0
STRAYED, SMOOTHLY = 2.0, 0.6
DRIFT_POWERS = 6  # Legendre polynomials in the drift of the edge's own level ...
STEEPNESS = (
    1.5  # ... and the power of their degree by which each is smaller (tests/benchmarks/front_accuracy.py)
)
KM_S, M_S2 = 1e3, 1e6  # Mm/s in km/s, Mm/s^2 in m/s^2


@dataclass(frozen=True, slots=True, eq=False)
class _Draws:
    """One model fitted to many data sets at once: first the data themselves, then the bootstrap."""

    parameters: tuple[str, ...]
    values: np.ndarray  # (m, k)
    curve: np.ndarray  # (m, n)
    speed: np.ndarray  # (m, 3) Mm/s at the first, middle and last time
    peak: np.ndarray  # (m,) Mm/s, largest speed in the span
    accel: np.ndarray  # (m,) Mm/s^2, mean over the span
    accel_peak: np.ndarray  # (m,) Mm/s^2, largest in the span
    onset: np.ndarray  # (m,) s, nan where there is none
    free: int  # parameters that are fitted


@dataclass(frozen=True, slots=True, eq=False)
class _Errors:
    """Independent errors of the heights and a slow drift they share, in a form that least squares
    understands.

    The drift is a sum of polynomials of known variance; those that fit best are taken out of whatever is
    fitted, and what they cost is added (generalised least squares, the covariance err^2 + drift drift^T;
    Rybicki & Press 1992, ApJ 398, 169).
    """

    err_mm: np.ndarray  # (n,)
    drift_mm: np.ndarray  # (n, k) polynomials, each of 1 sigma
    basis: np.ndarray  # (n + k, k) orthonormal

    @classmethod
    def of(cls, time_s: np.ndarray, err_mm: np.ndarray, drift_mm: float) -> _Errors:
        powers = min(DRIFT_POWERS, len(time_s) // 5) if drift_mm > 0 else 0
        u = 2 * (time_s - time_s[0]) / (time_s[-1] - time_s[0]) - 1
        degree = np.arange(1, powers + 1)
        drift = (
            np.polynomial.legendre.legvander(u, powers)[:, 1:]
            * np.sqrt(2 * degree + 1)
            * drift_mm
            / degree**STEEPNESS
        )
        basis, _ = np.linalg.qr(np.vstack([drift / err_mm[:, None], np.eye(powers)]))
        return cls(err_mm, drift, basis)

    def white(self, values: np.ndarray) -> np.ndarray:
        """(n + k, ...) values (n, ...) free of drift in units of their errors, and the drift's own cost."""
        scaled = (values.T / self.err_mm).T
        padded = np.concatenate([scaled, np.zeros((self.drift_mm.shape[1], *scaled.shape[1:]))])
        result: np.ndarray = padded - self.basis @ (self.basis.T @ padded)
        return result

    @property
    def taken(self) -> float:
        """How many points' worth of freedom the drift takes."""
        return float(np.sum(self.basis[: len(self.err_mm)] ** 2))


def linear_exponential(time_s: np.ndarray, c0: float, tau: float, c1: float, c2: float) -> np.ndarray:
    """Height c0 exp(t/tau) + c1 t + c2."""
    return c0 * np.exp(time_s / tau) + c1 * time_s + c2


def onset_time(c0: np.ndarray | float, tau: np.ndarray | float, c1: np.ndarray | float) -> np.ndarray | float:
    """Time after t0 when the exponential part of the speed equals the linear part: tau ln(c1 tau / c0)."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return tau * np.log(c1 * tau / c0)


def fit_front(
    time_s: np.ndarray,
    height_mm: np.ndarray,
    err_mm: np.ndarray,
    *,
    rng: np.random.Generator,
    drift_mm: float = 0.0,
    gravity_m_s2: float = 220.0,
    draws: int = 400,
) -> tuple[FrontFit, ...]:
    """Fit every model the number of points allows, and mark the simplest whose BIC is within 2 of the
    smallest.

    Parameters
    ----------
    time_s, height_mm, err_mm : (n,) rising times, n >= 5
    drift_mm : rms of the straight part, over the span, of a slow drift that all heights share: a front that
        grows and thins shifts its own half level. Bends are smaller. It is part of all errors, and no model
        is preferred for following it.
    gravity_m_s2 : of the ballistic model; that of the Sun 75 Mm above the photosphere by default
    draws : bootstrap samples. Standardised residuals are drawn again; where neighbours are correlated, their
        innovations are drawn and the correlation is put back (sieve bootstrap of first order: Buhlmann 1997,
        Bernoulli 3, 123), so that a slow wobble of the edge is not taken for many free points.

    Raises
    ------
    ValueError : wrong shapes, fewer than 5 points
    """
    time_s, height_mm, err_mm = (np.asarray(values, float) for values in (time_s, height_mm, err_mm))
    if not time_s.shape == height_mm.shape == err_mm.shape or time_s.ndim != 1 or len(time_s) < 5:
        raise ValueError(
            "time_s, height_mm and err_mm must have one shape (n,) with n >= 5, got "
            f"{time_s.shape}, {height_mm.shape} and {err_mm.shape}"
        )
    models = MODELS[: 3 if len(time_s) < 8 else 5]
    n, errors = len(time_s), _Errors.of(time_s, err_mm, drift_mm)
    first = {model: _fit_many(model, time_s, height_mm[None], errors, gravity_m_s2) for model in models}
    first = {model: fit for model, fit in first.items() if np.isfinite(fit.values).all()}
    white = {model: errors.white(height_mm - fit.curve[0]) for model, fit in first.items()}
    squares = {model: float(np.sum(rest**2)) for model, rest in white.items()}
    free = {model: fit.free for model, fit in first.items()}
    closest = min(squares, key=lambda model: squares[model])
    count = _independent(white[closest][:n], free[closest])
    criteria = {m: bic(squares[m] * count / n, count, free[m] + 1) for m in first}
    possible = [m for m, fit in first.items() if not _falls_first(fit, err_mm)]
    chosen = next(m for m in possible if criteria[m] <= min(criteria[one] for one in possible) + BARE_MENTION)
    memory = _memory(white[chosen][:n], free[chosen])
    fits = []
    for model, fit in first.items():
        again = fit.curve[0] + err_mm * _redraw(
            white[model][:n], memory, free[model] + errors.taken, draws, rng
        )
        again += rng.normal(size=(draws, errors.drift_mm.shape[1])) @ errors.drift_mm.T
        fits.append(
            _record(
                model,
                fit,
                _fit_many(model, time_s, again, errors, gravity_m_s2),
                (time_s[0], time_s[-1]),
                bic=criteria[model],
                chi2_per_dof=squares[model] / (n - free[model]),
                chosen=model == chosen,
            )
        )
    return tuple(fits)


def _falls_first(fit: _Draws, err_mm: np.ndarray) -> bool:
    """Whether the model sinks by more than its error before it rises: no plasma starts like that."""
    lowest = int(fit.curve[0].argmin())
    sunk = fit.curve[0][0] - fit.curve[0][lowest]
    return bool(fit.speed[0, 2] > 0 and sunk > float(np.median(err_mm)))


def front_verdict(
    time_s: np.ndarray, height_mm: np.ndarray, err_mm: np.ndarray, fits: tuple[FrontFit, ...]
) -> str:
    """The chosen model's name, or that none describes the motion.

    None does if chi squared is beyond chance and a polynomial of degree 3 to 8 is very strongly preferred
    (BIC difference above 10, counting correlated points once), or if the heights stray from the model
    smoothly (correlation of neighbours above 0.6) and by more than twice their errors: steps and bends that
    no such polynomial follows either.
    """
    best = next(fit for fit in fits if fit.chosen)
    n, free = len(time_s), len(best.parameters) - (best.model == BALLISTIC)
    if not beyond_chance(best.chi2_per_dof * (n - free), n - free):
        return best.model
    if best.chi2_per_dof > STRAYED**2 and _memory((height_mm - best.curve_mm) / err_mm, free) > SMOOTHLY:
        return NONE
    freer = [
        fit_polynomial(time_s, height_mm, err_mm, degree)
        for degree in range(3, 9)
        if n >= min(2 * degree, degree + 4)
    ]
    if not freer:
        return best.model
    count = _independent(freer[-1].residual / err_mm, freer[-1].degree + 1)
    per_point = count / n
    own = bic(best.chi2_per_dof * (n - free) * per_point, count, free + 1)
    other = min(bic(fit.chi2 * per_point, count, fit.degree + 2) for fit in freer)
    return NONE if other < own - VERY_STRONG else best.model


def _memory(residual: np.ndarray, free: int) -> float:
    """Correlation of neighbours, corrected for what the fit has swallowed; 0 within chance (5 %, one-sided).

    The estimate's bias is -(1 + 4 r)/n for a mean (Kendall 1954, Biometrika 41, 403), and about as much again
    for every further parameter.
    """
    n = len(residual)
    centred = residual - residual.mean()
    power = float(centred @ centred)
    r = float(centred[1:] @ centred[:-1]) / power if power > 0 else 0.0
    if r <= 1.645 / np.sqrt(n):
        return 0.0
    return min(r + (1 + 4 * r) / n + (free - 1) * (1 + r) / n, 0.9)


def _independent(residual: np.ndarray, free: int) -> int:
    """Number of independent points among n correlated ones: n (1 - r) / (1 + r) for a first-order
    autoregression."""
    n, r = len(residual), _memory(residual, free)
    return max(round(n * (1 - r) / (1 + r)), min(n, 6))


def _redraw(
    residual: np.ndarray, memory: float, free: float, draws: int, rng: np.random.Generator
) -> np.ndarray:
    """(draws, n) residuals drawn again, with their memory."""
    n = len(residual)
    centred = residual - residual.mean()
    innovation = centred[1:] - memory * centred[:-1]
    # The fit has taken its parameters' share of the variance away, each as long as the memory lasts.
    swallowed = min(free * (1 + memory) / (1 - memory), 0.6 * n)
    source = innovation if memory > 0 else centred
    scale = np.sqrt(
        n / (n - swallowed) * np.mean(centred**2) * (1 - memory**2) / max(np.mean(source**2), 1e-300)
    )
    lead = round(5 / (1 - memory)) if memory > 0 else 0
    drawn = rng.choice(source, (draws, n + lead)) * scale
    from scipy.signal import lfilter  # takes a quarter of a second to load: beside the search for knots

    return lfilter([1.0], [1.0, -memory], drawn, axis=1)[:, lead:]


def _fit_many(
    model: str, time_s: np.ndarray, heights: np.ndarray, errors: _Errors, gravity_m_s2: float
) -> _Draws:
    if model in (REST, EXPONENTIAL):
        return _fit_with_search(model, time_s, heights, errors)
    return _fit_polynomial(model, time_s, heights, errors, gravity_m_s2)


def _fit_polynomial(
    model: str, time_s: np.ndarray, heights: np.ndarray, errors: _Errors, gravity_m_s2: float
) -> _Draws:
    middle, half = 0.5 * (time_s[0] + time_s[-1]), 0.5 * (time_s[-1] - time_s[0])
    u = (time_s - middle) / half
    degree = 2 if model == ACCELERATION else 1
    fall = 0.5 * gravity_m_s2 / M_S2 * half**2 if model == BALLISTIC else 0.0
    design = np.vander(u, degree + 1, increasing=True)
    c = errors.white((heights + fall * u**2).T).T @ np.linalg.pinv(errors.white(design)).T  # (m, degree + 1)
    accel = 2 * (c[:, 2] if degree == 2 else np.full(len(c), -fall)) / half**2
    speed = c[:, 1:2] / half + accel[:, None] * half * np.array([-1.0, 0.0, 1.0])
    values = np.column_stack([c[:, 0], c[:, 1] / half * KM_S])
    names = ("height_mm", "speed_km_s", "accel_m_s2")  # at mid-time
    if model != SPEED:
        values = np.column_stack([values, accel * M_S2])
    peak = np.take_along_axis(speed, np.abs(speed).argmax(axis=1)[:, None], axis=1)[:, 0]
    none = np.full(len(c), np.nan)
    curve = c @ design.T - fall * u**2
    return _Draws(names[: values.shape[1]], values, curve, speed, peak, accel, accel, none, degree + 1)


def _fit_with_search(model: str, time_s: np.ndarray, heights: np.ndarray, errors: _Errors) -> _Draws:
    """A model that is linear but for one parameter, which is searched."""
    t = time_s - time_s[0]
    span = float(t[-1])
    if model == EXPONENTIAL:  # beyond the span it is a parabola
        shortest = max(2 * float(np.median(np.diff(t))), span / 100)
        grid = np.geomspace(min(shortest, span / 8), span, 120)
    else:
        grid = np.linspace(0.0, t[-LEAST_AFTER_REST], 120)
    shape = _exponential if model == EXPONENTIAL else _from_rest
    white = errors.white(heights.T).T
    best = _search(t, white, errors, grid, shape)
    if len(heights) == 1 and np.isfinite(best[0]):
        best = _polished(t, white[0], errors, grid, best[0], shape)
    c = np.full((len(heights), 3), np.nan)
    curve = np.full(heights.shape, np.nan)
    for i in np.flatnonzero(np.isfinite(best)):
        design = shape(t, best[i])
        scaled = errors.white(design)
        solved = np.linalg.solve(scaled.T @ scaled, scaled.T @ white[i])
        if solved[-1] > 0:  # a part that slows down is another motion
            c[i, -len(solved) :] = solved
            curve[i] = design @ solved
    best = np.where(np.isfinite(c[:, -1]), best, np.nan)
    return (_exponential_draws if model == EXPONENTIAL else _rest_draws)(time_s, best, c, curve)


def _exponential(t: np.ndarray, tau: float) -> np.ndarray:
    return np.column_stack([np.ones_like(t), t / t[-1], np.exp((t - t[-1]) / tau)])


def _from_rest(t: np.ndarray, start: float) -> np.ndarray:
    return np.column_stack([np.ones_like(t), (np.maximum(t - start, 0.0) / t[-1]) ** 2])


def _exponential_draws(time_s: np.ndarray, tau: np.ndarray, c: np.ndarray, curve: np.ndarray) -> _Draws:
    span = time_s[-1] - time_s[0]
    c0, c1 = c[:, 2] * np.exp(-span / tau), c[:, 1] / span
    at = np.array([0.0, 0.5 * span, span])
    rise = (c0 / tau)[:, None] * np.exp(at / tau[:, None])
    speed = rise + c1[:, None]
    peak = np.where(np.abs(speed[:, 2]) >= np.abs(speed[:, 0]), speed[:, 2], speed[:, 0])
    values = np.column_stack([c0, tau, c1 * KM_S, c[:, 0]])
    names = ("rise_mm", "tau_s", "speed_km_s", "height_mm")
    mean = (speed[:, 2] - speed[:, 0]) / span
    onset = np.asarray(onset_time(c0, tau, c1), float) + time_s[0]
    return _Draws(names, values, curve, speed, peak, mean, rise[:, 2] / tau, onset, 4)


def _rest_draws(time_s: np.ndarray, start: np.ndarray, c: np.ndarray, curve: np.ndarray) -> _Draws:
    span = time_s[-1] - time_s[0]
    accel = 2 * c[:, 2] / span**2
    at = np.array([0.0, 0.5 * span, span])
    speed = accel[:, None] * np.maximum(at - start[:, None], 0.0)
    values = np.column_stack([c[:, 1], start + time_s[0], accel * M_S2])
    names = ("height_mm", "start_s", "accel_m_s2")
    return _Draws(names, values, curve, speed, speed[:, 2], speed[:, 2] / span, accel, start + time_s[0], 3)


def _search(t: np.ndarray, white: np.ndarray, errors: _Errors, grid: np.ndarray, shape: Shape) -> np.ndarray:
    """(m,) parameter of least squares for each row of whitened heights, from a fine grid and a parabola
    through its minimum; nan where the last part of the model would be negative everywhere."""
    total = np.sum(white**2, axis=1)
    squares = np.empty((len(grid), len(white)))
    for j, parameter in enumerate(grid):
        q, r = np.linalg.qr(errors.white(shape(t, parameter)))
        part = white @ q
        squares[j] = np.where(part[:, -1] / r[-1, -1] > 0, total - np.sum(part**2, axis=1), np.inf)
    best = squares.argmin(axis=0)
    inner = np.clip(best, 1, len(grid) - 2)
    low, mid, high = (squares[inner + d, np.arange(len(best))] for d in (-1, 0, 1))
    with np.errstate(invalid="ignore", divide="ignore"):
        shift = 0.5 * (low - high) / (low - 2 * mid + high)
    shift = np.where(np.isfinite(shift) & (inner == best), np.clip(shift, -0.5, 0.5), 0.0)
    found = np.interp(best + shift, np.arange(len(grid)), grid)
    return np.where(np.isfinite(squares[best, np.arange(len(best))]), found, np.nan)


def _polished(
    t: np.ndarray, white: np.ndarray, errors: _Errors, grid: np.ndarray, near: float, shape: Shape
) -> np.ndarray:
    """The parameter of least squares itself, from the grid's."""

    def squares(parameter: float) -> float:
        q, _ = np.linalg.qr(errors.white(shape(t, parameter)))
        return float(white @ white - np.sum((white @ q) ** 2))

    k = int(np.abs(grid - near).argmin())
    bounds = grid[max(k - 1, 0)], grid[min(k + 1, len(grid) - 1)]
    found = minimize_scalar(squares, bounds=bounds, method="bounded", options={"xatol": 1e-6 * t[-1]})
    return np.array([found.x])


def _record(
    model: str,
    fit: _Draws,
    again: _Draws,
    span_s: tuple[float, float],
    *,
    bic: float,
    chi2_per_dof: float,
    chosen: bool,
) -> FrontFit:
    first_s, last_s = span_s
    ok = np.isfinite(again.peak)
    accel_known = model != SPEED
    onset_ok = np.isfinite(again.onset)
    # An onset outside the time observed is no observation.
    onset_seen = bool(first_s < fit.onset[0] < last_s) and onset_ok.mean() > 0.8
    return FrontFit(
        model=model,
        parameters=fit.parameters,
        values=fit.values[0],
        errors=_spread(again.values[ok]),
        curve_mm=fit.curve[0],
        speed_km_s=fit.speed[0] * KM_S,
        speed_err_km_s=_spread(again.speed[ok]) * KM_S,
        peak_speed_km_s=float(fit.peak[0]) * KM_S,
        peak_speed_err_km_s=float(_spread(again.peak[ok])) * KM_S,
        accel_m_s2=float(fit.accel[0]) * M_S2 if accel_known else np.nan,
        accel_err_m_s2=float(_spread(again.accel[ok])) * M_S2 if accel_known else np.nan,
        accel_peak_m_s2=float(fit.accel_peak[0]) * M_S2 if accel_known else np.nan,
        accel_peak_err_m_s2=float(_spread(again.accel_peak[ok])) * M_S2 if accel_known else np.nan,
        onset_s=float(fit.onset[0]) if onset_seen else np.nan,
        onset_err_s=float(_spread(again.onset[onset_ok])) if onset_seen else np.nan,
        bic=bic,
        chi2_per_dof=chi2_per_dof,
        chosen=chosen,
    )


def _spread(values: np.ndarray) -> np.ndarray:
    """Half the interval that holds 68.3 % of the draws: a few wild ones do not count."""
    if len(values) < 20:
        return np.full(values.shape[1:], np.nan)
    low, high = np.percentile(values, [15.87, 84.13], axis=0)
    return 0.5 * (high - low)


def local_speeds(
    time_s: np.ndarray, height_mm: np.ndarray, err_mm: np.ndarray, window: int = LOCAL_POINTS
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Slopes over windows of so many heights that share none: times [s], speeds and 1-sigma errors [km/s].

    The error is the larger of what the errors and what the scatter of the window give.
    """
    rows = []
    for first in range(0, len(time_s) - window + 1, window):
        part = slice(first, first + window)
        if np.ptp(time_s[part]) > 0:
            line = fit_polynomial(time_s[part], height_mm[part], err_mm[part], 1)
            line = line.scaled(max(1.0, np.sqrt(line.chi2 / line.dof)))
            rows.append((line.centre, line.value(line.centre, 1) * KM_S, line.error(line.centre, 1) * KM_S))
    middle_s, speed, error = np.array(rows, float).reshape(-1, 3).T
    return middle_s, speed, error
