"""The paths worth a time-distance diagram: where a strip changes most beyond noise, and which way things move
there.

A knot leaves a streak in the map of what changes from its mean and is still there in the next strip. The map,
freed of noise and of what unsteady registration does to bright edges, is searched for the best radial path,
the best limb-parallel path and the straight path with the most change along it; none may repeat another.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from promtrack.errors import SettingsError
from promtrack.strip.records import Strip, StripGeometry
from promtrack.strip.slit import parse_path

__all__ = ["activity_map", "propose_paths"]

SAMPLED_PAIRS = 90
SMOOTH_MM = 0.8  # 1-sigma blur before the variance: about a small knot
LEAST_SMOOTH_PX = 1.2  # the same in pixels of the map: finer frames are averaged first
LOWEST_MM = 5.0  # below lies the fringe of spicules, which changes everywhere
CELL_MM = 1.5  # of the map that is searched
LEAST_MM, LONGEST_MM = 20.0, 150.0
JITTER_QUANTILE = 0.2
NOISE_SIGMA = 7.0
APART_MM, APART_DEG = 6.0, 25.0  # paths nearer than this in place and direction are the same


@dataclass(frozen=True, slots=True)
class _Segment:
    """A straight piece of the map, in its flat coordinates: x along the limb [Mm at the limb], y height
    [Mm]."""

    x1: float
    y1: float
    x2: float
    y2: float
    score: float

    def along(self, count: int) -> tuple[np.ndarray, np.ndarray]:
        t = np.linspace(0.0, 1.0, count)
        return self.x1 + t * (self.x2 - self.x1), self.y1 + t * (self.y2 - self.y1)

    @property
    def direction_deg(self) -> float:
        return float(np.rad2deg(np.arctan2(self.y2 - self.y1, self.x2 - self.x1))) % 180.0


def propose_paths(strip: Strip, count: int = 3) -> tuple[str, ...]:
    """The `count` most telling paths, as texts that `time_distance` reads; fewer when the strips show nothing
    more.

    The first is radial, the second parallel to the limb, the others straight in the direction of the
    strongest streaks. A strip in which nothing changes gives paths through its brightest parts.
    """
    geometry = strip.geometry
    cells = _cells(*activity_map(strip))
    if count <= 0 or cells.size == 0 or cells.max() <= 0:
        return ()
    chosen = [_radial(cells), _parallel(cells)]
    for segment in _straights(cells):
        if len(chosen) >= count:
            break
        if not any(_same(segment, other) for other in chosen):
            chosen.append(segment)
    texts = (_text(place, segment, geometry) for place, segment in enumerate(chosen[:count]))
    return tuple(text for text in texts if _can_be_sampled(text, geometry))


def _can_be_sampled(text: str, geometry: StripGeometry) -> bool:
    """Whether the path is long enough: on a small disc 20 Mm are fewer than eight rows."""
    try:
        parse_path(text, geometry)
    except SettingsError:
        return False
    return True


def activity_map(strip: Strip) -> tuple[np.ndarray, StripGeometry]:
    """(rows, columns) how much each place changes, in counts, 0 where nothing is shown; and the map's own,
    coarser axes.

    Covariance of neighbouring strips beyond noise and registration jitter, over the mean brightness: what
    comes and goes counts in full, the flicker of something bright and lasting hardly. Where nothing varies
    the map is the mean brightness.
    """
    step = max(int(SMOOTH_MM / strip.geometry.mm_per_row / LEAST_SMOOTH_PX), 1)
    geometry = _every(strip.geometry, step)
    mean, variance, often = _moments(strip, step, geometry)
    noise = np.nan_to_num(strip.noise[: geometry.rows * step].reshape(-1, step).mean(axis=1))[:, None]
    beyond = _beyond_jitter(_beyond_noise(variance, often), mean, often)
    activity = beyond / (np.maximum(mean, 0.0) + 4.0 * noise + 1e-9)
    if not activity[geometry.height_mm(np.arange(geometry.rows)) >= LOWEST_MM].any():
        activity = np.maximum(mean - 3.0 * noise, 0.0)
    activity[geometry.height_mm(np.arange(geometry.rows)) < LOWEST_MM] = 0.0
    return activity, geometry


def _every(geometry: StripGeometry, step: int) -> StripGeometry:
    """Axes of the means over `step` x `step` values; what does not fill such a square is left out."""
    return replace(
        geometry,
        rows=geometry.rows // step,
        columns=geometry.columns // step,
        low_mm=float(geometry.height_mm((step - 1) / 2.0)),
        mm_per_row=step * geometry.mm_per_row,
        from_deg=float(geometry.angle_deg((step - 1) / 2.0)),
        deg_per_column=step * geometry.deg_per_column,
    )


def _moments(strip: Strip, step: int, geometry: StripGeometry) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean of the smoothed strips, covariance of neighbouring strips, and where at least half of them show
    something.

    Noise and seeing change from strip to strip and drop out of the covariance; things that move or grow stay.
    A steady brightening or fading is taken out as well.
    """
    total, sloped, products, number = (np.zeros((geometry.rows, geometry.columns)) for _ in range(4))
    places = np.unique(
        np.linspace(0, max(len(strip) - 2, 0), min(max(len(strip) - 1, 1), SAMPLED_PAIRS)).astype(int)
    )
    when = (places - places.mean()) / max(np.std(places), 1e-9)
    for place, u in zip(places, when, strict=True):
        pair = strip.read(int(place), int(place) + 2)
        first, whole = _smooth(pair[0], step, geometry)
        second, whole_too = _smooth(pair[-1], step, geometry)
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
    means = cv2.resize(
        plane[: geometry.rows * step, : geometry.columns * step],
        (geometry.columns, geometry.rows),  # (x, y)
        interpolation=cv2.INTER_AREA,
    )
    seen = np.isfinite(means)
    smooth = cv2.GaussianBlur(np.where(seen, means, np.float32(0)), (0, 0), sigma).astype(float)
    return smooth, cv2.GaussianBlur(seen.astype(np.float32), (0, 0), sigma) > 0.999


def _beyond_noise(covariance: np.ndarray, often: np.ndarray) -> np.ndarray:
    """Covariance less the median of each row, since more than half of any row is quiet; small excesses count
    as none."""
    excess = np.zeros_like(covariance)
    for row, seen in enumerate(often):
        if seen.sum() < 8:
            continue
        middle = np.median(covariance[row, seen])
        scatter = 1.4826 * np.median(np.abs(covariance[row, seen] - middle))
        beyond = covariance[row] - middle
        excess[row] = np.where(seen & (beyond > NOISE_SIGMA * scatter), beyond, 0.0)
    return excess


def _beyond_jitter(variance: np.ndarray, mean: np.ndarray, often: np.ndarray) -> np.ndarray:
    """Covariance less the part that slow shaking of a still picture would make: the squared gradient of the
    mean."""
    steep = sum(g**2 for g in np.gradient(mean))
    edge = often & (variance > 0) & (steep > 0)
    if edge.sum() < 16:
        return variance
    shake = np.quantile(variance[edge] / steep[edge], JITTER_QUANTILE)
    return np.maximum(variance - shake * steep, 0.0)


def _cells(activity: np.ndarray, geometry: StripGeometry) -> np.ndarray:
    """Square root of the activity, so that a long faint streak counts against a short bright flash, in square
    cells of CELL_MM; row 0 at the strip's bottom."""
    size = (
        max(int(geometry.columns * geometry.mm_per_column(0.0) / CELL_MM), 1),
        max(int(geometry.rows * geometry.mm_per_row / CELL_MM), 1),
    )  # (x, y)
    return np.sqrt(
        np.maximum(cv2.resize(activity.astype(np.float32), size, interpolation=cv2.INTER_AREA), 0.0)
    )


def _radial(cells: np.ndarray) -> _Segment:
    column = int(np.argmax(np.convolve(cells.sum(axis=0), [0.5, 1.0, 0.5], "same")))
    low, high = _extent(cells[:, max(column - 1, 0) : column + 2].sum(axis=1))
    return _Segment(column, low, column, max(high, low + LEAST_MM / CELL_MM), float(cells[:, column].sum()))


def _parallel(cells: np.ndarray) -> _Segment:
    row = int(np.argmax(np.convolve(cells.sum(axis=1), [0.5, 1.0, 0.5], "same")))
    first, last = _extent(cells[max(row - 1, 0) : row + 2].sum(axis=0))
    short = max(LEAST_MM / CELL_MM - (last - first), 0.0) / 2.0
    first, last = max(first - short, 0.0), min(last + short, cells.shape[1] - 1.0)
    return _Segment(first, row, last, row, float(cells[row].sum()))


def _extent(profile: np.ndarray) -> tuple[float, float]:
    """The shortest stretch around the peak that holds nine tenths of a profile, LONGEST_MM at most, with a
    margin."""
    share = np.cumsum(profile) / max(profile.sum(), 1e-12)
    first, last = np.searchsorted(share, 0.05), np.searchsorted(share, 0.95)
    peak, half = int(np.argmax(profile)), LONGEST_MM / CELL_MM / 2.0
    return max(first - 3.0, peak - half, 0.0), min(last + 3.0, peak + half, len(profile) - 1.0)


def _straights(cells: np.ndarray) -> list[_Segment]:
    """Straight pieces through the strongest places, best first."""
    found = []
    for y, x in _peaks(cells, 12):
        for angle in np.deg2rad(np.arange(0.0, 180.0, 10.0)):
            found.append(_grown(cells, x, y, np.cos(angle), np.sin(angle)))
    long_enough = [s for s in found if np.hypot(s.x2 - s.x1, s.y2 - s.y1) * CELL_MM >= LEAST_MM]
    return sorted(long_enough, key=lambda s: -s.score)


def _peaks(cells: np.ndarray, count: int) -> list[tuple[int, int]]:
    """The strongest local maxima, none nearer than 6 cells to a stronger one."""
    left = cv2.GaussianBlur(cells, (0, 0), 1.0)
    peaks: list[tuple[int, int]] = []
    while len(peaks) < count and left.max() > 0:
        y, x = np.unravel_index(int(np.argmax(left)), left.shape)
        peaks.append((int(y), int(x)))
        left[max(y - 6, 0) : y + 7, max(x - 6, 0) : x + 7] = 0.0
    return peaks


def _grown(cells: np.ndarray, x: int, y: int, dx: float, dy: float) -> _Segment:
    """The piece through (x, y) along (dx, dy) that stays active: it ends where 6 cells in a row fall below a
    tenth."""
    reach = int(LONGEST_MM / CELL_MM / 2.0)
    steps = np.arange(-reach, reach + 1)
    line = cv2.remap(
        cells,
        (x + steps * dx)[None].astype(np.float32),
        (y + steps * dy)[None].astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0.0,
    )[0]
    active = line > 0.3 * line[reach]  # a tenth of its activity
    ends = []
    for side in (active[reach::-1], active[reach:]):
        quiet = np.convolve(~side, np.ones(6), "valid") >= 6
        ends.append(int(np.argmax(quiet)) if quiet.any() else int(np.flatnonzero(side)[-1]))
    first, last = max(-ends[0] - 2, -reach), min(ends[1] + 2, reach)
    score = float(line[reach + first : reach + last + 1].sum())
    height, width = cells.shape
    x1, x2 = np.clip([x + first * dx, x + last * dx], 0, width - 1)
    y1, y2 = np.clip([y + first * dy, y + last * dy], 0, height - 1)
    # Long pieces through little must not beat short ones through much: score against the length as well.
    return _Segment(x1, y1, x2, y2, score / np.sqrt(last - first + 20.0))


def _same(a: _Segment, b: _Segment) -> bool:
    """Nearly the same direction, and half of the one within APART_MM of the other."""
    turn = abs((a.direction_deg - b.direction_deg + 90.0) % 180.0 - 90.0)
    if turn > APART_DEG:
        return False
    ax, ay = a.along(30)
    bx, by = b.along(60)
    near = np.hypot(ax[:, None] - bx, ay[:, None] - by).min(axis=1) * CELL_MM
    return float((near < APART_MM).mean()) > 0.5


def _text(place: int, segment: _Segment, geometry: StripGeometry) -> str:
    """The path as its text; cells back to degrees and Mm."""
    cell_deg = CELL_MM / geometry.mm_per_column(0.0) * geometry.deg_per_column
    angles = [geometry.from_deg + (x + 0.5) * cell_deg for x in (segment.x1, segment.x2)]
    heights = [geometry.low_mm + (y + 0.5) * CELL_MM for y in (segment.y1, segment.y2)]
    if place == 0:
        return f"radial:{angles[0]:.2f}"
    if place == 1:
        return f"parallel:{heights[0]:.1f}:{angles[0]:.2f}:{angles[1]:.2f}"
    return f"straight:{angles[0]:.2f},{heights[0]:.1f}:{angles[1]:.2f},{heights[1]:.1f}"
