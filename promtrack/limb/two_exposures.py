"""Recordings that alternate two exposures: each locked by itself, then joined to one lock and one picture.

The Sun's radius comes from the faint exposure, whose limb is burnt out least; the bright one is locked with
it, and the median difference of its centres from those of the faint one, interpolated in time, is taken off.
Motion is measured in the exposure in which more of the prominence stands above the noise and below full
scale. Where that is the bright one, its frames show the disc of the faint frame nearest in time, inside the
distance from which the quiet limb is not burnt out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import replace
from enum import IntEnum
from typing import Any

import cv2
import numpy as np

from promtrack.errors import InputError
from promtrack.limb.edge import FAR_SIGMA, MAD
from promtrack.limb.edge_checks import edge_checks
from promtrack.limb.frame_limb import CEILING, QUIET_SHARE, ring_quantile
from promtrack.limb.lock import WIDE_DEG, lock_limb
from promtrack.limb.records import OTHER_EXPOSURE, LimbLock, to_frame, to_polar
from promtrack.sequence.records import FEW, Sequence, spread_over
from promtrack.settings import CameraSettings, LimbSettings, SiteSettings


class Exposure(IntEnum):
    """Values of Sequence.exposure_class."""

    FAINT = 0
    BRIGHT = 1


ZONE = (1.01, 1.25)  # of the radius: where prominences stand


def lock_exposures(
    sequence: Sequence,
    *,
    limb: LimbSettings = LimbSettings(),
    camera: CameraSettings = CameraSettings(),
    site: SiteSettings = SiteSettings(),
    progress: Callable[[int, int], None] | None = None,
) -> LimbLock:
    """The lock of a recording with one exposure or two that alternate, as `Sequence.exposure_class` says.

    Of two exposures `used` are the frames in which the motion is measured; the sound frames of the other one
    keep their place, with OTHER_EXPOSURE as the reason. `progress` is called with (frames done, frames in
    all). Raises what `lock_limb` does; InputError: one of two exposures cannot be located.
    """
    lock = _locked(sequence, limb, camera, site, progress)
    arc_deg, notes = lock.to_deg - lock.from_deg, lock.notes
    if arc_deg < WIDE_DEG:  # on less, pixels that are not square look like a Sun of another size
        words = f"The pixels are taken as square: {arc_deg:.0f} deg of limb are too little to test it."
        notes = (*notes, words)
    return replace(lock, checks=(*lock.checks, *edge_checks(sequence, lock)), notes=notes)


def _locked(
    sequence: Sequence,
    limb: LimbSettings,
    camera: CameraSettings,
    site: SiteSettings,
    progress: Callable[[int, int], None] | None,
) -> LimbLock:
    if sequence.exposure_class is None:
        return lock_limb(sequence, limb=limb, camera=camera, site=site, progress=progress)
    index = [np.flatnonzero(sequence.exposure_class == kind) for kind in (Exposure.FAINT, Exposure.BRIGHT)]
    done = [0]

    def counted(now: int, total: int) -> None:
        if progress:
            progress(done[0] + now, len(sequence))
        if now == total:
            done[0] += total

    def locked(kind: int, limb: LimbSettings) -> LimbLock:
        part = sequence.only(index[kind])
        try:
            return lock_limb(part, limb=limb, camera=camera, site=site, progress=counted)
        except InputError as error:
            which = f"two exposures alternate, and the {Exposure(kind).name.lower()} one cannot be located"
            remedy = (
                "expose so that both show the limb, or keep the other exposure's frames in another folder"
            )
            raise InputError(f"{which}: {error.what}", where=error.where, remedy=remedy) from None

    faint = locked(Exposure.FAINT, limb)
    bright = locked(Exposure.BRIGHT, replace(limb, radius_px=faint.radius_px))
    time_s = sequence.time_s
    bright = _laid_on(bright, time_s[index[Exposure.BRIGHT]], faint, time_s[index[Exposure.FAINT]])
    pairs = zip(index, (faint, bright), strict=True)
    shown = [_prominence_px(sequence.only(part), lock) for part, lock in pairs]
    base = Exposure.BRIGHT if shown[Exposure.BRIGHT] > shown[Exposure.FAINT] else Exposure.FAINT
    return _both((faint, bright), index, base)


def joined(sequence: Sequence, lock: LimbLock) -> Sequence:
    """The sequence whose used frames show the prominence of the bright exposure and the disc of the faint
    one, float32 in counts of the bright one; the same sequence where there is nothing to join."""
    classes = sequence.exposure_class
    if classes is None or not (classes[lock.used] == Exposure.BRIGHT).all():
        return sequence
    discs = np.flatnonzero((classes == Exposure.FAINT) & ~lock.rejected)
    if not len(discs):
        return sequence
    time_s, used = sequence.time_s, np.flatnonzero(lock.used)
    nearest = {int(i): int(discs[np.argmin(np.abs(time_s[discs] - time_s[i]))]) for i in used}
    seam_px = _seam_px(sequence, lock, lock.reference)
    factor = float(np.median([_factor(sequence, lock, i, nearest[i], seam_px) for i in _some(used)]))

    def read(index: int) -> np.ndarray:
        frame = sequence.read(index)
        if index not in nearest:
            return frame
        disc = nearest[index]
        gain = factor * _level(lock, index) / _level(lock, disc)
        light = (_moved(sequence.read(disc), lock, disc, index) - lock.sky[disc]) * np.float32(gain)
        share = np.clip(seam_px + 0.5 - _rho_px(lock, index, frame.shape), 0.0, 1.0).astype(np.float32)
        return frame * (1 - share) + (light + np.float32(lock.sky[index])) * share

    return replace(sequence, read=read, full_scale=sequence.full_scale * max(factor, 1.0))


def _level(lock: LimbLock, index: int) -> float:
    level = float(lock.transparency[index])
    return level if np.isfinite(level) and level > 0 else 1.0


def _laid_on(bright: LimbLock, bright_s: np.ndarray, faint: LimbLock, faint_s: np.ndarray) -> LimbLock:
    """The bright exposure's lock shifted and turned by a constant onto that of the faint one."""
    known = faint.used
    turn = bright.angle_deg - np.interp(bright_s, faint_s[known], faint.angle_deg[known])
    turn_deg = float(np.nanmedian(turn))
    angle = bright.angle_deg - turn_deg
    # the shift is constant on the Sun, which the field's rotation turns in the frame
    centre, other = (lock.centre_x_px + 1j * lock.centre_y_px for lock in (bright, faint))
    away = centre - np.interp(bright_s, faint_s[known], other[known])
    turned = away * np.exp(1j * np.radians(angle))  # y points down: counter-clockwise is -i
    back = (np.nanmedian(turned.real) + 1j * np.nanmedian(turned.imag)) * np.exp(-1j * np.radians(angle))
    return replace(
        bright,
        centre_x_px=bright.centre_x_px - back.real,
        centre_y_px=bright.centre_y_px - back.imag,
        angle_deg=angle,
    )


def _both(locks: tuple[LimbLock, LimbLock], index: list[np.ndarray], base: int) -> LimbLock:
    """One lock of all frames; what is one number for the sequence comes from the faint exposure, what belongs
    to the reference frame from the one in which motion is measured."""
    faint, main = locks[Exposure.FAINT], locks[base]

    def together(parts: Iterable[np.ndarray]) -> np.ndarray:
        return np.concatenate(list(parts))[np.argsort(np.concatenate(index))]

    rows: dict[str, Any] = {
        name: together(getattr(lock, name) for lock in locks)
        for name in LimbLock.__dataclass_fields__
        if isinstance(getattr(faint, name), np.ndarray) and getattr(faint, name).shape == faint.used.shape
    }
    rows["used"][index[1 - base]] = False
    reason = together(np.array(lock.reason, object) for lock in locks)
    reason[index[1 - base]] = [why or OTHER_EXPOSURE for why in reason[index[1 - base]]]
    reference = int(index[base][main.reference])
    rows["angle_deg"] = rows["angle_deg"] - rows["angle_deg"][reference]
    exposure = Exposure(base).name.lower()
    shown = f"Motion is measured in the {exposure} exposure, which shows more of the prominence"
    if base == Exposure.BRIGHT:
        shown += "; the disc shown is that of the faint one"
    scale = [check for check in faint.checks if check.subject == "scale"]
    return replace(
        main,
        **rows,
        names=tuple(together(np.array(lock.names, object) for lock in locks)),
        reason=tuple(reason),
        radius_px=faint.radius_px,
        radius_err_px=faint.radius_err_px,
        own_radius_px=faint.own_radius_px,
        own_radius_err_px=faint.own_radius_err_px,
        edge_bias_px=faint.edge_bias_px,
        reference=reference,
        notes=(f"{shown}.", *dict.fromkeys((*faint.notes, *main.notes))),
        checks=(*scale, *(check for check in main.checks if check.subject != "scale")),
    )


def _prominence_px(sequence: Sequence, lock: LimbLock) -> float:
    """Pixels off the limb that stand above the noise and below full scale, the mean of a few frames."""
    counts = []
    for index in _some(np.flatnonzero(lock.used)):
        frame = sequence.frame(index).astype(np.float32)
        rho = _rho_px(lock, index, frame.shape) / lock.radius_px
        inside = (rho >= ZONE[0]) & (rho < ZONE[1])
        ring, value = ((rho[inside] - ZONE[0]) * lock.radius_px).astype(int), frame[inside]
        quiet = ring_quantile(ring, value, QUIET_SHARE) if value.size else np.zeros(1)
        far = np.diff(frame, axis=1)[rho[:, 1:] > 0.5 * sum(ZONE)]
        noise = MAD * float(np.median(np.abs(far))) / np.sqrt(2.0) if far.size else 0.0
        risen = value - quiet[ring] > FAR_SIGMA * max(noise, 0.5)
        counts.append(np.count_nonzero(risen & (value < CEILING * sequence.full_scale)))
    return float(np.mean(counts))


def _some(indices: np.ndarray) -> list[int]:
    return indices[spread_over(len(indices), FEW)].tolist()


def _seam_px(sequence: Sequence, lock: LimbLock, index: int) -> float:
    """Distance from the Sun's centre beyond which the quiet limb of the bright exposure is not burnt out."""
    frame = sequence.frame(index)
    rho = _rho_px(lock, index, frame.shape) - lock.radius_px
    reach = int((ZONE[1] - 1.0) * lock.radius_px)
    for step in range(reach):
        ring = frame[(rho >= step) & (rho < step + 1)]
        if len(ring) and np.quantile(ring, QUIET_SHARE) < CEILING * sequence.full_scale:
            return lock.radius_px + step + 1.0
    return lock.radius_px


def _factor(sequence: Sequence, lock: LimbLock, bright: int, faint: int, seam_px: float) -> float:
    """How many times brighter the bright exposure is, from what both show off the limb."""
    one = sequence.frame(bright).astype(np.float32)
    other = _moved(sequence.frame(faint), lock, faint, bright)
    rho = _rho_px(lock, bright, one.shape)
    both = (rho > seam_px) & (rho < ZONE[1] * lock.radius_px) & (one < CEILING * sequence.full_scale)
    x, y = one[both].astype(float), other[both].astype(float)
    # the faint frame on the bright one: the noise of what stands on the right shrinks the slope, and here
    # there is least
    slope = np.polyfit(x, y, 1)[0] if len(x) > 2 and np.ptp(x) > 0 else 0.0
    return float(1.0 / slope) if slope > 0 else 1.0


def _moved(frame: np.ndarray, lock: LimbLock, index: int, to: int) -> np.ndarray:
    """Frame `index` in the geometry of frame `to`, float32."""
    theta, rho = np.array([0.0, 120.0, 240.0]), np.full(3, lock.radius_px)
    here, there = (np.stack(to_frame(lock, i, theta, rho), axis=-1).astype(np.float32) for i in (index, to))
    matrix = cv2.getAffineTransform(there, here)
    size = frame.shape[1], frame.shape[0]  # OpenCV takes (columns, rows)
    flags = cv2.INTER_CUBIC | cv2.WARP_INVERSE_MAP
    return cv2.warpAffine(
        frame.astype(np.float32), matrix, size, flags=flags, borderMode=cv2.BORDER_REPLICATE
    )


def _rho_px(lock: LimbLock, index: int, shape: tuple[int, ...]) -> np.ndarray:
    """(rows, columns) distance from the Sun's centre."""
    y, x = np.indices(shape[:2], np.float32)
    return to_polar(lock, index, x, y)[1]
