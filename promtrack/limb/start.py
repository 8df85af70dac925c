"""Where to start from, before the pass over the frames: the limb of a handful of frames, each by itself or
where a header states it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from promtrack.errors import InputError
from promtrack.limb.circle import Circle
from promtrack.limb.edge import edge_of, make_grid, unwrap
from promtrack.limb.find import LimbNotFound, SmallFrame, find_in_small, places_near
from promtrack.limb.geometry import Place, visible_angles
from promtrack.limb.look import ALONG_PX, BLUR_PX
from promtrack.limb.rays import fit_rays, shifted_place, stated_start
from promtrack.sequence.records import Sequence
from promtrack.settings import LimbSettings

SAMPLES = 5  # frames looked at before the pass, for the radius to start from
ONE_LIMB_STEPS = 5  # over which one rough limb stands out
MOST_TRIED = 60  # frames tried before the sequence is said to show no limb


@dataclass(frozen=True, slots=True)
class Pointing:
    """The Sun's place as a header states it, or beside it where its limb is, px; `stands`: most of a handful
    of frames show it there."""

    place: Place
    stands: bool


def pointed(sequence: Sequence, stated: Place | None) -> Pointing | None:
    """Where a header's Sun has its limb in most of a handful of frames: as stated, or on the way between
    there and the frame.

    Parameters
    ----------
    stated : in px of the full frame; None when no header states a place
    """
    if stated is None:
        return None
    picks = _some(sequence)
    if _stands(sequence, picks, stated):
        return Pointing(stated, True)
    beside = _beside(sequence, picks, stated)
    return Pointing(stated, False) if beside is None else Pointing(beside, _stands(sequence, picks, beside))


def _beside(sequence: Sequence, picks: list[int], stated: Place) -> Place | None:
    """The stated place moved towards the frame or away from it to where the limb stands in most of the frames
    picked; None: nowhere."""
    circle = Circle(stated.x_px, stated.y_px, stated.radius_px)
    falls = []
    for index in picks:
        try:
            places, fall = places_near(SmallFrame(sequence.frame(index), sequence.full_scale), circle)
            falls.append(fall)
        except InputError:
            continue
    if not falls:
        return None
    usual = np.where((np.array(falls) > 0).mean(axis=0) > 0.5, np.mean(falls, axis=0), 0.0)
    if not usual.any():
        return None
    # a rough limb stands out at several steps: its middle is where the fewest frames will miss it
    step = np.arange(len(usual))
    near = np.where(np.abs(step - np.argmax(usual)) <= ONE_LIMB_STEPS, usual, 0.0)
    x, y = (
        float(np.interp(np.average(step, weights=near), step, [getattr(p, axis) for p in places]))
        for axis in ("x_px", "y_px")
    )
    return replace(stated, x_px=x, y_px=y)


def _some(sequence: Sequence) -> list[int]:
    """A handful of frames, from the first to the last."""
    return np.unique(np.linspace(0, len(sequence) - 1, min(SAMPLES, len(sequence))).astype(int)).tolist()


def starting_radius(
    sequence: Sequence, limb: LimbSettings, pointing: Pointing | None = None
) -> tuple[float, float]:
    """Radius from a handful of frames, good enough to start from, and the longest limb seen in them, px."""
    if pointing and pointing.stands:
        place = pointing.place
        seen = visible_angles(place, sequence.shape, np.arange(0.0, 360.0, 0.25)).mean()
        return place.radius_px, float(2 * np.pi * seen * place.radius_px)
    stated = pointing.place if pointing else None
    picks = _some(sequence)
    rest = [i for i in range(len(sequence)) if i not in picks]
    found: list[LimbSample] = []
    first_error = None
    for tried, index in enumerate([*picks, *rest]):
        if tried >= len(picks) and (found or tried > MOST_TRIED):
            break
        try:
            found.append(
                sample_limb(
                    sequence.frame(index), sequence.full_scale, radius_px=limb.radius_px, guess=stated
                )
            )
        except InputError as problem:
            first_error = first_error or problem.at(sequence.names[index])
    if not found:
        raise first_error if first_error else LimbNotFound("no limb: the sequence is empty")
    radii, errors = np.array([(f.place.radius_px, f.radius_err_px) for f in found]).T
    radius = limb.radius_px or _weighted_median(radii, 1 / np.maximum(errors, 1e-3) ** 2)
    return radius, float(np.radians(max(f.arc_deg for f in found)) * radius)


def _stands(sequence: Sequence, picks: list[int], stated: Place) -> bool:
    """Whether the limb is where the header says in most of the frames picked."""
    found = 0
    for index in picks:
        try:
            found += stated_start(SmallFrame(sequence.frame(index), sequence.full_scale), stated) is not None
        except InputError:
            continue
    return found > len(picks) / 2


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
