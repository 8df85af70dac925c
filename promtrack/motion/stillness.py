"""How often an edge that only wobbles would seem to move as much: heights against time in, probability out.

The wobble of the same data is what a smooth curve leaves over. Motionless edges with such a wobble are drawn
at random and fitted like the data; the share that seems to move as much is the probability.
"""

from __future__ import annotations

import numpy as np
from scipy.special import gammaincc

__all__ = ["still_probability"]

BINS = 48  # averaging to at most so many points loses no slow motion and bounds the work
DRAWS = 1000
SLOWEST = (
    0.2  # 1-sigma correlation time of the slow unrest, in parts of the span: brightness that changes more
)
# slowly than that cannot be told from motion, and is held down by the least travel of a front
SHARES = np.array([0.0, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.9, 0.95, 0.98, 0.995, 1.0])


def still_probability(
    time_s: np.ndarray, height_mm: np.ndarray, curve_mm: np.ndarray, *, rng: np.random.Generator
) -> float:
    """Probability that a motionless edge with the same wobble fits a motion as well.

    Parameters
    ----------
    time_s, height_mm, curve_mm : (n,) edge and its best model, n >= 5

    Notes
    -----
    The statistic is the variance ratio (still - smooth) / smooth, smooth being what a cubic, or `curve_mm` if
    that is closer, leaves over. The wobble is white noise and slow unrest (Gaussian correlation, 1 sigma a
    fifth of the span: threads that brighten and fade). Its share is the largest one that does not make the
    slow part of what is left over (Legendre polynomials of degree 4 to 8) improbably small (16 %, an upper
    limit of 1 sigma): caution goes before power. Beyond the draws the null
    distribution of log(1 + ratio) is continued by a gamma law with its mean and variance.
    """
    t, h, c = _binned(time_s, height_mm, curve_mm)
    smooth = _hat(t)
    rest = h - smooth @ h
    if np.sum((h - c) ** 2) < np.sum(rest**2):
        rest = h - c
    ratio = _ratio(h - h.mean(), rest)
    gentle = _gentle(t)
    seen = _slow_part(rest, gentle)
    slow, quick = _slow(t, rng), rng.normal(size=(DRAWS, len(t)))
    null = np.zeros(DRAWS)
    for share in SHARES[::-1]:
        draws = np.sqrt(share) * slow + np.sqrt(1 - share) * quick
        left = draws - draws @ smooth.T
        null = _ratio(draws - draws.mean(axis=1, keepdims=True), left)
        if np.mean(_slow_part(left, gentle) <= seen) > 0.16:
            break
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


def _gentle(t: np.ndarray) -> np.ndarray:
    """(n, k) orthonormal polynomials that come next after those of `_hat`."""
    u = (t - t.mean()) / (np.ptp(t) / 2)
    first = 4 if len(t) >= 8 else 3
    q, _ = np.linalg.qr(np.polynomial.legendre.legvander(u, min(8, len(t) - 2)))
    return q[:, first:]


def _slow_part(rest: np.ndarray, gentle: np.ndarray) -> np.ndarray:
    """(...) part of the variance of what is left over that lies in slow swings."""
    return np.sum((rest @ gentle) ** 2, axis=-1) / np.maximum(np.sum(rest**2, axis=-1), 1e-12)


def _slow(t: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """(DRAWS, n) smooth random series of unit variance at the given, possibly uneven, times."""
    apart = (t[:, None] - t) / (SLOWEST * (t[-1] - t[0]))
    value, vector = np.linalg.eigh(np.exp(-0.5 * apart**2))
    root = vector * np.sqrt(np.maximum(value, 0.0))
    return rng.normal(size=(DRAWS, len(t))) @ root.T


def _tail(null: np.ndarray, ratio: np.ndarray | float) -> float:
    """Share of the null distribution above the ratio, continued beyond the draws."""
    counted = (np.sum(null >= ratio) + 1) / (len(null) + 1)
    if counted > 0.02:
        return float(counted)
    logs = np.log1p(null)
    mean, variance = logs.mean(), logs.var()
    return float(gammaincc(mean**2 / variance, np.log1p(ratio) / (variance / mean)))
