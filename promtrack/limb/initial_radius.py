"""Where to start from: a fit to the edge on its rays, the place in a frame near the last or a stated one, and
the radius from a handful of frames."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from promtrack.errors import InputError
from promtrack.limb.circle import MAD, Circle, biweight, median, weighted_median
from promtrack.limb.edge import Edge, Grid, Zone, edge_of, make_grid, unwrap
from promtrack.limb.find import LimbNotFound, SmallFrame, fall_at, find_in_small
from promtrack.limb.records import Place, shifted_place, visible_angles
from promtrack.sequence.records import Sequence, spread_over
from promtrack.settings import LimbSettings

SAMPLES = 7  # frames looked at beforehand, for radius and places to start from
MOST_TRIED = 60  # frames tried before the sequence is said to show no limb
BLUR_PX = 0.8  # Gaussian whose derivative finds the edge, and
ALONG_PX = 2.0  # smoothing from ray to ray
# Limb that is in the frame: 60 px of the 8 degrees that a lock needs bend by 1 px, of which the limb's edge
# is known to a tenth; of less the ends of an edge cut by the frame make any circle.
LEAST_LIMB_PX = 60.0
LEAST_EDGES = 24  # rays on which the edge is made out


class LimbCutShort(LimbNotFound):
    """A limb of which the frame holds too little for a circle."""


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
    picks = spread_over(len(sequence), SAMPLES).tolist()
    rest = [i for i in range(len(sequence)) if i not in picks]
    found: dict[int, LimbSample] = {}
    standing: list[Place] = []  # as the header has them, and the limb is there
    first_error = None
    cut_short: list[InputError] = []
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
            problem.at(sequence.names[index])
            first_error = first_error or problem
            cut_short += [problem] if isinstance(problem, LimbCutShort) else []
    if len(standing) > len(picks) / 2:
        place = replace(standing[0], radius_px=float(np.median([s.radius_px for s in standing])))
        seen = visible_angles(place, sequence.shape, np.arange(0.0, 360.0, 0.25)).mean()
        return Start(place.radius_px, float(2 * np.pi * seen * place.radius_px), ())
    if len(cut_short) >= max(len(found), 1):  # what a few frames take for a limb is then something else
        raise cut_short[0]
    if not found:
        raise first_error if first_error else LimbNotFound("no limb: the sequence is empty")
    radii = np.array([f.place.radius_px for f in found.values()])
    errors = np.array([max(f.radius_err_px, 1e-3) for f in found.values()])
    radius = limb.radius_px or weighted_median(radii, 1 / errors**2)
    places = tuple((index, moved_to(f.place, radius, sequence.shape)) for index, f in found.items())
    return Start(radius, float(np.radians(max(f.arc_deg for f in found.values())) * radius), places)


def moved_to(place: Place, radius_px: float, shape: tuple[int, ...]) -> Place:
    """The place of a circle of this radius on the limb seen, on which `place` lies with a radius of its
    own."""
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
        circle = find_in_small(small, radius_px=radius_px)
        place = Place(circle.x_px, circle.y_px, circle.radius_px)
    for search in (6 * small.factor, 4.0 + small.factor, 6.0):
        grid = make_grid(place.radius_px, min(search + 8, 0.7 * place.radius_px), search + 8, ray_px=1.5)
        zone, _, fit = edge_near(frame, place, grid, search, free_radius=True)
        moved = shifted_place(place, *fit.shift_px)
        growth = np.clip(place.radius_px + fit.growth_px, 0.5 * place.radius_px, 2 * place.radius_px)
        place = Place(moved.x_px, moved.y_px, float(growth))
    return LimbSample(
        place, fit.growth_err_px, fit.rms_px, len(zone.ray) * grid.step_deg, float(fit.kept.mean())
    )


def edge_near(
    frame: np.ndarray, place: Place, grid: Grid, search_px: float, *, free_radius: bool = False
) -> tuple[Zone, Edge, RayFit]:
    """The limb zone around a place, the edge within `search_px` of it, and the circle through that."""
    zone = unwrap(frame, place, grid)
    limb_px = len(zone.ray) * grid.step_px
    if limb_px < LEAST_LIMB_PX:
        raise LimbCutShort(f"the limb is cut short: only {limb_px:.0f} px of it in the frame")
    edge = edge_of(zone, grid, search_px=search_px, blur_px=BLUR_PX, along_px=ALONG_PX)
    if edge.good.sum() < LEAST_EDGES:
        raise LimbNotFound("no limb: its edge cannot be made out")
    return zone, edge, fit_rays(np.radians(grid.theta_deg[zone.ray]), edge, free_radius=free_radius)


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
