"""From points to knot tracks: linking, kinematic fit, and whether each track moves."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq
from scipy.spatial import cKDTree
from scipy.stats import chi2

from promtrack.motion.flow import refine_tracks
from promtrack.motion.knot_fit import fit_knot
from promtrack.motion.knots import KnotPoints, Search, sky_plane
from promtrack.motion.link import Linking, Places, link_points
from promtrack.motion.records import KnotTrack
from promtrack.motion.trial import (
    Chance,
    chance_tracks,
    expected_by_chance,
    expected_standing,
    significance,
    track_score,
    travel,
)
from promtrack.settings import MotionSettings
from promtrack.strip.records import Strip

__all__ = ["TRIALS", "middle_angle", "places_of", "track_knots"]

TRIALS = 20           # scrambled runs
LEAST_SCATTER = 20    # points needed to judge their scatter
CLIP = 4.0            # single wrong points must not decide on the scatter
CLIPPED_MEAN = float(chi2.cdf(CLIP**2, 3) + CLIP**2 * chi2.sf(CLIP**2, 1))   # of the clipped square of a Gaussian


@dataclass(frozen=True, slots=True, eq=False)
class Scatter:
    """What the tracks of a run show beyond the errors of single points; axes: along the limb, outward."""

    excess_mm: np.ndarray   # (2,) 1 sigma, to add in quadrature
    memory: np.ndarray      # (2,) factor on the errors of a fit, because neighbouring points err alike


def middle_angle(strip: Strip) -> float:
    return float(strip.geometry.angle_deg((strip.geometry.columns - 1) / 2))


def places_of(strip: Strip, points: KnotPoints) -> Places:
    """The points in the plane of the sky."""
    geometry = strip.geometry
    x, y = sky_plane(geometry, points.row, points.column, middle_angle(strip))
    column_mm = geometry.mm_per_column(geometry.height_mm(points.row))
    error = np.column_stack([points.column_err * column_mm, points.row_err * geometry.mm_per_row])
    return Places(points.index, strip.time_s, np.column_stack([x, y]), error, points.snr)


def track_knots(strip: Strip, search: Search, *, motion: MotionSettings, scale_err: float, clock_err: float,
                rng: np.random.Generator) -> tuple[tuple[KnotTrack, ...], Chance]:
    """Tracks that chance does not explain, moving ones first and the fastest of them first."""
    points, size_mm = search.points, search.fwhm_mm
    places = places_of(strip, points)
    linking = _linking(strip, motion)
    tracks = link_points(places, linking)
    chance = chance_tracks(places, linking, trials=TRIALS, rng=rng)
    if not tracks:
        return (), chance
    tree = cKDTree(places.place_mm)
    by_chance = np.array([expected_by_chance(track_score(track, places, linking, tree), chance) for track in tracks])
    standing = np.array([expected_standing(travel(track, places), float(np.median(size_mm[track])), len(tracks))
                         for track in tracks])
    good = np.flatnonzero(by_chance <= motion.false_alarms)
    refined = _refined(strip, search, [tracks[k] for k in good], motion)
    scatter = _scatter(strip, refined)
    knots = [_knot(strip, track, scatter, float(by_chance[k] + standing[k]), motion, scale_err, clock_err)
             for k, track in zip(good, refined, strict=True)]
    knots.sort(key=lambda knot: (not knot.moving, -knot.fit.speed_km_s if knot.moving else knot.false_alarm))
    return tuple(replace(knot, knot=k) for k, knot in enumerate(knots, start=1)), chance


def _refined(strip: Strip, search: Search, tracks: list[np.ndarray], motion: MotionSettings) -> list[KnotPoints]:
    """Tracks measured again; as they were found where that leaves too few points."""
    again = refine_tracks(strip, search, tracks, motion=motion)
    return [new if len(new) >= max(motion.least_points, 0.7 * len(track)) else search.points.pick(track)
            for track, new in zip(tracks, again, strict=True)]


def _linking(strip: Strip, motion: MotionSettings) -> Linking:
    geometry = strip.geometry
    height = geometry.height_mm(np.arange(geometry.rows))
    area = float(np.sum(geometry.mm_per_column(height[height > 0]))) * geometry.columns * geometry.mm_per_row
    return Linking(motion.fastest_km_s / 1e3, motion.least_points, area)


def _scatter(strip: Strip, tracks: list[KnotPoints]) -> Scatter:
    """Scatter about smooth paths beyond the stated errors, and its memory, over all tracks.

    The air moves parts of the picture against each other, knots change their shape, and the slow structure behind them
    is not known exactly: all move a centroid, some of it in the same way for several strips, and none shows in the
    noise of one strip.
    """
    rest, own, products, squares = [], [], np.zeros(2), np.zeros(2)
    shared_mm = np.column_stack([strip.along_err_mm, strip.centre_err_mm])
    for track in tracks:
        places = places_of(strip, track)
        off, keep = _about_smooth_path(track.time_s, places.place_mm)
        error = np.hypot(places.error_mm, shared_mm[track.index])
        scaled = np.clip(off / np.sqrt(keep)[:, None] / error, -5, 5)   # one wrong point must not decide
        rest.append(off / np.sqrt(keep)[:, None])
        own.append(error)
        # The fit takes memory out of its residuals: by its free parameters over the number of points.
        lost = (1.0 - keep).sum() / len(track)
        products += (scaled[1:] * scaled[:-1]).sum(axis=0) + lost * (scaled**2).sum(axis=0)
        squares += (scaled**2).sum(axis=0)
    if not tracks:
        return Scatter(np.zeros(2), np.ones(2))
    rest_mm, own_mm = np.concatenate(rest), np.concatenate(own)
    excess = np.array([_excess(rest_mm[:, axis], own_mm[:, axis]) for axis in (0, 1)])
    enough = len(rest_mm) >= LEAST_SCATTER
    memory = np.clip(products / np.maximum(squares, 1e-12), 0.0, 0.8) if enough else np.zeros(2)
    return Scatter(excess, np.sqrt((1 + memory) / (1 - memory)))


def _about_smooth_path(time_s: np.ndarray, place_mm: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """(n, 2) distances from a polynomial through a track, and (n,) the part of their variance that is left."""
    u = (time_s - time_s.mean()) / max(np.ptp(time_s) / 2, 1e-9)
    degree = int(np.clip(len(time_s) // 4, 1, 5))
    design = np.vander(u, degree + 1)
    keep = 1.0 - np.einsum("ij,ji->i", design, np.linalg.pinv(design))
    return place_mm - design @ np.linalg.lstsq(design, place_mm, rcond=None)[0], np.maximum(keep, 0.2)


def _excess(rest: np.ndarray, own: np.ndarray) -> float:
    """Scatter to add in quadrature so that the mean clipped square of the normalised rest is that of a Gaussian."""
    if len(rest) < LEAST_SCATTER or _clipped_mean((rest / own) ** 2) <= CLIPPED_MEAN:
        return 0.0
    return float(brentq(lambda more: _clipped_mean(rest**2 / (own**2 + more**2)) - CLIPPED_MEAN, 0.0,
                        5 * np.abs(rest).max()))


def _clipped_mean(squares: np.ndarray) -> float:
    return float(np.minimum(squares, CLIP**2).mean())


def _knot(strip: Strip, points: KnotPoints, scatter: Scatter, false_alarm: float, motion: MotionSettings,
          scale_err: float, clock_err: float) -> KnotTrack:
    geometry = strip.geometry
    height = geometry.height_mm(points.row)
    angle = geometry.angle_deg(points.column)
    column_mm = geometry.mm_per_column(height)
    across, outward = sky_plane(geometry, points.row, points.column, float(angle.mean()))
    height_err = np.hypot(points.row_err * geometry.mm_per_row, scatter.excess_mm[1])
    along_err = np.hypot(points.column_err * column_mm, scatter.excess_mm[0])
    # Points that err alike are worth fewer points: a factor on all errors of the fit (AR(1): (1 + r) / (1 - r)).
    more_along, more_radial = scatter.memory
    fit = fit_knot(points.time_s, outward, across, height_err * more_radial, along_err * more_along,
                   shared_radial_mm=strip.centre_err_mm[points.index] * more_radial,
                   shared_along_mm=strip.along_err_mm[points.index] * more_along, scale_err=scale_err, clock_err=clock_err)
    fit = replace(fit, chi2_per_dof=fit.chi2_per_dof * float(np.mean(scatter.memory**2)))
    return KnotTrack(
        knot=0, frame=strip.frame[points.index], time_s=points.time_s, height_mm=height, height_err_mm=height_err,
        angle_deg=angle, along_mm=np.deg2rad(angle - angle[0]) * (geometry.limb_mm + height), along_err_mm=along_err,
        snr=points.snr, fit=fit, significance=significance(false_alarm), false_alarm=false_alarm,
        moving=bool(false_alarm <= motion.false_alarms and math.isfinite(fit.speed_km_s)))
