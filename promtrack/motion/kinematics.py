"""Fits of a coordinate against time: polynomials, choice of model, residuals with a memory or a drift.

Time is centred and scaled before every polynomial fit: in raw seconds since an epoch the normal equations
lose all digits (the NIST data set Pontius shows it). Units are the caller's; errors are one standard
deviation.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri


def check_course(time_s: np.ndarray, places: np.ndarray, errors: np.ndarray | float, least: int) -> None:
    """Raises ValueError unless there are `least` times or more (n,) that do not fall, as many finite places
    (..., n), and positive errors of those."""
    n = len(time_s)
    if n < least or places.shape[-1] != n or np.shape(errors)[-1:] not in ((), (1,), (n,)):
        got = f"{n}, {places.shape} and {np.shape(errors)}"
        raise ValueError(f"needs {least} times and as many places and errors, got {got}")
    if not (np.isfinite(time_s).all() and np.isfinite(places).all() and np.isfinite(errors).all()):
        raise ValueError("times, places and errors must be finite")
    if (np.diff(time_s) < 0).any() or time_s[0] == time_s[-1] or np.min(errors) <= 0:
        raise ValueError("times must not fall and must differ, and errors must be positive")


@dataclass(frozen=True, slots=True, eq=False)
class Polynomial:
    """Polynomial in u = (x - centre) / scale, fitted by weighted least squares."""

    centre: float
    scale: float
    coefficients: np.ndarray  # (k,) of falling powers of u
    cov: np.ndarray  # (k, k) of the coefficients
    residual: np.ndarray  # (n,) data minus fit
    chi2: float  # sum of squares where the errors are unknown
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

    def _rows(self, x: np.ndarray | float, order: int) -> np.ndarray:
        u = (np.asarray(x, float) - self.centre) / self.scale
        powers = [np.polyval(np.polyder(one, order), u) for one in np.eye(self.degree + 1)]
        return np.stack(powers, axis=-1) / self.scale**order


def fit_polynomial(x: np.ndarray, y: np.ndarray, err: np.ndarray | float | None, degree: int) -> Polynomial:
    """Fit a polynomial to x, y (n,), at least `degree` + 1 different x, by weighted least squares. `err`:
    1-sigma errors of y, one value or (n,); None: unknown and equal, then taken from the residuals."""
    centre, scale = float(np.mean(x)), float(np.ptp(x)) / 2 or 1.0
    u, weight = (x - centre) / scale, np.broadcast_to(1.0 if err is None else 1.0 / np.asarray(err), len(x))
    coefficients, cov = np.polyfit(u, y, degree, w=weight, cov="unscaled")
    residual, dof = y - np.polyval(coefficients, u), len(x) - degree - 1
    chi2 = float(np.sum((residual * weight) ** 2))
    return Polynomial(
        centre, scale, coefficients, cov * (chi2 / dof if err is None else 1.0), residual, chi2, dof
    )


@dataclass(frozen=True, slots=True, eq=False)
class DriftingErrors:
    """Independent errors of heights and a slow drift they share, for least squares: the drift, a sum of
    polynomials of known variance, is taken out of whatever is fitted as far as it fits, and what that costs
    is added (generalised least squares, the covariance err^2 + drift drift^T; Rybicki & Press 1992, ApJ 398,
    169)."""

    err_mm: np.ndarray  # (n,)
    rms_mm: float  # of the drift's straight part
    drift_mm: np.ndarray  # (n, k) polynomials, each of 1 sigma
    basis: np.ndarray  # (n + k, k) orthonormal
    log_det: float  # of the covariance over that without drift

    @classmethod
    def of(cls, time_s: np.ndarray, err_mm: np.ndarray, drift_mm: float) -> DriftingErrors:
        """From the errors (n,) of heights and the rms [Mm] of the drift's straight part over the span."""
        powers = min(6, len(time_s) // 5) if drift_mm > 0 else 0
        u = 2 * (time_s - time_s[0]) / (time_s[-1] - time_s[0]) - 1
        degree = np.arange(1, powers + 1)
        drift = (
            np.polynomial.legendre.legvander(u, powers)[:, 1:]
            * np.sqrt(2 * degree + 1)
            * drift_mm
            / degree**1.5  # tests/benchmarks/front_accuracy.py
        )
        basis, root = np.linalg.qr(np.vstack([drift / err_mm[:, None], np.eye(powers)]))
        return cls(err_mm, drift_mm, drift, basis, 2.0 * float(np.sum(np.log(np.abs(np.diag(root))))))

    def white(self, values: np.ndarray) -> np.ndarray:
        """(n + k, ...) values (n, ...) free of drift in units of their errors, and the drift's own cost."""
        scaled = (values.T / self.err_mm).T
        padded = np.concatenate([scaled, np.zeros((self.drift_mm.shape[1], *scaled.shape[1:]))])
        result: np.ndarray = padded - np.tensordot(self.basis, np.tensordot(self.basis.T, padded, 1), 1)
        return result

    @property
    def taken(self) -> float:
        """How many points' worth of freedom the drift takes."""
        return float(np.sum(self.basis[: len(self.err_mm)] ** 2))


def beyond_chance(chi2: float, dof: int) -> bool:
    """Whether chi squared is larger than chance allows (probability below 1 %)."""
    return dof > 0 and chi2 > chdtri(dof, 0.01)


def bic(squares: float, n: int, parameters: int, *, least_variance: float = 0.0) -> float:
    """Bayesian information criterion of a least-squares fit with unknown variance, which `parameters` counts
    too; only differences matter (Schwarz 1978, Ann. Stat. 6, 461). `least_variance`: 1 where the errors are
    at least as large as stated, as those of a drift beside them are."""
    variance = max(squares / n, least_variance, 1e-300)
    return n * (math.log(variance) + squares / n / variance - 1.0) + parameters * math.log(n)


def memory_of(residual: np.ndarray, free: int) -> float:
    """Correlation of neighbours, corrected for what the fit has swallowed; 0 within chance (5 %, one-sided).
    Its bias is -(1 + 4 r)/n for a mean (Kendall 1954, Biometrika 41, 403), and about as much for every
    further parameter."""
    n = len(residual)
    centred = residual - residual.mean()
    power = float(centred @ centred)
    r = float(centred[1:] @ centred[:-1]) / power if power > 0 else 0.0
    if r <= 1.645 / np.sqrt(n):
        return 0.0
    return min(r + (1 + 4 * r) / n + (free - 1) * (1 + r) / n, 0.9)


def independent(residual: np.ndarray, free: int) -> int:
    """Number of independent points among correlated ones: n (1 - r) / (1 + r) in an autoregression."""
    n, r = len(residual), memory_of(residual, free)
    return max(round(n * (1 - r) / (1 + r)), min(n, 6))


def residual_covariance(residual: np.ndarray, memory: float, free: float) -> np.ndarray:
    """(n,) covariance of what a fit leaves, by the distance of two points, neighbours being correlated as in
    an autoregression of first order. The fit has taken its parameters' share of the variance away, each as
    long as the memory lasts."""
    n = len(residual)
    swallowed = min(free * (1 + memory) / (1 - memory), 0.6 * n)
    return np.asarray(n / (n - swallowed) * np.var(residual) * memory ** np.arange(n))


def spread(values: np.ndarray) -> np.ndarray:
    """One standard deviation of the draws: half the interval that holds 68.3 % of them, or a quarter of that
    which holds 95.4 %, whichever is larger; a few wild ones do not count."""
    if len(values) < 20:
        return np.full(values.shape[1:], np.nan)
    lowest, low, high, highest = np.percentile(values, [2.28, 15.87, 84.13, 97.72], axis=0)
    return np.maximum(0.5 * (high - low), 0.25 * (highest - lowest))
