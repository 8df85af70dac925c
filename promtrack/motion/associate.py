"""Fronts beside knots: which knot a front's edge merely follows, and which knots move with a front as its
threads."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from promtrack.motion.front_cells import CELL_ALONG_MM
from promtrack.motion.records import Front, KnotTrack
from promtrack.strip.records import StripGeometry
from promtrack.sun import wrapped_deg

__all__ = ["knot_followed", "moves_with"]

EXPLAINED = 0.5  # of the times and of the rise of a front, in which a knot that is all of it goes with it
PLACE_MM = (
    6.0  # size of the largest knot: its edge, half a size above its middle, is smoothed outward once more
)
WIDER_MM = 3.5 * CELL_ALONG_MM  # a still knot is seen in one to three steps of angle
WIDENING = 0.25  # of a sector's width, by which an arch that rises may grow beyond it on either side
ALIKE = 2.0  # factor within which a thread has the front's speed times its part of the front's height


def knot_followed(front: Front, knots: Sequence[KnotTrack], geometry: StripGeometry) -> int:
    """Number of the knot that is all there is to a front, 0 if there is none.

    That knot lies at the edge at most of its times and through most of its rise, and what rises is not much
    wider than the way of the knot along the limb: an eruption's front is wide, though it has knots along it,
    and a knot that goes with it while it rises slowly is not the eruption. Whether the knot is called
    moving does not matter: it has been tried as a knot then, which asks for more than the edge of a sector.
    """
    rise_mm = np.abs(np.gradient(front.height_mm if front.best is None else front.best.curve_mm))
    extent_mm = np.deg2rad(front.extent_deg) * geometry.limb_mm
    for knot in knots:
        if extent_mm > WIDER_MM + np.ptp(knot.along_mm):
            continue
        _, mine, its = np.intersect1d(front.frame, knot.frame, return_indices=True)
        apart = front.height_mm[mine] - knot.height_mm[its]
        turn = np.deg2rad(wrapped_deg(front.angle_deg[mine] - knot.angle_deg[its]))
        along = turn * (geometry.limb_mm + knot.height_mm[its])
        reach_mm = PLACE_MM + 2 * np.hypot(front.height_err_mm[mine], knot.height_err_mm[its])
        there = mine[(np.abs(apart) < reach_mm) & (np.abs(along) < reach_mm)]
        if len(there) > EXPLAINED * len(front.frame) and rise_mm[there].sum() > EXPLAINED * rise_mm.sum():
            return knot.knot
    return 0


def moves_with(knot: KnotTrack, front: Front) -> bool:
    """Whether a moving knot is a thread of a moving front: in its sector, below it, and with its part of its
    speed.

    An arch that grows alike in all its parts gives each the front's speed times the part's height over the
    front's.
    """
    best = front.best
    if best is None or not (front.moving and knot.moving):
        return False
    sector = (front.to_deg - front.from_deg) % 360.0
    width = np.nanmax([sector, front.extent_deg])
    beside = np.abs(wrapped_deg(knot.angle_deg - front.from_deg - 0.5 * sector)) < (0.5 + WIDENING) * width
    top = np.interp(knot.time_s, front.time_s, best.curve_mm)
    if 2 * np.sum(beside & (knot.height_mm < top)) <= len(top):
        return False
    middle = knot.fit.time_s
    speed = float(np.interp(middle, front.time_s, np.gradient(best.curve_mm, front.time_s))) * 1e3
    part = float(np.interp(middle, knot.time_s, knot.height_mm / np.maximum(top, 1e-9)))
    return bool(speed > 0 and speed * part / ALIKE < knot.fit.radial_km_s < speed * part * ALIKE)
