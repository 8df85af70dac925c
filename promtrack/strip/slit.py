"""Time-distance diagrams: the strip's brightness along a path, strip under strip.

A path is text: `radial:ANGLE`, `parallel:HEIGHT:FROM:TO`, `straight:ANGLE,HEIGHT:ANGLE,HEIGHT` (straight in
the plane of the sky) or `curved:ANGLE,HEIGHT:ANGLE,HEIGHT:...` (a smooth curve through the points); degrees
and Mm. It is sampled at the strip's own resolution and averaged across the width of a small knot.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import cv2
import numpy as np
from scipy.interpolate import CubicSpline

from promtrack.errors import SettingsError
from promtrack.strip.records import Strip, StripGeometry, TimeDistance

KNOT_MM = 2.0  # width of a path: a small knot

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
