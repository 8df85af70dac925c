"""How the places of knots err: white noise and noise with a memory in seconds, from all tracks of a run.

Every place of a track errs by V = a² (diag(e² + w²) + u² exp(-|dt| / tau)): e are the stated errors of single
places, w and u what comes on top (air, knots that change their shape, what lies behind them), u with the
memory tau of an Ornstein-Uhlenbeck process. a² is the track's own, spread about s² by an inverse chi-square
law. One w, u, tau and s of each axis hold for most tracks of a run; some, which other light joins or leaves,
have a noise of their own. No single value is chosen: many are tried and weighted by their likelihood in all
tracks, paths integrated out (`estimate_noise`), and then by that in the single track (`Noise.joint`).
"""

from __future__ import annotations

import functools
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
from scipy.special import gammaln, logsumexp

EXCESS = (0.0, 0.5, 1.0, 2.0, 4.0, 8.0)  # w and u over the median of e that are tried
SCALES = np.geomspace(0.25, 4.0, 9)  # s²: the noise of a strip may be stated too large
FREEDOM = 10.0  # of the law of a²; calibration is flat from 6 to 20
OWN = 0.2  # part of the tracks that have a noise of their own
FREEST = 12  # degree of the freest path: two turns of a helix
# Parabolas have these 1 sigma of their quadratic term. Curves with more terms are Gaussian processes that
# leave a line by these rms, with a squared-exponential correlation of these lengths over half the track:
# gentle arches, little more than parabolas, then all from an arch of half a radian to two turns.
SIZES_MM = (0.1, 0.3, 1.0, 3.0, 10.0)
GENTLE, FREE = 3.0, (1.5, 0.6, 0.25)
KINDS = (0.6, 0.2, 0.2)  # probability of a line, a parabola or gentle arch, and a freer path before the data
KIND = np.repeat([0, 1, 2], [1, 2 * len(SIZES_MM), len(FREE) * (len(SIZES_MM) - 1)])  # of every curve
CURVE_WEIGHTS = np.divide(np.take(KINDS, KIND), np.bincount(KIND)[KIND])


@dataclass(frozen=True, slots=True, eq=False)
class Noise:
    """Candidates for the noise along one axis, and how likely each is with each s² of `SCALES`."""

    white_mm: np.ndarray  # (g,) w
    slow_mm: np.ndarray  # (g,) u
    memory_s: np.ndarray  # (g,) tau
    weight: np.ndarray  # (g, s) in any track of the run; sum 1
    usual: np.ndarray  # (g, s) in those that have no noise of their own; sum 1

    def joint(self, moments: Moments) -> np.ndarray:
        """(g, s, c) log probability of noise, curve and the track of `moments` together."""
        with np.errstate(divide="ignore"):
            return np.log(self.weight)[..., None] + moments.log_evidence() + np.log(CURVE_WEIGHTS)


_ONCE = (SCALES == 1.0)[None].astype(float)
WHITE = Noise(np.zeros(1), np.zeros(1), np.ones(1), _ONCE, _ONCE)  # the stated errors alone


@dataclass(frozen=True, slots=True, eq=False)
class Moments:
    """A track seen through every candidate noise g and every curve c (a line; parabolas and freer paths), in
    units of a = 1: what decides how well each explains it."""

    log_det: np.ndarray  # (g, c) of V and of what the data leave of the coefficients' covariance
    squares: np.ndarray  # (g, c) minimum of chi squared, that of the coefficients included
    # (g, c, k + 1, k + 1) for a = 1, of Legendre coefficients in u: their precision; last the right side
    normal: np.ndarray
    free: int  # places

    def log_evidence(self) -> np.ndarray:
        """(g, s, c) log likelihood of the track, paths and a² integrated out, with each s² of `SCALES`."""
        half = 0.5 * (FREEDOM + self.free)
        prior = FREEDOM * SCALES[:, None]
        return (
            gammaln(half)
            - gammaln(0.5 * FREEDOM)
            + 0.5 * FREEDOM * np.log(prior)
            - half * np.log(prior + self.squares[:, None])
            - 0.5 * self.log_det[:, None]
        )

    def variance(self) -> np.ndarray:
        """(g, s, c) expected a² of the track."""
        return (FREEDOM * SCALES[:, None] + self.squares[:, None]) / (FREEDOM + self.free)


def estimate_noise(
    times_s: Sequence[np.ndarray], places_mm: Sequence[np.ndarray], errors_mm: Sequence[np.ndarray]
) -> Noise:
    """Noise along one axis from all tracks of a run (each (n,) arrays, n >= 4); the stated errors alone
    without any.

    The likelihood of each candidate is that of all tracks, with their paths integrated out (restricted
    maximum likelihood: Patterson & Thompson 1971, Biometrika 58, 545). A track that has a noise of its own
    hardly counts (a mixture, as for outliers: Hogg, Bovy & Lang 2010, arXiv:1008.4686, section 3).
    """
    if not times_s:
        return WHITE
    step = max(1, -(-sum(map(len, times_s)) // 6000))  # of many tracks some, with that many points
    own = float(np.median(np.concatenate(errors_mm)))
    cadence = float(np.median(np.concatenate([np.diff(t) for t in times_s])))
    longest = max(max(float(np.ptp(t)) for t in times_s) / 3, 2 * cadence)
    excess, memories = own * np.array(EXCESS), np.geomspace(cadence, longest, 5)
    grid = _grid(excess, excess, memories)
    total = np.zeros(grid.weight.shape)
    for time_s, place_mm, error_mm in zip(times_s[::step], places_mm[::step], errors_mm[::step], strict=True):
        moments = moments_of(time_s, place_mm, error_mm, grid)
        usual = logsumexp(moments.log_evidence() + np.log(CURVE_WEIGHTS), axis=2)
        total += np.logaddexp(np.log1p(-OWN) + usual, np.log(OWN) + logsumexp(grid.joint(moments)))
    usual = np.exp(total - total.max()) * grid.weight
    usual /= usual.sum()
    return Noise(grid.white_mm, grid.slow_mm, grid.memory_s, (1.0 - OWN) * usual + OWN * grid.weight, usual)


def _grid(white_mm: np.ndarray, slow_mm: np.ndarray, memory_s: np.ndarray) -> Noise:
    """All combinations; noise without a memory once for each white part, with the chances of all memories."""
    lasting = product(white_mm, slow_mm[slow_mm > 0], memory_s)
    white, slow, memory = np.array([*lasting, *product(white_mm, slow_mm[slow_mm == 0], memory_s[:1])]).T
    chance = np.where(slow > 0, 1.0 / len(memory_s), 1.0)
    weight = np.repeat((chance / chance.sum())[:, None], len(SCALES), axis=1) / len(SCALES)
    return Noise(white, slow, memory, weight, weight)


def moments_of(time_s: np.ndarray, place_mm: np.ndarray, error_mm: np.ndarray, noise: Noise) -> Moments:
    """A track of n >= 4 places through all candidates of `noise`."""
    n = len(time_s)
    degree = min(FREEST, n - 2)
    table = np.column_stack([legendre(time_s, time_s, degree), place_mm])  # the middle lies near 0
    white, log_v = _whitened(time_s, table, error_mm, noise)
    # Conjugate: the coefficients' variances are counted in units of the same a².
    prior = np.pad(_curve_precision(degree), ((0, 0), (0, 1)))  # (c, k + 1)
    normal = (white.swapaxes(1, 2) @ white)[:, None] + prior[:, :, None] * np.eye(degree + 2)
    # The last pivot squared is what the coefficients leave of chi squared. Coefficients that a curve does not
    # have are held at zero by a huge precision, which cancels in the determinant.
    normal[..., -1, -1] += 1e-9
    pivots = np.linalg.cholesky(normal).diagonal(axis1=2, axis2=3)
    log_det = log_v[:, None] + np.sum(2.0 * np.log(pivots[..., :-1]) - np.log(prior[:, :-1]), axis=2)
    return Moments(log_det, pivots[..., -1] ** 2, normal, n)


def legendre(at_s: np.ndarray, time_s: np.ndarray, degree: int, order: int = 0) -> np.ndarray:
    """(m, degree + 1) Legendre polynomials, or their derivatives by time, on the span of `time_s`."""
    half = 0.5 * (time_s[-1] - time_s[0])
    u = (np.atleast_1d(at_s) - time_s[0] - half) / half
    derived = np.polynomial.legendre.legder(np.eye(degree + 1), order)  # a column for each polynomial
    return np.polynomial.legendre.legvander(u, len(derived) - 1) @ derived / half**order


def _curve_precision(degree: int) -> np.ndarray:
    """(c, degree + 1) inverse variance of each coefficient of each curve, 1/Mm²: place and half the way
    travelled within 100 Mm, far beyond what a track shows, and one that a curve does not have held at 0."""
    held = 1e12
    table = np.full((len(KIND), degree + 1), held)
    table[:, :2] = 1e-4
    sizes2 = np.square(SIZES_MM)
    table[1 : 1 + len(sizes2), 2] = 1.0 / sizes2
    gentle, *freer = _sway_variance(degree)
    free = np.concatenate([gentle[2:] * sizes2[:, None], *(one[2:] * sizes2[1:, None] for one in freer)])
    table[1 + len(sizes2) :, 2:] = 1.0 / np.maximum(free, 1.0 / held)
    return table


@functools.cache
def _sway_variance(degree: int) -> np.ndarray:
    """(l, degree + 1) variance of each Legendre coefficient, on -1..1, of the gentle process and of the
    freer ones, each leaving a line by 1 rms."""
    u, weight = np.polynomial.legendre.leggauss(64)
    project = np.polynomial.legendre.legvander(u, degree) * weight[:, None] * (np.arange(degree + 1) + 0.5)
    rows = []
    for length in (GENTLE, *FREE):
        covariance = np.exp(-0.5 * ((u[:, None] - u) / length) ** 2)
        variance = np.einsum("ik,ij,jk->k", project, covariance, project)
        rows.append(variance / np.sum((variance / (2 * np.arange(degree + 1) + 1))[2:]))
    return np.array(rows)


def _whitened(
    time_s: np.ndarray, table: np.ndarray, error_mm: np.ndarray, noise: Noise
) -> tuple[np.ndarray, np.ndarray]:
    """(g, n, m) columns of `table` (n, m) through the inverse square root of V, and (g,) log det V, by the
    Kalman filter of one state that an Ornstein-Uhlenbeck process seen with white noise is: the work grows
    with n."""
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
