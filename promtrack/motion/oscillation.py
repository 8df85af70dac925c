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
from scipy.ndimage import gaussian_filter1d
from scipy.optimize import least_squares

from promtrack.motion import limits
from promtrack.motion.false_alarms import Tail
from promtrack.motion.kinematics import fit_polynomial, memory_of
from promtrack.motion.records import Oscillation
from promtrack.strip.records import Strip, TimeDistance
from promtrack.strip.slit import time_distances

LEAST_POINTS = 16  # strips in which a thread must be seen
REACH_MM = 2.5  # a thread moves less than this from one strip to the next
# Wander that is tried: memory in parts of the span, white noise as a part of the variance
WANDERS = [(0.02 * 2.0**k, white) for k in range(7) for white in (0.0, 0.05, 0.2, 0.5, 1.0)]


@dataclass(frozen=True, slots=True, eq=False)
class _Trace:
    """Where a thread stood in the strips that show it."""

    time_s: np.ndarray
    place_mm: np.ndarray
    err_mm: np.ndarray


def find_oscillations(strip: Strip, slits: tuple[TimeDistance, ...]) -> tuple[Oscillation, ...]:
    """The significant oscillations of the brightest threads that the slits cross, which a slit beside shows
    too, that is farther away than a knot is large and nearer than threads bend.

    Significant means: a false-alarm probability below 1 in 10,000 (`_false_alarm`), an amplitude above 5 of
    its errors, half of the thread's displacement explained, and 1.8 periods or more in the time observed
    (periodogram: Lomb 1976, Ap&SS 39, 447; Scargle 1982, ApJ 263, 835).
    """
    found = [one for k, slit in enumerate(slits) for one in _swinging(slit, k, len(slits))]
    names = [slits[wave.slit].name for _, wave in found]
    sides = (time_distances(strip, names, aside_mm=aside) for aside in (-limits.KNOT_MM, limits.KNOT_MM))
    return tuple(
        wave
        for (trace, wave), *beside in zip(found, *sides, strict=True)
        if any(_swings_alike(trace, wave, side) for side in beside)
    )


def _swinging(diagram: TimeDistance, slit: int, slits: int) -> list[tuple[_Trace, Oscillation]]:
    """The threads of a slit that swing, the surest first; those of `slits` slits count as trials."""
    if len(diagram.time_s) < LEAST_POINTS or len(diagram.distance_mm) < 12 or np.ptp(diagram.time_s) <= 0:
        return []
    starts = _brightest_threads(diagram)
    found = []
    for start in starts:
        trace = _traced(diagram, start)
        wave = None if trace is None else _oscillation(trace, slit, slits * len(starts))
        if trace is not None and wave is not None:
            found.append((trace, wave))
    kept: list[tuple[_Trace, Oscillation]] = []
    for trace, wave in sorted(found, key=lambda pair: pair[1].false_alarm):
        place = np.median(trace.place_mm)
        if all(abs(place - np.median(other.place_mm)) > limits.KNOT_MM for other, _ in kept):
            kept.append((trace, wave))
    return kept


def _swings_alike(trace: _Trace, wave: Oscillation, beside: TimeDistance) -> bool:
    """Whether a thread near the same place of another slit swings with the wave's period and phase: its
    displacement is fitted with the wave and the wave a quarter later, and what it holds differs from the wave
    by less than the wave itself."""
    step = float(np.median(np.diff(beside.distance_mm)))
    rest = float(np.median(trace.place_mm) - beside.distance_mm[0]) / step
    reach = (REACH_MM + limits.KNOT_MM) / step  # a thread may lean by 45 degrees
    drift = np.polynomial.Polynomial.fit(wave.time_s, wave.curve_mm, 1)
    swing_mm = wave.curve_mm - drift(wave.time_s)
    for start in _brightest_threads(beside, rest - reach, rest + reach):
        other = _traced(beside, start)
        if other is None:
            continue
        keep = np.isin(other.time_s, wave.time_s)
        if keep.sum() < LEAST_POINTS:
            continue
        t, place = other.time_s[keep], other.place_mm[keep]
        swing, later = (np.interp(t - late, wave.time_s, swing_mm) for late in (0.0, wave.period_s / 4))
        design = np.column_stack([swing, later, np.ones_like(t), (t - t.mean()) / np.ptp(t)])
        fitted = np.linalg.lstsq(design, place, rcond=None)[0]
        left = place - design @ fitted
        r = memory_of(left, 4)
        variance = float(left @ left) / (len(t) - 4) * (1 + r) / (1 - r) / max(float(swing @ swing), 1e-300)
        seen = fitted[0] >= limits.CERTAIN * math.sqrt(variance)
        if seen and np.hypot(fitted[0] - 1.0, fitted[1]) < 1.0:
            return True
    return False


def _oscillation(trace: _Trace, slit: int, threads: int) -> Oscillation | None:
    span = float(trace.time_s[-1] - trace.time_s[0])
    step_s = np.diff(trace.time_s)
    if not (step_s > 0).any():
        return None
    keep = np.diff(trace.time_s, prepend=-np.inf) > 0  # of frames with one time stamp the first counts
    group = -(-int(keep.sum()) // limits.MOST_TIMES) or 1
    cadence = group * float(np.median(step_s[step_s > 0]))
    # means of so many neighbours each; what is left at the end is dropped
    table = np.array([trace.time_s - trace.time_s[0], trace.place_mm, trace.err_mm])[:, keep]
    t, x, err = table[:, : table.shape[1] // group * group].reshape(3, -1, group).mean(axis=2)
    err = err / math.sqrt(group)
    low, high = 1.8 / span, 1 / (4 * cadence)  # four strips in the shortest period
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
    if not false_alarm <= 1e-4:
        return None
    (curve, _), rest = _model(trace.time_s - trace.time_s[0], fit.values), float(fit.values[0])
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


def _model(t: np.ndarray, values: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(n,) sine on a slow drift, with a sixth value, the inverse of the damping time, a damped one; and its
    derivatives (n, k) by the values."""
    rest, drift, cosine, sine, frequency, *more = values
    turn = 2 * np.pi * t
    decay = np.exp(np.clip(-more[0] * t, -50, 50)) if more else np.ones_like(t)
    cos, sin = decay * np.cos(turn * frequency), decay * np.sin(turn * frequency)
    swing = cosine * cos + sine * sin
    slopes = [np.ones_like(t), t, cos, sin, turn * (sine * cos - cosine * sin), -t * swing]
    return rest + drift * t + swing, np.column_stack(slopes[: len(values)])


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
    starts = [[*linear, frequency, *damping] for damping in ([0.3 / t[-1]], [2.0 / t[-1]], [])]
    fits = [fit for start in starts if (fit := _fitted(t, x, err, start)) is not None]
    seen = [fit for fit in fits if low <= fit.values[4] <= high]
    damped = [fit for fit in seen if len(fit.values) == 6]
    best = min(damped, key=lambda fit: float(np.sum((fit.residual / err) ** 2)), default=None)
    if best is not None and best.values[5] > 2 * math.sqrt(best.cov[5, 5]):
        return best
    return next((fit for fit in seen if len(fit.values) == 5), None)


def _fitted(t: np.ndarray, x: np.ndarray, err: np.ndarray, start: list[float]) -> _Swing | None:
    if len(t) <= len(start):
        return None

    fit = least_squares(
        lambda values: (_model(t, values)[0] - x) / err,
        start,
        jac=lambda values: _model(t, values)[1] / err[:, None],
        method="lm",
        x_scale="jac",
        xtol=1e-12,
        ftol=1e-12,
    )
    normal = fit.jac.T @ fit.jac
    if not fit.success or np.linalg.matrix_rank(normal, hermitian=True) < len(start):
        return None
    residual = x - _model(t, fit.x)[0]
    r, chi2 = memory_of(residual, len(start)), float(np.sum((residual / err) ** 2))
    scatter = max(1.0, chi2 / (len(t) - len(start))) * (1 + r) / (1 - r)
    return _Swing(fit.x, np.linalg.inv(normal) * scatter, residual)


def _false_alarm(t: np.ndarray, x: np.ndarray, frequency: np.ndarray, rng: np.random.Generator) -> float:
    """Probability that a thread that only wanders shows a swing as clear.

    Wander is an Ornstein-Uhlenbeck process with white noise about a linear drift. The statistic is the
    likelihood ratio of wander plus a swing, at the best of all frequencies, over wander alone, the process
    being fitted anew under both; its law comes from 200 threads drawn from the fitted wander, continued
    as an exponential. Neyman & Pearson 1933; red noise in periodograms: Vaughan 2005, A&A 431, 391.
    """
    alone, swing, which = _likelihoods(t, x[:, None], frequency)
    root = np.linalg.cholesky(_wander(t, *WANDERS[int(which[0])]))
    drawn = root @ rng.normal(size=(len(t), 200))
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


def _brightest_threads(diagram: TimeDistance, low: float = 0.0, high: float = np.inf) -> list[float]:
    """Places [px] of the four brightest threads between two places, from the mean over the run."""
    from scipy.signal import find_peaks  # slow to import, and a refused run does without

    value = np.nan_to_num(diagram.value, nan=0.0)
    smooth = gaussian_filter1d(value, 1.5, axis=1)
    peaks, found = find_peaks(gaussian_filter1d(smooth.mean(axis=0), 1.5), prominence=0.0)
    peaks = peaks[np.argsort(found["prominences"])[::-1]].astype(float)
    return peaks[(peaks >= low) & (peaks <= high)][:4].tolist()


def _traced(diagram: TimeDistance, start: float) -> _Trace | None:
    """Follow a thread from the strip where it is clearest near `start`, both ways in time."""
    step = float(np.median(np.diff(diagram.distance_mm)))
    shown = np.isfinite(diagram.value).all(axis=1)
    value = np.nan_to_num(diagram.value, nan=0.0).astype(float)
    smooth = gaussian_filter1d(value, 1.0, axis=1)
    noise = np.median(np.abs(np.diff(value, n=2, axis=1))) / (limits.QUARTILE * math.sqrt(6))
    if not noise > 0:
        noise = 1e-6 * float(np.ptp(value)) or 1.0
    reach = max(2, math.ceil(REACH_MM / step))
    near = slice(max(int(start) - reach, 0), int(start) + reach + 1)
    first = int(np.argmax(np.where(shown, smooth[:, near].max(axis=1), -np.inf)))
    places: dict[int, tuple[float, float]] = {}
    for direction in (1, -1):
        at, pace = float(near.start + np.argmax(smooth[first, near])), 0.0
        i = first
        while 0 <= i < len(value):
            here = _centre(smooth[i], value[i], at + pace, reach, noise) if shown[i] else None
            if here is not None:
                pace = 0.5 * pace + 0.5 * float(np.clip(here[0] - at, -reach, reach)) if i != first else 0.0
                at = here[0]
                places[i] = here
            else:
                pace = 0.0
            i += direction
    if len(places) < max(LEAST_POINTS, 0.6 * shown.sum()):
        return None
    index = np.array(sorted(places))
    place, err = np.array([places[i] for i in index]).T
    return _Trace(diagram.time_s[index], diagram.distance_mm[0] + place * step, err * step)


def _centre(
    smooth: np.ndarray, row: np.ndarray, at: float, reach: int, noise: float
) -> tuple[float, float] | None:
    """Centre and error [px] of the thread near `at`, by a Gaussian through three places."""
    low, high = max(round(at) - reach, 2), min(round(at) + reach + 1, len(row) - 2)
    if high - low < 3:
        return None
    j = low + int(np.argmax(smooth[low:high]))
    base = min(smooth[max(j - 3 * reach, 0) : j + 1].min(), smooth[j : j + 3 * reach + 1].min())
    left, top, right = smooth[j - 1 : j + 2] - base
    # smoothing by 1 px leaves 0.53 of white noise: (4 pi)^-1/4
    if top < limits.SEEN * 0.53 * noise or min(left, right) <= 0 or max(left, right) > top:
        return None
    logs = np.log([left, top, right])
    bend = logs[0] - 2 * logs[1] + logs[2]
    if bend >= 0:
        return None
    width2 = min(-1 / bend, float(reach) ** 2)  # variance of the Gaussian
    # Cramer-Rao bound of the place of a Gaussian of amplitude A in white noise: (noise/A) (4 width^2 /
    # pi)^1/4
    err = noise / max(top, noise) * (4 * width2 / math.pi) ** 0.25
    return j + 0.5 * (logs[0] - logs[2]) / bend, max(err, 0.02)
