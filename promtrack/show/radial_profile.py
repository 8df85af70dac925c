"""What a quiet Sun looks like in this sequence against distance from the limb, and each frame's level.

Values are in counts of a frame of usual transparency with the sky taken off. One frame is
sky + veil * halo + gain * Sun: three numbers measured afresh for every frame, so that cloud and changes of
gain leave the picture steady. The smooth halo (scattered light) is separated from the limb's own steep fall
by distance: beyond `HALO_FROM_MM` all that every angle shows is halo.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.ndimage import gaussian_filter1d

from promtrack.limb.records import LimbLock
from promtrack.sequence.records import Sequence, spread_over
from promtrack.show.region_of_interest import SAMPLES
from promtrack.show.view import ClipView, affine_to_frame, warp

BAND_PX = 30.0  # about the limb every pixel row counts, so probes stand dense there
LEAST_PROBES = 50
HALO_FROM_MM = 12.0


@dataclass(frozen=True, slots=True, eq=False)
class Probes:
    """Picture pixels at which brightness is sampled (arrays of equal length)."""

    flat: np.ndarray  # place in the picture's memory, rising
    row: np.ndarray
    column: np.ndarray
    limb_px: np.ndarray  # distance from the limb, frame px

    def only(self, mask: np.ndarray) -> Probes:
        """Some 4000 of those chosen, enough to find a frame's level."""
        index = np.flatnonzero(mask)
        index = index[:: max(1, len(index) // 4000)]
        return Probes(self.flat[index], self.row[index], self.column[index], self.limb_px[index])

    def read(self, picture: np.ndarray, matrix: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Counts of a frame at the probes that it shows (the nearest pixel will do), and which those are."""
        x, y = matrix @ np.stack([self.column, self.row, np.ones(len(self.row))])
        rows, columns = picture.shape
        there = (x >= 1.0) & (y >= 1.0) & (x <= columns - 2.0) & (y <= rows - 2.0)
        place = np.rint(y[there]).astype(np.intp), np.rint(x[there]).astype(np.intp)
        return picture[place].astype(np.float32), there


@dataclass(frozen=True, slots=True, eq=False)
class QuietSun:
    """Radial model and the probes that find a frame's level."""

    limb_px: np.ndarray  # (m,) distance from the limb, rising, frame px
    halo: np.ndarray  # (m,) counts
    sun: np.ndarray  # (m,) counts, halo taken off; falls to 0 off the limb
    burnt: bool  # the disc is saturated or flat
    texture: float  # half range (5 to 95 %) of the disc's brightness relative to the quiet disc
    peak: float  # counts of the brightest plasma off the limb
    middle: float  # counts of the middling plasma that stands in most frames
    noise: float  # 1-sigma counts of one picture pixel off the limb
    disc: Probes  # zones that find a frame's level: on the disc, near the limb, and far off it
    near: Probes
    far: Probes
    near_rest: float  # counts above the halo usual in these zones: 0 but for plasma that is everywhere
    far_rest: float

    def halo_at(self, limb_px: np.ndarray) -> np.ndarray:
        """Counts of the halo at these distances from the limb (px)."""
        return np.interp(limb_px, self.limb_px, self.halo)

    def sun_at(self, limb_px: np.ndarray) -> np.ndarray:
        """Counts of the Sun without its halo at these distances from the limb (px)."""
        return np.interp(limb_px, self.limb_px, self.sun)


@dataclass(frozen=True, slots=True)
class FrameLevel:
    """One frame is sky + veil * halo + gain * Sun."""

    gain: float
    veil: float
    sky: float


def quiet_sun(sequence: Sequence, lock: LimbLock, view: ClipView) -> QuietSun:
    """The radial model from a dozen used frames spread over the sequence, levelled first with the lock's
    transparency and sky, then with the levels found by that first model."""
    probes = _place_probes(view)
    used = np.flatnonzero(lock.used)
    wanted = used[spread_over(len(used), SAMPLES)]
    raw = np.full((len(wanted), len(probes.row)), np.nan, np.float32)
    for row, (index, frame) in zip(raw, sequence.frames(wanted.tolist()), strict=True):
        matrix = affine_to_frame(view, lock, index)
        _, there = probes.read(frame, matrix)
        picture = warp(frame.astype(np.float32, copy=False), matrix, view)
        row[there] = picture[probes.row[there], probes.column[there]]
    levels = [_lock_level(lock, int(index)) for index in wanted]
    value = np.stack([(v - level.sky) / level.gain for v, level in zip(raw, levels, strict=True)])
    # a sky taken too bright must not turn the halo negative
    value -= min(float(np.nanpercentile(value, 2.0)), 0.0)
    first = _model(value, raw, probes, lock, view, sequence.full_scale)
    halo = first.halo_at(probes.limb_px)
    zones = [np.searchsorted(probes.flat, zone.flat) for zone in (first.disc, first.near, first.far)]
    for one, seen, known in zip(value, raw, levels, strict=True):
        shown = [zone[np.isfinite(seen[zone])] for zone in zones]
        level = _level(first, known, [(seen[zone], probes.limb_px[zone]) for zone in shown])
        one[:] = (seen - level.sky - level.veil * halo) / level.gain + halo
    return _model(value, raw, probes, lock, view, sequence.full_scale)


def frame_level(
    frame: np.ndarray, matrix: np.ndarray, quiet: QuietSun, lock: LimbLock, index: int
) -> FrameLevel:
    """Sky, veil and gain of one frame, from medians in three zones of its picture; where the disc is burnt
    out or out of view the lock's transparency is the gain. `matrix`: (2, 3) from picture pixels to the
    frame's, of the view in which the model was made."""
    seen = []
    for zone in (quiet.disc, quiet.near, quiet.far):
        value, there = zone.read(frame, matrix)
        seen.append((value, zone.limb_px[there]))
    return _level(quiet, _lock_level(lock, index), seen)


def _place_probes(view: ClipView) -> Probes:
    limb_px = view.height_map_px()
    band = np.abs(limb_px) < BAND_PX
    chosen, rng = [], np.random.default_rng(7)
    for where in (np.flatnonzero(band), np.flatnonzero(~band)):  # near the limb and beyond, as many of each
        chosen.append(rng.choice(where, min(30_000, len(where)), replace=False))
    flat = np.sort(np.concatenate(chosen))
    row, column = np.unravel_index(flat, limb_px.shape)
    return Probes(flat, row, column, limb_px.ravel()[flat])


def _level(quiet: QuietSun, known: FrameLevel, seen: list[tuple[np.ndarray, np.ndarray]]) -> FrameLevel:
    gain, veil, sky = known.gain, known.veil, known.sky
    (disc, disc_px), (near, near_px), (far, far_px) = seen
    if len(far) >= LEAST_PROBES:
        far_halo, far_value = float(np.median(quiet.halo_at(far_px))), float(np.median(far))
        if len(near) >= LEAST_PROBES:
            span = float(np.median(quiet.halo_at(near_px))) - far_halo
            rise = float(np.median(near)) - far_value - gain * (quiet.near_rest - quiet.far_rest)
            veil = float(np.clip(rise / span, 0.2 * gain, 8.0 * gain)) if span > 2.0 * quiet.noise else gain
        sky = far_value - gain * quiet.far_rest - veil * far_halo
    if not quiet.burnt and len(disc) >= LEAST_PROBES:
        direct = (disc - sky - veil * quiet.halo[0]) / np.maximum(quiet.sun_at(disc_px), 1e-9)
        gain = max(float(np.median(direct)), 0.05 * gain)
    return FrameLevel(gain, veil, sky)


def _lock_level(lock: LimbLock, index: int) -> FrameLevel:
    gain, sky = float(lock.transparency[index]), float(lock.sky[index])
    gain = gain if np.isfinite(gain) and gain > 0.0 else 1.0
    return FrameLevel(gain, gain, sky if np.isfinite(sky) else 0.0)


def _model(
    value: np.ndarray, raw: np.ndarray, probes: Probes, lock: LimbLock, view: ClipView, full_scale: float
) -> QuietSun:
    usual = _nanmedian(value)
    limb_px, level = _profile(probes.limb_px, usual)
    halo_from = HALO_FROM_MM * 1e3 / (view.km_per_px * view.zoom)
    halo = _halo(limb_px, level, halo_from)
    sun = np.maximum(level - halo, 0.0)
    sun[limb_px > -2.0] = np.minimum.accumulate(sun[limb_px > -2.0])
    # a step in the faint foot of this fall would show as a line through the plasma before it
    floor = 1e-3 * max(float(sun.max()), 1.0)
    smooth = np.exp(gaussian_filter1d(np.log(sun + floor), 3.0)) - floor
    sun += np.clip(0.1 * limb_px - 0.5, 0.0, 1.0) * (smooth - sun)
    plasma = value - np.interp(probes.limb_px, limb_px, halo + sun)
    inside, off = probes.limb_px < -max(4.0, 0.01 * lock.radius_px), probes.limb_px > halo_from
    steady = np.nan_to_num(_nanmedian(plasma), nan=0.0)
    noise = _noise(value[:, off], steady[off])
    calm = off & (np.abs(steady) < 4.0 * noise) & np.isfinite(usual)
    burnt = not inside.any() or _burnt(raw[:, inside], usual[inside], full_scale)
    texture = _texture(plasma[:, inside], np.interp(probes.limb_px[inside], limb_px, sun))
    above = probes.limb_px > halo_from / 3.0
    peak, middle = _bright(plasma[:, above], steady[above], noise)
    split = np.percentile(probes.limb_px[calm], (25, 75)) if calm.any() else (0.0, 0.0)
    chosen = (inside, calm & (probes.limb_px <= split[0]), calm & (probes.limb_px >= split[1]))
    zones = [probes.only(mask) for mask in chosen]
    left = [(usual - np.interp(probes.limb_px, limb_px, halo))[mask] for mask in chosen[1:]]
    rests = [float(np.median(rest)) if len(rest) else 0.0 for rest in left]
    disc, near, far = zones
    return QuietSun(
        limb_px, halo, sun, burnt, texture, peak, middle, noise, disc, near, far, rests[0], rests[1]
    )


def _nanmedian(value: np.ndarray) -> np.ndarray:
    """Median over frames; nan where no frame reaches (np.nanmedian would warn)."""
    ordered = np.sort(value, axis=0)  # nan goes last
    count = np.isfinite(value).sum(axis=0)
    middle = np.maximum(count - 1, 0) // 2
    return np.where(count > 0, np.take_along_axis(ordered, middle[None], axis=0)[0], np.nan)


def _profile(limb_px: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Brightness against distance from the limb: the middle over angle on the disc, the calm share off it."""
    good = np.isfinite(value)
    order = np.argsort(limb_px[good])
    limb_px, value = limb_px[good][order], value[good][order]
    if len(limb_px) < 4 * LEAST_PROBES:
        return np.array([-1.0, 1.0]), np.full(2, float(np.median(value)) if len(value) else 0.0)
    reach = max(-float(limb_px[0]), BAND_PX + 2.0), max(float(limb_px[-1]), BAND_PX + 2.0)
    inner, outer = (np.geomspace(BAND_PX, far, 40) for far in reach)
    near = np.concatenate([np.arange(-BAND_PX, -8.0), np.arange(-8.0, 8.0, 0.5), np.arange(8.0, BAND_PX)])
    edges = np.unique(np.concatenate([-inner, near, outer]))
    bins = [slice(a, b) for a, b in pairwise(np.searchsorted(limb_px, edges)) if b - a >= 12]
    place = np.array([limb_px[part].mean() for part in bins])
    middle = np.array([np.median(value[part]) for part in bins])
    # The share is taken of what is left after the fall within a bin, which at the limb is far steeper than
    # any scatter.
    rest = value - np.interp(limb_px, place, middle)
    shares = np.where(place < 0.0, 50.0, 20.0)  # off the limb a fifth of the angles is free of prominences
    calm = np.array([np.percentile(rest[part], share) for part, share in zip(bins, shares, strict=True)])
    return place, middle + calm


def _halo(limb_px: np.ndarray, level: np.ndarray, start_px: float) -> np.ndarray:
    """The halo: what is seen beyond `start_px`, carried on inwards to the limb at its own steepness, even
    over the disc."""
    halo = np.minimum.accumulate(np.interp(np.maximum(limb_px, start_px), limb_px, level))
    if (limb_px < 0.0).any():  # where plasma all along the limb outshines the disc it is no halo
        halo = np.minimum(halo, 0.5 * max(float(level[limb_px < 0.0].min()), 0.0))
    foot, further = np.interp((start_px, 2.5 * start_px), limb_px, halo)
    steepness = np.log(foot / further) / (1.5 * start_px) if foot > further > 0.0 else 0.0
    inward_px = np.clip(start_px - limb_px, 0.0, start_px)
    steepness = min(steepness, np.log(1.8) / start_px)  # so that it rises by 1.8 at most
    return halo * np.exp(steepness * inward_px)


def _noise(value: np.ndarray, steady: np.ndarray) -> float:
    """Scatter of single pixels off the limb, (frames, pixels) of them, in time; of one frame or two, over the
    dark half of the sky. `steady`: (pixels,) above the calm Sun, usually."""
    if value.size == 0:
        return 1.0
    low, middle = np.percentile(steady, (25, 50))
    # plasma is only ever brighter than the sky; the quartile of a Gaussian is 0.6745 sigma
    if len(value) < 3:
        return max(float(middle - low) / 0.6745, 1e-3)
    value = value[:, steady <= np.quantile(steady, 1 / 3)]  # plasma that changes is no noise
    away = np.abs(value - _nanmedian(value)[None])
    away = away[np.isfinite(away)]
    return max(1.4826 * float(np.median(away)), 1e-3) if len(away) else 1.0


def _burnt(raw: np.ndarray, usual: np.ndarray, full_scale: float) -> bool:
    seen = usual[np.isfinite(usual)]
    if len(seen) < LEAST_PROBES:
        return True
    low, middle, high = np.percentile(seen, (20, 50, 80))
    return bool(np.nanmedian(raw) > 0.97 * full_scale or (high - low) < 1e-3 * abs(middle))


def _texture(change: np.ndarray, quiet: np.ndarray) -> float:
    relative = _nanmedian(change) / np.maximum(quiet, 1e-9) if change.size else np.zeros(0)
    relative = relative[np.isfinite(relative)]
    return float(np.diff(np.percentile(relative, (5, 95)))[0] / 2.0) if len(relative) > LEAST_PROBES else 0.0


def _bright(plasma: np.ndarray, steady: np.ndarray, noise: float) -> tuple[float, float]:
    """Brightness of the brightest plasma (single hot pixels aside), and of the middling plasma in the frames'
    median, where noise is lower."""
    seen = plasma[np.isfinite(plasma)]
    bright = seen[seen > 8.0 * noise]
    # not the very brightest: an arcade keeps its shades
    peak = float(np.percentile(bright, 99.7)) if len(bright) > 4 * LEAST_PROBES else 40.0 * noise
    peak = max(peak, 15.0 * noise)
    clear = steady[steady > 2.5 * noise]
    middle = float(np.median(clear)) if len(clear) > 4 * LEAST_PROBES else 0.2 * peak
    return peak, min(middle, peak)
