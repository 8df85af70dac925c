"""What a quiet Sun looks like in this sequence: brightness against distance from the limb, from sample frames.

Values are in counts of a frame of usual transparency with the sky taken off. Off the limb the smooth halo
(scattered light) is told from the limb's own steep fall by distance: beyond `HALO_FROM_MM` all that every
angle shows is halo. One frame then is  sky + veil * halo + gain * Sun,  three numbers measured afresh for
every frame, so that cloud and gain changes leave the picture steady.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from promtrack.limb.records import LimbLock
from promtrack.sequence.records import Sequence
from promtrack.show.view import ClipView, affine_to_frame, warp

__all__ = ["FrameLevel", "Probes", "QuietSun", "frame_level", "place_probes", "quiet_sun", "sample_levels", "take_samples"]

SAMPLES = 12
HALO_FROM_MM = 12.0
BAND_PX = 30.0            # about the limb every pixel row counts, so probes stand dense there
PROBES = 60_000
ZONE_PROBES = 4000
LEAST_PROBES = 50
COARSE = 8                # picture pixels per pixel of the coarse samples kept for the layout
CALM_SHARE = 20.0         # percentile over angle taken as 'no prominence here', off the limb


@dataclass(frozen=True, slots=True, eq=False)
class Probes:
    """Picture pixels at which brightness is sampled (arrays of equal length)."""

    row: np.ndarray
    column: np.ndarray
    limb_px: np.ndarray       # distance from the limb, frame px
    number: np.ndarray        # among all probes of the picture


@dataclass(frozen=True, slots=True, eq=False)
class Samples:
    """Sample frames at the probes, and coarsely whole."""

    frame: np.ndarray         # (k,) indices
    value: np.ndarray         # (k, probes) float32 counts, nan where the frame does not reach
    coarse: np.ndarray        # (k, rows, columns) float32 counts


@dataclass(frozen=True, slots=True, eq=False)
class QuietSun:
    """Radial model and the probes that find a frame's level."""

    limb_px: np.ndarray       # (m,) distance from the limb, rising, frame px
    halo: np.ndarray          # (m,) counts
    sun: np.ndarray           # (m,) counts, halo taken off; falls to 0 off the limb
    burnt: bool               # the disc is saturated or flat
    peak: float               # counts of the brightest plasma off the limb
    noise: float              # 1-sigma counts of one picture pixel off the limb
    disc: Probes              # zones that find a frame's level
    near: Probes
    far: Probes

    def halo_at(self, limb_px: np.ndarray) -> np.ndarray:
        return np.interp(limb_px, self.limb_px, self.halo)

    def sun_at(self, limb_px: np.ndarray) -> np.ndarray:
        return np.interp(limb_px, self.limb_px, self.sun)


@dataclass(frozen=True, slots=True)
class FrameLevel:
    """One frame is sky + veil * halo + gain * Sun."""

    gain: float
    veil: float
    sky: float


def place_probes(view: ClipView, seed: int = 7) -> Probes:
    """Probes over the picture, dense about the limb, the same for the same view."""
    limb_px = view.height_map_px()
    rng = np.random.default_rng(seed)
    band = np.abs(limb_px) < BAND_PX
    chosen = [rng.choice(where, min(PROBES, len(where)), replace=False)
              for where in (np.flatnonzero(band), np.flatnonzero(~band)) if len(where)]
    flat = np.sort(np.concatenate(chosen))
    row, column = np.unravel_index(flat, limb_px.shape)
    return Probes(row, column, limb_px.ravel()[flat], np.arange(len(flat)))


def take_samples(sequence: Sequence, lock: LimbLock, view: ClipView, probes: Probes) -> Samples:
    """A dozen used frames spread over the sequence, in the picture's geometry."""
    used = np.flatnonzero(lock.used)
    wanted = used[np.unique(np.linspace(0, len(used) - 1, min(SAMPLES, len(used))).round().astype(int))]
    size = (max(view.width // COARSE, 8), max(view.height // COARSE, 8))
    value, coarse = [], []
    for index, frame in sequence.frames(wanted.tolist()):
        matrix = affine_to_frame(view, lock, index)
        picture = warp(frame.astype(np.float32, copy=False), matrix, view)
        level = picture[probes.row, probes.column]
        level[~_reached(matrix, probes, lock.shape)] = np.nan
        value.append(level)
        coarse.append(cv2.resize(picture, size, interpolation=cv2.INTER_AREA))
    return Samples(wanted, np.stack(value), np.stack(coarse))


def quiet_sun(samples: Samples, probes: Probes, lock: LimbLock, view: ClipView, full_scale: float) -> QuietSun:
    """The radial model from sample frames, levelled with the lock's transparency and sky."""
    gain, sky = _lock_level(lock, samples.frame)
    value = (samples.value - sky[:, None]) / gain[:, None]
    halo_from = HALO_FROM_MM * 1e3 / (view.km_per_px * view.zoom)
    usual = _nanmedian(value)
    limb_px, level = _radial_profile(probes.limb_px, usual)
    halo = np.minimum.accumulate(np.interp(np.maximum(limb_px, halo_from), limb_px, level))
    sun = np.maximum(level - halo, 0.0)
    sun[limb_px > -2.0] = np.minimum.accumulate(sun[limb_px > -2.0])
    plasma = value - np.interp(probes.limb_px, limb_px, halo + sun)
    off = probes.limb_px > halo_from
    noise = _noise(value[:, off])
    inside = probes.limb_px < -max(4.0, 0.01 * lock.radius_px)
    burnt = not inside.any() or _burnt(samples.value[:, inside], usual[inside], full_scale)
    off_limb = probes.limb_px > halo_from / 3.0
    calm = off & (np.abs(np.nan_to_num(_nanmedian(plasma), nan=np.inf)) < 4.0 * noise)
    return QuietSun(limb_px, halo, sun, burnt, _peak(plasma[:, off_limb], noise), noise, *_zones(probes, inside, calm))


def frame_level(frame: np.ndarray, matrix: np.ndarray, quiet: QuietSun, lock: LimbLock, index: int) -> FrameLevel:
    """Sky, veil and gain of one frame, from medians in three zones of its picture.

    The disc gives the gain; where it is burnt out or out of view the lock's transparency does.
    """
    return _level(quiet, lock, index, lambda zone: _zone(frame, matrix, zone))


def sample_levels(samples: Samples, quiet: QuietSun, lock: LimbLock) -> list[FrameLevel]:
    """The levels of the sample frames."""
    def seen(value: np.ndarray, zone: Probes) -> tuple[np.ndarray, np.ndarray]:
        good = np.isfinite(value[zone.number])
        return value[zone.number][good], zone.limb_px[good]
    return [_level(quiet, lock, int(index), lambda zone, value=value: seen(value, zone))
            for index, value in zip(samples.frame, samples.value, strict=True)]


def _level(quiet: QuietSun, lock: LimbLock, index: int, seen: Callable[[Probes], tuple[np.ndarray, np.ndarray]]) -> FrameLevel:
    gain, sky = (float(v[0]) for v in _lock_level(lock, np.array([index])))
    veil = gain
    (near, near_px), (far, far_px) = seen(quiet.near), seen(quiet.far)
    if len(far) >= LEAST_PROBES:
        far_halo, far_value = float(np.median(quiet.halo_at(far_px))), float(np.median(far))
        if len(near) >= LEAST_PROBES:
            span = float(np.median(quiet.halo_at(near_px))) - far_halo
            rise = float(np.median(near)) - far_value
            veil = float(np.clip(rise / span, 0.2 * gain, 8.0 * gain)) if span > 2.0 * quiet.noise else gain
        sky = far_value - veil * far_halo
    disc, disc_px = seen(quiet.disc)
    if not quiet.burnt and len(disc) >= LEAST_PROBES:
        direct = (disc - sky - veil * quiet.halo[0]) / np.maximum(quiet.sun_at(disc_px), 1e-9)
        gain = max(float(np.median(direct)), 0.05 * gain)
    return FrameLevel(gain, veil, sky)


def _lock_level(lock: LimbLock, index: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    gain, sky = np.asarray(lock.transparency[index], dtype=float), np.asarray(lock.sky[index], dtype=float)
    return np.where(np.isfinite(gain) & (gain > 0.0), gain, 1.0), np.where(np.isfinite(sky), sky, 0.0)


def _reached(matrix: np.ndarray, probes: Probes, shape: tuple[int, int]) -> np.ndarray:
    x = matrix[0, 0] * probes.column + matrix[0, 1] * probes.row + matrix[0, 2]
    y = matrix[1, 0] * probes.column + matrix[1, 1] * probes.row + matrix[1, 2]
    return (x >= 1.0) & (y >= 1.0) & (x <= shape[1] - 2.0) & (y <= shape[0] - 2.0)


def _nanmedian(value: np.ndarray) -> np.ndarray:
    """Median over frames; nan where no frame reaches (np.nanmedian would warn)."""
    ordered = np.sort(value, axis=0)                     # nan goes last
    count = np.isfinite(value).sum(axis=0)
    middle = np.maximum(count - 1, 0) // 2
    return np.where(count > 0, np.take_along_axis(ordered, middle[None], axis=0)[0], np.nan)


def _radial_profile(limb_px: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Brightness against distance from the limb: the middle over angle on the disc, the calm share off it."""
    good = np.isfinite(value)
    limb_px, value = limb_px[good], value[good]
    near = np.arange(-BAND_PX, BAND_PX, 1.0)
    out = np.geomspace(BAND_PX, max(float(limb_px.max()), BAND_PX + 2.0), 40)
    into = -np.geomspace(BAND_PX, max(-float(limb_px.min()), BAND_PX + 2.0), 40)[::-1]
    edges = np.unique(np.concatenate([into, near, out]))
    order = np.argsort(limb_px)
    limb_px, value = limb_px[order], value[order]
    starts = np.searchsorted(limb_px, edges)
    place, level = [], []
    for first, last in pairwise(starts):
        if last - first >= 12:
            share = 50.0 if limb_px[first] < 0.0 else CALM_SHARE
            place.append(float(limb_px[first:last].mean()))
            level.append(float(np.percentile(value[first:last], share)))
    if len(place) < 4:
        return np.array([-1.0, 1.0]), np.full(2, float(np.median(value)) if len(value) else 0.0)
    return np.array(place), np.array(level)


def _noise(value: np.ndarray) -> float:
    """Scatter in time of single pixels off the limb (median absolute deviation)."""
    if value.size == 0 or len(value) < 3:
        return 1.0
    away = np.abs(value - _nanmedian(value)[None])
    away = away[np.isfinite(away)]
    return max(1.4826 * float(np.median(away)), 1e-3) if len(away) else 1.0


def _burnt(raw: np.ndarray, usual: np.ndarray, full_scale: float) -> bool:
    seen = usual[np.isfinite(usual)]
    if len(seen) < 50:
        return True
    low, middle, high = np.percentile(seen, (20, 50, 80))
    return bool(np.nanmedian(raw) > 0.97 * full_scale or (high - low) < 1e-3 * abs(middle))


def _peak(plasma: np.ndarray, noise: float) -> float:
    """Brightness of the brightest plasma, single hot pixels aside."""
    seen = plasma[np.isfinite(plasma)]
    bright = seen[seen > 8.0 * noise]
    return max(float(np.percentile(bright, 98.5)), 15.0 * noise) if len(bright) > 200 else 40.0 * noise


def _zones(probes: Probes, inside: np.ndarray, calm: np.ndarray) -> tuple[Probes, Probes, Probes]:
    """Probes on the disc, and of the calm sky the quarter nearest to the limb and the quarter farthest from it."""
    split = np.percentile(probes.limb_px[calm], (25, 75)) if calm.any() else (0.0, 0.0)
    where = (inside, calm & (probes.limb_px <= split[0]), calm & (probes.limb_px >= split[1]))
    return tuple(_thin(probes, mask) for mask in where)


def _thin(probes: Probes, mask: np.ndarray) -> Probes:
    index = np.flatnonzero(mask)
    index = index[:: max(1, len(index) // ZONE_PROBES)]
    return Probes(probes.row[index], probes.column[index], probes.limb_px[index], probes.number[index])


def _zone(frame: np.ndarray, matrix: np.ndarray, zone: Probes) -> tuple[np.ndarray, np.ndarray]:
    """Counts and distances from the limb of a zone's probes that the frame reaches; the nearest pixel will do."""
    reached = _reached(matrix, zone, frame.shape)
    column, row = zone.column[reached], zone.row[reached]
    x = np.rint(matrix[0, 0] * column + matrix[0, 1] * row + matrix[0, 2]).astype(np.intp)
    y = np.rint(matrix[1, 0] * column + matrix[1, 1] * row + matrix[1, 2]).astype(np.intp)
    return frame[y, x].astype(np.float32), zone.limb_px[reached]
