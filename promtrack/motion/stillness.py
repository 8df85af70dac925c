"""How often an edge that only wobbles would seem to move as much: heights against time in, probability out.

The wobble of the same data is what a smooth curve leaves over. Its variance and correlation time are taken from
there, corrected for what the curve swallows, and motionless edges with that wobble are drawn at random; they are
fitted like the data, and the share that seems to move as much is the probability.
"""

from __future__ import annotations

import numpy as np
from scipy.stats import gamma

__all__ = ["still_probability"]

BINS = 48          # averaging to at most so many points loses no slow motion and bounds the work
DRAWS = 1000
TIMES = np.array([0.01, 0.03, 0.06, 0.1, 0.15, 0.22, 0.3])   # correlation times tried, in parts of the span


def still_probability(time_s: np.ndarray, height_mm: np.ndarray, curve_mm: np.ndarray, *,
                      rng: np.random.Generator) -> float:
    """Probability that a motionless edge with the same wobble fits a motion as well.

    Parameters
    ----------
    time_s, height_mm, curve_mm : (n,) edge and its best model, n >= 5

    Notes
    -----
    The statistic is the variance ratio (still - cubic) / cubic, the cubic replaced by `curve_mm` if that is closer.
    Correlation in time is an Ornstein-Uhlenbeck process; among the correlation times tried the longest one that
    gives the neighbour correlation seen (not improbable at 5 %) is taken: caution goes before power. The tail
    of the null distribution is continued by a gamma law through its mean and variance in the logarithm-free scale
    of its upper half.
    """
    t, h, c = _binned(time_s, height_mm, curve_mm)
    smooth = _hat(t)
    rest = h - smooth @ h
    if np.sum((h - c) ** 2) < np.sum(rest**2):
        rest = h - c
    still = h - h.mean()
    ratio = _ratio(still, rest)
    seen = _neighbour(rest[None])[0]
    draws = None
    for part in TIMES[::-1]:
        draws = _wobble(t, part * (t[-1] - t[0]), rng)
        left = draws - draws @ smooth.T
        if np.mean(_neighbour(left) < seen) > 0.05 or part == TIMES[0]:
            break
    null = _ratio(draws - draws.mean(axis=1, keepdims=True), left)
    return _tail(null, ratio)


def _binned(time_s: np.ndarray, *series: np.ndarray) -> tuple[np.ndarray, ...]:
    """Averages over groups of neighbouring points."""
    parts = np.array_split(np.arange(len(time_s)), min(len(time_s), BINS))
    return tuple(np.array([values[part].mean() for part in parts]) for values in (time_s, *series))


def _hat(t: np.ndarray) -> np.ndarray:
    """(n, n) projection on cubics (on parabolas if there are few points)."""
    u = (t - t.mean()) / (np.ptp(t) / 2)
    q, _ = np.linalg.qr(np.vander(u, 4 if len(t) >= 8 else 3))
    return q @ q.T


def _ratio(still: np.ndarray, rest: np.ndarray) -> np.ndarray:
    left = np.maximum(np.sum(rest**2, axis=-1), 1e-12)
    return np.maximum(np.sum(still**2, axis=-1) - left, 0) / left


def _neighbour(rest: np.ndarray) -> np.ndarray:
    """(m,) correlation of neighbours."""
    return np.sum(rest[:, 1:] * rest[:, :-1], axis=1) / np.maximum(np.sum(rest**2, axis=1), 1e-12)


def _wobble(t: np.ndarray, lasting: float, rng: np.random.Generator) -> np.ndarray:
    """(DRAWS, n) Ornstein-Uhlenbeck series of unit variance at the given, possibly uneven, times."""
    keep = np.exp(-np.diff(t, prepend=t[0] - 1e9) / lasting)
    kick = rng.normal(size=(DRAWS, len(t))) * np.sqrt(1 - keep**2)
    series = np.empty_like(kick)
    value = np.zeros(DRAWS)
    for i in range(len(t)):
        value = series[:, i] = keep[i] * value + kick[:, i]
    return series


def _tail(null: np.ndarray, ratio: float) -> float:
    """Share of the null distribution above the ratio, continued beyond the draws."""
    counted = (np.sum(null >= ratio) + 1) / (len(null) + 1)
    if counted > 0.02:
        return float(counted)
    # log(1 + ratio) is -log(1 - R^2); for correlated Gaussian noise its upper tail is close to a gamma law.
    logs = np.log1p(null)
    mean, variance = logs.mean(), logs.var()
    return float(gamma.sf(np.log1p(ratio), mean**2 / variance, scale=variance / mean))
