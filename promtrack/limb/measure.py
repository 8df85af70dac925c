"""One frame measured: its limb by itself and its limb zone against the template, as the solution needs
them."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from promtrack.limb.frame_limb import Finder, LimbSigns, Look
from promtrack.limb.geometry import Place
from promtrack.limb.template import BlockShifts, Match, Template, match


@dataclass(frozen=True, slots=True, eq=False)
class FrameMeasure:
    """What one frame contributes."""

    place: Place  # on which its offsets and shifts are counted; the radius is the provisional one
    bin: np.ndarray  # (b,) numbers of bins of limb in the reference frame's angles, as `edge_px`
    edge_px: np.ndarray  # (b,) mean edge offset outward from `place`
    bin_deg: float
    match: Match
    signs: LimbSigns

    @property
    def shifts(self) -> BlockShifts:
        """Of the blocks of the limb zone."""
        return self.match.shifts


def measure(
    frame: np.ndarray,
    look: Look,
    turn_deg: float,
    time_s: float,
    template: Template,
    finder: Finder,
    *,
    reach_px: float,
    turning: bool,
) -> FrameMeasure:
    """Lay a frame on the template around the place that its own limb gives, and average its edge in bins.

    Parameters
    ----------
    turn_deg, time_s : expected turn of the frame, and its time
    reach_px, turning : how far it may be moved along the limb, and whether by a turn
    """
    place = replace(look.place, turn_deg=turn_deg)
    laid = match(frame, place, template, time_s, reach_px=reach_px, turning=turning)
    return _binned(look, laid, finder)


def unmatched(look: Look, turn_deg: float, finder: Finder) -> FrameMeasure:
    """As `measure` for a frame that has no template."""
    nothing = BlockShifts(*([np.zeros(0)] * 7))
    return _binned(look, Match(replace(look.place, turn_deg=turn_deg), nothing, 1.0), finder)


def _binned(look: Look, laid: Match, finder: Finder) -> FrameMeasure:
    place = laid.place
    phi = np.radians(look.theta_deg)
    moved = (place.x_px - look.place.x_px) * np.sin(phi) + (place.y_px - look.place.y_px) * np.cos(phi)
    offset = look.edge_px + moved
    which = np.mod(look.theta_deg - place.turn_deg, 360.0) // finder.bin_deg
    number, at, count = np.unique(which, return_inverse=True, return_counts=True)
    full = count >= finder.least_rays
    mean = np.bincount(at, weights=offset, minlength=len(number)) / np.maximum(count, 1)
    return FrameMeasure(place, number[full].astype(int), mean[full], finder.bin_deg, laid, look.signs)
