"""The paths worth a time-distance diagram: where a strip changes most beyond noise, and which way things move
there.

A knot leaves a streak in the map of what changes from its mean and is still there in the next strip. The map,
freed of noise and of what unsteady registration does to bright edges, is searched for the best radial path,
the best limb-parallel path and the straight path with the most change along it; none may repeat another.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from promtrack.errors import SettingsError
from promtrack.strip.records import Strip, StripGeometry
from promtrack.strip.slit import parse_path

__all__ = ["propose_paths"]

SAMPLED_PAIRS = 90
SMOOTH_MM = 0.8  # 1-sigma blur before the variance: about a small knot
LOWEST_MM = 5.0  # below lies the fringe of spicules, which changes everywhere
CELL_MM = 1.5  # of the map that is searched
LEAST_MM, LONGEST_MM = 20.0, 150.0
JITTER_QUANTILE = 0.2
NOISE_SIGMA = 7.0
APART_MM, APART_DEG = 6.0, 25.0  # paths nearer than this in place and direction are the same


@dataclass(frozen=True, slots=True)
class _Segment:
    """A straight piece of the map, in cells: x along the limb, y upward."""

    kind: str
    x1: float
    y1: float
    x2: float
    y2: float
    score: float = 0.0

    def points(self, count: int) -> np.ndarray:
        """(count,) complex places along it."""
        return np.linspace(complex(self.x1, self.y1), complex(self.x2, self.y2), count)


def propose_paths(strip: Strip, count: int = 3) -> tuple[str, ...]:
    """The `count` most telling paths, as texts that `time_distance` reads; fewer when the strips show nothing
    more, or are too small for paths of eight rows.

    The first is radial, the second parallel to the limb, the others straight in the direction of the
    strongest streaks. A strip in which nothing changes gives paths through its brightest parts.
    """
    geometry = strip.geometry
    cells = _cells(*_activity(strip))
    if count <= 0 or cells.size == 0 or cells.max() <= 0:
        return ()
    chosen = [_radial(cells), _parallel(cells)]
    for segment in _straights(cells):
        if not any(_same(segment, other) for other in chosen):
            chosen.append(segment)
    texts = (_text(segment, geometry) for segment in chosen[:count])
    return tuple(text for text in texts if _can_be_sampled(text, geometry))


def _can_be_sampled(text: str, geometry: StripGeometry) -> bool:
    try:
        parse_path(text, geometry)
    except SettingsError:
        return False
    return True


def _activity(strip: Strip) -> tuple[np.ndarray, StripGeometry]:
    """(rows, columns) how much each place changes, in counts, 0 where nothing is shown; and the map's own,
    coarser axes.

    Covariance of neighbouring strips beyond noise and registration jitter, over the mean brightness: what
    comes and goes counts in full, the flicker of something bright and lasting hardly. Where nothing varies
    the map is the mean brightness.
    """
    step = max(int(SMOOTH_MM / strip.geometry.mm_per_row / 1.2), 1)
    geometry = strip.geometry.coarser(step)
    mean, covariance, often = _moments(strip, step, geometry)
    noise = np.nan_to_num(strip.noise[: geometry.rows * step].reshape(-1, step).mean(axis=1))[:, None]
    high = (geometry.height_mm(np.arange(geometry.rows)) >= LOWEST_MM)[:, None]
    beyond = _beyond_jitter(_beyond_noise(covariance, often), mean, often)
    activity = high * beyond / (np.maximum(mean, 0.0) + 4.0 * noise + 1e-9)
    return (activity if activity.any() else high * np.maximum(mean - 3.0 * noise, 0.0)), geometry


def _moments(strip: Strip, step: int, geometry: StripGeometry) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean of the smoothed strips, covariance of neighbouring strips less that of a steady brightening, and
    where at least half of them show something; noise and seeing drop out of the covariance."""
    total, sloped, products, number = (np.zeros((geometry.rows, geometry.columns)) for _ in range(4))
    pairs = max(len(strip) - 1, 1)
    places = np.unique(np.linspace(0, pairs - 1, min(pairs, SAMPLED_PAIRS)).astype(int))
    when = (places - places.mean()) / max(np.std(places), 1e-9)
    for place, u in zip(places, when, strict=True):
        pair = strip.read(int(place), int(place) + 2)
        (first, whole), (second, whole_too) = (_smooth(pair[i], step, geometry) for i in (0, -1))
        both = whole & whole_too
        middle = np.where(both, (first + second) / 2.0, 0.0)
        total += middle
        sloped += u * middle
        products += np.where(both, first * second, 0.0)
        number += both
    often = number >= max(0.5 * number.max(), 1.0)
    count = np.maximum(number, 1.0)
    mean = np.where(often, total / count, 0.0)
    return mean, np.where(often, products / count - mean**2 - (sloped / count) ** 2, 0.0), often


def _smooth(plane: np.ndarray, step: int, geometry: StripGeometry) -> tuple[np.ndarray, np.ndarray]:
    """A strip blurred to the size of a small knot, and where the blur has not mixed in what is not shown."""
    sigma = max(SMOOTH_MM / geometry.mm_per_row, 0.5)
    used = plane[: geometry.rows * step, : geometry.columns * step]
    means = cv2.resize(used, (geometry.columns, geometry.rows), interpolation=cv2.INTER_AREA)  # (x, y)
    seen = np.isfinite(means)
    smooth = cv2.GaussianBlur(np.where(seen, means, np.float32(0)), (0, 0), sigma).astype(float)
    return smooth, cv2.GaussianBlur(seen.astype(np.float32), (0, 0), sigma) > 0.999


def _beyond_noise(covariance: np.ndarray, often: np.ndarray) -> np.ndarray:
    """Covariance less the median of each row, since more than half of any row is quiet; small excesses count
    as none."""
    excess = np.zeros_like(covariance)
    for row, seen in enumerate(often):
        if seen.sum() >= 8:
            beyond = covariance[row] - np.median(covariance[row, seen])
            scatter = 1.4826 * np.median(np.abs(beyond[seen]))
            excess[row] = np.where(seen & (beyond > NOISE_SIGMA * scatter), beyond, 0.0)
    return excess


def _beyond_jitter(covariance: np.ndarray, mean: np.ndarray, often: np.ndarray) -> np.ndarray:
    """Covariance less the part that slow shaking of a still picture would make: the squared gradient of the
    mean."""
    steep = sum(g**2 for g in np.gradient(mean))
    edge = often & (covariance > 0) & (steep > 0)
    if edge.sum() < 16:
        return covariance
    shake = np.quantile(covariance[edge] / steep[edge], JITTER_QUANTILE)
    return np.maximum(covariance - shake * steep, 0.0)


def _cells(activity: np.ndarray, geometry: StripGeometry) -> np.ndarray:
    """Square root of the activity, so that a long faint streak counts against a short bright flash, in square
    cells of CELL_MM; row 0 at the strip's bottom."""
    lengths = geometry.columns * geometry.mm_per_column(0.0), geometry.rows * geometry.mm_per_row  # (x, y)
    size = [max(int(length / CELL_MM), 1) for length in lengths]
    return np.sqrt(
        np.maximum(cv2.resize(activity.astype(np.float32), size, interpolation=cv2.INTER_AREA), 0.0)
    )


def _radial(cells: np.ndarray) -> _Segment:
    column = int(np.argmax(np.convolve(cells.sum(axis=0), [0.5, 1.0, 0.5], "same")))
    low, high = _extent(cells[:, max(column - 1, 0) : column + 2].sum(axis=1))
    return _Segment("radial", column, low, column, high)


def _parallel(cells: np.ndarray) -> _Segment:
    row = int(np.argmax(np.convolve(cells.sum(axis=1), [0.5, 1.0, 0.5], "same")))
    first, last = _extent(cells[max(row - 1, 0) : row + 2].sum(axis=0))
    return _Segment("parallel", first, row, last, row)


def _extent(profile: np.ndarray) -> tuple[float, float]:
    """The stretch around the peak that holds nine tenths of a profile, with a margin; between LEAST_MM and
    LONGEST_MM long where there is room."""
    share = np.cumsum(profile) / max(profile.sum(), 1e-12)
    first, last = (float(np.searchsorted(share, part)) for part in (0.05, 0.95))
    peak, half = int(np.argmax(profile)), LONGEST_MM / CELL_MM / 2.0
    first, last = max(first - 3.0, peak - half), min(last + 3.0, peak + half)
    short = max(LEAST_MM / CELL_MM - (last - first), 0.0) / 2.0
    return float(max(first - short, 0.0)), float(min(last + short, len(profile) - 1.0))


def _straights(cells: np.ndarray) -> list[_Segment]:
    """Straight pieces through the strongest places, best first."""
    directions = np.exp(1j * np.deg2rad(np.arange(0.0, 180.0, 10.0)))
    found = [_grown(cells, place, direction) for place in _peaks(cells, 12) for direction in directions]
    least = LEAST_MM / CELL_MM
    long_enough = [s for s in found if np.hypot(s.x2 - s.x1, s.y2 - s.y1) >= least]
    return sorted(long_enough, key=lambda s: -s.score)


def _peaks(cells: np.ndarray, count: int) -> list[complex]:
    """The strongest local maxima x + iy, none nearer than 6 cells to a stronger one."""
    left = cv2.GaussianBlur(cells, (0, 0), 1.0)
    peaks: list[complex] = []
    while len(peaks) < count and left.max() > 0:
        y, x = (int(i) for i in np.unravel_index(int(np.argmax(left)), left.shape))
        peaks.append(complex(x, y))
        left[max(y - 6, 0) : y + 7, max(x - 6, 0) : x + 7] = 0.0
    return peaks


def _grown(cells: np.ndarray, place: complex, direction: complex) -> _Segment:
    """The piece through a place that stays active: it ends where 6 cells in a row fall below a tenth."""
    reach = int(LONGEST_MM / CELL_MM / 2.0)
    line = place + np.arange(-reach, reach + 1) * direction
    x, y = line.real[None].astype(np.float32), line.imag[None].astype(np.float32)
    level = cv2.remap(cells, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0.0)[0]
    active = level > 0.3 * level[reach]  # a tenth of its activity, of which this is the root
    ends = []
    for side in (active[reach::-1], active[reach:]):
        quiet = np.convolve(~side, np.ones(6), "valid") >= 6
        ends.append(int(np.argmax(quiet)) if quiet.any() else int(np.flatnonzero(side)[-1]))
    first, last = max(reach - ends[0] - 2, 0), min(reach + ends[1] + 2, 2 * reach)
    x1, x2 = np.clip(line[[first, last]].real, 0, cells.shape[1] - 1)
    y1, y2 = np.clip(line[[first, last]].imag, 0, cells.shape[0] - 1)
    # Long pieces through little must not beat short ones through much: score against the length as well.
    score = float(level[first : last + 1].sum()) / np.sqrt(last - first + 20.0)
    return _Segment("straight", x1, y1, x2, y2, score)


def _same(a: _Segment, b: _Segment) -> bool:
    """Nearly the same direction, and half of the one within APART_MM of the other."""
    here, there = a.points(30), b.points(60)
    turn = np.rad2deg(np.angle((here[-1] - here[0]) / ((there[-1] - there[0]) or 1.0)))
    near = np.abs(here[:, None] - there).min(axis=1) * CELL_MM < APART_MM
    return abs((turn + 90.0) % 180.0 - 90.0) <= APART_DEG and float(near.mean()) > 0.5


def _text(segment: _Segment, geometry: StripGeometry) -> str:
    """The path as its text; cells back to degrees and Mm."""
    cell_deg = CELL_MM / geometry.mm_per_column(0.0) * geometry.deg_per_column
    a, b = (geometry.from_deg + (x + 0.5) * cell_deg for x in (segment.x1, segment.x2))
    low, high = (geometry.low_mm + (y + 0.5) * CELL_MM for y in (segment.y1, segment.y2))
    if segment.kind == "radial":
        return f"radial:{a:.2f}"
    if segment.kind == "parallel":
        return f"parallel:{low:.1f}:{a:.2f}:{b:.2f}"
    return f"straight:{a:.2f},{low:.1f}:{b:.2f},{high:.1f}"
