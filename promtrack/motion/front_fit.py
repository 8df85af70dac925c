"""Fits of a rising front: heights against time in, the models of `front_models` with errors and a verdict
out. Start, onset and tau, in which heights are not linear, are searched alone (variable projection: Golub &
Pereyra 1973, SIAM J. Numer. Anal. 10, 413).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import matmul_toeplitz
from scipy.optimize import minimize

from promtrack.motion.front_models import (
    BALLISTIC,
    EXPONENTIAL,
    GROWING,
    MODELS,
    POSITIVE,
    REST,
    SEARCHED,
    SPEED,
    SUDDEN,
    growth_bounds,
    onset_time,
    path,
)
from promtrack.motion.kinematics import (
    DriftingErrors,
    beyond_chance,
    bic,
    check_course,
    fit_polynomial,
    independent,
    memory_of,
    residual_covariance,
    spread,
)
from promtrack.motion.limits import COMPATIBLE, KM_S, M_S2
from promtrack.motion.records import NONE, FrontFit

FREER = (3, 4)  # degrees of polynomials beside the models
# differences of BIC that are 'not worth more than a bare mention', and 'very strong' evidence: Kass & Raftery
# 1995, J. Am. Stat. Assoc. 90, 773
BARE_MENTION, VERY_STRONG = 2.0, 10.0


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """One model fitted to the heights, in the parameters of `path`, with one drift."""

    errors: DriftingErrors
    values: np.ndarray  # (k,)
    slopes: np.ndarray  # (n, k) derivative of the heights by each
    curve: np.ndarray  # (n,)
    white: np.ndarray  # residuals over their errors

    @property
    def squares(self) -> float:
        """Chi squared, with what the drift itself costs."""
        return float(np.sum(self.white**2))

    def criterion(self, count: int) -> float:
        """BIC, `count` of the heights being independent; only differences matter."""
        part = self.squares * count / len(self.curve)
        return self.errors.log_det + bic(part, count, len(self.values) + 1, least_variance=1.0)

    def covariance(self, memory: float) -> np.ndarray:
        """(k, k) of the values, from the drift and the scatter of the heights with its memory."""
        n, errors = len(self.curve), self.errors
        moves = np.linalg.pinv(errors.white(self.slopes))
        moves = (moves - moves @ errors.basis @ errors.basis.T)[:, :n]  # by each height in its error
        scatter = residual_covariance(self.white[:n], memory, len(self.values) + errors.taken)
        drift = moves / errors.err_mm @ errors.drift_mm
        result: np.ndarray = moves @ matmul_toeplitz(scatter, moves.T) + drift @ drift.T
        return result


def fit_front(
    time_s: np.ndarray,
    height_mm: np.ndarray,
    err_mm: np.ndarray,
    *,
    rng: np.random.Generator,
    drift_mm: float | np.ndarray = 0.0,
    gravity_m_s2: float = 220.0,
    draws: int = 400,
) -> tuple[FrontFit, ...]:
    """Fit every model the number of points allows, and mark the simplest whose BIC is within 2 of the
    smallest.

    The errors of the chosen model's speeds hold how far those of models within 2 of its BIC lie away, and of
    polynomials of degree 3 and 4 that describe the heights better, weighted by exp(-BIC / 2).

    Parameters
    ----------
    time_s, height_mm, err_mm : (n,) rising times, n >= 5
    drift_mm : rms of the straight part, over the span, of a slow drift that all heights share: a front that
        grows and thins shifts its own half level. It is part of all errors, and no model is preferred for
        following it. Of several values, alike likely before (Gelman 2006, Bayesian Analysis 1, 515), the
        heights decide under each model: their mean square is taken, weighted by exp(-BIC / 2).
    gravity_m_s2 : of the ballistic model; that of the Sun 75 Mm above the photosphere by default
    draws : of the parameters, from the Gaussian that the scatter of the heights gives them, with its memory
        and the drift, the model being linear near its fit

    Raises ValueError: see `check_course`.
    """
    check_course(time_s, height_mm, err_mm, 5)
    n, t = len(time_s), time_s - 0.5 * (time_s[0] + time_s[-1])
    drifts = np.atleast_1d(drift_mm)
    drifting = [DriftingErrors.of(time_s, err_mm, one) for one in drifts]
    tried: dict[str, list[_Fit]] = {}
    for model in MODELS[: 3 if n < 8 else None]:  # four heights on either side of a start or an onset
        fits_of = (_fitted(model, t, height_mm, errors, gravity_m_s2) for errors in drifting)
        under = [fit for fit in fits_of if fit is not None]
        if len(under) == len(drifts):
            tried[model] = under
    closest = min((fit for under in tried.values() for fit in under), key=lambda fit: fit.criterion(n))
    count = independent(closest.white[:n], len(closest.values))
    found: dict[str, _Fit] = {}
    criteria: dict[str, float] = {}
    for model, under in tried.items():
        own = np.array([fit.criterion(count) for fit in under])
        criteria[model] = _marginal(own)
        likely = math.sqrt(np.average(drifts**2, weights=np.exp(0.5 * (own.min() - own))))
        again = _fitted(model, t, height_mm, DriftingErrors.of(time_s, err_mm, likely), gravity_m_s2)
        found[model] = again or under[int(own.argmin())]
    usual = float(np.median(err_mm))
    possible = [  # no plasma sinks by more than its error before it rises
        model
        for model, fit in found.items()
        if fit.curve[-1] <= fit.curve[-2] or fit.curve[0] - fit.curve.min() <= usual
    ]
    least = min(criteria[one] for one in possible)
    chosen = next(m for m in possible if criteria[m] <= least + BARE_MENTION)
    memory = memory_of(found[chosen].white[:n], len(found[chosen].values))
    fits = []
    for model, fit in found.items():
        values = rng.multivariate_normal(fit.values, fit.covariance(memory), draws, check_valid="ignore")
        if (positive := POSITIVE.get(model)) is not None:  # as in the fit
            values = values[values[:, positive] > 0]
        if model in (EXPONENTIAL, GROWING):
            values[:, 3] = np.clip(values[:, 3], *growth_bounds(t))
        fits.append(_record(model, fit, values, time_s, gravity_m_s2, criteria[model], model == chosen))
    limit = criteria[chosen] + BARE_MENTION
    rivals = [fit for fit in fits if fit.model in possible and fit.bic <= limit]
    others = [(fit.bic, fit.speed_km_s) for fit in rivals]
    for degree in FREER[: max(n - 6, 0)]:
        freer = [_polynomial(degree, t, height_mm, errors) for errors in drifting]
        own = np.array([fit.criterion(count) for fit in freer])
        if (marginal := _marginal(own)) < criteria[chosen]:
            speed = np.polyval(np.polyder(freer[int(own.argmin())].values), [t[0], 0.0, t[-1]]) * KM_S
            others.append((marginal, speed))
    return tuple(_with_choice(fit, others, rivals) if fit.chosen else fit for fit in fits)


def _marginal(criterion: np.ndarray) -> float:
    """BIC of a model whose drift may be any of several, alike likely before."""
    least = criterion.min()
    return float(least - 2.0 * np.log(np.mean(np.exp(0.5 * (least - criterion)))))


def _polynomial(degree: int, t: np.ndarray, height_mm: np.ndarray, errors: DriftingErrors) -> _Fit:
    """A polynomial that is freer than the models; its values are coefficients, highest power first."""
    powers = np.arange(degree, -1, -1)
    table = (t[:, None] / t[-1]) ** powers
    solved = np.linalg.lstsq(errors.white(table), errors.white(height_mm))[0]
    curve = table @ solved
    return _Fit(errors, solved / t[-1] ** powers, table, curve, errors.white(height_mm - curve))


def _with_choice(
    chosen: FrontFit, others: list[tuple[float, np.ndarray]], rivals: list[FrontFit]
) -> FrontFit:
    """The chosen model with the distance of the others' speeds, of which BIC is given, in its errors, and
    that of its rivals' onsets; without an onset where a rival has none."""
    if math.isfinite(chosen.onset_s):
        likely = np.exp(0.5 * (min(one.bic for one in rivals) - np.array([one.bic for one in rivals])))
        apart = np.array([one.onset_s for one in rivals]) - chosen.onset_s
        error = float(np.hypot(chosen.onset_err_s, np.sqrt(likely @ apart**2 / likely.sum())))
        onset = chosen.onset_s if math.isfinite(error) else math.nan
        chosen = replace(chosen, onset_s=onset, onset_err_s=error)
    criterion = np.array([one for one, _ in others])
    weight = np.exp(0.5 * (criterion.min() - criterion))
    speed = np.array([one for _, one in others])
    peak = np.take_along_axis(speed, np.abs(speed).argmax(axis=1)[:, None], axis=1)[:, 0]
    apart2, peak_apart2 = (speed - chosen.speed_km_s) ** 2, (peak - chosen.peak_speed_km_s) ** 2
    return replace(
        chosen,
        speed_err_km_s=np.sqrt(chosen.speed_err_km_s**2 + weight @ apart2 / weight.sum()),
        peak_speed_err_km_s=float(
            np.hypot(chosen.peak_speed_err_km_s, np.sqrt(weight @ peak_apart2 / weight.sum()))
        ),
    )


def front_verdict(
    time_s: np.ndarray, height_mm: np.ndarray, err_mm: np.ndarray, fits: tuple[FrontFit, ...]
) -> str:
    """The chosen model's name, or that none describes the motion: if chi squared is beyond chance and a
    polynomial of degree 3 to 8 is very strongly preferred (BIC difference above 10, counting correlated
    points once), or if the heights stray from the model smoothly (correlation of neighbours above 0.6) and by
    more than twice their errors: steps and bends that no such polynomial follows either."""
    best = next(fit for fit in fits if fit.chosen)
    n, free = len(time_s), len(best.parameters) - (best.model == BALLISTIC)
    if not beyond_chance(best.chi2_per_dof * (n - free), n - free):
        return best.model
    memory = memory_of((height_mm - best.curve_mm) / err_mm, free)
    # a front of two stages, which no polynomial follows, has more (tests/motion/test_front_fit.py)
    if best.chi2_per_dof > COMPATIBLE**2 and memory > 0.6:
        return NONE
    freer = [
        fit_polynomial(time_s, height_mm, err_mm, degree)
        for degree in range(3, 9)
        if n >= min(2 * degree, degree + 4)
    ]
    if not freer:
        return best.model
    count = independent(freer[-1].residual / err_mm, freer[-1].degree + 1)
    per_point = count / n
    own = bic(best.chi2_per_dof * (n - free) * per_point, count, free + 1)
    other = min(bic(fit.chi2 * per_point, count, fit.degree + 2) for fit in freer)
    return NONE if other < own - VERY_STRONG else best.model


def _fitted(
    model: str, t: np.ndarray, height_mm: np.ndarray, errors: DriftingErrors, gravity_m_s2: float
) -> _Fit | None:
    """Least squares; None where a part that should speed up slows down, or one that should be slow first is
    not seen: that is another motion."""
    count = {SPEED: 2, BALLISTIC: 2, EXPONENTIAL: 4, GROWING: 4}.get(model, 3)
    searched = list(SEARCHED.get(model, ()))
    linear = np.delete(np.eye(count), searched, axis=0)

    def at(tried: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Squares (m,), values (m, k) and slopes (n, m, linear parameters) with the searched ones at `tried`,
        (m, searched)."""
        base = np.zeros((len(tried), count))
        base[:, searched] = tried
        rows = np.concatenate([base, *(base + one for one in linear)])
        zero, *moved = path(model, t, rows, gravity_m_s2)[0].reshape(len(linear) + 1, len(tried), len(t))
        slopes = np.stack(moved, axis=-1).transpose(1, 0, 2) - zero.T[:, :, None]
        size = np.linalg.norm(slopes, axis=0) + 1e-300
        white = errors.white(slopes / size).transpose(1, 0, 2)
        wanted = errors.white(height_mm[:, None] - zero.T).T[:, :, None]
        solved = np.linalg.pinv(white) @ wanted
        squares = np.sum((wanted - white @ solved) ** 2, axis=(1, 2))
        if searched:  # the value that must be positive is the last linear one
            squares[solved[:, -1, 0] <= 0] = np.inf
        return squares, base + (solved[:, :, 0] / size) @ linear, slopes

    best = np.empty(0)
    if searched:
        # four heights tell what comes after a start, and before and after an onset
        starts, onsets, tau = (float(t[0]), float(t[-4])), (float(t[3]), float(t[-4])), growth_bounds(t)
        bounds = {EXPONENTIAL: [tau], GROWING: [onsets, tau]}.get(model, [starts])
        sides = [np.linspace(*ends, 120 if len(bounds) == 1 else 16) for ends in bounds]
        grid = np.stack(np.meshgrid(*sides, indexing="ij"), axis=-1).reshape(-1, len(sides))
        squares = at(grid)[0]
        start = grid[squares.argmin()]
        if not np.isfinite(squares.min()):
            return None
        step = np.array([side[1] - side[0] for side in sides])
        inward = np.where(start + step > np.array(bounds)[:, 1], -step, step)
        with np.errstate(invalid="ignore"):  # where a part slows down the squares are infinite
            best = minimize(
                lambda one: at(one[None])[0][0],
                start,
                method="Nelder-Mead",
                bounds=bounds,
                options={"initial_simplex": np.vstack([start, start + np.diag(inward)])},
            ).x
        if model == GROWING and best[0] - onsets[0] < 0.01 * step[0]:  # nothing slow was seen before it
            return None
    (values,), slopes = at(best[None])[1:]
    slopes = slopes[:, 0]
    for place, which in enumerate(searched):
        little = 1e-3 * step[place]
        near = values + little * np.array([[-1.0], [1.0]]) * np.eye(count)[which]
        low, high = path(model, t, near, gravity_m_s2)[0]
        slopes = np.insert(slopes, which, (high - low) / (2 * little), axis=1)
    curve = path(model, t, values[None], gravity_m_s2)[0, 0]
    return _Fit(errors, values, slopes, curve, errors.white(height_mm - curve))


def _record(
    model: str,
    fit: _Fit,
    drawn: np.ndarray,
    time_s: np.ndarray,
    gravity_m_s2: float,
    criterion: float,
    chosen: bool,
) -> FrontFit:
    """From a fit and the parameters (draws, k) drawn for it."""
    values = np.concatenate([fit.values[None], drawn])
    middle, half = 0.5 * (time_s[0] + time_s[-1]), 0.5 * (time_s[-1] - time_s[0])
    _, speed, accel = path(model, np.array([-half, 0.0, half]), values, gravity_m_s2)
    peak = np.where(np.abs(speed[:, 2]) >= np.abs(speed[:, 0]), speed[:, 2], speed[:, 0])
    mean, largest = (speed[:, 2] - speed[:, 0]) / (2 * half) * M_S2, accel[:, 2] * M_S2
    if model in (SPEED, SUDDEN):
        mean = largest = np.full(len(values), np.nan)
    onset = np.full(len(values), np.nan)
    names = ("height_mm", "speed_km_s", "accel_m_s2")[: 2 if model == SPEED else 3]  # at mid-time
    shown = np.column_stack([values, mean]) if model == BALLISTIC else values
    if model in (SUDDEN, REST):
        onset = values[:, 1] + middle
        names = "height_mm", "start_s", "accel_m_s2" if model == REST else "speed_km_s"
        shown = np.column_stack([values[:, 0], onset, values[:, 2]])
    if model == EXPONENTIAL:
        tau = np.exp(values[:, 3])
        onset = time_s[-1] + onset_time(values[:, 2], tau, values[:, 1] / KM_S)
        rise = values[:, 2] * np.exp(-2 * half / tau)
        names = ("rise_mm", "tau_s", "speed_km_s", "height_mm")
        shown = np.column_stack([rise, tau, values[:, 1], values[:, 0]])
    if model == GROWING:
        onset = values[:, 2] + middle
        names = ("height_mm", "speed_km_s", "onset_s", "tau_s")
        shown = np.column_stack([values[:, :2], onset, np.exp(values[:, 3])])
    known = np.isfinite(onset[1:])
    seen = bool(time_s[0] < onset[0] < time_s[-1]) and known.mean() > 0.8  # else it is no observation
    return FrontFit(
        model=model,
        parameters=names,
        values=shown[0],
        errors=spread(shown[1:]),
        curve_mm=fit.curve,
        speed_km_s=speed[0] * KM_S,
        speed_err_km_s=spread(speed[1:]) * KM_S,
        peak_speed_km_s=float(peak[0]) * KM_S,
        peak_speed_err_km_s=float(spread(peak[1:])) * KM_S,
        accel_m_s2=float(mean[0]),
        accel_err_m_s2=float(spread(mean[1:])),
        accel_peak_m_s2=float(largest[0]),
        accel_peak_err_m_s2=float(spread(largest[1:])),
        onset_s=float(onset[0]) if seen else np.nan,
        onset_err_s=float(spread(onset[1:][known])) if seen else np.nan,
        bic=criterion,
        chi2_per_dof=fit.squares / (len(fit.curve) - len(fit.values)),
        chosen=chosen,
    )
