"""Injection and recovery: knots of known motion put into an observer's own strips, and what is found of them.

Says for one's own air, camera and prominence how faint and how slow a knot may be. A knot is a round Gaussian
on a straight path, faded in and out, at a time and a place drawn at random; the strips keep all that hurts a
real knot.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from promtrack.motion.knots import find_knots, sky_plane, sky_to_strip
from promtrack.motion.limits import FWHM
from promtrack.motion.records import KnotTrack
from promtrack.motion.tracks import middle_angle, track_knots
from promtrack.settings import MotionSettings
from promtrack.strip.records import Strip, StripGeometry
from tests.plain_file import PlainFile

__all__ = ["InjectedKnot", "Recovery", "inject_knots", "recover_knots", "was_found"]

LOWEST_MM = 10.0  # injected above the fringe of spicules, which would hide it
DRAWS = 1000  # places tried for one knot


@dataclass(frozen=True, slots=True, eq=False)
class InjectedKnot:
    """A knot put into strips first to first + n - 1; arrays have one value a strip."""

    first: int
    x_mm: np.ndarray  # plane of the sky, from the strips' middle angle (`knots.sky_plane`)
    y_mm: np.ndarray  # distance from the Sun's centre along it
    snr: np.ndarray  # peak over the noise of one strip value
    fwhm_mm: float
    speed_km_s: float


@dataclass(frozen=True, slots=True, eq=False)
class Recovery:
    """What was found of the injected knots; one value a knot."""

    injected: tuple[InjectedKnot, ...]
    found: np.ndarray  # bool
    moving: np.ndarray  # bool: found and called moving
    speed_error_km_s: np.ndarray  # measured minus true, nan where it was not found
    stated_error_km_s: np.ndarray


def recover_knots(
    strip: Strip,
    folder: Path,
    *,
    count: int,
    snr: float,
    speed_km_s: float,
    fwhm_mm: float,
    motion: MotionSettings = MotionSettings(),
    rng: np.random.Generator,
) -> Recovery:
    """Inject knots of one kind into a copy of the strips in `folder`, measure it, and compare.

    Raises
    ------
    ValueError : the strips are too small or too short for such knots
    """
    knots = tuple(_drawn(strip, snr, speed_km_s, fwhm_mm, motion.least_points, rng) for _ in range(count))
    copy = inject_knots(strip, knots, Path(folder) / "injected.bin")
    try:
        tracks = track_knots(
            copy, find_knots(copy, motion=motion), motion=motion, scale_err=0.0, clock_err=0.0, rng=rng
        ).knots
    finally:
        copy.path.unlink()
    best = [next((track for track in tracks if was_found(strip, track, knot)), None) for knot in knots]
    return Recovery(
        injected=knots,
        found=np.array([track is not None for track in best]),
        moving=np.array([track is not None and track.moving for track in best]),
        speed_error_km_s=np.array(
            [np.nan if track is None else track.fit.speed_km_s - speed_km_s for track in best]
        ),
        stated_error_km_s=np.array([np.nan if track is None else track.fit.speed_err_km_s for track in best]),
    )


def inject_knots(strip: Strip, knots: tuple[InjectedKnot, ...], path: Path) -> Strip:
    """The strips with the knots added, in a new file at `path`."""
    with Path(path).open("wb") as file:
        for i, image in enumerate(strip.mapped(np.asarray)):
            for knot in knots:
                if 0 <= i - knot.first < len(knot.snr):
                    _add(image, strip, knot, i - knot.first)
            image.astype("<f4").tofile(file)
    return replace(strip, path=Path(path), decoded=PlainFile(Path(path), strip.geometry))


def was_found(strip: Strip, track: KnotTrack, knot: InjectedKnot) -> bool:
    """Whether most points of a track lie on a knot, and it was followed for half of its time or more."""
    at = np.searchsorted(strip.frame, track.frame) - knot.first
    inside = (at >= 0) & (at < len(knot.snr))
    geometry = strip.geometry
    x, y = sky_plane(
        geometry, geometry.row(track.height_mm), geometry.column(track.angle_deg), middle_angle(strip)
    )
    at = np.clip(at, 0, len(knot.snr) - 1)
    near = inside & (np.hypot(x - knot.x_mm[at], y - knot.y_mm[at]) < max(2.0, 0.7 * knot.fwhm_mm))
    return bool(near.sum() > 0.5 * len(near) and near.sum() >= 0.5 * len(knot.snr))


def _drawn(
    strip: Strip, snr: float, speed_km_s: float, fwhm_mm: float, least_points: int, rng: np.random.Generator
) -> InjectedKnot:
    n = len(strip)
    if n < 2 * least_points:
        raise ValueError(f"injected knots need {2 * least_points} strips, got {n}")
    for _ in range(DRAWS):
        count = int(rng.integers(2 * least_points, min(n, 6 * least_points) + 1))
        first = int(rng.integers(0, n - count + 1))
        time = strip.time_s[first : first + count]
        along = speed_km_s / 1e3 * (time - time.mean())
        direction = rng.uniform(0, 2 * np.pi)
        place = _random_place(strip, rng)
        x, y = place[0] + along * np.cos(direction), place[1] + along * np.sin(direction)
        if _inside(strip.geometry, *sky_to_strip(strip.geometry, x, y, middle_angle(strip)), fwhm_mm):
            phase = (np.arange(count) + 0.5) / count
            fade = np.minimum(1.0, 8 * np.minimum(phase, 1 - phase))
            return InjectedKnot(first, x, y, snr * fade, fwhm_mm, speed_km_s)
    raise ValueError(f"no path of {speed_km_s:g} km/s over {2 * least_points} strips fits into the strips")


def _random_place(strip: Strip, rng: np.random.Generator) -> tuple[float, float]:
    _, rows, columns = strip.shape
    x, y = sky_plane(
        strip.geometry, np.array(rng.uniform(0, rows)), np.array(rng.uniform(0, columns)), middle_angle(strip)
    )
    return float(x), float(y)


def _inside(geometry: StripGeometry, row: np.ndarray, column: np.ndarray, fwhm_mm: float) -> bool:
    margin = fwhm_mm / geometry.mm_per_row + 3
    return bool(
        (geometry.height_mm(row) > LOWEST_MM).all()
        and (row < geometry.rows - margin).all()
        and (column > margin).all()
        and (column < geometry.columns - margin).all()
    )


def _add(image: np.ndarray, strip: Strip, knot: InjectedKnot, k: int) -> None:
    """Add a knot to one strip, in place."""
    geometry = strip.geometry
    row, column = sky_to_strip(geometry, knot.x_mm[k], knot.y_mm[k], middle_angle(strip))
    sigma_row = knot.fwhm_mm / FWHM / geometry.mm_per_row
    sigma_column = knot.fwhm_mm / FWHM / geometry.mm_per_column(geometry.height_mm(row))
    rows, columns = (
        np.arange(max(int(at - 4 * sigma), 0), min(int(at + 4 * sigma) + 2, size))
        for at, sigma, size in ((row, sigma_row, geometry.rows), (column, sigma_column, geometry.columns))
    )
    if not len(rows) or not len(columns):
        return  # outside the strips
    peak = knot.snr[k] * np.interp(row, np.arange(geometry.rows), strip.noise)
    image[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1] += (
        peak
        * np.exp(-0.5 * ((rows - row) / sigma_row) ** 2)[:, None]
        * np.exp(-0.5 * ((columns - column) / sigma_column) ** 2)
    ).astype(np.float32)
