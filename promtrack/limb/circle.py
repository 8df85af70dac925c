"""Circle fits: limb points in, circle with covariance out.

Pixels only; x runs right, y down. Taubin's algebraic fit starts the geometric one: it is not biased to small
circles on short arcs, as the simplest algebraic fit is (Al-Sharadqah & Chernov 2009, Electron. J. Stat. 3,
886).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from promtrack.errors import InputError
from promtrack.limb.records import CircleFit

TUKEY = 4.685  # biweight cut in units of sigma: 95 % efficiency on normal errors (Holland & Welsch 1977)
MAD = 1.4826  # normal sigma in units of the median absolute deviation


@dataclass(frozen=True, slots=True)
class Circle:
    """Centre and radius, without errors."""

    x_px: float
    y_px: float
    radius_px: float


class LimbArcTooShort(InputError):
    """The limb points span too little of the disc."""

    remedy = "record more of the limb, or lower limb.least_arc_deg"

    def __init__(self, arc_deg: float, needed_deg: float):
        super().__init__(f"limb points span {arc_deg:.1f} deg of the disc, need {needed_deg:.1f} deg")
        self.arc_deg = arc_deg
        self.needed_deg = needed_deg


def fit_taubin(points_px: np.ndarray) -> Circle:
    """Taubin 1991, IEEE Trans. PAMI 13, 1115: algebraic distance over its mean squared gradient."""
    points = _checked(points_px)
    mean = points.mean(0)
    shifted = points - mean
    squared = (shifted**2).sum(1)
    power = squared.mean()
    column = (squared - power) / (2 * np.sqrt(power))
    a, bx, by = np.linalg.svd(np.column_stack([column, shifted]), full_matrices=False)[2][-1]
    a = a / (2 * np.sqrt(power))
    return _back(_from_coefficients(a, bx, by, -power * a), mean, 1.0)


def fit_limb(
    points_px: np.ndarray,
    sigma_px: float | np.ndarray,
    *,
    guess: Circle | None = None,
    least_arc_deg: float = 0.0,
    radius_px: float | None = None,
) -> CircleFit:
    """Fit a circle to limb points: weighted radial distance, Tukey's biweight against spoiled points.

    Parameters
    ----------
    points_px : (n, 2) float array, columns x, y; at least 4 rows, all finite
    sigma_px : 1-sigma radial error of the points, one value or (n,)
    guess : circle to start from; Taubin's fit by default, which needs mostly good points
    least_arc_deg : shortest arc accepted, seen from the fitted centre
    radius_px : hold the radius at this value

    Returns
    -------
    CircleFit, its covariance scaled by the scatter where that is larger than `sigma_px` says (radius row and
    column are 0 when the radius is held)

    Raises
    ------
    LimbArcTooShort : the points kept span less than `least_arc_deg`
    ValueError : wrong shape, or a value that is not finite

    References
    ----------
    Geometric circle fit: Gander, Golub & Strebel 1994, BIT 34, 558.
    """
    points = _checked(points_px, least=4)
    sigma = np.broadcast_to(np.asarray(sigma_px, float), len(points))
    start = guess or fit_taubin(points)
    parameters = np.array([start.x_px, start.y_px, radius_px or start.radius_px])
    free = 2 if radius_px is not None else 3
    # a wide cut first, so that a poor start does not throw good points out
    weight = np.ones(len(points))
    for cut in (3 * TUKEY, 0.0, TUKEY, TUKEY):
        parameters, weight, scale = robust_descent(points, sigma, parameters, free, cut, weight)
    kept = weight > 0
    residual, jacobian = _radial(points, parameters)
    arc = arc_of(points[kept], parameters[:2])
    if arc < least_arc_deg:
        raise LimbArcTooShort(arc, least_arc_deg)
    normal = (jacobian[kept, :free].T / (scale * sigma[kept]) ** 2) @ jacobian[kept, :free]
    covariance = np.zeros((3, 3))
    covariance[:free, :free] = np.linalg.inv(normal)
    covariance.flags.writeable = False
    return CircleFit(
        float(parameters[0]),
        float(parameters[1]),
        float(parameters[2]),
        covariance,
        float(np.sqrt(np.mean(residual[kept] ** 2))),
        arc,
        kept,
    )


def arc_of(points_px: np.ndarray, centre: np.ndarray) -> float:
    """Extent in degrees of points seen from a centre: the full circle less the widest empty gap."""
    angle = np.sort(np.arctan2(points_px[:, 1] - centre[1], points_px[:, 0] - centre[0]))
    gaps = np.diff(angle, append=angle[0] + 2 * np.pi)
    widest = gaps.max()
    # points spread all round leave only gaps of the usual size
    return 360.0 if widest < 4 * np.median(gaps) else float(np.degrees(2 * np.pi - widest))


def median(values: np.ndarray) -> float:
    """As `numpy.median`, which takes ten times as long on the few hundred values that a frame gives, many
    times over."""
    ordered = np.sort(values, axis=None)
    return 0.5 * (float(ordered[(len(ordered) - 1) // 2]) + float(ordered[len(ordered) // 2]))


def biweight(pull: np.ndarray) -> np.ndarray:
    """Tukey's weight of residuals in units of their sigma: 1 in the middle, 0 beyond the cut."""
    return np.clip(1 - (pull / TUKEY) ** 2, 0, None) ** 2


def robust_descent(
    points: np.ndarray, sigma: np.ndarray, start: np.ndarray, free: int, cut: float, weight: np.ndarray
) -> tuple[np.ndarray, np.ndarray, float]:
    """Gauss-Newton steps on the weighted radial distances; gives x, y, radius, the weights and the scale of
    the pulls.

    `cut` is where the biweight ends, in units of the scatter: inf gives every point the same weight, 0 stands
    for Cauchy's weight. The first `free` parameters are fitted.
    """
    parameters = start.copy()
    for _ in range(30):
        residual, jacobian = _radial(points, parameters)
        pull = residual / sigma
        good = pull[weight > 0]  # the scale must not be raised by what is rejected already
        scale = max(MAD * float(np.median(np.abs(good - np.median(good)))), 1e-9)
        # a start that is off leaves a common residual: it must not count as an outlier
        spread = max(scale, MAD * float(np.median(np.abs(good))))
        # a long-tailed weight (cut 0, Cauchy's) lets the majority win before anything is cut off
        weight = (
            np.clip(1 - (pull / (cut * spread)) ** 2, 0, None) ** 2
            if cut
            else 1 / (1 + (pull / (0.5 * spread)) ** 2)
        )
        rows = jacobian[:, :free] * (weight / sigma**2)[:, None]
        normal = rows.T @ jacobian[:, :free]
        step = _solve_scaled(normal, rows.T @ residual)
        limit = 0.2 * parameters[2]
        step *= min(1.0, limit / max(np.abs(step).max(), 1e-12))
        parameters[:free] -= step
        if np.abs(step).max() < 1e-7 * max(1.0, parameters[2]):
            break
    return parameters, weight, scale


def _solve_scaled(normal: np.ndarray, right: np.ndarray) -> np.ndarray:
    """Solve a small positive system after scaling its diagonal to 1; short arcs make it nearly singular."""
    unit = 1 / np.sqrt(np.maximum(np.diag(normal), 1e-300))
    return unit * np.linalg.lstsq(normal * np.outer(unit, unit), unit * right, rcond=1e-13)[0]


def _radial(points: np.ndarray, parameters: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    offset = points - parameters[:2]
    distance = np.hypot(offset[:, 0], offset[:, 1])
    direction = offset / np.maximum(distance, 1e-12)[:, None]
    return distance - parameters[2], np.column_stack([-direction, -np.ones(len(points))])


def _from_coefficients(a: float, bx: float, by: float, c: float) -> Circle:
    if abs(a) < 1e-300:
        raise InputError("the points lie on a straight line", remedy="record a longer arc of limb")
    return Circle(-bx / (2 * a), -by / (2 * a), float(np.sqrt(bx * bx + by * by - 4 * a * c) / (2 * abs(a))))


def _back(circle: Circle, mean: np.ndarray, size: float) -> Circle:
    return Circle(
        float(circle.x_px * size + mean[0]),
        float(circle.y_px * size + mean[1]),
        float(circle.radius_px * size),
    )


def _checked(points_px: np.ndarray, least: int = 3) -> np.ndarray:
    points = np.asarray(points_px, float)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < least:
        raise ValueError(f"points_px must have shape (n, 2) with n >= {least}, got {points.shape}")
    if not np.isfinite(points).all():
        raise ValueError("points_px must be finite")
    return points
