"""From points to knot tracks: linking, kinematic fit, and whether each track moves."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from promtrack.motion.correlated_noise import estimate_noise
from promtrack.motion.false_alarms import (
    LEAST_TOLD,
    Chance,
    chance_tracks,
    expected_by_chance,
    expected_unmoved,
    significance,
    track_score,
    travel,
    typical_velocity,
)
from promtrack.motion.knot_fit import KnotPath, fit_path
from promtrack.motion.knots import KnotPoints, sky_plane, sky_to_strip
from promtrack.motion.link import Linking, Places, link_points
from promtrack.motion.motion_checks import FIXED, Sensor, before_the_sun, fixed_on_sensor
from promtrack.motion.records import KnotTrack
from promtrack.settings import MotionSettings
from promtrack.strip.records import Strip

FRINGE_MM = 5.0  # spicules come and go below: tracks there follow one after the other


@dataclass(frozen=True, slots=True, eq=False)
class Tracked:
    """What tracking found in one run."""

    knots: tuple[KnotTrack, ...]  # moving ones first, the fastest of them first
    chance: Chance
    still_pull: float  # rms velocity over its error of what stands still, nan if nothing does
    still: int  # tracks of what stands still


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """A track before its fit."""

    points: KnotPoints
    false_alarm: float  # chance tracks as good as this that are expected
    size_mm: float
    place_mm: np.ndarray  # (2, n) outward, along the limb
    error_mm: np.ndarray  # (2, n) registration included
    lasting_err_mm: np.ndarray  # (2,) of the lock, and of other light: as long as the track

    @property
    def velocity(self) -> np.ndarray:
        """(2,) km/s of its typical part, outward and along the limb."""
        return typical_velocity(self.points.time_s, self.place_mm.T) * 1e3

    @property
    def sizes(self) -> float:
        """How many of its own sizes it went at that velocity."""
        return float(np.hypot(*self.velocity) * np.ptp(self.points.time_s) / 1e3 / self.size_mm)


def middle_angle(strip: Strip) -> float:
    """Product angle of the strip's middle column, degrees."""
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
    points: KnotPoints,
    *,
    rng: np.random.Generator,
    motion: MotionSettings = MotionSettings(),
    scale_err: float = 0.0,
    clock_err: float = 0.0,
    sensor: Sensor | None = None,
    doubt: str = "",
) -> Tracked:
    """Tracks that chance does not explain. Without `sensor` nothing is left out as standing there, or as
    crossing the field; `doubt`: why no track may be called moving, '' where nothing speaks against it."""
    places, geometry = places_of(strip, points), strip.geometry
    height = geometry.height_mm(np.arange(geometry.rows))
    row_mm = float(np.sum(geometry.mm_per_column(height[height > 0]))) * geometry.columns
    linking = Linking(motion.fastest_km_s / 1e3, motion.least_points, row_mm * geometry.mm_per_row)
    tracks = link_points(places, linking)
    tree = cKDTree(places.place_mm) if tracks else None
    scored = [(track_score(one, places, linking, tree), travel(one, places)) for one in tracks]
    # scrambled runs of 2000 strips together: as many chance tracks of a long run as of a short one
    trials = int(np.clip(round(2000 / len(strip)), 5, 20))
    chance = chance_tracks(places, linking, trials=trials, rng=rng)
    by_chance = np.array([expected_by_chance(*one, chance) for one in scored])
    # chance tracks as good, for a track that is listed, moving or not
    listed = max(0.05, motion.false_alarms)
    sure = by_chance <= listed
    # Step-down (Westfall & Young 1993, Resampling-Based Multiple Testing): blocks leave pieces of what is
    # sure.
    if sure.any() and not sure.all():
        rest = places.without(np.concatenate([tracks[k] for k in np.flatnonzero(sure)]))
        second = chance_tracks(rest, linking, trials=trials, rng=rng)
        again = np.array([expected_by_chance(*one, second) for one in scored])
        by_chance = np.where(sure, np.maximum(by_chance, again), again)
    seen = [
        _seen(strip, points.pick(track), float(alarm))
        for track, alarm in zip(tracks, by_chance, strict=True)
        if alarm <= listed
    ]
    if not seen:
        return Tracked((), chance, float("nan"), 0)
    outward, along = (
        estimate_noise(
            [track.points.time_s for track in seen],
            [track.place_mm[axis] - track.place_mm[axis].mean() for track in seen],
            [track.error_mm[axis] for track in seen],
        )
        for axis in (0, 1)
    )
    # Spicules rise and fade for minutes, longer than scrambled blocks of strips keep together, so the trials
    # miss them: of tracks in their fringe as many are expected as there are.
    low = [np.median(geometry.height_mm(track.points.row)) < FRINGE_MM for track in seen]
    knots: list[KnotTrack] = []
    still_pulls: list[np.ndarray] = []
    for track, in_fringe in zip(seen, low, strict=True):
        path = fit_path(
            track.points.time_s,
            track.place_mm,
            track.error_mm,
            (outward, along),
            size_mm=track.size_mm,
            lasting_err_mm=track.lasting_err_mm,
            scale_err=scale_err,
            clock_err=clock_err,
        )
        fit, left_out = path.fit, doubt
        own = np.array([fit.radial_km_s, fit.along_km_s])
        still = track.sizes < 0.5  # it went less than half of its size
        if still:
            still_pulls.append(own / fit.errors_km_s)
        # its velocity at mid-time, or the typical one, whichever is nearer to rest
        unmoved = (expected_unmoved(one, fit.errors_km_s, len(tracks)) for one in (own, track.velocity))
        alarm = max(track.false_alarm + max(unmoved) + sum(low) * in_fringe, LEAST_TOLD)
        if sensor is not None and fixed_on_sensor(strip, track.points, path, sensor.place):
            left_out = FIXED
        elif not still:
            left_out = before_the_sun(strip, track.points, sensor) or doubt
        likely = alarm <= motion.false_alarms and fit.speed_km_s <= motion.fastest_km_s
        knots.append(
            track_of(
                strip,
                track.points,
                path,
                false_alarm=alarm,
                significance=significance(alarm),
                moving=likely and not left_out,
                left_out=left_out,
            )
        )
    knots.sort(key=lambda knot: (not knot.moving, -knot.fit.speed_km_s if knot.moving else knot.false_alarm))
    numbered = tuple(replace(knot, knot=k) for k, knot in enumerate(knots, start=1))
    pull = float(np.sqrt(np.mean(np.minimum(np.square(still_pulls), 16.0)))) if still_pulls else np.nan
    return Tracked(numbered, chance, pull, len(still_pulls))


def _seen(strip: Strip, points: KnotPoints, false_alarm: float) -> _Seen:
    middle = float(strip.geometry.angle_deg(points.column).mean())
    along_mm, outward_mm = sky_plane(strip.geometry, points.row, points.column, middle)
    column_mm = strip.geometry.mm_per_column(strip.geometry.height_mm(points.row))
    place = np.stack([outward_mm, along_mm])
    lock = np.stack([strip.centre_err_mm[points.index], strip.along_err_mm[points.index]])
    error = np.hypot([points.row_err * strip.geometry.mm_per_row, points.column_err * column_mm], lock)
    fwhm_mm, third = points.fwhm_mm, max(len(points) // 3, 1)
    # A knot that joins another, or parts from it, changes its width; its middle moves by up to half of that.
    joined_mm = abs(fwhm_mm[-third:].mean() - fwhm_mm[:third].mean()) / np.sqrt(12.0)
    lasting_mm = np.hypot(np.median(lock, axis=1), joined_mm)
    return _Seen(points, false_alarm, float(np.median(fwhm_mm)), place, error, lasting_mm)


def track_of(
    strip: Strip,
    points: KnotPoints,
    path: KnotPath,
    *,
    false_alarm: float,
    significance: float,
    moving: bool,
    knot: int = 0,
    left_out: str = "",
    by_hand: bool = False,
) -> KnotTrack:
    """The record of one knot, from its points (rows and columns of the strips) and its fit."""
    geometry = strip.geometry
    height = geometry.height_mm(points.row)
    angle = geometry.angle_deg(points.column)
    row, column = sky_to_strip(geometry, path.place_mm[1], path.place_mm[0], float(angle.mean()))
    return KnotTrack(
        knot=knot,
        frame=strip.frame[points.index],
        time_s=points.time_s,
        height_mm=height,
        height_err_mm=path.error_mm[0],
        angle_deg=angle,
        along_mm=np.deg2rad(angle - angle[0]) * (geometry.limb_mm + height),
        along_err_mm=path.error_mm[1],
        snr=points.snr,
        curve_mm=geometry.height_mm(row),
        curve_angle_deg=geometry.angle_deg(column),
        speed_km_s=path.speed_km_s,
        speed_err_km_s=path.speed_err_km_s,
        fit=path.fit,
        significance=significance,
        false_alarm=false_alarm,
        moving=moving,
        left_out=left_out,
        by_hand=by_hand,
    )
