"""How the places of knots err: white noise and noise with a memory in seconds, from all tracks of a run.

Every place of a track errs by V = a² (diag(e² + w²) + u² exp(-|dt| / tau)): e are the stated errors of single
places, w and u what comes on top (air, knots that change their shape, what lies behind them), u with the
memory tau of an Ornstein-Uhlenbeck process. a² is the track's own, spread about the run's s² by an inverse
chi-square law. w, u, tau and s of one axis hold for all tracks; no single value is chosen, but many are tried
and weighted by their likelihood (`estimate_noise`), with the tracks' paths integrated out (`Moments`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import gammaln, logsumexp

EXCESS = (0.0, 0.5, 1.0, 2.0, 4.0, 8.0)  # w and u over the median of e that are tried
MEMORIES = 5  # values of tau, from one cadence to a third of the longest track
SCALES = np.geomspace(0.25, 4.0, 9)  # s²: the noise of a strip may be stated too large
FREEDOM = 10.0  # of the law of a²; calibration is flat from 6 to 20
FREEST = 10  # degree of the freest path: two turns of a helix
# 1 sigma of the quadratic term at the ends of a track, all alike likely
BENDS_MM = (0.1, 0.3, 1.0, 3.0, 10.0)
DECAYS = (0.1, 0.4, 0.9)  # of each further term, over the one before: gentle arches, sharp ones, sway
KINDS = (0.6, 0.2, 0.2)  # probability of a line, a parabola and a freer path before the data
KIND = np.repeat([0, 1, 2], [1, len(BENDS_MM), len(BENDS_MM) * len(DECAYS)])  # of every curve
CURVE_WEIGHTS = np.divide(np.take(KINDS, KIND), np.bincount(KIND)[KIND])
HELD = 1e12  # precision, 1/Mm², of a coefficient that a curve does not have
WIDE = 1e-4  # the same of place and half the way travelled: 100 Mm, far beyond what a track shows
MOST = 6000  # points of all tracks that take part in the estimate
KEPT = 0.003  # weight of a candidate, over the largest, below which it is dropped


@dataclass(frozen=True, slots=True, eq=False)
class Noise:
    """Candidates for the noise along one axis, and their weights."""

    white_mm: np.ndarray  # (g,) w
    slow_mm: np.ndarray  # (g,) u
    memory_s: np.ndarray  # (g,) tau
    scale: np.ndarray  # (g,) s²
    weight: np.ndarray  # (g,) sum 1

    def likeliest(self, count: int) -> Noise:
        """The heaviest candidates alone."""
        top = np.argsort(-self.weight, kind="stable")[:count]
        weight = self.weight[top] / self.weight[top].sum()
        return Noise(self.white_mm[top], self.slow_mm[top], self.memory_s[top], self.scale[top], weight)


WHITE = Noise(np.zeros(1), np.zeros(1), np.ones(1), np.ones(1), np.ones(1))  # the stated errors alone


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """A track seen through candidate noises: what decides how well each path and each noise explains it.

    For every candidate noise g and every curve c (a line; parabolas and freer paths with coefficients of
    1-sigma `BENDS_MM`), in units of a = 1.
    """

    log_det: (
        np.ndarray
    )  # (g, c) of V and of the coefficients' covariance: minus twice the log evidence's part
    squares: np.ndarray  # (g, c) minimum of chi squared, that of the coefficients included
    values: np.ndarray  # (g, c, k) coefficients of Legendre polynomials in u
    cov: np.ndarray  # (g, c, k, k)
    free: int  # places

    def log_evidence(self, scale: np.ndarray) -> np.ndarray:
        """(g, c) log likelihood of the track, paths and a² integrated out, with s² = `scale` (g,)."""
        half = 0.5 * (FREEDOM + self.free)
        prior = FREEDOM * scale[:, None]
        return (
            gammaln(half)
            - gammaln(0.5 * FREEDOM)
            + 0.5 * FREEDOM * np.log(prior)
            - half * np.log(prior + self.squares)
            - 0.5 * self.log_det
        )

    def variance(self, scale: np.ndarray) -> np.ndarray:
        """(g, c) expected a² of the track."""
        return (FREEDOM * scale[:, None] + self.squares) / (FREEDOM + self.free)


def estimate_noise(
    times_s: Sequence[np.ndarray], places_mm: Sequence[np.ndarray], errors_mm: Sequence[np.ndarray]
) -> Noise:
    """Noise along one axis from all tracks of a run (each (n,) arrays, n >= 4); the stated errors alone
    without any.

    The likelihood of each candidate is that of all tracks, with their paths integrated out (restricted
    maximum likelihood: Patterson & Thompson 1971, Biometrika 58, 545): what a path of low degree takes out of
    slow noise is allowed for.
    """
    if not times_s:
        return WHITE
    step = max(1, -(-sum(map(len, times_s)) // MOST))  # of many tracks every so manieth
    own = float(np.median(np.concatenate(errors_mm)))
    cadence = float(np.median(np.concatenate([np.diff(t) for t in times_s])))
    longest = max(max(float(np.ptp(t)) for t in times_s) / 3, 2 * cadence)
    excess, memories = own * np.array(EXCESS), np.geomspace(cadence, longest, MEMORIES)
    grid = _grid(excess, excess, memories)
    total = np.zeros((len(grid.scale), len(SCALES)))
    for time_s, place_mm, error_mm in zip(times_s[::step], places_mm[::step], errors_mm[::step], strict=True):
        moments = moments_of(time_s, place_mm, error_mm, grid)
        for k, scale in enumerate(SCALES):
            likely = moments.log_evidence(np.full(len(grid.scale), scale))
            total[:, k] += logsumexp(likely + np.log(CURVE_WEIGHTS), axis=1)
    weight = np.exp(total - total.max()) * grid.weight[:, None]
    g, s = np.nonzero(weight > KEPT * weight.max())
    kept = weight[g, s] / weight[g, s].sum()
    return Noise(grid.white_mm[g], grid.slow_mm[g], grid.memory_s[g], SCALES[s], kept)


def _grid(white_mm: np.ndarray, slow_mm: np.ndarray, memory_s: np.ndarray) -> Noise:
    """All combinations; noise without a memory once for each white part, with the chances of all memories."""
    rows = [
        (white, slow, memory, 1.0 / len(memory_s))
        for white in white_mm
        for slow in slow_mm[slow_mm > 0]
        for memory in memory_s
    ]
    rows += [(white, 0.0, memory_s[0], 1.0) for white in white_mm if (slow_mm == 0).any()]
    white, slow, memory, weight = np.array(rows).T
    return Noise(white, slow, memory, np.ones(len(rows)), weight)


def moments_of(time_s: np.ndarray, place_mm: np.ndarray, error_mm: np.ndarray, noise: Noise) -> Moments:
    """A track of n >= 4 places through all candidates of `noise`."""
    n = len(time_s)
    degree = min(FREEST, n - 2)
    table = np.column_stack([legendre(time_s, time_s, degree), place_mm])  # the middle lies near 0
    white, log_v = _whitened(time_s, table, error_mm, noise)
    gram = white.swapaxes(1, 2) @ white  # (g, k + 1, k + 1)
    normal, right, power = gram[:, :-1, :-1], gram[:, :-1, -1], gram[:, -1, -1]
    # Conjugate: the coefficients' variances are counted in units of the same a².
    prior = _curve_precision(degree)  # (c, k)
    precision = normal[:, None] + prior[:, :, None] * np.eye(degree + 1)  # (g, c, k, k)
    cov = np.linalg.inv(precision)
    values = (cov @ right[:, None, :, None])[..., 0]
    squares = np.maximum(power[:, None] - np.einsum("gk,gck->gc", right, values), 1e-9)
    # Coefficients that a curve does not have are held at zero by a huge precision, which cancels here.
    log_det = log_v[:, None] + np.linalg.slogdet(precision)[1] - np.sum(np.log(prior), axis=1)
    return Moments(log_det, squares, values, cov, n)


def legendre(at_s: np.ndarray, time_s: np.ndarray, degree: int, order: int = 0) -> np.ndarray:
    """(m, degree + 1) Legendre polynomials, or their derivatives by time, on the span of `time_s`."""
    half = 0.5 * (time_s[-1] - time_s[0])
    u = (np.atleast_1d(at_s) - time_s[0] - half) / half
    rows = [np.polynomial.legendre.Legendre.basis(k) for k in range(degree + 1)]
    return np.column_stack([(one.deriv(order) if order else one)(u) for one in rows]) / half**order


def _curve_precision(degree: int) -> np.ndarray:
    """(c, degree + 1) inverse variance of each coefficient of each curve, 1/Mm²."""
    table = np.full((len(KIND), degree + 1), HELD)
    table[:, :2] = WIDE
    for k, bend in enumerate(BENDS_MM, start=1):
        table[k, 2] = bend**-2.0
        for j, decay in enumerate(DECAYS, start=1):
            table[k + j * len(BENDS_MM), 2:] = (bend * decay ** np.arange(degree - 1)) ** -2.0
    return table


def _whitened(
    time_s: np.ndarray, table: np.ndarray, error_mm: np.ndarray, noise: Noise
) -> tuple[np.ndarray, np.ndarray]:
    """(g, n, m) columns of `table` (n, m) through the inverse square root of V, and (g,) log det V.

    An Ornstein-Uhlenbeck process seen with white noise is a Kalman filter of one state: the innovations over
    their errors are white, and the work grows with n and not with its cube.
    """
    n, m = table.shape
    slow2 = noise.slow_mm**2
    white2 = error_mm[:, None] ** 2 + noise.white_mm**2  # (n, g)
    keep = np.exp(-np.diff(time_s)[:, None] / noise.memory_s)  # (n - 1, g)
    result = np.empty((n, len(slow2), m))
    state, variance, log_det = np.zeros((len(slow2), m)), slow2, np.zeros(len(slow2))
    for i in range(n):
        if i:
            state = state * keep[i - 1][:, None]
            variance = slow2 + keep[i - 1] ** 2 * (variance - slow2)
        total = variance + white2[i]
        off = table[i] - state
        result[i] = off / np.sqrt(total)[:, None]
        log_det += np.log(total)
        weight = variance / total
        state = state + weight[:, None] * off
        variance = variance * (1 - weight)
    return result.swapaxes(0, 1), log_det
