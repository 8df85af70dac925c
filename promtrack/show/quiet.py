"""The quiet Sun's brightness against distance from the limb, from sample frames.

Off the limb the smooth halo (scattered light) is told from the limb's own steep fall by distance: beyond
`HALO_FROM_MM` all that every angle shows is halo.
"""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from promtrack.limb.records import LimbLock
from promtrack.show.probes import BAND_PX, Probes, Samples
from promtrack.show.sunlight import QuietSun, lock_level, sample_levels
from promtrack.show.view import ClipView

__all__ = ["quiet_sun"]

HALO_FROM_MM = 12.0
MOST_RISE = 1.8  # of the halo between HALO_FROM_MM and the limb
MOST_HALO = 0.5  # of the faintest disc
CALM_SHARE = 20.0  # percentile over angle taken as 'no prominence here', off the limb
ZONE_PROBES = 4000
LEAST_PROBES = 200  # of a profile
BRIGHTEST = 99.7  # percentile of the bright plasma that is shown brightest: an arcade keeps its shades


def quiet_sun(
    samples: Samples, probes: Probes, lock: LimbLock, view: ClipView, full_scale: float
) -> QuietSun:
    """The radial model from sample frames.

    They are levelled first with the lock's transparency and sky, then with the levels found by that first
    model.
    """
    gain, sky = (column[:, None] for column in lock_level(lock, samples.frame))
    value = (samples.value - sky) / gain
    value -= min(
        float(np.nanpercentile(value, 2.0)), 0.0
    )  # a sky taken too bright must not turn the halo negative
    first = _model(value, samples, probes, lock, view, full_scale)
    levels = sample_levels(samples, first, lock)
    gain, veil, sky = (
        np.array([getattr(level, name) for level in levels])[:, None] for name in ("gain", "veil", "sky")
    )
    halo = first.halo_at(probes.limb_px)
    return _model((samples.value - sky - veil * halo) / gain + halo, samples, probes, lock, view, full_scale)


def _model(
    value: np.ndarray, samples: Samples, probes: Probes, lock: LimbLock, view: ClipView, full_scale: float
) -> QuietSun:
    usual = _nanmedian(value)
    limb_px, level = _radial_profile(probes.limb_px, usual)
    halo_from = HALO_FROM_MM * 1e3 / (view.km_per_px * view.zoom)
    halo = _halo(limb_px, level, halo_from)
    sun = np.maximum(level - halo, 0.0)
    sun[limb_px > -2.0] = np.minimum.accumulate(sun[limb_px > -2.0])
    plasma = value - np.interp(probes.limb_px, limb_px, halo + sun)
    inside, off = probes.limb_px < -max(4.0, 0.01 * lock.radius_px), probes.limb_px > halo_from
    noise = _noise(value[:, off])
    calm = off & (np.abs(np.nan_to_num(_nanmedian(plasma), nan=np.inf)) < 4.0 * noise)
    burnt = not inside.any() or _burnt(samples.value[:, inside], usual[inside], full_scale)
    texture = _texture(plasma[:, inside], np.interp(probes.limb_px[inside], limb_px, sun))
    peak, middle = _bright(plasma[:, probes.limb_px > halo_from / 3.0], noise)
    zones = _zones(probes, inside, calm)
    rests = [usual[zone.number] - np.interp(zone.limb_px, limb_px, halo) for zone in zones[1:]]
    rests = [float(np.median(rest)) if len(rest) else 0.0 for rest in rests]
    return QuietSun(limb_px, halo, sun, burnt, texture, peak, middle, noise, *zones, *rests)


def _nanmedian(value: np.ndarray) -> np.ndarray:
    """Median over frames; nan where no frame reaches (np.nanmedian would warn)."""
    ordered = np.sort(value, axis=0)  # nan goes last
    count = np.isfinite(value).sum(axis=0)
    middle = np.maximum(count - 1, 0) // 2
    return np.where(count > 0, np.take_along_axis(ordered, middle[None], axis=0)[0], np.nan)


def _radial_profile(limb_px: np.ndarray, value: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Brightness against distance from the limb: the middle over angle on the disc, the calm share off it."""
    good = np.isfinite(value)
    order = np.argsort(limb_px[good])
    limb_px, value = limb_px[good][order], value[good][order]
    if len(limb_px) < LEAST_PROBES:
        return np.array([-1.0, 1.0]), np.full(2, float(np.median(value)) if len(value) else 0.0)
    far = [
        np.geomspace(BAND_PX, max(reach, BAND_PX + 2.0), 40)
        for reach in (-float(limb_px[0]), float(limb_px[-1]))
    ]
    edges = np.unique(
        np.concatenate(
            [-far[0], np.arange(-BAND_PX, -8.0), np.arange(-8.0, 8.0, 0.5), np.arange(8.0, BAND_PX), far[1]]
        )
    )
    starts = np.searchsorted(limb_px, edges)
    bins = [slice(first, last) for first, last in pairwise(starts) if last - first >= 12]
    place = np.array([limb_px[part].mean() for part in bins])
    middle = np.array([np.median(value[part]) for part in bins])
    # The share is taken of what is left after the fall within a bin, which at the limb is far steeper than
    # any scatter.
    rest = value - np.interp(limb_px, place, middle)
    calm = np.array(
        [
            np.percentile(rest[part], 50.0 if at < 0.0 else CALM_SHARE)
            for part, at in zip(bins, place, strict=True)
        ]
    )
    return place, middle + calm


def _halo(limb_px: np.ndarray, level: np.ndarray, start_px: float) -> np.ndarray:
    """The halo: what is seen beyond `start_px`, carried on inwards to the limb at its own steepness, even
    over the disc."""
    halo = np.minimum.accumulate(np.interp(np.maximum(limb_px, start_px), limb_px, level))
    if (limb_px < 0.0).any():  # where plasma all along the limb outshines the disc it is no halo
        halo = np.minimum(halo, MOST_HALO * max(float(level[limb_px < 0.0].min()), 0.0))
    foot, further = np.interp((start_px, 2.5 * start_px), limb_px, halo)
    steepness = np.log(foot / further) / (1.5 * start_px) if foot > further > 0.0 else 0.0
    return halo * np.exp(
        min(steepness, np.log(MOST_RISE) / start_px) * np.clip(start_px - limb_px, 0.0, start_px)
    )


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


def _texture(change: np.ndarray, quiet: np.ndarray) -> float:
    relative = _nanmedian(change) / np.maximum(quiet, 1e-9) if change.size else np.zeros(0)
    relative = relative[np.isfinite(relative)]
    return float(np.diff(np.percentile(relative, (5, 95)))[0] / 2.0) if len(relative) > 50 else 0.0


def _bright(plasma: np.ndarray, noise: float) -> tuple[float, float]:
    """Brightness of the brightest plasma (single hot pixels aside) and of the middling plasma."""
    seen = plasma[np.isfinite(plasma)]
    bright = seen[seen > 8.0 * noise]
    if len(bright) < 200:
        return 40.0 * noise, 8.0 * noise
    peak = max(float(np.percentile(bright, BRIGHTEST)), 15.0 * noise)
    return peak, min(float(np.median(bright)), peak)


def _zones(probes: Probes, inside: np.ndarray, calm: np.ndarray) -> tuple[Probes, Probes, Probes]:
    """Probes on the disc, and of the calm sky the quarter nearest to the limb and the quarter farthest from
    it."""
    split = np.percentile(probes.limb_px[calm], (25, 75)) if calm.any() else (0.0, 0.0)
    near, far = calm & (probes.limb_px <= split[0]), calm & (probes.limb_px >= split[1])
    return _thin(probes, inside), _thin(probes, near), _thin(probes, far)


def _thin(probes: Probes, mask: np.ndarray) -> Probes:
    index = np.flatnonzero(mask)
    index = index[:: max(1, len(index) // ZONE_PROBES)]
    return Probes(probes.row[index], probes.column[index], probes.limb_px[index], probes.number[index])
