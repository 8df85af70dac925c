"""Fronts and knots through points clicked by hand, fitted as all others are. A point is moved to the edge or
the centroid of the light within a few megametres, where the picture shows one clearly enough."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np
from scipy.ndimage import gaussian_filter1d

from promtrack.errors import SettingsError
from promtrack.marks import MARKS_NAME, Marks, Place, Sector
from promtrack.motion import limits
from promtrack.motion.front_fit import fit_front, front_verdict
from promtrack.motion.interpretation import LETTERS, label_motion
from promtrack.motion.knot_fit import fit_path
from promtrack.motion.knots import KnotPoints, sky_plane
from promtrack.motion.measure import in_words, not_moving, search_said
from promtrack.motion.motion_checks import STILL
from promtrack.motion.records import Front, FrontFit, KnotTrack, Motion
from promtrack.motion.tracks import track_of
from promtrack.rounding import counted
from promtrack.strip.records import Strip
from promtrack.sun import wrapped_deg

CLICK_MM = 2.0  # 1-sigma error of a click where nothing better is known: a few pixels of the page's pictures


def with_marks(
    strip: Strip,
    motion: Motion,
    marks: Marks,
    *,
    rng: np.random.Generator,
    doubt: str = "",
) -> Motion:
    """The motion with knots dropped, fronts refused, and fronts and knots by hand put in behind the others.
    What is not marked keeps its number and letter; what is by hand takes the next letters. Checks and
    sentences are those of what is left.

    `doubt`: why nothing may be called moving, '' where nothing speaks against it. Raises SettingsError: a
    front or a knot has too few points on the strips.
    """
    knots = [k for k in motion.knots if not any(passes(strip, k, place) for place in marks.drop)]
    fronts = [f for f in motion.fronts if not any(_overlap(f, sector) for sector in marks.no_front)]
    left = {front.front for front in fronts}
    gone = {knot.knot for knot in motion.knots} - {knot.knot for knot in knots}
    number = max((front.front for front in motion.fronts), default=0)
    for course in marks.fronts:
        front, number = _front(strip, course, number + 1, rng), number + 1
        fronts.append(not_moving(front, doubt) if doubt and front.moving else front)
    number = max((knot.knot for knot in motion.knots), default=0)
    knots += [_knot(strip, course, k, motion, doubt) for k, course in enumerate(marks.knots, number + 1)]
    labels = label_motion(motion)  # as before the marks
    letters = {f"front {number}": letter for number, letter in labels.fronts.items()}
    letters |= {f"knot {number}": letter for number, letter in labels.knots.items()}
    hand = [f"front {front.front}" for front in fronts if front.by_hand and front.moving]
    hand += [f"knot {knot.knot}" for knot in knots if knot.by_hand and knot.moving]
    notes = (*motion.control.notes, *_done(strip, motion, marks))
    marked = replace(
        motion,
        control=replace(motion.control, notes=notes),
        knots=tuple(knots),
        fronts=tuple(fronts),
        ridges=tuple(ridge for ridge in motion.ridges if ridge.knot not in gone),
        letters=letters | dict(zip(hand, LETTERS[len(letters) :], strict=False)),
    )
    if (marked.knots, marked.fronts) == (motion.knots, motion.fronts):
        return marked
    sensitivity = motion.sensitivity
    if any(front.moving and front.front not in left for front in motion.fronts):
        words = f"What was seen to rise is taken out by marks. Besides: {sensitivity.sentence}"
        sensitivity = replace(sensitivity, sentence=words)
    alone = [number for number in motion.front_search.alone if number not in gone]
    search = search_said(sensitivity, marked.fronts, alone)
    if any(front.by_hand and front.moving for front in fronts):
        sensitivity = search  # what could not be followed may be what was clicked
    by_strips = tuple(check for check in motion.checks if check.name == STILL)
    marked = replace(marked, front_search=search, sensitivity=sensitivity, checks=by_strips)
    return in_words(marked, strip)


def _done(strip: Strip, motion: Motion, marks: Marks) -> Iterator[str]:
    """A sentence on what each mark has done to the motion."""
    labels = label_motion(motion)
    for place in marks.drop:
        hit = [knot for knot in motion.knots if passes(strip, knot, place)]
        names = " and ".join(labels.knot(knot) or str(knot.knot) for knot in hit)
        within = f"no knot passes within {limits.COMPATIBLE * CLICK_MM:g} Mm of"
        moment = np.datetime_as_string(place.time_utc, unit="s")
        yield (
            f"marks: {f'knot {names} is dropped by' if hit else within} the [[drop]] at {moment}Z, "
            f"{place.angle_deg:g} deg, {place.height_mm:g} Mm"
        )
    for sector in marks.no_front:
        refused = [front for front in motion.fronts if _overlap(front, sector)]
        names = " and ".join(labels.front(front) or str(front.front) for front in refused)
        what = f"front {names} is taken out by" if refused else "no front lies in"
        yield f"marks: {what} the [[no_front]] from {sector.from_deg:g} to {sector.to_deg:g} deg"
    for kind, added in (("front", marks.fronts), ("knot", marks.knots)):
        if added:
            yield f"marks: {counted(len(added), kind, kind + 's')} by hand"


def passes(strip: Strip, track: KnotTrack | Front, place: Place) -> bool:
    """Whether a track passes the place within two errors of a click at its time."""
    time_s = float((place.time_utc - strip.times_utc[0]) / np.timedelta64(1, "s"))
    late = 1.5 * float(np.median(np.diff(strip.time_s)))  # a run may use other frames
    if not track.time_s[0] - late <= time_s <= track.time_s[-1] + late:
        return False
    height = np.interp(time_s, track.time_s, track.height_mm)
    angle = np.interp(time_s, track.time_s, np.unwrap(track.angle_deg, period=360.0))
    along = np.deg2rad(wrapped_deg(place.angle_deg - angle)) * (strip.geometry.limb_mm + height)
    return bool(np.hypot(height - place.height_mm, along) < limits.COMPATIBLE * CLICK_MM)


def _overlap(front: Front, sector: Sector) -> bool:
    """Whether the middle of a front's sector lies in a sector without fronts."""
    middle = front.from_deg + 0.5 * ((front.to_deg - front.from_deg) % 360.0)
    return (middle - sector.from_deg) % 360.0 <= (sector.to_deg - sector.from_deg) % 360.0


def _front(strip: Strip, course: tuple[Place, ...], number: int, rng: np.random.Generator) -> Front:
    at, angle, clicked, err = _course(strip, course, 5, "front")
    height = clicked.copy()
    for i, index in enumerate(at):
        edge = _edge_near(strip, int(index), float(angle[i]), float(clicked[i]))
        if edge is not None:
            height[i], err[i] = edge
    err = np.hypot(err, strip.centre_err_mm[at])
    time_s = strip.time_s[at]
    fits = tuple(_no_surer(fit) for fit in fit_front(time_s, height, err, rng=rng))
    best = next(fit for fit in fits if fit.chosen)
    half_deg = np.rad2deg(limits.KNOT_MM / (strip.geometry.limb_mm + height.max()))
    return Front(
        front=number,
        from_deg=float(angle.min() - half_deg),
        to_deg=float(angle.max() + half_deg),
        frame=strip.frame[at],
        time_s=time_s,
        height_mm=height,
        height_err_mm=err,
        angle_deg=angle,
        fits=fits,
        verdict=front_verdict(time_s, height, err, fits),
        false_alarm=1.0,  # no trial with scrambled times holds for a hand
        moving=bool(abs(best.peak_speed_km_s) > limits.SEEN * best.peak_speed_err_km_s),
        notes=("by hand: through points that were clicked, refined where the picture shows an edge",),
        by_hand=True,
    )


def _no_surer(fit: FrontFit) -> FrontFit:
    """The fit with errors no smaller than those that the points imply: few points may scatter little by
    chance, and its errors come from that scatter."""
    # ten points hardly ever come below 0.05 by chance
    factor = 1.0 / np.sqrt(np.clip(fit.chi2_per_dof, 0.05, 1.0))
    names = [name for name in FrontFit.__annotations__ if "_err_" in name or name == "errors"]
    larger: dict[str, Any] = {name: getattr(fit, name) * factor for name in names}
    return replace(fit, **larger)


def _knot(strip: Strip, course: tuple[Place, ...], number: int, motion: Motion, doubt: str) -> KnotTrack:
    geometry = strip.geometry
    at, angle, height, err = _course(strip, course, 4, "knot")
    snr = np.full(len(at), np.nan)
    for i, index in enumerate(at):
        light = _light_near(strip, int(index), float(angle[i]), float(height[i]))
        if light is not None:
            angle[i], height[i], snr[i], err[i] = light
    row, column = geometry.row(height), geometry.column(angle)
    x, y = sky_plane(geometry, row, column, float(angle.mean()))
    time_s = strip.time_s[at]
    path = fit_path(
        time_s,
        np.array([y, x]),
        np.hypot(err, [strip.centre_err_mm[at], strip.along_err_mm[at]]),
        scale_err=motion.scale_err,
        clock_err=motion.clock_err,
    )
    significance, zero = path.fit.speed_km_s / path.fit.speed_err_km_s, np.zeros(len(at))
    return track_of(
        strip,
        KnotPoints(at, time_s, row, column, zero, zero, snr, zero),
        path,
        false_alarm=1.0,  # no trial with scrambled times holds for a hand
        significance=float(significance),
        moving=bool(significance > limits.SEEN) and not doubt,
        knot=number,
        left_out=doubt,
        by_hand=True,
    )


def _course(
    strip: Strip, course: tuple[Place, ...], least: int, kind: str
) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """(m,) strips clicked, `least` or more, angle and height there, and the error of each in Mm. Where
    three strips or more were clicked twice, the scatter within them is the error of a click."""
    geometry, step = strip.geometry, float(np.median(np.diff(strip.time_s)))
    seconds = np.array([(p.time_utc - strip.times_utc[0]) / np.timedelta64(1, "s") for p in course])
    nearest = np.array([int(np.argmin(np.abs(strip.time_s - t))) for t in seconds], int)
    middle = geometry.angle_deg(geometry.columns / 2)
    angle = np.array([middle + wrapped_deg(p.angle_deg - middle) for p in course])
    height, err = (np.array([getattr(p, name) for p in course]) for name in ("height_mm", "err_mm"))
    shown = np.abs(strip.time_s[nearest] - seconds) < step
    for axis, size in ((geometry.row(height), geometry.rows), (geometry.column(angle), geometry.columns)):
        shown &= (axis > -1) & (axis < size)
    at = np.unique(nearest[shown])
    if len(at) < least:
        raise SettingsError(
            f"a [[{kind}]] has points on {len(at)} of the strips, and {least} are needed",
            where=MARKS_NAME,
            remedy="click it in more frames, or take it out",
        )
    groups = [np.flatnonzero(shown & (nearest == index)) for index in at]
    twice = [group for group in groups if len(group) > 1]
    click = CLICK_MM
    if len(twice) >= 3:
        freedom = sum(len(group) - 1 for group in twice)
        click = float(np.sqrt(sum(height[g].var() * len(g) for g in twice) / freedom))
    given = np.where(np.isfinite(err), err, max(click, geometry.mm_per_row))
    own_angle, own_height = (np.array([axis[g].mean() for g in groups]) for axis in (angle, height))
    return at, own_angle, own_height, np.array([np.sqrt(np.mean(given[g] ** 2) / len(g)) for g in groups])


def _edge_near(strip: Strip, index: int, angle_deg: float, height_mm: float) -> tuple[float, float] | None:
    """Height and error of the steepest fall of light within `limits.KNOT_MM` of a click, if it is clear."""
    geometry = strip.geometry
    half = max(round(limits.KNOT_MM / geometry.mm_per_column(height_mm)), 1)
    middle = round(float(geometry.column(angle_deg)))
    light = strip.read(index, index + 1)[0][:, max(middle - half, 0) : middle + half + 1]
    reach, centre = limits.KNOT_MM / geometry.mm_per_row, float(geometry.row(height_mm))
    rows = np.arange(max(int(centre - 3 * reach), 0), min(int(centre + 3 * reach) + 1, geometry.rows))
    if len(rows) < 5 or np.isnan(light[rows]).mean() > 0.2:
        return None
    profile = gaussian_filter1d(np.nanmean(light[rows], axis=1), limits.FINEST_MM / geometry.mm_per_row)
    fall = -np.gradient(profile)
    usual = np.median(fall)
    noise = float(np.median(np.abs(fall - usual))) / limits.QUARTILE
    best = int(np.argmax(np.where(np.abs(rows - centre) <= reach, fall, -np.inf)))
    if not 0 < best < len(rows) - 1 or fall[best] - usual < limits.SEEN * noise:
        return None
    before, top, after = fall[best - 1 : best + 2]
    bend = before - 2.0 * top + after
    row = rows[best] + (float(np.clip(0.5 * (before - after) / bend, -1.0, 1.0)) if bend < 0.0 else 0.0)
    err = limits.FINEST_MM * noise / float(top) + 0.5 * geometry.mm_per_row
    return float(geometry.height_mm(row)), err


def _light_near(
    strip: Strip, index: int, angle_deg: float, height_mm: float
) -> tuple[float, float, float, float] | None:
    """Angle, height, signal-to-noise ratio and error of the light about a click; None where none is clear."""
    geometry = strip.geometry
    step = np.array([geometry.mm_per_row, geometry.mm_per_column(height_mm)])
    at = np.array([geometry.row(height_mm), geometry.column(angle_deg)])
    reach = np.maximum(np.rint(limits.KNOT_MM / step), 2)
    low, high = np.maximum(np.rint(at) - reach, 0).astype(int), (np.rint(at) + reach + 1).astype(int)
    light = strip.read(index, index + 1)[0][low[0] : max(high[0], 0), low[1] : max(high[1], 0)]
    if light.size < 9 or np.isnan(light).any():
        return None
    place = np.indices(light.shape) + low[:, None, None]
    inside = np.hypot(*((place - at[:, None, None]) * step[:, None, None])) <= limits.KNOT_MM / 2
    around = light[~inside]
    base = float(np.median(around))
    noise = float(np.median(np.abs(around - base))) / limits.QUARTILE
    weight = np.where(inside, np.maximum(light - base - noise, 0.0), 0.0)
    snr = float((light[inside].max() - base) / max(noise, 1e-9))
    if snr < limits.SEEN or weight.sum() <= 0.0:
        return None
    row, column = (weight * place).sum(axis=(1, 2)) / weight.sum()
    err = max(limits.KNOT_MM / 2 / snr, 0.3 * max(step))
    return float(geometry.angle_deg(column)), float(geometry.height_mm(row)), snr, float(err)
