"""Fits of a coordinate against time: weighted polynomials, nonlinear models, wrong points, choice of model.

Time is centred and scaled before every polynomial fit: in raw seconds since an epoch the normal equations
lose all digits (the NIST data set Pontius shows it). Units are the caller's; errors are one standard
deviation.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import least_squares
from scipy.special import chdtri

__all__ = [
    "ModelFit",
    "Polynomial",
    "aicc",
    "beyond_chance",
    "bic",
    "find_wrong_points",
    "fit_model",
    "fit_polynomial",
]

CHANCE = 0.01  # chi squared is beyond chance below this probability


@dataclass(frozen=True, slots=True, eq=False)
class Polynomial:
    """Polynomial in u = (x - centre) / scale, fitted by weighted least squares."""

    centre: float
    scale: float
    coefficients: np.ndarray  # (k,) of rising powers of u
    cov: np.ndarray  # (k, k) of the coefficients
    residual: np.ndarray  # (n,) data minus fit, of all points, also those left out
    used: np.ndarray  # (n,) bool
    chi2: float  # of the points used; sum of squares where the errors are unknown
    dof: int

    @property
    def degree(self) -> int:
        """Of the polynomial: 1 for a straight line."""
        return len(self.coefficients) - 1

    def value(self, x: np.ndarray | float, order: int = 0) -> np.ndarray:
        """The polynomial, or its derivative of the given order, at x."""
        return self._rows(x, order) @ self.coefficients

    def error(self, x: np.ndarray | float, order: int = 0) -> np.ndarray:
        """One standard deviation of `value(x, order)`."""
        rows = self._rows(x, order)
        return np.sqrt(np.einsum("...i,ij,...j->...", rows, self.cov, rows))

    def scaled(self, factor: float) -> Polynomial:
        """The same fit with all errors multiplied by `factor`."""
        return replace(self, cov=self.cov * factor**2)

    def _rows(self, x: np.ndarray | float, order: int) -> np.ndarray:
        u = (np.asarray(x, float) - self.centre) / self.scale
        power = np.arange(self.degree + 1)
        falling = np.array([math.perm(p, order) for p in power], float)
        return falling * u[..., None] ** np.maximum(power - order, 0) / self.scale**order


def fit_polynomial(
    x: np.ndarray,
    y: np.ndarray,
    err: np.ndarray | float | None,
    degree: int,
    *,
    used: np.ndarray | None = None,
) -> Polynomial:
    """Fit a polynomial by weighted least squares.

    Parameters
    ----------
    x, y : (n,) finite
    err : 1-sigma errors of y, one value or (n,); None: unknown and equal, then taken from the residuals
    degree : 0 or more
    used : (n,) bool, points to fit (default all)

    Raises
    ------
    ValueError : shapes differ, a value is not finite, or fewer points than coefficients (with unknown errors:
        as many)
    """
    x, y, used = _checked(x, y, used)
    weight = np.ones(len(x)) if err is None else 1.0 / np.broadcast_to(np.asarray(err, float), x.shape)
    if not np.all(np.isfinite(weight[used])) or np.any(weight[used] <= 0):
        raise ValueError("err must be positive and finite")
    n, k = int(used.sum()), degree + 1
    if n < k + (err is None):
        raise ValueError(f"a polynomial of degree {degree} needs {k + (err is None)} points, got {n}")
    centre = float(x[used].mean())
    scale = float(np.ptp(x[used])) / 2 or 1.0
    design = np.vander((x - centre) / scale, k, increasing=True)
    weighted = design[used] * weight[used, None]
    # Orthogonal triangular form instead of normal equations: half the digits would be lost in squaring.
    q, r = np.linalg.qr(weighted)
    if np.linalg.matrix_rank(r) < k:
        raise ValueError(
            f"a polynomial of degree {degree} needs {k} different x, got {len(np.unique(x[used]))}"
        )
    coefficients = np.linalg.solve(r, q.T @ (y[used] * weight[used]))
    inverse = np.linalg.inv(r)
    residual = y - design @ coefficients
    chi2 = float(np.sum((residual[used] * weight[used]) ** 2))
    cov = inverse @ inverse.T * (chi2 / (n - k) if err is None else 1.0)
    return Polynomial(centre, scale, coefficients, cov, residual, used, chi2, n - k)


def _checked(
    x: np.ndarray, y: np.ndarray, used: np.ndarray | None
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    x, y = np.asarray(x, float), np.asarray(y, float)
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError(f"x and y must have one shape (n,), got {x.shape} and {y.shape}")
    used = np.ones(len(x), bool) if used is None else np.asarray(used, bool)
    if not (np.all(np.isfinite(x[used])) and np.all(np.isfinite(y[used]))):
        raise ValueError("x and y must be finite where they are used")
    return x, y, used


@dataclass(frozen=True, slots=True, eq=False)
class ModelFit:
    """A nonlinear model fitted by least squares."""

    values: np.ndarray  # (k,) parameters
    cov: np.ndarray  # (k, k)
    residual: np.ndarray  # (n,) data minus model
    chi2: float  # sum of squares where the errors are unknown
    dof: int

    @property
    def errors(self) -> np.ndarray:
        """(k,) 1-sigma errors of the parameters: roots of the covariance's diagonal."""
        return np.sqrt(np.diag(self.cov))


def fit_model(
    model: Callable[..., np.ndarray],
    x: np.ndarray,
    y: np.ndarray,
    err: np.ndarray | float | None,
    start: np.ndarray,
) -> ModelFit:
    """Fit `model(x, *parameters)` by nonlinear least squares from `start`.

    Parameters
    ----------
    err : 1-sigma errors of y; None: unknown and equal, then taken from the residuals

    Raises
    ------
    ValueError : wrong shapes, too few points, or no convergence

    References
    ----------
    Levenberg-Marquardt: More 1978 (MINPACK), through `scipy.optimize.least_squares`.
    """
    x, y, _ = _checked(x, y, None)
    start = np.asarray(start, float)
    if len(x) <= len(start):
        raise ValueError(f"a model of {len(start)} parameters needs more points than that, got {len(x)}")
    sigma = np.ones(len(x)) if err is None else np.broadcast_to(np.asarray(err, float), x.shape)
    unit = np.where(start == 0, 1.0, np.abs(start))  # parameters of order one, whatever their units

    def misfit(scaled: np.ndarray) -> np.ndarray:
        parameters = scaled * unit
        return (y - model(x, *parameters)) / sigma

    found = least_squares(
        misfit, start / unit, jac="3-point", method="lm", xtol=1e-15, ftol=1e-15, gtol=1e-15, max_nfev=400
    )
    if found.status == 0 or not np.all(np.isfinite(found.x)):
        raise ValueError(f"no convergence after {found.nfev} steps")
    values, chi2, dof = found.x * unit, float(2 * found.cost), len(x) - len(start)
    inverse = np.linalg.pinv(
        found.jac
    )  # of the Jacobian itself: squaring it first may leave negative variances
    cov = inverse @ inverse.T * np.outer(unit, unit) * (chi2 / dof if err is None else 1.0)
    return ModelFit(values, cov, y - model(x, *values), chi2, dof)


def find_wrong_points(
    x: np.ndarray, y: np.ndarray, err: np.ndarray | None, degree: int, *, most: float = 0.25
) -> np.ndarray:
    """Points that a polynomial through most of the others does not explain.

    Ordinary least squares first: if its chi squared and its largest residual are within chance, no point is
    wrong. Otherwise polynomials through a few points each, spread over the span, compete for the least median
    of squared residuals; the winner is refined by least squares on the points near it.

    Parameters
    ----------
    x : (n,)
    y, err : (m, n), m coordinates judged together; err None: unknown and equal
    degree : of the polynomial
    most : largest part of the points that may be called wrong; the farthest go first

    Returns
    -------
    (n,) bool, True where the point is to be used

    References
    ----------
    Least median of squares and its scale: Rousseeuw 1984, J. Am. Stat. Assoc. 79, 871; Rousseeuw & Leroy
    1987.
    """
    y = np.atleast_2d(np.asarray(y, float))
    sigma = np.ones_like(y) if err is None else np.broadcast_to(np.asarray(err, float), y.shape)
    m, n = y.shape
    used = np.ones(n, bool)
    allowed = min(int(most * n), n - degree - 2)
    if allowed < 1:
        return used
    u = (x - np.mean(x)) / (np.ptp(x) / 2 or 1.0)
    limit = chdtri(m, CHANCE / n)  # a good point is lost in one track of a hundred
    distance = _distance(u, y, sigma, used, degree)
    if err is not None and distance.max() < limit and distance.sum() < chdtri(m * n, CHANCE):
        return used
    distance = _least_median(u, y, sigma, degree)
    small = (
        1 + 5 / (n - degree - 1)
    ) ** 2  # Rousseeuw & Leroy's factor for the few points of the first curve
    for _ in range(10):
        typical = small * np.median(distance) / chdtri(m, 0.5)
        small = 1.0
        inflation = typical if err is None else max(1.0, typical)
        new = distance <= limit * inflation
        if n - new.sum() > allowed:
            new = np.argsort(np.argsort(distance, kind="stable"), kind="stable") < n - allowed
        if np.array_equal(new, used):
            break
        used = new
        distance = _distance(u, y, sigma, used, degree)
    return used


def _distance(u: np.ndarray, y: np.ndarray, sigma: np.ndarray, used: np.ndarray, degree: int) -> np.ndarray:
    """(n,) squared normalised distance of every point from the least-squares fit of those used.

    A point that is used has drawn the fit towards itself, one that is not may lie where the fit is poorly
    known: the variance of the residual is that of the point times 1 - h or 1 + h, with h the leverage.
    """
    design = np.vander(u, degree + 1, increasing=True)
    total = np.zeros(len(u))
    for values, errors in zip(y, sigma, strict=True):
        weighted = design / errors[:, None]
        q, r = np.linalg.qr(weighted[used])
        coefficients = np.linalg.solve(r, q.T @ (values[used] / errors[used]))
        leverage = np.sum(np.linalg.solve(r.T, weighted.T) ** 2, axis=0)
        variance = np.where(used, np.maximum(1 - leverage, 1e-3), 1 + leverage)
        total += ((values - design @ coefficients) / errors) ** 2 / variance
    return total


def _least_median(u: np.ndarray, y: np.ndarray, sigma: np.ndarray, degree: int) -> np.ndarray:
    """(n,) squared normalised distances from the polynomial with the least median distance."""
    n, k = len(u), degree + 1
    bins = np.array_split(np.argsort(u, kind="stable"), k)
    picks = [part[np.unique(np.linspace(0, len(part) - 1, 12).round().astype(int))] for part in bins]
    corners = np.stack([grid.ravel() for grid in np.meshgrid(*picks, indexing="ij")], axis=1)  # (trials, k)
    spaced = np.min(np.abs(np.diff(u[corners], axis=1)), axis=1, initial=np.inf) > 1e-9
    corners = corners[spaced]
    powers = np.vander(u, k, increasing=True)
    coefficients = np.linalg.solve(powers[corners][:, None], y.T[corners].transpose(0, 2, 1)[..., None])[
        ..., 0
    ]
    distance = np.sum(((y - coefficients @ powers.T) / sigma) ** 2, axis=1)  # (trials, n)
    half = (n + k) // 2
    return distance[np.argmin(np.partition(distance, half, axis=1)[:, half])]


def beyond_chance(chi2: float, dof: int) -> bool:
    """Whether chi squared is larger than chance allows (probability below 1 %)."""
    return dof > 0 and chi2 > chdtri(dof, CHANCE)


def bic(squares: float, n: int, parameters: int) -> float:
    """Bayesian information criterion of a least-squares fit with unknown variance; only differences matter.

    `parameters` counts the variance too. Schwarz 1978, Ann. Stat. 6, 461.
    """
    return n * math.log(max(squares, 1e-300) / n) + parameters * math.log(n)


def aicc(squares: float, n: int, parameters: int) -> float:
    """Akaike's criterion with the small-sample term (Hurvich & Tsai 1989, Biometrika 76, 297); as in
    `bic`."""
    small = 2 * parameters * (parameters + 1) / (n - parameters - 1)
    return n * math.log(max(squares, 1e-300) / n) + 2 * parameters + small
