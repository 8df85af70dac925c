"""Time-distance diagrams: the strip's brightness along a path, strip under strip.

A path is text: `radial:ANGLE`, `parallel:HEIGHT:FROM:TO`, `straight:ANGLE,HEIGHT:ANGLE,HEIGHT` (straight in
the plane of the sky) or `curved:ANGLE,HEIGHT:ANGLE,HEIGHT:...` (a smooth curve through the points); degrees
and Mm. It is sampled at the strip's own resolution and averaged across the width of a small knot.

Worth a diagram are paths where a strip changes most beyond noise, in the direction in which things move
there: a knot leaves a streak in the map of what changes from its mean and is still there in the next strip.
The map, freed of noise and of what unsteady registration does to bright edges, is searched for the best
radial path, the best limb-parallel path and the straight path with the most change along it; none may repeat
another.
"""

from __future__ import annotations

from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.interpolate import CubicSpline

from promtrack.errors import SettingsError
from promtrack.limb.edge import MAD
from promtrack.sequence.records import spread_over
from promtrack.strip.records import Strip, StripGeometry, TimeDistance
from promtrack.workers import map_ahead

KNOT_MM = 2.0  # width of a path: a small knot
LEAST_MM, LONGEST_MM = 20.0, 150.0  # of a path that is proposed

FORMS = {
    "radial": "radial:ANGLE",
    "parallel": "parallel:HEIGHT:FROM:TO",
    "straight": "straight:ANGLE,HEIGHT:ANGLE,HEIGHT",
    "curved": "curved:ANGLE,HEIGHT:ANGLE,HEIGHT:...",
}


@dataclass(frozen=True, slots=True, eq=False)
class SlitPath:
    """A path laid over the strips, sampled evenly."""

    name: str
    kind: str
    angle_deg: np.ndarray  # (d,) product angle
    height_mm: np.ndarray  # (d,)
    distance_mm: np.ndarray  # (d,) from the first point


def parse_path(text: str, geometry: StripGeometry) -> SlitPath:
    """The path that a text names, sampled at native resolution inside the strips. Raises SettingsError:
    the text is none of the four forms, or the path lies outside the strips."""
    kind, _, rest = text.strip().partition(":")
    if kind not in FORMS:
        raise SettingsError(
            f"path '{text}' is none of the four kinds", remedy="write " + ", ".join(FORMS.values())
        )
    try:
        numbers = [[float(v) for v in part.split(",")] for part in rest.split(":")]
    except ValueError:
        numbers = []
    corners = _corners(kind, numbers, geometry)
    if corners is None or not np.isfinite(corners).all():
        raise SettingsError(f"path '{text}' cannot be read", remedy=f"write {FORMS[kind]}, degrees and Mm")
    return _sampled(text.strip(), kind, corners, geometry)


def time_distance(strip: Strip, path_text: str, *, width_px: int | None = None) -> TimeDistance:
    """Brightness along a path in every strip, averaged over `width_px` samples across it (default: a small
    knot, 2 Mm, and 3 samples at least); nan where nothing is shown. Raises SettingsError: see `parse_path`.
    """
    return time_distances(strip, (path_text,), width_px=width_px)[0]


def time_distances(
    strip: Strip, path_texts: Iterable[str], *, width_px: int | None = None, aside_mm: float = 0.0
) -> tuple[TimeDistance, ...]:
    """`time_distance` of several paths; the strips are read once. With `aside_mm` the brightness is that of
    the parallel path so far to the side (of a limb-parallel path: above it)."""
    paths = [parse_path(text, strip.geometry) for text in path_texts]
    if not paths:
        return ()
    width_px = width_px or max(3, round(KNOT_MM / strip.geometry.mm_per_row))
    maps = [_across(path, strip.geometry, width_px, aside_mm) for path in paths]

    def along(plane: np.ndarray) -> list[np.ndarray]:
        # Bilinear, which does not shift what it reads (see unwrap.py).
        return [
            cv2.remap(
                plane, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=np.nan
            ).mean(axis=0)
            for rows, columns in maps
        ]

    values = (np.stack(value) for value in zip(*strip.mapped(along), strict=True))
    return tuple(
        TimeDistance(
            path.name, path.kind, path.angle_deg, path.height_mm, path.distance_mm, value, strip.time_s
        )
        for path, value in zip(paths, values, strict=True)
    )


def _corners(kind: str, numbers: list[list[float]], geometry: StripGeometry) -> np.ndarray | None:
    """(k, 2) angle, height of the points that define the path; None when the numbers do not fit the kind."""
    shapes = [len(part) for part in numbers]
    low, high = geometry.low_mm, geometry.height_mm(geometry.rows - 1)
    if kind == "radial" and shapes == [1]:
        return np.array([[numbers[0][0], max(low, 0.0)], [numbers[0][0], high]])
    if kind == "parallel" and shapes == [1, 1, 1]:
        height, first, last = (part[0] for part in numbers)
        return np.array([[first, height], [first + (last - first) % 360.0, height]])
    if kind in ("straight", "curved") and len(shapes) >= 2 and set(shapes) == {2}:
        return np.array(numbers) if kind == "curved" or len(shapes) == 2 else None
    return None


def _sampled(name: str, kind: str, corners: np.ndarray, geometry: StripGeometry) -> SlitPath:
    """The path as even steps of one row."""
    angle, height = corners[:, 0], corners[:, 1]
    middle = geometry.angle_deg((geometry.columns - 1) / 2.0)
    in_the_sky = kind in ("straight", "curved")
    turned = np.unwrap(angle, period=360.0) if in_the_sky else angle
    turned = turned + 360.0 * np.round((middle - turned.mean()) / 360.0)
    if in_the_sky:
        fine_angle, fine_height = _curved(turned, height, geometry)
    else:
        fine_angle, fine_height = np.linspace(
            (turned[0], height[0]), (turned[1], height[1]), 4 * (geometry.rows + geometry.columns)
        ).T
    radius = geometry.limb_mm + fine_height
    steps = np.hypot(np.diff(fine_height), np.deg2rad(np.diff(fine_angle)) * (radius[1:] + radius[:-1]) / 2.0)
    length = np.concatenate([[0.0], np.cumsum(steps)])
    if length[-1] < 8.0 * geometry.mm_per_row:
        raise SettingsError(
            f"path '{name}' is only {length[-1]:.1f} Mm long", remedy="choose points farther apart"
        )
    distance = np.arange(0.0, length[-1], geometry.mm_per_row)
    on_angle, on_height = (np.interp(distance, length, axis) for axis in (fine_angle, fine_height))
    inside = [
        (place > -0.5) & (place < size - 0.5)
        for place, size in (
            (geometry.row(on_height), geometry.rows),
            (geometry.column(on_angle), geometry.columns),
        )
    ]
    if np.all(inside, axis=0).mean() < 0.5:
        raise SettingsError(
            f"path '{name}' lies outside the strips, which show {geometry.from_deg % 360:.1f} to "
            f"{geometry.angle_deg(geometry.columns - 1) % 360:.1f} deg and {geometry.low_mm:.0f} to "
            f"{geometry.height_mm(geometry.rows - 1):.0f} Mm",
            remedy="choose points inside them, or make the strips higher with strip.high_mm",
        )
    return SlitPath(name, kind, on_angle, on_height, distance)


def _curved(angle: np.ndarray, height: np.ndarray, geometry: StripGeometry) -> tuple[np.ndarray, np.ndarray]:
    """Natural cubic spline through the points in the plane of the sky, against the length of their polygon;
    through two points a straight line."""
    points = (geometry.limb_mm + height) * np.exp(1j * np.deg2rad(angle - angle[0]))
    length = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(points)))])
    if (np.diff(length) <= 0).any():
        raise SettingsError("a path names the same point twice in a row", remedy="leave one of them out")
    spline = CubicSpline(length, points, bc_type="natural")
    fine = spline(np.linspace(0.0, length[-1], 4 * (geometry.rows + geometry.columns)))
    return angle[0] + np.rad2deg(np.unwrap(np.angle(fine))), np.abs(fine) - geometry.limb_mm


def _across(
    path: SlitPath, geometry: StripGeometry, width_px: int, aside_mm: float
) -> tuple[np.ndarray, np.ndarray]:
    """(width, d) float32 rows and columns of the samples across the path, one row of the strip apart."""
    # Direction in the plane of the sky, as Mm outward and Mm along the limb, turned by a right angle.
    outward = np.gradient(path.height_mm)
    along = np.gradient(np.deg2rad(path.angle_deg)) * (geometry.limb_mm + path.height_mm)
    size = np.maximum(np.hypot(outward, along), 1e-9)
    shift_mm = aside_mm + (np.arange(width_px) - (width_px - 1) / 2.0)[:, None] * geometry.mm_per_row
    row = np.asarray(geometry.row(path.height_mm + shift_mm * along / size))
    per_column = geometry.mm_per_column(path.height_mm)
    column = np.asarray(geometry.column(path.angle_deg)) - shift_mm * outward / size / per_column
    return row.astype(np.float32), column.astype(np.float32)


@dataclass(frozen=True, slots=True)
class _Segment:
    """A straight piece of the map; places are x + iy in cells, x along the limb and y upward."""

    kind: str
    start: complex
    end: complex
    score: float = 0.0


def propose_paths(strip: Strip, count: int = 3) -> tuple[str, ...]:
    """The `count` paths along which most changes, as texts that `time_distance` reads: the first radial, the
    second parallel to the limb, the others straight in the direction of the strongest streaks; fewer when the
    strips show nothing more, or are too small for paths of eight rows. A strip in which nothing changes gives
    paths through its brightest parts."""
    geometry = strip.geometry
    cells = _cells(*_activity(strip))
    if count <= 0 or cells.size == 0 or cells.max() <= 0:
        return ()
    chosen = [_along_axis(cells, "radial"), _along_axis(cells, "parallel")]
    directions = np.exp(1j * np.deg2rad(np.arange(0.0, 180.0, 10.0)))
    straight = [_grown(cells, place, direction) for place in _peaks(cells, 12) for direction in directions]
    long = [segment for segment in straight if abs(segment.end - segment.start) >= LEAST_MM / KNOT_MM]
    for segment in sorted(long, key=lambda s: -s.score):
        if not any(_same(segment, other) for other in chosen):
            chosen.append(segment)
    texts = (_text(segment, geometry) for segment in chosen[:count])
    usable = []
    for text in texts:
        with suppress(SettingsError):  # too short a path
            usable.append(parse_path(text, geometry).name)
    return tuple(usable)


def _activity(strip: Strip) -> tuple[np.ndarray, StripGeometry]:
    """(rows, columns) how much each place changes, in counts, 0 where nothing is shown; and the map's own,
    coarser axes.

    Covariance of neighbouring strips, in which noise and seeing drop out, less the median of its row (more
    than half of any row is quiet), over the mean brightness: what comes and goes counts in full, the flicker
    of something bright and lasting hardly. Where nothing varies the map is the mean brightness.
    """
    smooth_mm = 0.8  # 1-sigma blur, about a small knot
    step = max(int(smooth_mm / strip.geometry.mm_per_row / 1.2), 1)
    geometry = strip.geometry.coarser(step)
    mean, covariance = _moments(strip, step, geometry, max(smooth_mm / geometry.mm_per_row, 0.5))
    noise = np.nan_to_num(strip.noise[: geometry.rows * step].reshape(-1, step).mean(axis=1))[:, None]
    # below lies the fringe of spicules, which changes everywhere
    high = (geometry.height_mm(np.arange(geometry.rows)) >= 5.0)[:, None]
    beyond = covariance - _row_median(covariance)
    beyond[~(beyond > 7.0 * MAD * _row_median(np.abs(beyond)))] = 0.0
    # A bright edge that shakes with the registration varies as the squared gradient of the mean.
    steep = sum(g**2 for g in np.gradient(np.nan_to_num(mean)))
    edge = (beyond > 0) & (steep > 0)
    if edge.sum() >= 16:
        beyond = np.maximum(beyond - np.quantile(beyond[edge] / steep[edge], 0.2) * steep, 0.0)
    mean = np.nan_to_num(mean)
    activity = high * beyond / (np.maximum(mean, 0.0) + 4.0 * noise + 1e-9)
    return (activity if activity.any() else high * np.maximum(mean - 3.0 * noise, 0.0)), geometry


def _row_median(values: np.ndarray) -> np.ndarray:
    """(rows, 1) median of what each row shows; nan where that is less than 8 values."""
    seen = np.isfinite(values).sum(axis=1) >= 8
    median = np.full((len(values), 1), np.nan)
    median[seen, 0] = np.nanmedian(values[seen], axis=1)
    return median


def _moments(strip: Strip, step: int, geometry: StripGeometry, sigma: float) -> tuple[np.ndarray, np.ndarray]:
    """Mean of the smoothed strips, and covariance of neighbouring strips less that of a steady brightening;
    nan where fewer than half of them show something."""
    places = spread_over(max(len(strip) - 1, 1), 90)

    def pair(place: int) -> list[np.ndarray]:
        return [_smooth(plane, step, geometry, sigma) for plane in strip.read(place, place + 2)]

    total, sloped, products, number = (np.zeros((geometry.rows, geometry.columns)) for _ in range(4))
    when = (places - places.mean()) / max(np.std(places), 1e-9)
    for at, (first, *second) in zip(when, map_ahead(pair, places.tolist()), strict=True):
        last = second[0] if second else first
        both = first + last
        shown = np.isfinite(both)
        for part, into in ((first, total), (last, total), (np.float32(at) * both, sloped)):
            cv2.accumulate(part, into, shown.view(np.uint8))
        cv2.accumulateProduct(first, last, products, shown.view(np.uint8))
        number += shown
    number[number < max(0.5 * number.max(), 1.0)] = np.nan
    mean = 0.5 * total / number
    return mean, products / number - mean**2 - (0.5 * sloped / number) ** 2


def _smooth(plane: np.ndarray, step: int, geometry: StripGeometry, sigma: float) -> np.ndarray:
    """A strip blurred to the size of a small knot; nan where the blur mixes in what is not shown."""
    used = plane[: geometry.rows * step, : geometry.columns * step]
    means = cv2.resize(used, (geometry.columns, geometry.rows), interpolation=cv2.INTER_AREA)  # (x, y)
    seen = np.isfinite(means)
    smooth = cv2.GaussianBlur(np.where(seen, means, np.float32(0)), (0, 0), sigma)
    smooth[cv2.GaussianBlur(seen.astype(np.float32), (0, 0), sigma) < 0.999] = np.nan
    return smooth


def _cells(activity: np.ndarray, geometry: StripGeometry) -> np.ndarray:
    """Square root of the activity, so that a long faint streak counts against a short bright flash, in square
    cells of KNOT_MM; row 0 at the strip's bottom."""
    lengths = geometry.columns * geometry.mm_per_column(0.0), geometry.rows * geometry.mm_per_row  # (x, y)
    size = [max(int(length / KNOT_MM), 1) for length in lengths]
    means = cv2.resize(activity.astype(np.float32), size, interpolation=cv2.INTER_AREA)
    return np.sqrt(np.maximum(means, 0.0))


def _along_axis(cells: np.ndarray, kind: str) -> _Segment:
    """The best radial or limb-parallel path: through the strongest column or row, where that is active."""
    lines = cells.T if kind == "radial" else cells
    line = int(np.argmax(np.convolve(lines.sum(axis=1), [0.5, 1.0, 0.5], "same")))
    profile = lines[max(line - 1, 0) : line + 2].sum(axis=0)
    # The stretch that holds nine tenths, with a margin of 3 cells, between LEAST_MM and LONGEST_MM long.
    share = np.cumsum(profile) / max(profile.sum(), 1e-12)
    peak, half = int(np.argmax(profile)), LONGEST_MM / KNOT_MM / 2.0
    first = max(float(np.searchsorted(share, 0.05)) - 3.0, peak - half)
    last = min(float(np.searchsorted(share, 0.95)) + 3.0, peak + half)
    short = max(LEAST_MM / KNOT_MM - (last - first), 0.0) / 2.0
    ends = max(first - short, 0.0), min(last + short, len(profile) - 1.0)
    start, end = (complex(line, at) if kind == "radial" else complex(at, line) for at in ends)
    return _Segment(kind, start, end)


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
    reach = int(LONGEST_MM / KNOT_MM / 2.0)
    line = place + np.arange(-reach, reach + 1) * direction
    x, y = line.real[None].astype(np.float32), line.imag[None].astype(np.float32)
    level = cv2.remap(cells, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0.0)[0]
    active = level > 0.3 * level[reach]  # a tenth of its activity, of which this is the root
    ends = []
    for side in (active[reach::-1], active[reach:]):
        quiet = np.convolve(~side, np.ones(6), "valid") >= 6
        ends.append(int(np.argmax(quiet)) if quiet.any() else int(np.flatnonzero(side)[-1]))
    first, last = max(reach - ends[0] - 2, 0), min(reach + ends[1] + 2, 2 * reach)
    x_end, y_end = (
        np.clip(part[[first, last]], 0, size - 1)
        for part, size in ((line.real, cells.shape[1]), (line.imag, cells.shape[0]))
    )
    # Long pieces through little must not beat short ones through much: score against the length as well.
    score = float(level[first : last + 1].sum()) / np.sqrt(last - first + 20.0)
    return _Segment("straight", complex(x_end[0], y_end[0]), complex(x_end[1], y_end[1]), score)


def _same(a: _Segment, b: _Segment) -> bool:
    """Within 25 deg of the same direction, and half of the one within 6 Mm of the other."""
    here, there = np.linspace(a.start, a.end, 30), np.linspace(b.start, b.end, 60)
    turn = np.rad2deg(np.angle((a.end - a.start) / ((b.end - b.start) or 1.0)))
    near = np.abs(here[:, None] - there).min(axis=1) * KNOT_MM < 6.0
    return abs((turn + 90.0) % 180.0 - 90.0) <= 25.0 and float(near.mean()) > 0.5


def _text(segment: _Segment, geometry: StripGeometry) -> str:
    cell_deg = KNOT_MM / geometry.mm_per_column(0.0) * geometry.deg_per_column
    ends = segment.start, segment.end
    a, b = (geometry.from_deg + (end.real + 0.5) * cell_deg for end in ends)
    low, high = (geometry.low_mm + (end.imag + 0.5) * KNOT_MM for end in ends)
    if segment.kind == "radial":
        return f"radial:{a:.2f}"
    if segment.kind == "parallel":
        return f"parallel:{low:.1f}:{a:.2f}:{b:.2f}"
    return f"straight:{a:.2f},{low:.1f}:{b:.2f},{high:.1f}"
