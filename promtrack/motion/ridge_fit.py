"""The slope of one ridge and its error: places along a ridge of a time-distance diagram in, Ridge out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.special import stdtrit

from promtrack.motion.kinematics import Polynomial, aicc, bic, find_wrong_points, fit_polynomial
from promtrack.motion.records import Ridge
from promtrack.strip.records import TimeDistance

__all__ = ["LEAST_POINTS", "FoundRidge", "Picture", "measured_ridge", "place_near"]

LEAST_POINTS = 6
REACH_PX = 3  # a place is sought so far from where it is expected
FAINTEST = 0.4  # of the ridge's bright places; fainter ones are not used
PLACE_SNR = 2.5  # of a place on the ridge
LEAST_SIGMA = 6.0  # a slope below this many of its errors is no motion, or a path from one knot to another
FLOOR = 0.02  # relative error beyond the scatter, from injected knots: a path is seldom quite the knot's own
BLOCKS = 3  # stretches of a ridge left out in turn
LEAST_WIDTHS = (
    1.5  # a ridge travels farther than this many of its widths: less may be a brightening that shifts
)
INDEPENDENT_PER_WIDTH = 1.0  # independent places on a ridge for each of its widths travelled


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """Diagram without its standing part, in units of its noise; 0 where nothing is shown."""

    value: np.ndarray  # (n, d)
    shown: np.ndarray  # (n, d) bool
    time_s: np.ndarray  # (n,)
    step_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class FoundRidge:
    """A ridge, and the places that it was measured from."""

    ridge: Ridge
    index: np.ndarray  # (m,) strips
    place: np.ndarray  # (m,) px


def measured_ridge(
    diagram: TimeDistance, picture: Picture, slit: int, index: np.ndarray, place: np.ndarray
) -> FoundRidge | None:
    """The ridge through places [px] in strips `index`; None where it shows no motion."""
    width = _width(picture, index, place)
    index, place, bright = _placed_again(picture, index, place, width)
    if len(index) < LEAST_POINTS:
        return None
    time_s = picture.time_s[index]
    distance = np.interp(place, np.arange(len(diagram.distance_mm)), diagram.distance_mm)
    used = find_wrong_points(time_s, distance, None, 1)
    n, err = (
        int(used.sum()),
        np.median(bright) / bright,
    )  # in units still unknown: a bright place is better known
    fits = [
        fit_polynomial(time_s, distance, err, degree, used=used)
        for degree in (1, 2, 3)
        if n >= 4 * degree or degree == 1
    ]
    fit = min(fits[:2], key=lambda one: bic(one.chi2, n, one.degree + 2))
    middle = 0.5 * (time_s[0] + time_s[-1])
    travel = abs(float(fit.value(time_s[-1]) - fit.value(time_s[0])))
    scaled = fit.scaled(
        np.sqrt(fit.chi2 / fit.dof)
        * _honest_factor(fit.residual[used], fit.dof, travel / (max(width, 1.0) * picture.step_mm))
    )
    speed = float(fit.value(middle, 1)) * 1e3
    own = max(float(scaled.error(middle, 1)), _block_error(time_s, distance, err, fit, middle))
    error = float(np.hypot(own, _bend(fits, fit, middle))) * 1e3
    error = float(np.hypot(error, FLOOR * speed))
    if abs(speed) < LEAST_SIGMA * error or travel < LEAST_WIDTHS * max(width, 3.0) * picture.step_mm:
        return None
    ridge = Ridge(
        slit=slit,
        time_s=float(middle),
        distance_mm=float(fit.value(middle)),
        first_s=float(time_s[0]),
        last_s=float(time_s[-1]),
        speed_km_s=speed,
        speed_err_km_s=error,
        knot=0,
        knot_speed_km_s=np.nan,
        agrees=False,
    )
    return FoundRidge(ridge, index, place)


def _block_error(
    time_s: np.ndarray, distance: np.ndarray, err: np.ndarray, fit: Polynomial, at_s: float
) -> float:
    """Error of the slope from leaving out each of `BLOCKS` stretches of the ridge in turn (delete-a-group
    jackknife).

    Another light beneath one end draws all places there, which the scatter of neighbours does not show.
    Quenouille 1956, Biometrika 43, 353.
    """
    slopes = []
    for block in np.array_split(np.flatnonzero(fit.used), BLOCKS):
        kept = fit.used.copy()
        kept[block] = False
        slopes.append(float(fit_polynomial(time_s, distance, err, fit.degree, used=kept).value(at_s, 1)))
    return float(np.sqrt((BLOCKS - 1) * np.var(slopes)))


def _bend(fits: list[Polynomial], chosen: Polynomial, at_s: float) -> float:
    """Spread of the slopes of all fits about the chosen one, weighted by their support (see
    `knot_fit.fit_path`)."""
    n = int(chosen.used.sum())
    support = np.array([aicc(fit.chi2, n, fit.degree + 2) for fit in fits])
    weights = np.exp(-0.5 * (support - support.min()))
    away = np.array([float(fit.value(at_s, 1) - chosen.value(at_s, 1)) for fit in fits])
    return float(np.sqrt(weights @ away**2 / weights.sum()))


def _honest_factor(residual: np.ndarray, dof: int, widths: float) -> float:
    """Factor on the slope's error for what the scatter of neighbouring places does not tell.

    What shines through beneath a ridge shifts all places alike until the ridge has moved on by about its
    width, so no more places are independent than widths were travelled (calibrated with injected knots, see
    tests/motion/test_ridge.py). The scatter of few places is itself uncertain (Student's law).
    """
    n = len(residual)
    power = float(residual @ residual)
    r = float(residual[1:] @ residual[:-1]) / power if power > 0 else 0.0
    r = min(r, 0.8) if r > 1.0 / np.sqrt(n) else 0.0
    seen = (1 + r) / (1 - r)
    moved = n / max(INDEPENDENT_PER_WIDTH * widths, 2.0)
    return float(np.sqrt(max(seen, moved, 1.0)) * stdtrit(dof, 0.8413))


def _placed_again(
    picture: Picture, index: np.ndarray, place: np.ndarray, width: float
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The places measured once more after smoothing by the ridge's own width, which takes most of the noise
    out.

    Also how bright each is. Places much fainter than the ridge's bright ones, mostly at its ends, are left
    out: there the maximum is drawn to whatever else stands near, and the ends decide about the slope.
    """
    value = gaussian_filter1d(picture.value[index], max(width / 2.355, 1.0), axis=1, mode="nearest")
    again = [place_near(value, picture.shown[index], k, at) for k, at in enumerate(place)]
    good = np.array(
        [p is not None and abs(p - q) <= REACH_PX for p, q in zip(again, place, strict=True)], bool
    )
    index, row, place = (
        index[good],
        np.flatnonzero(good),
        np.array([p for p, ok in zip(again, good, strict=True) if ok]),
    )
    bright = value[row, np.rint(place).astype(int)] if len(place) else np.empty(0)
    clear = bright >= FAINTEST * np.percentile(bright, 75) if len(bright) else np.empty(0, bool)
    return index[clear], place[clear], bright[clear]


def _width(picture: Picture, index: np.ndarray, place: np.ndarray) -> float:
    """Full width at half maximum of the ridge's mean cross-section, in pixels."""
    if not len(index):
        return 0.0
    offset = np.arange(-8, 9)
    column = np.clip(np.rint(place).astype(int)[:, None] + offset, 0, picture.value.shape[1] - 1)
    section = picture.value[index[:, None], column].mean(axis=0)
    return float(np.sum(section > 0.5 * section[8]))


def place_near(value: np.ndarray, shown: np.ndarray, i: int, at: float) -> float | None:
    """Place of the maximum near `at`, between pixels by a parabola; None without one above the noise.

    The ends of the path are left alone: there the maximum is cut, and its place pushed inward.
    """
    low, high = max(round(at) - REACH_PX, REACH_PX), min(round(at) + REACH_PX + 1, value.shape[1] - REACH_PX)
    if high <= low or not shown[i, low - 1 : high + 1].all():
        return None
    row = value[i]
    j = low + int(np.argmax(row[low:high]))
    left, top, right = row[j - 1 : j + 2]
    if top < PLACE_SNR or left > top or right > top:
        return None
    bend = left - 2 * top + right
    return j + (0.5 * (left - right) / bend if bend < 0 else 0.0)
