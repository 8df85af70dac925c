"""What a quiet Sun looks like in this sequence, and how one frame differs from it in level.

Values are in counts of a frame of usual transparency with the sky taken off. One frame is
sky + veil * halo + gain * Sun, three numbers measured afresh for every frame, so that cloud and gain changes
leave the picture steady.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np

from promtrack.limb.records import LimbLock
from promtrack.show.probes import Probes, Samples, reached

__all__ = ["FrameLevel", "QuietSun", "frame_level", "lock_level", "sample_levels"]

LEAST_PROBES = 50


@dataclass(frozen=True, slots=True, eq=False)
class QuietSun:
    """Radial model and the probes that find a frame's level."""

    limb_px: np.ndarray  # (m,) distance from the limb, rising, frame px
    halo: np.ndarray  # (m,) counts
    sun: np.ndarray  # (m,) counts, halo taken off; falls to 0 off the limb
    burnt: bool  # the disc is saturated or flat
    texture: float  # half range (5 to 95 %) of the disc's brightness relative to the quiet disc
    peak: float  # counts of the brightest plasma off the limb
    middle: float  # counts of the middling plasma
    noise: float  # 1-sigma counts of one picture pixel off the limb
    disc: Probes  # zones that find a frame's level
    near: Probes
    far: Probes
    near_rest: float  # counts above the halo usual in these zones: 0 but for plasma that is everywhere
    far_rest: float

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


def frame_level(
    frame: np.ndarray, matrix: np.ndarray, quiet: QuietSun, lock: LimbLock, index: int
) -> FrameLevel:
    """Sky, veil and gain of one frame, from medians in three zones of its picture.

    The disc gives the gain; where it is burnt out or out of view the lock's transparency does.
    """
    return _level(quiet, lock, index, lambda zone: _zone(frame, matrix, zone))


def sample_levels(samples: Samples, quiet: QuietSun, lock: LimbLock) -> list[FrameLevel]:
    """The levels of the sample frames."""

    def seen(value: np.ndarray, zone: Probes) -> tuple[np.ndarray, np.ndarray]:
        good = np.isfinite(value[zone.number])
        return value[zone.number][good], zone.limb_px[good]

    return [
        _level(quiet, lock, int(index), partial(seen, value))
        for index, value in zip(samples.frame, samples.value, strict=True)
    ]


def _level(
    quiet: QuietSun, lock: LimbLock, index: int, seen: Callable[[Probes], tuple[np.ndarray, np.ndarray]]
) -> FrameLevel:
    gain, sky = (float(v[0]) for v in lock_level(lock, np.array([index])))
    veil = gain
    (near, near_px), (far, far_px) = seen(quiet.near), seen(quiet.far)
    if len(far) >= LEAST_PROBES:
        far_halo, far_value = float(np.median(quiet.halo_at(far_px))), float(np.median(far))
        if len(near) >= LEAST_PROBES:
            span = float(np.median(quiet.halo_at(near_px))) - far_halo
            rise = float(np.median(near)) - far_value - gain * (quiet.near_rest - quiet.far_rest)
            veil = float(np.clip(rise / span, 0.2 * gain, 8.0 * gain)) if span > 2.0 * quiet.noise else gain
        sky = far_value - gain * quiet.far_rest - veil * far_halo
    disc, disc_px = seen(quiet.disc)
    if not quiet.burnt and len(disc) >= LEAST_PROBES:
        direct = (disc - sky - veil * quiet.halo[0]) / np.maximum(quiet.sun_at(disc_px), 1e-9)
        gain = max(float(np.median(direct)), 0.05 * gain)
    return FrameLevel(gain, veil, sky)


def lock_level(lock: LimbLock, index: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    gain, sky = np.asarray(lock.transparency[index], dtype=float), np.asarray(lock.sky[index], dtype=float)
    return np.where(np.isfinite(gain) & (gain > 0.0), gain, 1.0), np.where(np.isfinite(sky), sky, 0.0)


def _zone(frame: np.ndarray, matrix: np.ndarray, zone: Probes) -> tuple[np.ndarray, np.ndarray]:
    """Counts and distances from the limb of a zone's probes that the frame reaches; the nearest pixel will
    do."""
    there = reached(matrix, zone, frame.shape)
    column, row = zone.column[there], zone.row[there]
    x = np.rint(matrix[0, 0] * column + matrix[0, 1] * row + matrix[0, 2]).astype(np.intp)
    y = np.rint(matrix[1, 0] * column + matrix[1, 1] * row + matrix[1, 2]).astype(np.intp)
    return frame[y, x].astype(np.float32), zone.limb_px[there]
