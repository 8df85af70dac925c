"""Transverse oscillation of a thread that a slit crosses: a time-distance diagram in, a damped sine out.

The thread's place is measured in every strip, Lomb-Scargle power tells whether it swings, and a damped sine
on a slow drift gives period, amplitude and damping time with errors. A thread is long: what swings must swing
alike on a slit beside the first one. Knots that pass one after the other make a trace hop to and fro too, but
reach the other slit earlier or later.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular
from scipy.optimize import least_squares

from promtrack.motion import limits
from promtrack.motion.false_alarms import Tail
from promtrack.motion.kinematics import fit_polynomial, memory_of
from promtrack.motion.records import Oscillation
from promtrack.motion.thread_trace import (
    LEAST_POINTS,
    REACH_MM,
    THREADS,
    Trace,
    brightest_threads,
    calm,
    traced,
)
from promtrack.strip.records import Strip, TimeDistance
from promtrack.strip.slit import time_distances

SIGNIFICANT = 1e-4  # largest false-alarm probability, all threads of all slits counted
FEWEST_PERIODS = 1.8  # in the time observed
SHORTEST_STRIPS = 4.0  # strips in the shortest period
# Wander that is tried: memory in parts of the span, white noise as a part of the variance
WANDERS = [(0.02 * 2.0**k, white) for k in range(7) for white in (0.0, 0.05, 0.2, 0.5, 1.0)]
DRAWS = 200  # threads that only wander


def find_oscillations(strip: Strip, slits: tuple[TimeDistance, ...]) -> tuple[Oscillation, ...]:
    """The oscillations that the slits show (see `fit_oscillation`) and that a slit beside shows too, which is
    farther away than a knot is large and nearer than threads bend."""
    found = [one for k, slit in enumerate(slits) for one in _swinging(slit, k, len(slits))]
    names = [slits[wave.slit].name for _, wave in found]
    beside = zip(
        *(time_distances(strip, names, aside_mm=aside) for aside in (-limits.KNOT_MM, limits.KNOT_MM)),
        strict=True,
    )
    return tuple(
        wave
        for (trace, wave), sides in zip(found, beside, strict=True)
        if any(_swings_alike(trace, wave, side) for side in sides)
    )


def fit_oscillation(diagram: TimeDistance, slit: int = 0) -> Oscillation | None:
    """The most significant oscillation of the brightest threads that the slit crosses, None if there is none.

    Significant means: a false-alarm probability below 1 in 10,000, an amplitude above 5 of its errors, half
    of the thread's displacement explained, and 1.8 periods or more in the time observed.

    References
    ----------
    Lomb 1976, Ap&SS 39, 447; Scargle 1982, ApJ 263, 835, through `astropy.timeseries`. False alarms: see
    `_false_alarm`.
    """
    found = _swinging(diagram, slit, 1)
    return found[0][1] if found else None


def _swinging(diagram: TimeDistance, slit: int, slits: int) -> list[tuple[Trace, Oscillation]]:
    """The threads of a slit that swing, the surest first; those of `slits` slits count as trials."""
    if len(diagram.time_s) < LEAST_POINTS or len(diagram.distance_mm) < 12 or np.ptp(diagram.time_s) <= 0:
        return []
    starts = brightest_threads(diagram)[:THREADS]
    traces = [trace for start in starts if (trace := traced(diagram, start)) is not None]
    found = [
        (trace, one)
        for trace in traces
        if (one := _oscillation(trace, slit, slits * len(starts))) is not None
    ]
    kept: list[tuple[Trace, Oscillation]] = []
    for trace, one in sorted(found, key=lambda pair: pair[1].false_alarm):
        places = [float(np.median(other.place_mm)) for other, _ in kept]
        if all(abs(float(np.median(trace.place_mm)) - place) > limits.KNOT_MM for place in places):
            kept.append((trace, one))
    return kept


def _swings_alike(trace: Trace, wave: Oscillation, beside: TimeDistance) -> bool:
    """Whether a thread near the same place of another slit swings with the wave's period and phase."""
    step = float(np.median(np.diff(beside.distance_mm)))
    rest = float(np.median(trace.place_mm) - beside.distance_mm[0]) / step
    reach = (REACH_MM + limits.KNOT_MM) / step  # a thread may lean by 45 degrees
    starts = [start for start in brightest_threads(beside) if abs(start - rest) <= reach][:THREADS]
    traces = [other for start in starts if (other := traced(beside, start)) is not None]
    return any(_shares(wave, other) for other in traces)


def _shares(wave: Oscillation, other: Trace) -> bool:
    """Whether a trace holds the wave: its displacement is fitted with the wave and the wave a quarter later,
    and what it holds differs from the wave by less than the wave itself."""
    keep = calm(other) & np.isin(other.time_s, wave.time_s)
    if keep.sum() < LEAST_POINTS:
        return False
    t, place = other.time_s[keep], other.place_mm[keep]
    drift = np.polynomial.Polynomial.fit(wave.time_s, wave.curve_mm, 1)
    swing = np.interp(t, wave.time_s, wave.curve_mm - drift(wave.time_s))
    later = np.interp(t - wave.period_s / 4, wave.time_s, wave.curve_mm - drift(wave.time_s))
    design = np.column_stack([swing, later, np.ones_like(t), (t - t.mean()) / np.ptp(t)])
    fitted, *_ = np.linalg.lstsq(design, place, rcond=None)
    rest = place - design @ fitted
    r = memory_of(rest, 4)
    noise = math.sqrt(
        float(rest @ rest) / (len(t) - 4) * (1 + r) / (1 - r) / max(float(swing @ swing), 1e-300)
    )
    return bool(np.hypot(fitted[0] - 1.0, fitted[1]) < 1.0 and fitted[0] >= limits.CERTAIN * noise)


def _oscillation(trace: Trace, slit: int, threads: int) -> Oscillation | None:
    span = float(trace.time_s[-1] - trace.time_s[0])
    step_s = np.diff(trace.time_s)
    if not (step_s > 0).any():
        return None
    keep = calm(trace)
    keep[1:] &= np.diff(trace.time_s) > 0  # of frames with one time stamp the first counts
    group = -(-int(keep.sum()) // limits.MOST_TIMES) or 1
    cadence = group * float(np.median(step_s[step_s > 0]))
    # means of so many neighbours each; what is left at the end is dropped
    table = np.array([trace.time_s - trace.time_s[0], trace.place_mm, trace.err_mm])[:, keep]
    t, x, err = table[:, : table.shape[1] // group * group].reshape(3, -1, group).mean(axis=2)
    err = err / math.sqrt(group)
    low, high = FEWEST_PERIODS / span, 1 / (SHORTEST_STRIPS * cadence)
    if len(t) < LEAST_POINTS or high <= low:
        return None
    drift = fit_polynomial(t, x, err, 1)
    frequency = np.arange(low, high, 0.1 / span)
    from astropy.timeseries import LombScargle  # slow to import, and few slits show a thread all the time

    search = LombScargle(t, drift.residual, err)
    power = search.power(frequency)
    fit = _damped_sine(t, x, err, float(frequency[np.argmax(power)]), low, high)
    if fit is None:
        return None
    frequency_hz, error = fit.values[4:], np.sqrt(np.diag(fit.cov))[4:]  # and the inverse of the damping time
    damped = len(frequency_hz) == 2
    share = 1 - float(np.var(fit.residual)) / float(np.var(drift.residual))
    amplitude_mm = float(np.hypot(*fit.values[2:4]))  # at the first strip
    gradient = fit.values[2:4] / amplitude_mm
    amplitude_err_mm = math.sqrt(gradient @ fit.cov[2:4, 2:4] @ gradient)
    if amplitude_mm < limits.CERTAIN * amplitude_err_mm or share < 0.5:
        return None
    false_alarm = min(1.0, threads * _false_alarm(t, x, frequency, np.random.default_rng(len(t))))
    if not false_alarm <= SIGNIFICANT:
        return None
    curve, rest = _model(trace.time_s - trace.time_s[0], *fit.values), float(fit.values[0])
    return Oscillation(
        slit=slit,
        time_s=trace.time_s,
        displacement_mm=trace.place_mm - rest,
        displacement_err_mm=trace.err_mm,
        period_s=float(1 / frequency_hz[0]),
        period_err_s=float(error[0] / frequency_hz[0] ** 2),
        amplitude_mm=amplitude_mm,
        amplitude_err_mm=amplitude_err_mm,
        damping_s=float(1 / frequency_hz[1]) if damped else math.inf,
        damping_err_s=float(error[1] / frequency_hz[1] ** 2) if damped else math.nan,
        curve_mm=curve - rest,
        false_alarm=false_alarm,
        power=np.asarray(power),
        power_period_s=1 / frequency,
    )


def _model(
    t: np.ndarray,
    rest: float,
    drift: float,
    cosine: float,
    sine: float,
    frequency: float,
    damping: float = 0.0,
) -> np.ndarray:
    """Damped sine on a slow drift; `damping` is the inverse of the damping time."""
    phase = 2 * np.pi * frequency * t
    swing = cosine * np.cos(phase) + sine * np.sin(phase)
    return rest + drift * t + np.exp(np.clip(-damping * t, -50, 50)) * swing


@dataclass(frozen=True, slots=True, eq=False)
class _Swing:
    """A damped sine fitted to a trace."""

    values: np.ndarray  # (5,) or, with damping, (6,) parameters of `_model`
    cov: np.ndarray  # from the scatter of the places, neighbours of which scatter alike
    residual: np.ndarray


def _damped_sine(
    t: np.ndarray, x: np.ndarray, err: np.ndarray, frequency: float, low: float, high: float
) -> _Swing | None:
    """Fit with damping where that is seen (2 of its errors); None without a sine in the range."""
    phase = 2 * np.pi * frequency * t
    design = np.column_stack([np.ones_like(t), t, np.cos(phase), np.sin(phase)]) / err[:, None]
    linear = np.linalg.lstsq(design, x / err, rcond=None)[0]
    damped = [_fitted(t, x, err, [*linear, frequency, part / t[-1]]) for part in (0.3, 2.0)]
    seen = [fit for fit in damped if fit is not None and low <= fit.values[4] <= high]
    best = min(seen, key=lambda fit: float(np.sum((fit.residual / err) ** 2)), default=None)
    if best is not None and best.values[5] > 2 * math.sqrt(best.cov[5, 5]):
        return best
    steady = _fitted(t, x, err, [*linear, frequency])
    return steady if steady is not None and low <= steady.values[4] <= high else None


def _fitted(t: np.ndarray, x: np.ndarray, err: np.ndarray, start: list[float]) -> _Swing | None:
    if len(t) <= len(start):
        return None
    fit = least_squares(
        lambda values: (_model(t, *values) - x) / err,
        start,
        method="lm",
        x_scale="jac",
        xtol=1e-12,
        ftol=1e-12,
    )
    normal = fit.jac.T @ fit.jac
    if not fit.success or np.linalg.matrix_rank(normal, hermitian=True) < len(start):
        return None
    values, cov = fit.x, np.linalg.inv(normal)
    residual = x - _model(t, *values)
    r, chi2 = memory_of(residual, len(values)), float(np.sum((residual / err) ** 2))
    return _Swing(values, cov * max(1.0, chi2 / (len(t) - len(values))) * (1 + r) / (1 - r), residual)


def _false_alarm(t: np.ndarray, x: np.ndarray, frequency: np.ndarray, rng: np.random.Generator) -> float:
    """Probability that a thread that only wanders shows a swing as clear.

    Wander is an Ornstein-Uhlenbeck process with white noise about a linear drift. The statistic is the
    likelihood ratio of wander plus a swing, at the best of all frequencies, over wander alone, the process
    being fitted anew under both; its law comes from `DRAWS` threads drawn from the fitted wander, continued
    as an exponential. Neyman & Pearson 1933; red noise in periodograms: Vaughan 2005, A&A 431, 391.
    """
    alone, swing, which = _likelihoods(t, x[:, None], frequency)
    root = np.linalg.cholesky(_wander(t, *WANDERS[int(which[0])]))
    drawn = root @ rng.normal(size=(len(t), DRAWS))
    null_alone, null_swing, _ = _likelihoods(t, drawn, frequency)
    null, seen = null_swing - null_alone, float((swing - alone)[0])
    tail = Tail.of(null)
    return float(np.mean(null >= seen)) if seen < tail.level else tail.probability(seen)


def _wander(t: np.ndarray, memory: float, white: float) -> np.ndarray:
    """Covariance of unit variance: memory in parts of the span, white noise as a part of the variance."""
    apart = np.abs(t[:, None] - t) / (memory * (t[-1] - t[0]))
    return (1 - white) * np.exp(-apart) + (white + 1e-6) * np.eye(len(t))


def _likelihoods(
    t: np.ndarray, x: np.ndarray, frequency: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """(m,) log likelihoods of m threads (n, m): of wander alone, with a swing; and the best wander alone."""
    n = len(t)
    phase = 2 * np.pi * frequency * t[:, None]
    swings = np.concatenate([np.cos(phase), np.sin(phase)], axis=1)
    line = np.column_stack([np.ones(n), t / t[-1]])
    alone, with_swing = [], []
    for memory, white in WANDERS:
        root = np.linalg.cholesky(_wander(t, memory, white))
        half = float(np.sum(np.log(np.diag(root))))
        whole = solve_triangular(root, np.concatenate([line, x, swings], axis=1), lower=True)
        basis, _ = np.linalg.qr(whole[:, :2])
        free = whole[:, 2:] - basis @ (basis.T @ whole[:, 2:])
        rest, waves = free[:, : x.shape[1]], free[:, x.shape[1] :]
        cosine, sine = waves[:, : len(frequency)], waves[:, len(frequency) :]
        cosine = cosine / np.linalg.norm(cosine, axis=0)
        sine = sine - cosine * np.sum(cosine * sine, axis=0)
        sine = sine / np.linalg.norm(sine, axis=0)
        squares = np.sum(rest**2, axis=0)
        explained = np.max((cosine.T @ rest) ** 2 + (sine.T @ rest) ** 2, axis=0)
        alone.append(-0.5 * n * np.log(squares) - half)
        with_swing.append(-0.5 * n * np.log(np.maximum(squares - explained, 1e-12 * squares)) - half)
    return np.max(alone, axis=0), np.max(with_swing, axis=0), np.argmax(alone, axis=0)
