"""Where to start from: the limb of a handful of frames, each by itself or where a header states it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from promtrack.errors import InputError
from promtrack.limb.edge import edge_of, make_grid, unwrap
from promtrack.limb.edge_fit import fit_rays, stated_start
from promtrack.limb.find import LimbNotFound, SmallFrame, find_in_small
from promtrack.limb.frame_limb import ALONG_PX, BLUR_PX
from promtrack.limb.geometry import Place, shifted_place, visible_angles
from promtrack.sequence.records import Sequence
from promtrack.settings import LimbSettings

SAMPLES = 7  # frames looked at beforehand, for radius and places to start from
MOST_TRIED = 60  # frames tried before the sequence is said to show no limb


@dataclass(frozen=True, slots=True)
class Start:
    """What a handful of frames show."""

    radius_px: float
    visible_px: float  # longest limb seen
    places: tuple[tuple[int, Place], ...]  # frame and place


def start_from(sequence: Sequence, limb: LimbSettings, stated: tuple[Place | None, ...]) -> Start:
    """Radius and places good enough to start from.

    Parameters
    ----------
    stated : (n,) where headers put the Sun

    Raises
    ------
    LimbNotFound : in none of the frames tried; the first one's reason
    """
    picks = np.unique(np.linspace(0, len(sequence) - 1, min(SAMPLES, len(sequence))).astype(int)).tolist()
    rest = [i for i in range(len(sequence)) if i not in picks]
    found: dict[int, LimbSample] = {}
    standing: list[Place] = []  # as the header has them, and the limb is there
    first_error = None
    for tried, index in enumerate([*picks, *rest]):
        if tried >= len(picks) and (found or standing or tried > MOST_TRIED):
            break
        try:
            frame = sequence.frame(index)
            header = stated[index]
            place = stated_start(SmallFrame(frame, sequence.full_scale), header) if header else None
            if header and place:
                standing.append(replace(header, radius_px=place.radius_px))
            found[index] = sample_limb(frame, sequence.full_scale, radius_px=limb.radius_px, guess=header)
        except InputError as problem:
            first_error = first_error or problem.at(sequence.names[index])
    if len(standing) > len(picks) / 2:
        place = replace(standing[0], radius_px=float(np.median([s.radius_px for s in standing])))
        seen = visible_angles(place, sequence.shape, np.arange(0.0, 360.0, 0.25)).mean()
        return Start(place.radius_px, float(2 * np.pi * seen * place.radius_px), ())
    if not found:
        raise first_error if first_error else LimbNotFound("no limb: the sequence is empty")
    radii = np.array([f.place.radius_px for f in found.values()])
    errors = np.array([max(f.radius_err_px, 1e-3) for f in found.values()])
    radius = limb.radius_px or _weighted_median(radii, 1 / errors**2)
    places = tuple((index, moved_to(f, radius, sequence.shape)) for index, f in found.items())
    return Start(radius, float(np.radians(max(f.arc_deg for f in found.values())) * radius), places)


def moved_to(sample: LimbSample, radius_px: float, shape: tuple[int, int]) -> Place:
    """The place of a circle of this radius on the limb of a sample, which has one of its own."""
    place = sample.place
    theta = np.arange(0.0, 360.0, 0.5)
    angle = np.radians(theta[visible_angles(place, shape, theta)])
    grown = place.radius_px - radius_px
    return Place(
        place.x_px - grown * float(np.sin(angle).mean()) if len(angle) else place.x_px,
        place.y_px - grown * float(np.cos(angle).mean()) if len(angle) else place.y_px,
        radius_px,
    )


@dataclass(frozen=True, slots=True)
class LimbSample:
    """The limb of one frame by itself."""

    place: Place
    radius_err_px: float  # from the scatter of the edge
    rms_px: float
    arc_deg: float
    kept_part: float  # of the rays


def sample_limb(
    frame: np.ndarray, full_scale: float, *, radius_px: float | None = None, guess: Place | None = None
) -> LimbSample:
    """Find the limb in one frame, without any guess or near one, and fit its circle at full resolution.

    Raises
    ------
    LimbNotFound : with what was seen instead
    """
    small = SmallFrame(frame, full_scale)
    place = stated_start(small, guess) if guess else None
    if place is None:
        circle = find_in_small(small, full_scale, radius_px=radius_px)
        place = Place(circle.x_px, circle.y_px, circle.radius_px)
    for search in (6 * small.factor, 4.0 + small.factor, 6.0):
        grid = make_grid(place.radius_px, min(search + 8, 0.7 * place.radius_px), search + 8, ray_px=1.5)
        zone = unwrap(frame, place, grid)
        if len(zone.ray) < 24:
            raise LimbNotFound("no limb: too little of it in the frame")
        edge = edge_of(zone, grid, search_px=search, blur_px=BLUR_PX, along_px=ALONG_PX)
        if edge.good.sum() < 24:
            raise LimbNotFound("no limb: its edge cannot be made out")
        fit = fit_rays(np.radians(grid.theta_deg[zone.ray]), edge, free_radius=True)
        moved = shifted_place(place, *fit.shift_px)
        growth = np.clip(place.radius_px + fit.growth_px, 0.5 * place.radius_px, 2 * place.radius_px)
        place = Place(moved.x_px, moved.y_px, float(growth))
    return LimbSample(
        place, fit.growth_err_px, fit.rms_px, len(zone.ray) * grid.step_deg, float(fit.kept.mean())
    )


def _weighted_median(values: np.ndarray, weights: np.ndarray) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(total, 0.5 * total[-1])])
