"""Kinematic fit of one knot in the plane of the sky: places against time in, KnotFit and path out.

Distances in Mm, times in s, speeds in km/s, accelerations in m/s^2; axes: 0 outward, 1 along the limb.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from promtrack.motion.correlated_noise import (
    BENDS_MM,
    CURVE_WEIGHTS,
    FREEST,
    KIND,
    KINDS,
    WHITE,
    Moments,
    Noise,
    legendre,
    moments_of,
)
from promtrack.motion.kinematics import beyond_chance
from promtrack.motion.limits import KM_S, M_S2
from promtrack.motion.records import KnotFit

MODELS = ("constant speed", "constant acceleration", "none")
# 1 sigma of how far the centre of light wanders within a knot in a whole track, over its excess scatter from
# frame to frame: 64 % of speeds inside 1 sigma on scenes by another hand, 59 % without (docs/accuracy.md)
WANDER = 0.5
_PARABOLA = len(BENDS_MM)  # the one with the widest prior: its acceleration is not drawn towards zero


@dataclass(frozen=True, slots=True, eq=False)
class KnotPath:
    """A knot's fit, and its path at the times of its points."""

    fit: KnotFit
    place_mm: np.ndarray  # (2, n)
    speed_km_s: np.ndarray  # (n,)
    speed_err_km_s: np.ndarray  # (n,)
    variance: np.ndarray  # (2,) of the track's noise over that stated: a² in `correlated_noise`


@dataclass(frozen=True, slots=True, eq=False)
class _Axis:
    """One axis of a track: how it looks through every noise and curve, and the weight of each."""

    time_s: np.ndarray
    middle_mm: float
    moments: Moments
    scale: np.ndarray  # (g,)
    weight: np.ndarray  # (g, c) sum 1

    @property
    def variance(self) -> float:
        """a² of the track."""
        return float(np.sum(self.weight * self.moments.variance(self.scale)))

    def at(
        self, time_s: np.ndarray, order: int, weight: np.ndarray | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """(m,) the path or its derivative at some times, and the variance: within the curves and between
        them."""
        weight = self.weight if weight is None else weight
        rows = legendre(time_s, self.time_s, self.moments.values.shape[-1] - 1, order)
        values = self.moments.values @ rows.T  # (g, c, m)
        own2 = np.einsum("mi,gcij,mj->gcm", rows, self.moments.cov, rows)
        own2 *= self.moments.variance(self.scale)[..., None]
        mean = np.einsum("gc,gcm->m", weight, values)
        return mean, np.einsum("gc,gcm->m", weight, own2 + (values - mean) ** 2)


def log_evidence(
    time_s: np.ndarray, place_mm: np.ndarray, error_mm: np.ndarray, noise: tuple[Noise, Noise]
) -> float:
    """Log likelihood of a track (n,), (2, n), (2, n), paths and noise integrated out."""
    total = 0.0
    for place, error, one in zip(place_mm, error_mm, noise, strict=True):
        likely = moments_of(time_s, place - place.mean(), error, one).log_evidence(one.scale)
        top = likely.max()
        total += float(top + np.log(one.weight @ np.exp(likely - top) @ CURVE_WEIGHTS))
    return total


def fit_path(
    time_s: np.ndarray,
    place_mm: np.ndarray,
    error_mm: np.ndarray | float,
    noise: tuple[Noise, Noise] = (WHITE, WHITE),
    *,
    lasting_err_mm: np.ndarray | float = 0.0,
    scale_err: float = 0.0,
    clock_err: float = 0.0,
) -> KnotPath:
    """Fit a line, parabolas and freer paths at once, each weighted by its probability.

    The freer paths are polynomials of degree up to 10 with coefficients that are small a priori, in five
    sizes; parabolas likewise. Place, speed and their errors are those of all of them together (Bayesian model
    averaging: Hoeting et al. 1999, Stat. Sci. 14, 382): a bend that the data can hardly tell from a straight
    path counts with the probability that it is there. `model` names the likeliest kind; 'none' where it is a
    freer path, and the speed then holds at mid-time. The acceleration is that of the parabola, whatever is
    chosen; where the path is freer its error holds the difference to that.

    Parameters
    ----------
    time_s : (n,) finite, rising, n >= 4
    place_mm : (2, n) outward, along the limb towards increasing angle
    error_mm : (2, n) or one value; 1-sigma errors of the single points
    noise : outward, along the limb (`correlated_noise.estimate_noise`)
    lasting_err_mm : (2,) or one value; 1-sigma errors that may last as long as the track: of the lock, of
        light that joins
    scale_err, clock_err : relative 1-sigma errors of scale and clock; reported apart, as `systematic_km_s`

    Raises
    ------
    ValueError : wrong shapes, fewer than 4 points, values that are not finite

    References
    ----------
    Speed from two noisy components, without the bias that makes every knot at rest move: the modified
    asymptotic estimator of Plaszczynski et al. 2014, MNRAS 439, 4048.
    """
    time_s, place_mm = np.asarray(time_s, float), np.asarray(place_mm, float)
    if time_s.ndim != 1 or place_mm.shape != (2, len(time_s)) or len(time_s) < 4:
        raise ValueError(
            f"time_s must be (n,) and place_mm (2, n) with n >= 4, got {time_s.shape} and {place_mm.shape}"
        )
    if not (np.isfinite(time_s).all() and np.isfinite(place_mm).all()):
        raise ValueError("time_s and place_mm must be finite")
    error = np.broadcast_to(np.asarray(error_mm, float), place_mm.shape)
    axes, probability = _weighted(
        [_axis(time_s, y, e, one) for y, e, one in zip(place_mm, error, noise, strict=True)]
    )
    middle = np.array([0.5 * (time_s[0] + time_s[-1])])
    velocity, variance = (
        np.concatenate(parts) for parts in zip(*(axis.at(middle, 1) for axis in axes), strict=True)
    )
    # A knot's shape and what lies behind it move its centre of light. The part of that which comes and goes
    # from frame to frame is measured (`white_mm`); of the part that lasts no path can be told. Nor can the
    # lock's slow drift, which all knots share.
    wander2 = np.broadcast_to(np.square(lasting_err_mm), 2) + np.array(
        [
            WANDER**2 * axis.variance * (one.weight @ one.white_mm**2)
            for axis, one in zip(axes, noise, strict=True)
        ]
    )
    span = time_s[-1] - time_s[0]
    drift2 = 2.0 * wander2 / span**2  # of both ends
    variance = variance + drift2
    model = int(np.argmax(probability))
    unit = velocity / max(float(np.hypot(*velocity)), 1e-12)
    accel, accel_err = _acceleration(axes, middle, unit)
    bend2 = 6.0 * (4.0 / span**2 * M_S2) ** 2 * wander2  # ends less twice the middle
    accel_err = math.sqrt(accel_err**2 + float(unit**2 @ bend2))
    speed, speed_err, _ = _speed(velocity * KM_S, np.sqrt(variance) * KM_S)
    squares, free = _misfit(axes)
    fit = KnotFit(
        model=MODELS[model],
        time_s=float(middle[0]),
        radial_km_s=float(velocity[0] * KM_S),
        radial_err_km_s=float(math.sqrt(variance[0]) * KM_S),
        along_km_s=float(velocity[1] * KM_S),
        along_err_km_s=float(math.sqrt(variance[1]) * KM_S),
        speed_km_s=speed,
        speed_err_km_s=speed_err,
        direction_deg=math.degrees(math.atan2(velocity[1], velocity[0])) % 360,
        accel_m_s2=accel,
        accel_err_m_s2=accel_err,
        systematic_km_s=speed * math.hypot(scale_err, clock_err),
        chi2_per_dof=squares / free,
        errors_scaled=bool(beyond_chance(squares, free)),
    )
    local, local2 = (np.array(parts) for parts in zip(*(axis.at(time_s, 1) for axis in axes), strict=True))
    speeds = np.array(
        [_speed(v * KM_S, np.sqrt(v2 + drift2) * KM_S)[:2] for v, v2 in zip(local.T, local2.T, strict=True)]
    )
    return KnotPath(
        fit,
        np.array([axis.middle_mm + axis.at(time_s, 0)[0] for axis in axes]),
        speeds[:, 0],
        speeds[:, 1],
        np.array([axis.variance for axis in axes]),
    )


def _axis(time_s: np.ndarray, place_mm: np.ndarray, error_mm: np.ndarray, noise: Noise) -> _Axis:
    middle = float(place_mm.mean())
    moments = moments_of(time_s, place_mm - middle, error_mm, noise)
    likely = moments.log_evidence(noise.scale)
    weight = np.exp(likely - likely.max(axis=1, keepdims=True)) * CURVE_WEIGHTS
    weight *= noise.weight[:, None] / weight.sum(axis=1, keepdims=True)
    return _Axis(time_s, middle, moments, noise.scale, weight)


def _weighted(axes: list[_Axis]) -> tuple[list[_Axis], np.ndarray]:
    """The axes with one probability (3,) of line, parabola and freer path for both, and that."""
    own = np.array([np.bincount(KIND, axis.weight.sum(axis=0)) for axis in axes])  # (2, 3)
    both = own.prod(axis=0) / KINDS  # each has counted the same probability before the data
    both /= both.sum()
    part = (both / np.maximum(own, 1e-300))[:, KIND]  # (2, c)
    return [
        _Axis(axis.time_s, axis.middle_mm, axis.moments, axis.scale, axis.weight * one)
        for axis, one in zip(axes, part, strict=True)
    ], both


def _acceleration(axes: list[_Axis], middle: np.ndarray, unit: np.ndarray) -> tuple[float, float]:
    """Along the direction of the motion, m/s^2, and its error; by the parabola alone.

    Where the path may be freer, its acceleration changes on the way: the rms distance of that from the
    parabola's counts in the error, as often as the path is freer.
    """
    value, variance = np.empty(2), np.empty(2)
    for k, axis in enumerate(axes):
        weight, free = np.zeros_like(axis.weight), axis.weight * (KIND == 2)
        weight[:, _PARABOLA] = axis.weight.sum(axis=1)
        (value[k],), (variance[k],) = axis.at(middle, 2, weight)
        probability = float(free.sum())
        if axis.moments.values.shape[-1] > FREEST and probability > 0:
            # at its ends a polynomial of high degree bends as no data ask for
            inner = axis.time_s[len(axis.time_s) // 6 : -(len(axis.time_s) // 6) or None]
            on_the_way, _ = axis.at(inner, 2, free / probability)
            variance[k] += probability * float(np.mean((on_the_way - value[k]) ** 2))
    return float(unit @ value) * M_S2, float(np.sqrt(unit**2 @ variance)) * M_S2


def _misfit(axes: list[_Axis]) -> tuple[float, int]:
    """Chi squared against the noise of the run, and its degrees of freedom."""
    squares = sum(float(np.sum(axis.weight * axis.moments.squares / axis.scale[:, None])) for axis in axes)
    return squares, sum(axis.moments.free for axis in axes) - 4


def _speed(velocity: np.ndarray, sigma: np.ndarray) -> tuple[float, float, np.ndarray]:
    """Length of a noisy vector with its noise bias removed, its error, and the direction."""
    raw = float(np.hypot(*velocity))
    unit = velocity / raw if raw > 0 else np.array([1.0, 0.0])
    across2 = float(np.sum((sigma * unit[::-1]) ** 2))  # variance across the motion makes it too long
    bias = across2 * -math.expm1(-(raw**2) / across2) / (2 * raw) if raw > 0 and across2 > 0 else 0.0
    return raw - bias, float(np.sqrt(np.sum((sigma * unit) ** 2))), unit
