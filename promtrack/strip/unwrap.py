"""Frames to strips: polar resampling, backdrop and transparency removed, streamed into one file.

Resampling must not shift what it resamples: a speed is a small shift over many frames. OpenCV's cubic kernel
(a = -0.75) moves a centroid by up to 0.05 px as it crosses a pixel; bilinear interpolation by nothing, but it
blurs the more the farther it is from a pixel's centre. So each value is the mean of two bilinear samples half
a pixel apart on the diagonal, which blur by all but the same everywhere, and the frame is sharpened
beforehand by just that blur. Where a column is wider than a pixel several samples are averaged, so that
nothing is lost or aliased. A strip's point that lies outside the frame is nan.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from itertools import chain, islice
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from astropy.io import fits

from promtrack.limb.edge import MAD
from promtrack.limb.records import LimbLock
from promtrack.sequence.records import Sequence, spread_over
from promtrack.strip.brightness import Evener
from promtrack.strip.polar import border_of, frame_matrix
from promtrack.strip.records import Strip, StripGeometry
from promtrack.strip.sky_background import row_quantile
from promtrack.strip.store import LARGEST, Decoded, StripWriter, in_steps, packed
from promtrack.sun import Orientation
from promtrack.workers import map_ahead

# undoes 0.25 px^2 of blur: bilinear 1/6, the two samples 1/16
SHARPEN = np.array([-0.125, 1.25, -0.125], np.float32)
BAND_ROWS = 32  # rows sharpened and sampled at a time: they and their map stay in the processor's cache


@dataclass(frozen=True, slots=True, eq=False)
class _Band:
    """Rows that are sampled equally finely."""

    rows: slice
    fine: tuple[int, int]  # samples per row and per column
    offsets: np.ndarray  # (rows * fine, columns * fine, 2) float32: rho sin theta, rho cos theta


@dataclass(frozen=True, slots=True, eq=False)
class StripCutter:
    """Cuts strips out of frames of one lock; made by `StripCutter.plan`."""

    geometry: StripGeometry
    lock: LimbLock
    bands: tuple[_Band, ...]
    outline: np.ndarray  # (1, k, 2) float32: offsets on the border of the strip, as in `_Band`
    hidden_px: np.ndarray | None = None  # bool, of a frame's shape: covered on the sensor, nothing is shown
    hidden: np.ndarray | None = None  # (rows, columns) bool: covered in all strips

    @classmethod
    def plan(cls, geometry: StripGeometry, lock: LimbLock, orientation: Orientation) -> StripCutter:
        """Sampling grids, the same for all frames."""
        px_per_mm = lock.radius_px / geometry.limb_mm
        heights = geometry.height_mm(np.arange(geometry.rows))
        # Farther apart than this, samples are doubled, trebled ... and averaged; finer would cost time for
        # detail that the air (blur of 3 px and more) does not let through.
        widest_px = 1.5
        across = max(int(np.ceil(geometry.mm_per_row * px_per_mm / widest_px)), 1)
        column_px = np.deg2rad(geometry.deg_per_column) * px_per_mm * (geometry.limb_mm + heights)
        along = np.maximum(np.ceil(column_px / widest_px), 1).astype(int)
        edges = np.union1d(np.flatnonzero(np.diff(along)) + 1, np.arange(BAND_ROWS, geometry.rows, BAND_ROWS))
        bands = []
        for rows in np.split(np.arange(geometry.rows), edges):
            fine = across, int(along[rows[0]])
            row = rows[0] - 0.5 + (np.arange(len(rows) * fine[0]) + 0.5) / fine[0]
            column = -0.5 + (np.arange(geometry.columns * fine[1]) + 0.5) / fine[1]
            rho = lock.radius_px * (1.0 + geometry.height_mm(row) / geometry.limb_mm)
            theta = np.deg2rad(orientation.to_image(geometry.angle_deg(column)))
            offsets = np.stack([np.outer(rho, np.sin(theta)), np.outer(rho, np.cos(theta))], axis=-1)
            part = slice(int(rows[0]), int(rows[-1]) + 1)
            bands.append(_Band(part, fine, offsets.astype(np.float32)))
        sides = ((o[0], o[-1], o[:, 0], o[:, -1]) for o in (band.offsets for band in bands))
        return cls(geometry, lock, tuple(bands), np.concatenate([*chain(*sides)])[None])

    def sample(self, frame: np.ndarray, index: int) -> np.ndarray:
        """(rows, columns) float32 strip of frame `index`, as bright as it; nan where it shows nothing."""
        matrix = frame_matrix(self.lock, index)
        reached = cv2.transform(self.outline, matrix)[0, :, 1]
        image = _sharpened(frame, max(int(reached.min()) - 2, 0), min(int(reached.max()) + 4, len(frame)))
        border = border_of(frame)
        if border is not None:
            image[border] = np.nan
        if self.hidden_px is not None:
            image[self.hidden_px] = np.nan
        matrices = [matrix + np.array([0.0, 0.0, shift]) for shift in (-0.25, 0.25)]
        strip = np.empty((self.geometry.rows, self.geometry.columns), np.float32)
        for band in self.bands:
            one, two = (_bilinear(image, cv2.transform(band.offsets, m)) for m in matrices)
            if band.fine == (1, 1):
                cv2.addWeighted(one, 0.5, two, 0.5, 0.0, dst=strip[band.rows])
                continue
            size = (self.geometry.columns, band.rows.stop - band.rows.start)  # (x, y)
            fine = cv2.addWeighted(one, 0.5, two, 0.5, 0.0, dst=one)
            cv2.resize(fine, size, dst=strip[band.rows], interpolation=cv2.INTER_AREA)
        if self.hidden is not None:
            strip[self.hidden] = np.nan
        return strip


def unwrap(
    sequence: Sequence,
    lock: LimbLock,
    orientation: Orientation,
    geometry: StripGeometry,
    *,
    path: Path,
    header: fits.Header | None = None,
    hidden_px: np.ndarray | None = None,
    hidden: np.ndarray | None = None,
    progress: Callable[[int, int], None] | None = None,
) -> Strip:
    """Strips of all used frames, written one after the other to a FITS file at `path`, over what stands
    there.

    `header`: further cards; `hidden_px`: bool, of a frame's shape, True where the sensor shows nothing of
    use; `hidden`: the same in all strips; `progress`: called with the number of frames done and to do. Raises
    InputError: a frame cannot be read, or the disk is full.
    """
    used = np.flatnonzero(lock.used)
    cutter = replace(StripCutter.plan(geometry, lock, orientation), hidden_px=hidden_px, hidden=hidden)
    evener = Evener.of(cutter.sample, sequence, lock, geometry)
    reference = sequence.frame(lock.reference)
    # A dark sky of 8 bits that flickers by one step now and then looks noiseless to a median.
    least = 0.5 * grey_step(reference)
    first = evener.even(cutter.sample(reference, lock.reference), lock.reference)
    step = _stored_step(first, least)

    def work(numbered: tuple[int, np.ndarray]) -> np.ndarray:
        strip = evener.even(cutter.sample(numbered[1], numbered[0]), numbered[0])
        stored = in_steps(strip, step)
        if decoded is not None:
            decoded.put(int(np.searchsorted(used, numbered[0])), stored)
        return stored

    shape = (len(used), geometry.rows, geometry.columns)
    decoded = Decoded.beside(Path(path), shape, step)

    with StripWriter(path, shape, step, header or fits.Header()) as file:
        stored = map_ahead(work, sequence.frames(used))
        together = max(10_000_000 // (shape[1] * shape[2]), 1)
        for tiles in map_ahead(packed, iter(lambda: list(islice(stored, together)), [])):
            for tile in tiles:
                file.add(tile)
            if progress:
                progress(file.done, len(used))
    mm_per_px = geometry.limb_mm / lock.radius_px
    strip = Strip(
        geometry=geometry,
        times_utc=sequence.times_utc[used],
        frame=used,
        path=Path(path),
        noise=np.zeros(geometry.rows),
        centre_err_mm=lock.centre_err_px[used] * mm_per_px,
        along_err_mm=lock.along_err_px[used] * mm_per_px,
        decoded=decoded,
    )
    return replace(strip, noise=_noise_of(strip, least))


def _stored_step(strip: np.ndarray, least_noise: float) -> float:
    """Step of the stored integers: a quarter of the noise where there is least, coarser only where 16 bits
    would not reach four times beyond the brightest value."""
    noise = _second_difference_noise(strip)
    known = noise[np.isfinite(noise) & (noise > 0)]
    low = float(np.quantile(known, 0.05)) if known.size else 0.0
    reach = float(np.nanmax(np.abs(strip), initial=0.0))
    return max(0.25 * max(low, least_noise), 4.0 * reach / LARGEST, 1e-6)


def grey_step(frame: np.ndarray) -> float:
    """Step of the grey scale: the smallest difference of values in the frame; 0 for floating-point frames."""
    if frame.dtype.kind not in "ui":
        return 0.0
    values = np.unique(frame[::5, ::5])
    return float(np.diff(values).min()) if len(values) > 1 else 1.0


def block_px(frame: np.ndarray) -> int:
    """Side of the blocks that strong compression leaves in the darker part of a picture: light leaps more
    than at either neighbour at every eighth column and row, three times as often as at the others and at 1 %
    of all places at least, which a few specks in an empty sky do not reach; else 0."""
    dark = frame < 0.5 * np.percentile(frame[::5, ::5], 99)
    strength = []
    for light, seen in ((frame, dark), (frame.T, dark.T)):
        leap = np.abs(np.diff(light.astype(np.float32), axis=1))
        most = (leap[:, 1:-1] > leap[:, :-2]) & (leap[:, 1:-1] > leap[:, 2:]) & seen[:, 1:-2] & seen[:, 2:-1]
        often = [float(most[:, k::8].mean()) for k in range(8)]
        strength.append(max(often) / max(float(np.median(often)), 0.01 / 3.0))
    return 8 * (min(strength) > 3.0)


def _sharpened(frame: np.ndarray, first: int, last: int) -> np.ndarray:
    """The frame as float32, sharpened; of its rows only those from `first` to before `last` hold anything."""
    image = np.empty(frame.shape, np.float32)
    for top in range(first, last, BAND_ROWS):
        bottom = min(top + BAND_ROWS, last)
        above, below = max(top - 1, 0), min(bottom + 1, len(frame))  # the kernel reaches one row beyond
        part = cv2.sepFilter2D(
            np.ascontiguousarray(frame[above:below], dtype=np.float32), -1, SHARPEN, SHARPEN
        )
        image[top:bottom] = part[top - above : bottom - above]
    return image


def _bilinear(image: np.ndarray, places: np.ndarray) -> np.ndarray:
    border: dict[str, Any] = {"borderMode": cv2.BORDER_CONSTANT, "borderValue": np.nan}
    return cv2.remap(image, places, None, cv2.INTER_LINEAR, **border)  # type: ignore[call-overload]


def _noise_of(strip: Strip, least: float) -> np.ndarray:
    """(rows,) 1-sigma noise from the difference of neighbouring strips at eight places of the sequence, or of
    one strip by itself, no less than `least`; rows without data are filled from their neighbours."""
    noise = only = _second_difference_noise(strip.read(0, 1)[0])
    pairs = [strip.read(i, i + 2)[:, :, ::2] for i in spread_over(len(strip) - 1, 8).tolist()]
    if pairs:
        noise = np.median([_scatter(after - before) for before, after in pairs], axis=0) / np.sqrt(2.0)
    noise = np.where(noise > 0, noise, only)  # frames that repeat each other differ by nothing
    rows, known = np.arange(len(noise)), np.isfinite(noise) & (noise > 0)
    if not known.any():
        return np.full(len(noise), np.nan)
    return np.maximum(np.interp(rows, rows[known], noise[known]), least)


def _second_difference_noise(strip: np.ndarray) -> np.ndarray:
    """(rows,) noise from one strip; resampling ties neighbours, so every other value is used."""
    return _scatter(strip[:, 4:] - 2.0 * strip[:, 2:-2] + strip[:, :-4]) / np.sqrt(6.0)


def _scatter(values: np.ndarray) -> np.ndarray:
    """Robust standard deviation of each row; nan where fewer than 8 values are seen."""
    seen = np.isfinite(values)
    return np.where(seen.sum(axis=1) >= 8, MAD * row_quantile(np.abs(values), seen, 0.5), np.nan)
