"""From points to knot tracks: linking, kinematic fit, and whether each track moves."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.spatial import cKDTree
from scipy.stats import chi2

from promtrack.motion.knot_fit import fit_knot
from promtrack.motion.knots import KnotPoints, sky_plane
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

TRIALS = 20      # scrambled runs


def middle_angle(strip: Strip) -> float:
    return float(strip.geometry.angle_deg((strip.geometry.columns - 1) / 2))


def places_of(strip: Strip, points: KnotPoints) -> Places:
    """The points in the plane of the sky."""
    geometry = strip.geometry
    x, y = sky_plane(geometry, points.row, points.column, middle_angle(strip))
    column_mm = geometry.mm_per_column(geometry.height_mm(points.row))
    error = np.column_stack([points.column_err * column_mm, points.row_err * geometry.mm_per_row])
    return Places(points.index, strip.time_s, np.column_stack([x, y]), error, points.snr)


def track_knots(strip: Strip, points: KnotPoints, *, motion: MotionSettings, scale_err: float, clock_err: float,
                rng: np.random.Generator) -> tuple[tuple[KnotTrack, ...], Chance]:
    """Tracks that chance does not explain, moving ones first and the fastest of them first."""
    places = places_of(strip, points)
    linking = _linking(strip, motion)
    tracks = link_points(places, linking)
    chance = chance_tracks(places, linking, trials=TRIALS, rng=rng)
    if not tracks:
        return (), chance
    tree = cKDTree(places.place_mm)
    wander = _wander(tracks, places)
    knots = []
    for track in tracks:
        by_chance = expected_by_chance(track_score(track, places, linking, tree), chance)
        if by_chance > motion.false_alarms:
            continue
        standing = expected_standing(travel(track, places), float(np.median(points.fwhm_mm[track])), len(tracks))
        knots.append(_knot(strip, points.pick(track), wander, by_chance + standing, motion, scale_err, clock_err))
    knots.sort(key=lambda knot: (not knot.moving, -knot.fit.speed_km_s if knot.moving else knot.false_alarm))
    return tuple(_numbered(knot, k) for k, knot in enumerate(knots, start=1)), chance


def _linking(strip: Strip, motion: MotionSettings) -> Linking:
    geometry = strip.geometry
    height = geometry.height_mm(np.arange(geometry.rows))
    area = float(np.sum(geometry.mm_per_column(height[height > 0]))) * geometry.columns * geometry.mm_per_row
    return Linking(motion.fastest_km_s / 1e3, motion.least_points, area)


def _wander(tracks: list[np.ndarray], places: Places) -> np.ndarray:
    """(2,) 1-sigma scatter of the points about smooth paths beyond their own errors, over all tracks.

    The air moves parts of the picture against each other, and knots change their shape: both move a centroid, and
    neither shows in the noise of one strip.
    """
    rest, own = [], []
    for track in tracks:
        time = places.time_s[places.index[track]]
        u = (time - time.mean()) / max(np.ptp(time) / 2, 1e-9)
        degree = int(np.clip(len(track) // 4, 1, 3))
        design = np.vander(u, degree + 1)
        keep = 1.0 - np.einsum("ij,ji->i", design, np.linalg.pinv(design))
        off = places.place_mm[track] - design @ np.linalg.lstsq(design, places.place_mm[track], rcond=None)[0]
        good = keep > 0.3
        rest.append(off[good] / np.sqrt(keep[good])[:, None])
        own.append(places.error_mm[track][good])
    rest_mm, own_mm = np.concatenate(rest), np.concatenate(own)
    return np.array([_excess(rest_mm[:, axis], own_mm[:, axis]) for axis in (0, 1)])


def _excess(rest: np.ndarray, own: np.ndarray) -> float:
    """Scatter to add in quadrature so that the median squared normalised rest is that of a Gaussian."""
    if len(rest) < 20:
        return 0.0
    low, high = 0.0, float(np.abs(rest).max()) * 2
    wanted = chi2.median(1)
    if np.median((rest / own) ** 2) <= wanted:
        return 0.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        if np.median(rest**2 / (own**2 + middle**2)) > wanted:
            low = middle
        else:
            high = middle
    return high


def _knot(strip: Strip, points: KnotPoints, wander: np.ndarray, false_alarm: float, motion: MotionSettings,
          scale_err: float, clock_err: float) -> KnotTrack:
    geometry = strip.geometry
    height = geometry.height_mm(points.row)
    angle = geometry.angle_deg(points.column)
    column_mm = geometry.mm_per_column(height)
    across, outward = sky_plane(geometry, points.row, points.column, float(angle.mean()))
    height_err = np.hypot(points.row_err * geometry.mm_per_row, wander[1])
    along_err = np.hypot(points.column_err * column_mm, wander[0])
    fit = fit_knot(points.time_s, outward, across, height_err, along_err,
                   shared_radial_mm=strip.centre_err_mm[points.index], shared_along_mm=strip.along_err_mm[points.index],
                   scale_err=scale_err, clock_err=clock_err)
    return KnotTrack(
        knot=0, frame=strip.frame[points.index], time_s=points.time_s, height_mm=height, height_err_mm=height_err,
        angle_deg=angle, along_mm=np.deg2rad(angle - angle[0]) * (geometry.limb_mm + height), along_err_mm=along_err,
        snr=points.snr, fit=fit, significance=significance(false_alarm), false_alarm=false_alarm,
        moving=bool(false_alarm <= motion.false_alarms and math.isfinite(fit.speed_km_s)))


def _numbered(knot: KnotTrack, number: int) -> KnotTrack:
    return replace(knot, knot=number)
