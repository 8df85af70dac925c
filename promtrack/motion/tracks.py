"""From points to knot tracks: linking, kinematic fit, and whether each track moves."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.optimize import brentq
from scipy.spatial import cKDTree
from scipy.special import chdtr, chdtrc

from promtrack.motion.background import windows
from promtrack.motion.chance import (
    LEAST_TOLD,
    Chance,
    chance_tracks,
    expected_by_chance,
    expected_standing,
    expected_unmoved,
    significance,
    track_score,
    travel,
)
from promtrack.motion.flow import BEYOND, LEAST_COUNT, MASK, refine_tracks
from promtrack.motion.knot_fit import KnotPath, allow_swerve, fit_path, usual_swerve
from promtrack.motion.knots import KnotPoints, Search, sky_plane, sky_to_strip
from promtrack.motion.link import Linking, Places, link_points
from promtrack.motion.records import KnotTrack
from promtrack.settings import MotionSettings
from promtrack.strip.records import Strip

__all__ = ["TRACK_PARTS", "middle_angle", "places_of", "track_knots"]

TRACK_PARTS = 3  # trials, refinement, fits: what `progress` counts
MOST_TRIALS, LEAST_TRIALS = 20, 5  # scrambled runs
TRIAL_STRIPS = 2000  # in all of them together: a long run shows as many chance tracks in few trials as a short one in many
FEW_STRIPS = 60  # so few do not tear apart what moves: the trials are made once more without the points of the tracks that are
# sure (step-down: Westfall & Young 1993, Resampling-Based Multiple Testing)
LEAST_SCATTER = 20  # points needed to judge their scatter
PRIOR = (
    15.0  # values that the scatter of all tracks counts against a track's own; coverage is flat from 5 to 30
)
LAGS = (1, 2, 3)  # strips over which points may err alike
FRINGE_MM = (
    5.0  # spicules come and go below: a track with its median height there follows one after the other
)
LINGERS = 4.0  # sizes a knot must travel, at its speed, in the whole run, for the search to leave it its path
CLIP = 4.0  # single wrong points must not decide on the scatter
CLIPPED_MEAN = float(chdtr(3, CLIP**2) + CLIP**2 * chdtrc(1, CLIP**2))  # of the clipped square of a Gaussian


@dataclass(frozen=True, slots=True, eq=False)
class Scatter:
    """What the tracks of a run show beyond the errors of single points; axes: along the limb, outward."""

    factor: np.ndarray  # (2,) on the points' own errors, 1 or less: the noise of a strip overstated them
    excess_mm: np.ndarray  # (2,) 1 sigma, to add in quadrature
    memory: np.ndarray  # (2,) factor on the errors of a fit, because neighbouring points err alike

    def times(self, factor: float) -> Scatter:
        return replace(self, factor=self.factor * factor, excess_mm=self.excess_mm * factor)


def middle_angle(strip: Strip) -> float:
    return float(strip.geometry.angle_deg((strip.geometry.columns - 1) / 2))


def places_of(strip: Strip, points: KnotPoints) -> Places:
    """The points in the plane of the sky."""
    geometry = strip.geometry
    x, y = sky_plane(geometry, points.row, points.column, middle_angle(strip))
    column_mm = geometry.mm_per_column(geometry.height_mm(points.row))
    error = np.column_stack([points.column_err * column_mm, points.row_err * geometry.mm_per_row])
    return Places(points.index, strip.time_s, np.column_stack([x, y]), error, points.snr)


def track_knots(
    strip: Strip,
    search: Search,
    *,
    motion: MotionSettings,
    scale_err: float,
    clock_err: float,
    rng: np.random.Generator,
    progress: Callable[[int, int], None] = lambda done, total: None,
) -> tuple[tuple[KnotTrack, ...], Chance]:
    """Tracks that chance does not explain, moving ones first and the fastest of them first; `progress` counts
    `TRACK_PARTS`."""
    points, size_mm = search.points, search.fwhm_mm
    places = places_of(strip, points)
    linking = _linking(strip, motion)
    tracks = link_points(places, linking)
    trials = int(np.clip(round(TRIAL_STRIPS / len(strip)), LEAST_TRIALS, MOST_TRIALS))
    chance = chance_tracks(places, linking, trials=trials, rng=rng)
    progress(1, TRACK_PARTS)
    if not tracks:
        return (), chance
    by_chance = _by_chance(tracks, places, linking, chance)
    sure = by_chance <= motion.false_alarms
    if len(strip) <= FEW_STRIPS and sure.any() and not sure.all():
        rest = places.without(np.concatenate([tracks[k] for k in np.flatnonzero(sure)]))
        again = _by_chance(tracks, places, linking, chance_tracks(rest, linking, trials=trials, rng=rng))
        by_chance = np.where(sure, by_chance, np.minimum(by_chance, again))
    good = np.flatnonzero(by_chance <= motion.false_alarms)
    refined = _refined(strip, search, [tracks[k] for k in good], motion)
    progress(2, TRACK_PARTS)
    scatter = _scatter(strip, refined)
    paths = [_fit(strip, search, track, scatter, motion, (scale_err, clock_err)) for track in refined]
    usual = usual_swerve([path for path, _ in paths])
    paths = [(allow_swerve(path, usual), own) for path, own in paths]
    alarms = [
        by_chance[k]
        + expected_standing(
            min(travel(tracks[k], places), _travel(strip, track), _steady_mm(strip, track)),
            float(np.median(size_mm[tracks[k]])),
            len(tracks),
        )
        + expected_unmoved(path.fit, len(tracks))
        for k, track, (path, _) in zip(good, refined, paths, strict=True)
    ]
    alarms = np.add(alarms, _in_fringe(strip, refined))
    knots = [
        _knot(strip, track, own, path, float(alarm), motion)
        for track, (path, own), alarm in zip(refined, paths, alarms, strict=True)
    ]
    knots.sort(key=lambda knot: (not knot.moving, -knot.fit.speed_km_s if knot.moving else knot.false_alarm))
    return tuple(replace(knot, knot=k) for k, knot in enumerate(knots, start=1)), chance


def _by_chance(tracks: list[np.ndarray], places: Places, linking: Linking, chance: Chance) -> np.ndarray:
    """(k,) expected number of chance tracks as good as each."""
    tree = cKDTree(places.place_mm)
    return np.array(
        [
            expected_by_chance(track_score(track, places, linking, tree), travel(track, places), chance)
            for track in tracks
        ]
    )


def _in_fringe(strip: Strip, tracks: list[KnotPoints]) -> np.ndarray:
    """(k,) expected false alarms of tracks that stay in the fringe of spicules: as many as there are; 0 for
    the others.

    Spicules rise and fade for minutes, longer than scrambled blocks of strips keep together, so the trials
    miss them.
    """
    low = np.array([np.median(strip.geometry.height_mm(track.row)) < FRINGE_MM for track in tracks], float)
    return low * low.sum()


def _travel(strip: Strip, track: KnotPoints) -> float:
    return travel(np.arange(len(track)), places_of(strip, track))


def _steady_mm(strip: Strip, track: KnotPoints) -> float:
    """How far a track would have gone at its usual pace: the median velocity over an eighth of its points,
    times its duration.

    Two threads at rest, one of which fades while the other brightens, make a track that rests, goes over, and
    rests.
    """
    step = max(len(track) // 8, 1)
    place = places_of(strip, track).place_mm
    pace = (place[step:] - place[:-step]) / (track.time_s[step:] - track.time_s[:-step])[:, None]
    return float(np.hypot(*np.median(pace, axis=0)) * np.ptp(track.time_s))


def _refined(
    strip: Strip, search: Search, tracks: list[np.ndarray], motion: MotionSettings
) -> list[KnotPoints]:
    """Tracks measured again; as they were found where that leaves too few points."""
    found = [search.points.pick(track) for track in tracks]
    rounds = 2 if any(_lingers(strip, search, track) for track in found) else 1
    again = found
    for _ in range(rounds):
        new = refine_tracks(strip, search, again, motion=motion)
        again = [
            one if len(one) >= max(motion.least_points, 0.7 * len(old)) else old
            for one, old in zip(new, found, strict=True)
        ]
    return again


def _lingers(strip: Strip, search: Search, track: KnotPoints) -> bool:
    """Whether a knot stays over its own size so long that its light is in the slow structure, and bent its
    path."""
    places = places_of(strip, track)
    speed = np.hypot(*np.polyfit(track.time_s, places.place_mm, 1)[0])
    size = search.bands[int(np.bincount(track.band).argmax())].fwhm_mm
    return bool(speed * (strip.time_s[-1] - strip.time_s[0]) < LINGERS * size)


def _linking(strip: Strip, motion: MotionSettings) -> Linking:
    geometry = strip.geometry
    height = geometry.height_mm(np.arange(geometry.rows))
    area = float(np.sum(geometry.mm_per_column(height[height > 0]))) * geometry.columns * geometry.mm_per_row
    return Linking(motion.fastest_km_s / 1e3, motion.least_points, area)


def _scatter(strip: Strip, tracks: list[KnotPoints]) -> Scatter:
    """Scatter about smooth paths beyond the stated errors, and its memory, over all tracks.

    The air moves parts of the picture against each other, knots change their shape, and the slow structure
    behind them is not known exactly: all move a centroid, some of it in the same way for several strips, and
    none shows in the noise of one strip.
    """
    if sum(map(len, tracks)) < LEAST_SCATTER:
        return Scatter(np.ones(2), np.zeros(2), np.ones(2))
    shared_mm = np.column_stack([strip.along_err_mm, strip.centre_err_mm])
    rest, own, hats = [], [], []
    for track in tracks:
        places = places_of(strip, track)
        hats.append(_smooth_path(track.time_s))
        rest.append(places.place_mm - hats[-1] @ places.place_mm)
        own.append(np.hypot(places.error_mm, shared_mm[track.index]))
    memory2 = _memory2(rest, own, hats)
    # What the path takes out of the scatter grows with its memory: slow unrest is what a smooth path follows
    # best.
    lost = np.concatenate([np.diag(hat) for hat in hats])[:, None]
    left = np.sqrt(np.maximum(1.0 - lost * memory2, 0.2))
    rest_mm, own_mm = np.concatenate(rest) / left, np.concatenate(own)
    factor = np.array([_factor(rest_mm[:, axis], own_mm[:, axis]) for axis in (0, 1)])
    excess = np.array([_excess(rest_mm[:, axis], own_mm[:, axis]) for axis in (0, 1)])
    return Scatter(factor, excess, np.sqrt(memory2))


def _memory2(rest: list[np.ndarray], own: list[np.ndarray], hats: list[np.ndarray]) -> np.ndarray:
    """(2,) variance of a mean of many neighbouring points over that of independent ones, 1 or more.

    One plus twice the first autocorrelations. Of independent points of variance 1 a path leaves covariances
    of minus the side diagonals of its projection, whose sums are added; it takes out more of points that err
    alike, so a second round adds as many times more. Further rounds would feed on their own result.
    """
    scaled = [
        np.clip(off / error, -5, 5) for off, error in zip(rest, own, strict=True)
    ]  # one wrong point decides nothing
    variance = sum((z**2).sum(axis=0) for z in scaled) / sum(len(hat) - float(np.trace(hat)) for hat in hats)
    together = (
        np.array([sum((z[lag:] * z[:-lag]).sum(axis=0) for z in scaled) for lag in LAGS]) / variance
    )  # (lag, axis)
    taken = np.array([sum(float(np.trace(hat, lag)) for hat in hats) for lag in LAGS])[:, None]
    pairs = np.array([sum(max(len(hat) - lag, 0) for hat in hats) for lag in LAGS])[:, None]
    memory2 = np.ones(2)
    for _ in range(2):
        memory2 = np.clip(1 + 2 * np.sum((together + memory2 * taken) / pairs, axis=0), 1.0, 6.0)
    return memory2


def _smooth_path(time_s: np.ndarray) -> np.ndarray:
    """(n, n) projection on a polynomial through a track."""
    u = (time_s - time_s.mean()) / max(np.ptp(time_s) / 2, 1e-9)
    design = np.vander(u, int(np.clip(len(time_s) // 4, 1, 5)) + 1)
    hat: np.ndarray = design @ np.linalg.pinv(design)
    return hat


def _excess(rest: np.ndarray, own: np.ndarray) -> float:
    """Scatter to add in quadrature so that the mean clipped square of the normalised rest is that of a
    Gaussian."""
    if len(rest) < LEAST_SCATTER or _clipped_mean((rest / own) ** 2) <= CLIPPED_MEAN:
        return 0.0
    return float(
        brentq(
            lambda more: _clipped_mean(rest**2 / (own**2 + more**2)) - CLIPPED_MEAN,
            0.0,
            5 * np.abs(rest).max(),
        )
    )


def _factor(rest: np.ndarray, own: np.ndarray) -> float:
    """Factor on the errors, 1 or less, so that the same holds; never below a half."""
    return float(np.sqrt(np.clip(_clipped_mean((rest / own) ** 2) / CLIPPED_MEAN, 0.25, 1.0)))


def _clipped_mean(squares: np.ndarray) -> float:
    return float(np.minimum(squares, CLIP**2).mean())


def _background_share(strip: Strip, search: Search, points: KnotPoints, motion: MotionSettings) -> float:
    """Factor on the errors of a fit for what the background under the knot adds, which lingers as long as the
    knot does.

    A mean of `free` strips has their noise over sqrt(free), and it is the same in all the strips in which the
    knot stands over its own size: there it counts as often as they are many.
    """
    speed = np.hypot(*np.polyfit(points.time_s, places_of(strip, points).place_mm, 1)[0])
    size = search.bands[int(np.bincount(points.band).argmax())].fwhm_mm
    inside = max(last - first for first, last in windows(strip.time_s, motion))
    cadence = (points.time_s[-1] - points.time_s[0]) / (points.index[-1] - points.index[0])
    stays = min(size / max(speed * cadence, 1e-9), float(len(points)))
    free = max(inside - min(2 * MASK * stays, float(len(points) + 2 * BEYOND)), LEAST_COUNT)
    return math.sqrt(1.0 + stays / free)


def _mean_angle(strip: Strip, points: KnotPoints) -> float:
    return float(strip.geometry.angle_deg(points.column).mean())


def _errors_mm(strip: Strip, points: KnotPoints, scatter: Scatter) -> tuple[np.ndarray, np.ndarray]:
    """Errors of the single points, outward and along the limb."""
    column_mm = strip.geometry.mm_per_column(strip.geometry.height_mm(points.row))
    return (
        np.hypot(scatter.factor[1] * points.row_err * strip.geometry.mm_per_row, scatter.excess_mm[1]),
        np.hypot(scatter.factor[0] * points.column_err * column_mm, scatter.excess_mm[0]),
    )


def _fit(
    strip: Strip,
    search: Search,
    points: KnotPoints,
    scatter: Scatter,
    motion: MotionSettings,
    systematic: tuple[float, float],
) -> tuple[KnotPath, Scatter]:
    """Path of a track, and the scatter that is its own."""
    # Points that err alike are worth fewer points: a factor on all errors of the fit (see _memory2).
    more = scatter.memory * _background_share(strip, search, points, motion)
    path = _fit_with(strip, points, scatter, more, systematic)
    more2 = float(np.mean(more**2))
    chi2_per_dof = path.fit.chi2_per_dof * more2
    if not path.fit.errors_scaled:
        scatter = scatter.times(_own_factor(chi2_per_dof, len(points), more2))
        path = _fit_with(strip, points, scatter, more, systematic)
    return replace(
        path, fit=replace(path.fit, chi2_per_dof=chi2_per_dof)
    ), scatter  # against the scatter of all tracks


def _own_factor(chi2_per_dof: float, points: int, more2: float) -> float:
    """Factor on the point errors of a track for its own scatter, drawn towards that of all tracks by `PRIOR`
    values."""
    free = 2 * points / more2
    return math.sqrt((PRIOR + free * chi2_per_dof) / (PRIOR + free))


def _fit_with(
    strip: Strip, points: KnotPoints, scatter: Scatter, more: np.ndarray, systematic: tuple[float, float]
) -> KnotPath:
    along_mm, outward_mm = sky_plane(strip.geometry, points.row, points.column, _mean_angle(strip, points))
    outward_err, along_err = _errors_mm(strip, points, scatter)
    more_along, more_outward = more
    return fit_path(
        points.time_s,
        outward_mm,
        along_mm,
        outward_err * more_outward,
        along_err * more_along,
        shared_radial_mm=strip.centre_err_mm[points.index] * more_outward,
        shared_along_mm=strip.along_err_mm[points.index] * more_along,
        scale_err=systematic[0],
        clock_err=systematic[1],
    )


def _knot(
    strip: Strip,
    points: KnotPoints,
    scatter: Scatter,
    path: KnotPath,
    false_alarm: float,
    motion: MotionSettings,
) -> KnotTrack:
    geometry = strip.geometry
    height = geometry.height_mm(points.row)
    angle = geometry.angle_deg(points.column)
    height_err, along_err = _errors_mm(strip, points, scatter)
    row, column = sky_to_strip(geometry, path.along_mm, path.radial_mm, _mean_angle(strip, points))
    false_alarm = max(false_alarm, LEAST_TOLD)
    return KnotTrack(
        knot=0,
        frame=strip.frame[points.index],
        time_s=points.time_s,
        height_mm=height,
        height_err_mm=height_err,
        angle_deg=angle,
        along_mm=np.deg2rad(angle - angle[0]) * (geometry.limb_mm + height),
        along_err_mm=along_err,
        snr=points.snr,
        curve_mm=geometry.height_mm(row),
        curve_angle_deg=geometry.angle_deg(column),
        fit=path.fit,
        significance=significance(false_alarm),
        false_alarm=false_alarm,
        moving=false_alarm <= motion.false_alarms,
    )
