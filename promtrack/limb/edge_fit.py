"""Where the Sun stands in one frame: a fit to the edge on its rays, and the start it is made from."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from promtrack.limb.circle import MAD, Circle, biweight, median
from promtrack.limb.edge import Edge, edge_of, make_grid, unwrap
from promtrack.limb.find import SmallFrame, fall_at
from promtrack.limb.geometry import Place, shifted_place

REACH_SMALL_PX = 30  # how far the limb is looked for around the last place, in reduced pixels
GUESS_SMALL_PX = 5  # the same around a place that a header states


@dataclass(frozen=True, slots=True, eq=False)
class RayFit:
    """Linear fit of the edge offsets of one zone."""

    shift_px: np.ndarray  # (2,) of the centre
    growth_px: float  # of the radius; 0 when it is held
    growth_err_px: float
    rms_px: float
    kept: np.ndarray  # (k,) bool


def fit_rays(phi_rad: np.ndarray, edge: Edge, *, free_radius: bool = False) -> RayFit:
    """Robust linear fit offset = n . shift (+ growth) to the edge on each ray.

    Rays whose fall is much weaker or wider than usual stand on a filament, a mote or a bright prominence and
    are left out from the start; the biweight rejects the rest of the spoiled ones.
    """
    usable = edge.good.copy()
    if usable.sum() >= 10:
        fall, width = median(edge.fall[usable]), median(edge.width_px[usable])
        usable &= (edge.fall > 0.3 * fall) & (edge.width_px < 2.5 * width + 0.5)
    used = np.flatnonzero(usable)
    phi, offset = phi_rad[used], edge.offset_px[used]
    rows = np.column_stack([-np.sin(phi), -np.cos(phi), np.ones(len(phi))])[:, : 3 if free_radius else 2]
    weight = np.ones(len(phi))
    for _ in range(8):
        left = (rows * weight[:, None]).T
        solution = np.linalg.lstsq(left @ rows, left @ offset, rcond=1e-12)[0]
        residual = offset - rows @ solution
        scale = max(MAD * median(np.abs(residual)), 0.02)
        before, weight = weight, biweight(residual / scale)
        if np.abs(weight - before).max() < 0.02:
            break
    kept = np.zeros(len(phi_rad), bool)
    kept[used[weight > 0]] = True
    rms = float(np.sqrt(np.mean(residual[weight > 0] ** 2)))
    error = rms * np.sqrt(np.linalg.pinv(left @ rows)[-1, -1]) if free_radius else 0.0
    return RayFit(solution[:2], float(solution[2]) if free_radius else 0.0, float(error), rms, kept)


def coarse_place(small: SmallFrame, last: Place, *, reach_px: float = REACH_SMALL_PX) -> Place | None:
    """Place of the Sun to about a reduced pixel, within `reach_px` reduced pixels of the last one; None when
    the limb is not there."""
    centre = small.to_small(Circle(last.x_px, last.y_px, last.radius_px))
    place = replace(last, x_px=centre.x_px, y_px=centre.y_px, radius_px=centre.radius_px)
    grid = make_grid(place.radius_px, min(REACH_SMALL_PX, 0.6 * place.radius_px), REACH_SMALL_PX, ray_px=1.6)
    for search in (float(reach_px), 5.0, 4.0):
        zone = unwrap(small.image, place, grid, interpolation=cv2.INTER_LINEAR, margin_px=4.0)
        if len(zone.ray) < 12:
            return None
        edge = edge_of(zone, grid, search_px=min(search, 0.55 * place.radius_px), blur_px=1.2, along_px=1.0)
        if edge.good.sum() < 10:
            return None
        fit = fit_rays(np.radians(grid.theta_deg[zone.ray] + place.turn_deg), edge)
        part, rms, moved = float(fit.kept.mean()), fit.rms_px, float(np.hypot(*fit.shift_px))
        if moved > 2.5 * REACH_SMALL_PX:
            return None
        place = shifted_place(place, *fit.shift_px)
        if moved < 0.7 and rms < 0.6:
            break
    if part < 0.4 or rms > 1.2:
        return None
    back = small.to_full(Circle(place.x_px, place.y_px, place.radius_px))
    return replace(last, x_px=back.x_px, y_px=back.y_px)


def stated_start(small: SmallFrame, stated: Place) -> Place | None:
    """Place to start from where a header states one: that nearby where the limb is found, or the stated one
    itself if the limb is there but too rough to fit at this scale; None when the header is wrong."""
    found = coarse_place(small, stated, reach_px=GUESS_SMALL_PX)
    if found is not None:
        return found
    # in another line than the one whose limb is stated the Sun is larger or smaller by up to one per cent
    radii = stated.radius_px + np.arange(-5.0, 6.0) * small.factor
    falls = [fall_at(small, Circle(stated.x_px, stated.y_px, float(radius))) for radius in radii]
    return replace(stated, radius_px=float(radii[int(np.argmax(falls))])) if max(falls) > 0 else None
