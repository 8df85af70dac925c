"""Kinematic fit of one knot in the plane of the sky: places against time in, KnotFit and path out.

Distances in Mm, times in s, speeds in km/s, accelerations in m/s^2; axes: 0 outward, 1 along the limb.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import expit

from promtrack.motion.correlated_noise import (
    FREEST,
    KIND,
    KINDS,
    SCALES,
    SIZES_MM,
    WHITE,
    Noise,
    legendre,
    moments_of,
)
from promtrack.motion.kinematics import beyond_chance, check_course
from promtrack.motion.limits import KM_S, M_S2, SEEN
from promtrack.motion.records import KnotFit

MODELS = ("constant speed", "constant acceleration", "none")
# 1 sigma of how far the centre of light wanders within a knot in a whole track, over its excess scatter from
# frame to frame: 64 % of speeds inside 1 sigma on scenes by another hand, 59 % without (docs/accuracy.md)
WANDER = 0.5
# of its FWHM: 1 sigma of where the middle of a knot lies within it, when light joins or leaves it
WITHIN = 0.25
_PARABOLA = len(SIZES_MM)  # the one with the widest prior: its acceleration is not drawn towards zero


@dataclass(frozen=True, slots=True, eq=False)
class KnotPath:
    """A knot's fit, and its path at the times of its points."""

    fit: KnotFit
    place_mm: np.ndarray  # (2, n)
    speed_km_s: np.ndarray  # (n,)
    speed_err_km_s: np.ndarray  # (n,)
    error_mm: np.ndarray  # (2, n) 1 sigma of each point, by the track's own noise


@dataclass(frozen=True, slots=True, eq=False)
class _Axis:
    """One axis of a track: how it looks through every noise and curve, and the weight of each."""

    time_s: np.ndarray
    middle_mm: float
    free: int  # places
    values: np.ndarray  # (g, c, k) Legendre coefficients
    cov: np.ndarray  # (g, c, k, k) of these, for a = 1
    weight: np.ndarray  # (g, c) sum 1
    variance: np.ndarray  # (g, c) a²
    white2_mm2: float  # a² w²
    error_mm: np.ndarray  # (n,)
    misfit: float  # chi squared against the usual noise of the run
    size_mm: float

    def at(
        self, time_s: np.ndarray, order: int, weight: np.ndarray | None = None
    ) -> tuple[np.ndarray, np.ndarray]:
        """(m,) the path or its derivative at some times, and the variance within and between the curves."""
        weight = self.weight if weight is None else weight
        rows = legendre(time_s, self.time_s, self.values.shape[-1] - 1, order)
        values = self.values @ rows.T  # (g, c, m)
        # one product of matrices: the same sum by einsum took a tenth of the time of measuring all motion
        own2 = np.tensordot(self.cov, rows[:, :, None] * rows[:, None, :], axes=([2, 3], [1, 2]))
        own2 *= self.variance[..., None]
        if order:
            still = 1.0 - self._moves()[..., None]
            sway = self.values[..., 3:] @ rows[:, 3:].T
            values = values - still * sway
            own2 += still * (1.0 - still) * sway**2
        mean = np.einsum("gc,gcm->m", weight, values)
        return mean, np.einsum("gc,gcm->m", weight, own2 + (values - mean) ** 2)

    def bends_on(self) -> bool:
        """Whether a term beyond the parabola is seen in what is a parabola or a gentle arch."""
        weight = self.weight * (KIND == 1)
        weight = weight / max(weight.sum(), 1e-300)
        cubic = self.values[..., 3:4].sum(axis=-1)
        own2 = self.cov[..., 3:4, 3:4].sum(axis=(-2, -1)) * self.variance
        mean = float(np.sum(weight * cubic))
        return mean**2 > SEEN**2 * float(np.sum(weight * (own2 + (cubic - mean) ** 2)))

    def _moves(self) -> np.ndarray:
        """(g, c) probability that what bends more than a parabola is the knot's motion: light that joins a
        knot, or leaves it, moves its middle within it and no further."""
        if not self.size_mm:
            return np.ones_like(self.weight)
        sway = self.values[..., 3:]
        mean2 = np.sum(sway**2 / (2 * np.arange(3, 3 + sway.shape[-1]) + 1), axis=-1)
        return np.asarray(expit(0.5 * mean2 / (WITHIN * self.size_mm) ** 2))


def fit_path(
    time_s: np.ndarray,
    place_mm: np.ndarray,
    error_mm: np.ndarray | float,
    noise: tuple[Noise, Noise] = (WHITE, WHITE),
    *,
    size_mm: float = 0.0,
    lasting_err_mm: np.ndarray | float = 0.0,
    scale_err: float = 0.0,
    clock_err: float = 0.0,
) -> KnotPath:
    """Fit a line, parabolas and freer paths at once, each weighted by its probability.

    The freer paths are Gaussian processes of several sizes and correlation lengths about a line, written as
    polynomials; parabolas have several sizes too. Place, speed and their errors are those of all of them
    together (Bayesian model averaging: Hoeting et al. 1999, Stat. Sci. 14, 382). `model` names the likeliest
    kind; 'none' where it is a freer path, and the speed then holds at mid-time. The acceleration is that of
    the parabola; where the path is freer its error holds the difference to that. Speed from two noisy
    components, without the bias that makes every knot at rest move: Plaszczynski et al. 2014, MNRAS 439,
    4048.

    Parameters
    ----------
    time_s : (n,) rising, n >= 4
    place_mm : (2, n) outward, along the limb towards increasing angle
    error_mm : (2, n) or one value; 1-sigma errors of the single points
    noise : outward, along the limb (`correlated_noise.estimate_noise`)
    size_mm : FWHM of the knot, 0 if other light cannot move its middle. What sways by little against that is
        as likely light that changes as motion, and the errors of speeds hold both.
    lasting_err_mm : (2,) or one value; 1-sigma errors that may last as long as the track
    scale_err, clock_err : relative 1-sigma errors of scale and clock; reported apart, as `systematic_km_s`

    Raises ValueError: see `check_course`.
    """
    check_course(time_s, place_mm, error_mm, 4)
    error = np.broadcast_to(error_mm, place_mm.shape)
    axes = [_axis(time_s, y, e, one, size_mm) for y, e, one in zip(place_mm, error, noise, strict=True)]
    # one probability (3,) of line, parabola and freer path for both
    own = np.array([np.bincount(KIND, axis.weight.sum(axis=0)) for axis in axes])  # (2, 3)
    probability = own.prod(axis=0) / KINDS  # each has counted the same probability before the data
    probability /= probability.sum()
    part = (probability / np.maximum(own, 1e-300))[:, KIND]  # (2, c)
    axes = [replace(axis, weight=axis.weight * one) for axis, one in zip(axes, part, strict=True)]
    middle = np.array([0.5 * (time_s[0] + time_s[-1])])
    velocity, variance = np.concatenate([axis.at(middle, 1) for axis in axes], axis=1)
    # A knot's shape and what lies behind it move its centre of light. The part of that which comes and goes
    # from frame to frame is measured (`white_mm`); of the part that lasts no path can be told. Nor can the
    # lock's slow drift, which all knots share.
    wander2 = np.square(lasting_err_mm) + WANDER**2 * np.array([axis.white2_mm2 for axis in axes])
    span = time_s[-1] - time_s[0]
    drift2 = 2.0 * wander2 / span**2  # of both ends
    variance = variance + drift2
    model = int(np.argmax(probability))
    if model == 1 and any(axis.bends_on() for axis in axes):
        model = 2
    unit = velocity / max(float(np.hypot(*velocity)), 1e-12)
    accel, accel_err = _acceleration(axes, middle, unit)
    bend2 = 6.0 * (4.0 / span**2 * M_S2) ** 2 * wander2  # ends less twice the middle
    accel_err = math.sqrt(accel_err**2 + float(unit**2 @ bend2))
    own_km_s, sigma_km_s = velocity * KM_S, np.sqrt(variance) * KM_S
    speed, speed_err = _speed(own_km_s, sigma_km_s)
    squares, free = sum(axis.misfit for axis in axes), sum(axis.free for axis in axes) - 4
    fit = KnotFit(
        model=MODELS[model],
        time_s=float(middle[0]),
        radial_km_s=float(own_km_s[0]),
        radial_err_km_s=float(sigma_km_s[0]),
        along_km_s=float(own_km_s[1]),
        along_err_km_s=float(sigma_km_s[1]),
        speed_km_s=speed,
        speed_err_km_s=speed_err,
        direction_deg=math.degrees(math.atan2(velocity[1], velocity[0])) % 360,
        accel_m_s2=accel,
        accel_err_m_s2=accel_err,
        systematic_km_s=speed * math.hypot(scale_err, clock_err),
        chi2_per_dof=squares / free,
        errors_scaled=bool(beyond_chance(squares, free)),
    )
    local, local2 = np.swapaxes([axis.at(time_s, 1) for axis in axes], 0, 1)
    speeds = [_speed(v * KM_S, np.sqrt(v2 + drift2) * KM_S) for v, v2 in zip(local.T, local2.T, strict=True)]
    return KnotPath(
        fit,
        place_mm=np.array([axis.middle_mm + axis.at(time_s, 0)[0] for axis in axes]),
        speed_km_s=np.array([speed for speed, _ in speeds]),
        speed_err_km_s=np.array([err for _, err in speeds]),
        error_mm=np.array([axis.error_mm for axis in axes]),
    )


def _axis(
    time_s: np.ndarray, place_mm: np.ndarray, error_mm: np.ndarray, noise: Noise, size_mm: float
) -> _Axis:
    middle = float(place_mm.mean())
    moments = moments_of(time_s, place_mm - middle, error_mm, noise)
    joint = noise.joint(moments)
    each = np.exp(joint - joint.max())  # (g, s, c)
    likely = each.sum(axis=(1, 2))
    kept = likely > 1e-3 * likely.max()  # through other noises the track need not be seen
    usual = np.exp(joint - joint.max(axis=2, keepdims=True, initial=-1e300))
    usual *= (noise.usual / np.maximum(usual.sum(axis=2), 1e-300))[..., None]
    misfit = float(np.einsum("gsc,gc,s->", usual, moments.squares, 1.0 / SCALES))
    each, normal = each[kept] / each[kept].sum(), moments.normal[kept]
    variance, weight = moments.variance()[kept], each.sum(axis=1)
    cov = np.linalg.inv(normal[..., :-1, :-1])
    per_noise = np.einsum("gsc,gsc->g", each, variance)
    white2, slow2 = noise.white_mm[kept] ** 2, noise.slow_mm[kept] ** 2
    return _Axis(
        time_s,
        middle,
        moments.free,
        (cov @ normal[..., :-1, -1:])[..., 0],
        cov,
        weight,
        np.einsum("gsc,gsc->gc", each, variance) / np.maximum(weight, 1e-300),
        float(per_noise @ white2),
        np.sqrt(per_noise.sum() * error_mm**2 + per_noise @ (white2 + slow2)),
        misfit,
        size_mm,
    )


def _acceleration(axes: list[_Axis], middle: np.ndarray, unit: np.ndarray) -> tuple[float, float]:
    """Along the direction of the motion, m/s^2, by the parabola, and its error, which holds the rms distance
    of a freer path's acceleration on the way from it, as often as the path is freer."""
    value, variance = np.empty(2), np.empty(2)
    for k, axis in enumerate(axes):
        weight, free = np.zeros_like(axis.weight), axis.weight * (KIND == 2)
        weight[:, _PARABOLA] = axis.weight.sum(axis=1)
        (value[k],), (variance[k],) = axis.at(middle, 2, weight)
        probability = float(free.sum())
        if axis.values.shape[-1] > FREEST and probability > 0:
            # at its ends a polynomial of high degree bends as no data ask for
            inner = axis.time_s[len(axis.time_s) // 6 : -(len(axis.time_s) // 6) or None]
            on_the_way, _ = axis.at(inner, 2, free / probability)
            variance[k] += probability * float(np.mean((on_the_way - value[k]) ** 2))
    return float(unit @ value) * M_S2, float(np.sqrt(unit**2 @ variance)) * M_S2


def _speed(velocity: np.ndarray, sigma: np.ndarray) -> tuple[float, float]:
    """Length of a noisy vector with its noise bias removed, and its error."""
    raw = float(np.hypot(*velocity))
    unit = velocity / raw if raw > 0 else np.array([1.0, 0.0])
    across2 = float(np.sum((sigma * unit[::-1]) ** 2))  # variance across the motion makes it too long
    bias = across2 * -math.expm1(-(raw**2) / across2) / (2 * raw) if raw > 0 and across2 > 0 else 0.0
    return raw - bias, float(np.sqrt(np.sum((sigma * unit) ** 2)))
