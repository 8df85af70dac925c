"""Knots of known motion put into strips: round Gaussians on top of what the strips show."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from promtrack.motion.knots import sky_to_strip
from promtrack.motion.limits import FWHM
from promtrack.motion.tracks import middle_angle
from promtrack.strip.records import Strip
from tests.plain_file import PlainFile


@dataclass(frozen=True, slots=True, eq=False)
class InjectedKnot:
    """A knot put into strips first to first + n - 1; arrays have one value a strip."""

    first: int
    x_mm: np.ndarray  # plane of the sky, from the strips' middle angle (`knots.sky_plane`)
    y_mm: np.ndarray  # distance from the Sun's centre along it
    snr: np.ndarray  # peak over the noise of one strip value
    fwhm_mm: float
    speed_km_s: float


def inject_knots(strip: Strip, knots: tuple[InjectedKnot, ...], path: Path) -> Strip:
    """The strips with the knots added, in a new file at `path`."""
    with Path(path).open("wb") as file:
        for i, image in enumerate(strip.mapped(np.asarray)):
            for knot in knots:
                if 0 <= i - knot.first < len(knot.snr):
                    _add(image, strip, knot, i - knot.first)
            image.astype("<f4").tofile(file)
    return replace(strip, path=Path(path), decoded=PlainFile(Path(path), strip.geometry))


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
