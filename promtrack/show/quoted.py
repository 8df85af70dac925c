"""What a run quotes: the tracks that have names, their speeds and heights, everything measured in.

Page, figures and clip quote the same values, so they are made here once. Every ± is the total error of one
standard deviation: random part, scale, clock, and for heights the unknown place of a burnt-out limb. A value
of a model that was rejected is never quoted.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from promtrack.motion.front_models import REST, SUDDEN
from promtrack.motion.interpretation import label_motion, ranked_fronts, ranked_knots
from promtrack.motion.records import Front, FrontFit, KnotTrack, Prominence, Ridge
from promtrack.rounding import with_error
from promtrack.show.curves import knot_path, knot_speed
from promtrack.show.records import Measured

Heights = TypeVar("Heights", float, np.ndarray)  # one or many: what goes in comes out
CHANGES = 3.0  # total errors by which a speed must change before both ends are quoted


@dataclass(frozen=True, slots=True)
class Quoted:
    """A value with its total error (1 sigma)."""

    value: float
    error: float
    unit: str

    @property
    def text(self) -> str:
        """The value and its error, rounded to the error's digits, with the unit."""
        return with_error(self.value, self.error, self.unit)


@dataclass(frozen=True, slots=True, eq=False)
class Named:
    """A track that has a letter, the same in clip, figures, tables and page."""

    letter: str
    track: KnotTrack | Front
    place: int  # among the knots, 0 for the first; -1 for a front


def moving_knots(measured: Measured) -> tuple[KnotTrack, ...]:
    """Knots that are called moving, in the order of their numbers."""
    return tuple(knot for knot in measured.motion.knots if knot.moving)


def fastest_knot(measured: Measured) -> KnotTrack | None:
    """The moving knot that is named first: the fastest of those that a model describes."""
    return next(iter(ranked_knots(measured.motion)), None)


def leading_front(measured: Measured) -> Front | None:
    """The front that is called moving and reaches highest."""
    return next(iter(ranked_fronts(measured.motion)), None)


def named_tracks(measured: Measured) -> tuple[Named, ...]:
    """The tracks with letters in the order of these: the highest fronts, then the fastest knots."""
    labels = label_motion(measured.motion)
    named = [Named(labels.front(front), front, -1) for front in ranked_fronts(measured.motion)]
    named += [Named(labels.knot(one), one, labels.place(one)) for one in ranked_knots(measured.motion)]
    return tuple(one for one in named if one.letter)[:8]  # as many as a sheet has room to name


def track_name(measured: Measured, track: KnotTrack | Front) -> str:
    """'knot B' where it has a letter, else 'knot 7' as in the tables; 'by hand' behind it where it is."""
    labels, hand = label_motion(measured.motion), " by hand" if track.by_hand else ""
    if isinstance(track, KnotTrack):
        return f"knot {labels.knot(track) or track.knot}{hand}"
    return f"front {labels.front(track) or track.front}{hand}"


def too_fast(measured: Measured, knot: KnotTrack) -> bool:
    """Whether a knot is so fast that at this cadence it may have been confused with its neighbour."""
    return knot.fit.speed_km_s > measured.motion.control.sure_km_s


def told_ridges(measured: Measured) -> list[Ridge]:
    """Ridges that are shown: those of knots, which are a second measurement, or all where the user has asked
    for the paths. A chain of different lights makes ridges as well, and a front's edge is no second one."""
    asked = bool(measured.settings.motion.slits)
    return [ridge for ridge in measured.motion.ridges if asked or (ridge.knot and not ridge.front)]


def relative_error(measured: Measured) -> float:
    """Relative systematic error of every speed, from scale and clock."""
    return float(np.hypot(measured.motion.scale_err, measured.motion.clock_err))


def height_error(measured: Measured, height_mm: Heights, random_mm: Heights) -> Heights:
    """Total error of heights [Mm]: random, scale, and how far out the edge of a burnt-out disc may lie."""
    edge_mm = measured.lock.edge_bias_px * measured.scale.km_per_px * 1e-3
    return np.sqrt(random_mm**2 + (height_mm * measured.motion.scale_err) ** 2 + edge_mm**2)


def top_height(measured: Measured, body: Front | Prominence) -> Quoted:
    """Greatest height of a front or of a prominence."""
    top = int(np.nanargmax(body.height_mm))
    error = height_error(measured, body.height_mm[top], body.height_err_mm[top])
    return Quoted(float(body.height_mm[top]), float(error), "Mm")


def highest_prominence(measured: Measured) -> tuple[Prominence, str, Quoted] | None:
    """The prominence that ever stands highest, its height in words ('at least' where it leaves the strips)
    and as a value; None where nothing stands above the limb."""
    if not (found := measured.motion.prominences):
        return None
    one = max(found, key=lambda p: float(np.nanmax(p.height_mm)))
    top = top_height(measured, one)
    return one, f"{'at least ' if one.leaves_strip else ''}{top.text}", top


def front_model(front: Front) -> FrontFit | None:
    """The model that describes a front; None where all were rejected."""
    return front.best if front.best is not None and front.best.model == front.verdict else None


def rest_of(front: Front) -> float:
    """Whole seconds that a front rests before it starts, by the model that describes it; else 0."""
    model = front_model(front)
    if model is None or model.model not in (SUDDEN, REST):
        return 0.0
    return max(float(np.round(model.values[1] - front.time_s[0])), 0.0)


def front_speed(measured: Measured, front: Front) -> Quoted:
    """A front's greatest speed by its model, or its mean speed from first to last height without one."""
    speed, random = front.quoted_km_s
    return Quoted(speed, float(np.hypot(random, relative_error(measured) * speed)), "km/s")


def speed_of(measured: Measured, track: KnotTrack | Front) -> Quoted:
    """The speed that a track is quoted with: a knot's at its mid-time, a front's as in `front_speed`."""
    if isinstance(track, Front):
        return front_speed(measured, track)
    fit = track.fit
    return Quoted(fit.speed_km_s, float(np.hypot(fit.speed_err_km_s, fit.systematic_km_s)), "km/s")


def knot_height(measured: Measured, knot: KnotTrack) -> Quoted:
    """The height that a knot is quoted with: by its model, at its mid-time."""
    height = float(knot_path(knot, np.array([knot.fit.time_s]))[0][0])
    return Quoted(height, float(height_error(measured, height, float(np.median(knot.height_err_mm)))), "Mm")


def speeds_along(measured: Measured, knot: KnotTrack) -> tuple[np.ndarray, np.ndarray]:
    """Speeds along a knot's path at even times, and their total errors [km/s]."""
    times = np.linspace(knot.time_s[0], knot.time_s[-1], 32)
    speed, error = knot_speed(knot, measured.strip.geometry.limb_mm, times)
    return speed, np.hypot(error, speed * relative_error(measured))


def is_steady(measured: Measured, knot: KnotTrack) -> bool:
    """Whether a model describes a knot whose speed never differs much from that at mid-time."""
    speed, error = speeds_along(measured, knot)
    quoted = speed_of(measured, knot)
    changed = np.abs(speed - quoted.value) > CHANGES * np.hypot(error, quoted.error)
    return knot.fit.model == "constant speed" or (knot.fit.model != "none" and not changed.any())
