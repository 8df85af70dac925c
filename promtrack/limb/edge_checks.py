"""Checks of the limb's edge: is it round and smooth, is there a second edge, is it one limb.

Behind a wide filter the photosphere shines through below the chromosphere's limb: then the mean profile falls
twice, some 4 Mm apart, and the lock has taken the steeper fall. A second limb is two exposures in one frame,
a reflection in the optics, or two discs, whose other one may lie where prominences are looked for.
"""

from __future__ import annotations

import cv2
import numpy as np

from promtrack.checks import Check
from promtrack.limb.edge import GOOD_SCALE, MOST_RAYS, SmallFrame, make_grid, unwrap
from promtrack.limb.find import ACROSS_PX, covered, edge_points, falls, limb_among, root_of, visible_rim
from promtrack.limb.flipped import another_limb
from promtrack.limb.frame_limb import ROUGH_PX
from promtrack.limb.records import LimbLock, Place, place_of
from promtrack.sequence.records import Sequence
from promtrack.sun import SOLAR_RADIUS_KM

SECOND_MM = (2.0, 9.0)  # distance of a second edge: the H-alpha limb stands 4 to 6 Mm above the photosphere


def edge_checks(sequence: Sequence, lock: LimbLock) -> tuple[Check, ...]:
    """Checks of the lock and the scale by the reference frame, and by frames spread over the recording."""
    frame = sequence.frame(lock.reference).astype(np.float32)
    checks = _round_check(frame, lock)
    if sequence.in_h_alpha:  # other light has limbs of other shapes
        checks += _second_edge_check(frame, lock)
    checks += relief_check(float(np.median(lock.limb_rms_px[lock.used])), lock.radius_px)
    apart = another_limb(sequence, lock)
    if apart:
        checks.append(Check("lock", "one recording", "poor", apart))
    return tuple(checks)


def relief_check(rms_px: float, radius_px: float) -> list[Check]:
    """Whether the edge is as smooth as the Sun's: `rms_px` is the scatter of its points about the circle."""
    rms_mm = rms_px / radius_px * SOLAR_RADIUS_KM / 1e3
    # The H-alpha limb scatters by 0.5 Mm rms (Johannesson & Zirin 1996, ApJ 471, 510): five times that
    if not (rms_px > ROUGH_PX and rms_mm > 2.5):
        return []
    words = f"The edge is jagged by {rms_mm:.1f} Mm rms, the Sun's limb by about 0.5"
    return [Check("lock", "smooth edge", "poor", f"{words}: a skyline, or something before the Sun.")]


def _rays(
    frame: np.ndarray, lock: LimbLock, reach_px: float, pitch_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """(distances,) from the limb, px, and (rays, distances) brightness there, nan outside the frame."""
    ray_px = np.radians(lock.to_deg - lock.from_deg) * lock.radius_px / MOST_RAYS
    grid = make_grid(lock.radius_px, reach_px, reach_px, ray_px=ray_px, pitch_px=pitch_px)
    zone = unwrap(frame, place_of(lock, lock.reference), grid, interpolation=cv2.INTER_LINEAR)
    return grid.offset_px, np.where(zone.valid, zone.value, np.nan)


def _round_check(frame: np.ndarray, lock: LimbLock) -> list[Check]:
    """Where the light falls to half of the disc's along each ray; the percentiles pass over prominences."""
    offset, rays = _rays(frame, lock, 0.5 * lock.radius_px, 0.002 * lock.radius_px)
    part = 1.0 + offset / lock.radius_px
    inside = np.median(rays[:, (part > 0.85) & (part < 0.93)], axis=1)
    usual = float(np.nanmedian(inside)) if np.isfinite(inside).any() else np.nan
    half = 0.5 * (usual + float(lock.sky[lock.reference]))
    dark = rays < half
    whole = np.isfinite(rays[:, : np.searchsorted(part, 1.1)]).all(axis=1) & dark.any(axis=1)
    if whole.sum() < MOST_RAYS // 8:
        return []
    low, high = np.percentile(part[np.argmax(dark[whole], axis=1)], (10, 90))
    # refraction that is not modelled stays below 0.01 from 10 deg of altitude
    if high - low < 2 * GOOD_SCALE:
        return []
    words = f"The limb is not round: its distance from the centre goes from {low:.2f} to {high:.2f} radii"
    more = "the pixels may not be square, or this is not the Sun's limb"
    return [Check(subject, "round limb", "poor", f"{words}; {more}.") for subject in ("lock", "scale")]


def _second_edge_check(frame: np.ndarray, lock: LimbLock) -> list[Check]:
    from scipy.signal import find_peaks  # slow to import, and a mere check does without

    mm = 1000.0 * lock.radius_px / SOLAR_RADIUS_KM  # px
    step_mm = min(0.25, 0.25 / mm)
    offset, rays = _rays(frame, lock, 15.0 * mm, step_mm * mm)
    height = offset / mm
    seen = np.isfinite(rays).all(axis=1)
    if seen.sum() < MOST_RAYS // 8 or SECOND_MM[1] * mm < 4.0:  # two edges in so few px would be one
        return []
    profile = np.median(rays[seen], axis=0)
    fall = cv2.GaussianBlur(-np.gradient(profile), (0, 0), max(0.5 / mm / step_mm, 1.0)).ravel()
    peaks, _ = find_peaks(fall, prominence=0.1 * float(fall.max()))  # steps of coarse digits are less
    apart = height[peaks] - height[int(np.argmax(fall))]
    near = (np.abs(apart) >= SECOND_MM[0]) & (np.abs(apart) <= SECOND_MM[1])
    if not near.any():
        return []
    second = float(apart[near][np.argmax(fall[peaks[near]])])
    where = "below" if second < 0 else "above"
    wrong = 100 * abs(second) * mm / lock.radius_px
    words = (
        f"A second edge lies {abs(second):.1f} Mm {where} the limb: light of the photosphere through a wide "
        f"filter. Heights may be off by that much, and the scale by {wrong:.1f} %."
    )
    return [Check("scale", "second edge", "fair", words)]


def second_limb(frame: np.ndarray, full_scale: float, first: Place) -> Place | None:
    """The limb of another disc of the same size in a frame, outside the one already found; or None."""
    small = SmallFrame(frame, full_scale)
    here = small.to_small(first)
    points, outward, strength = edge_points(root_of(small.image))
    distance = np.hypot(points[:, 0] - here.x_px, points[:, 1] - here.y_px)
    other = np.abs(distance - here.radius_px) > ACROSS_PX
    found = limb_among(small.image, points[other], outward[other], strength[other], here.radius_px)
    if found is None:
        return None
    circle, edge = found
    if np.hypot(circle.x_px - here.x_px, circle.y_px - here.y_px) <= ACROSS_PX:
        return None
    first_rim, rim = (visible_rim(small.image.shape, one) for one in (here, circle))
    x, y = circle.radius_px * rim.T + [[circle.x_px], [circle.y_px]]
    rim = rim[np.abs(np.hypot(x - here.x_px, y - here.y_px) - here.radius_px) >= ACROSS_PX]
    # less of it than of the first limb by half is no disc;
    # of the second limb inside the frame: real ones 0.86 and more, an arcade that bends like one 0.45
    if len(rim) < 0.5 * len(first_rim) or covered(small.image.shape, circle, rim, edge) <= 0.75:
        return None
    fall, first_fall = (
        np.median(falls(small.image, one, unit, -ACROSS_PX, ACROSS_PX)[0])
        for one, unit in ((circle, rim), (here, first_rim))
    )
    return small.to_full(circle) if fall > max(0.1 * first_fall, 0.0) else None  # reflections are fainter
