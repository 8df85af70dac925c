"""Circle through limb points, and robust statistics. Pixels only; x runs right, y down."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from promtrack.errors import InputError
from promtrack.limb.records import Place
from promtrack.settings import LimbSettings, least_of

TUKEY = 4.685  # biweight cut in units of sigma: 95 % efficiency on normal errors (Holland & Welsch 1977)
STRAIGHT_DEG = least_of(LimbSettings, "least_arc_deg")  # below, an edge is a horizon or a wall
MAD = 1.4826  # normal sigma in units of the median absolute deviation
GOOD_SCALE = 0.02  # relative error of the radius that does no harm
FAR_SIGMA = 6.0  # so far off by chance is nothing that is seen: what is, is something else


class LimbArcTooShort(InputError):
    """The limb seen spans too little of the disc."""

    remedy = (
        "keep more of the Sun's edge in the frame: so short an arc gives neither its centre nor its scale"
    )

    def __init__(self, arc_deg: float, needed_deg: float):
        what = f"limb points span {arc_deg:.1f} deg of the disc, need {needed_deg:.1f} deg"
        if arc_deg < STRAIGHT_DEG:
            what = f"no limb of the Sun is seen, only an edge that is all but straight: {what}"
            self.remedy = "point the telescope at the Sun's edge, with dark sky beyond it in the frame"
        super().__init__(what)
        self.arc_deg = arc_deg
        self.needed_deg = needed_deg


def fit_circle(
    points_px: np.ndarray, guess: Place, *, radius_px: float | None = None, robust: bool = True
) -> Place:
    """Fit a circle to limb points: Gauss-Newton steps on the weighted radial distances.

    Parameters
    ----------
    points_px : (n, 2) float array, columns x, y; at least 4 rows, all finite
    radius_px : hold the radius at this value
    robust : Cauchy's weights first, which let the majority win before anything is cut off, then Tukey's
        biweight; else all points weigh alike

    References
    ----------
    Geometric circle fit: Gander, Golub & Strebel 1994, BIT 34, 558.
    """
    circle = np.array([guess.x_px, guess.y_px, radius_px or guess.radius_px])
    free, weight = 2 if radius_px else 3, np.ones(len(points_px))
    for stage in ("cauchy", "biweight") if robust else ("even",):
        for _ in range(30):
            offset = points_px - circle[:2]
            distance = np.hypot(offset[:, 0], offset[:, 1])
            residual = distance - circle[2]
            slopes = np.column_stack([-offset / np.maximum(distance, 1e-12)[:, None], -np.ones(len(offset))])
            # a start that is off leaves a common residual, which must not count as an outlier; and what is
            # rejected already must not raise the scatter
            good = residual[weight > 0]
            spread = max(np.median(np.abs(good - np.median(good))), np.median(np.abs(good)), 1e-9 / MAD)
            pull = residual / (MAD * spread)
            if stage == "cauchy":
                weight = 1 / (1 + (2.0 * pull) ** 2)
            elif stage == "biweight":
                weight = biweight(pull)
            rows = slopes[:, :free] * weight[:, None]
            step = np.linalg.lstsq(rows.T @ slopes[:, :free], rows.T @ residual, rcond=1e-13)[0]
            step *= min(1.0, 0.2 * circle[2] / max(np.abs(step).max(), 1e-12))
            circle[:free] -= step
            if np.abs(step).max() < 1e-7 * max(1.0, circle[2]):
                break
    return replace(guess, x_px=float(circle[0]), y_px=float(circle[1]), radius_px=float(circle[2]))


def weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    """The one of (n,) values below which half of their (n,) weights lies."""
    return float(np.quantile(values, 0.5, weights=weights, method="inverted_cdf"))


def biweight(pull: np.ndarray) -> np.ndarray:
    """(n,) Tukey's weights of (n,) residuals in units of their sigma: 1 in the middle, 0 beyond the cut."""
    return np.clip(1 - (pull / TUKEY) ** 2, 0, None) ** 2
