"""Whether to believe the run, in words: everything measured in, a verdict and its reasons out.

The figures and the report say the same sentences, so they are made here once.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from promtrack.limb.records import LimbLock
from promtrack.limb.verdict import ROUGH_PX
from promtrack.motion.meaning import course
from promtrack.motion.records import Front, KnotTrack
from promtrack.rounding import rounded, with_error
from promtrack.show.numbers import counted, sentence
from promtrack.show.records import Measured

__all__ = [
    "PLANE_OF_SKY",
    "LockVerdict",
    "fastest_knot",
    "going",
    "height_text",
    "highest",
    "leading_front",
    "limb_name",
    "limb_words",
    "lock_verdict",
    "moving_knots",
    "not_known",
    "rejections",
    "speed_error",
    "speed_text",
    "three_sentences",
    "too_fast",
]

PLANE_OF_SKY = "Plane-of-sky speeds: lower bounds of the true speed."

# Judgement of this program, not a published limit: with a tenth of a megametre of registration error, a knot
# followed for five minutes carries 0.5 km/s from the lock; with half a megametre 2.4 km/s, as much as a slow
# knot moves.
GOOD_CENTRE_MM, POOR_CENTRE_MM = 0.1, 0.5
GOOD_USED, POOR_USED = 0.8, 0.5
GOOD_PULL, POOR_PULL = 2.0, 4.0


@dataclass(frozen=True, slots=True)
class LockVerdict:
    """How far the lock can be trusted."""

    level: str  # 'good', 'fair' or 'poor'
    headline: str  # a few words
    reasons: tuple[str, ...]  # one short sentence each
    why: str  # what keeps it from being good, as the end of a sentence; '' where nothing does


def moving_knots(measured: Measured) -> tuple[KnotTrack, ...]:
    """Knots that are called moving, in the order of their numbers."""
    return tuple(knot for knot in measured.motion.knots if knot.moving)


def fastest_knot(measured: Measured) -> KnotTrack | None:
    """The fastest knot that is called moving."""
    return max(moving_knots(measured), key=lambda knot: knot.fit.speed_km_s, default=None)


def going(knot: KnotTrack) -> str:
    """Which way a knot goes: 'rising', 'falling', 'along the limb', or 'moving' where that is open."""
    return {"rises": "rising", "falls": "falling", "moves along the limb": "along the limb"}.get(
        course(knot.fit), "moving"
    )


def leading_front(measured: Measured) -> Front | None:
    """The front that is called moving and reaches highest."""
    moving = [front for front in measured.motion.fronts if front.moving]
    return max(moving, key=lambda front: float(np.nanmax(front.height_mm)), default=None)


def too_fast(measured: Measured, knot: KnotTrack) -> bool:
    """Whether a knot is so fast that at this cadence it may have been confused with its neighbour."""
    return knot.fit.speed_km_s > measured.motion.control.sure_km_s


def limb_name(measured: Measured) -> str:
    """What heights are counted from, in three words."""
    return "the burnt-out limb" if measured.lock.edge_bias_px > 0.0 else "the H-alpha limb"


def limb_words(measured: Measured) -> str:
    """The same with where it stands: the edge of a burnt-out disc lies outside the H-alpha limb."""
    bias_px = measured.lock.edge_bias_px
    if bias_px <= 0.0:
        return f"the H-alpha limb ({measured.scale.limb.height_mm:.3g} Mm above the photosphere)"
    outside = rounded(bias_px * measured.scale.km_per_px * 1e-3, 2, "Mm")
    return f"the burnt-out limb, up to {outside} outside the H-alpha limb"


def speed_error(measured: Measured, track: KnotTrack | Front) -> float:
    """1-sigma error of the speed that a track is quoted with: chance, scale and clock together; nan where
    unknown.

    The tables give chance and the systematic part apart; a number that is read alone needs both.
    """
    if isinstance(track, KnotTrack):
        return float(np.hypot(track.fit.speed_err_km_s, track.fit.systematic_km_s))
    if track.best is None:
        return np.nan
    systematic = track.best.peak_speed_km_s * np.hypot(measured.motion.scale_err, measured.motion.clock_err)
    return float(np.hypot(track.best.peak_speed_err_km_s, systematic))


def speed_text(measured: Measured, track: KnotTrack | Front) -> str:
    """The speed that a track is quoted with: a knot's at mid-time, a front's greatest, without its sign."""
    speed = (
        track.fit.speed_km_s
        if isinstance(track, KnotTrack)
        else abs(track.best.peak_speed_km_s)
        if track.best
        else np.nan
    )
    return with_error(speed, speed_error(measured, track), "km/s")


def highest(measured: Measured, front: Front) -> tuple[float, float, float]:
    """Greatest height of a front [Mm], its 1-sigma error from chance, and that from the scale."""
    top = int(np.nanargmax(front.height_mm))
    height = float(front.height_mm[top])
    return height, float(front.height_err_mm[top]), height * measured.motion.scale_err


def height_text(measured: Measured, front: Front) -> str:
    """The greatest height of a front, with its whole error."""
    height, chance, systematic = highest(measured, front)
    return with_error(height, float(np.hypot(chance, systematic)), "Mm")


def rejections(lock: LimbLock) -> tuple[tuple[str, int], ...]:
    """Reasons for leaving frames out, each with its count, most frequent first; what differs only in figures
    is one reason."""
    kinds: dict[str, list[str]] = {}
    for reason, used in zip(lock.reason, lock.used, strict=True):
        if not used:
            kinds.setdefault(re.sub(r"[\d.]+", "", reason), []).append(reason)
    counted = [
        (alike[0] if len(set(alike)) == 1 else alike[0].partition(":")[0], len(alike))
        for alike in kinds.values()
    ]
    return tuple(sorted(counted, key=lambda one: -one[1]))


def lock_verdict(measured: Measured) -> LockVerdict:
    """Judge the lock by the part of the frames used, the centre's error and the agreement of the frames'
    radii."""
    lock = measured.lock
    used = float(np.mean(lock.used))
    centre_px, centre_mm = _centre_error(measured)
    pull = _radius_pull(lock)
    marks = [
        _mark(1.0 - used, 1.0 - GOOD_USED, 1.0 - POOR_USED),
        _mark(centre_mm, GOOD_CENTRE_MM, POOR_CENTRE_MM),
        _mark(pull, GOOD_PULL, POOR_PULL),
        0 if measured.scale.agrees else 2 if _rough(lock) else 1,
    ]
    worst, doubts = max(marks), _doubts(used, centre_mm, pull, rough=_rough(lock))
    level = ("good", "fair", "poor")[worst]
    headline = {
        "good": "The lock can be trusted",
        "fair": "The lock is usable, with care",
        "poor": "The lock should not be trusted",
    }[level]
    return LockVerdict(
        level,
        headline,
        (
            f"{int(lock.used.sum())} of {len(lock.used)} frames are used.",
            f"The Sun's centre is known to {_centre_text(centre_px, centre_mm)} across the limb in a typical frame.",
            _radius_sentence(pull),
            sentence(
                measured.scale.check
                or f"The scale comes from one source only ({measured.scale.source}); nothing checks it."
            ),
        ),
        " and ".join(doubt for doubt, mark in zip(doubts, marks, strict=True) if mark == worst > 0),
    )


def not_known(measured: Measured) -> tuple[str, ...]:
    """What the lock leaves open, each in a few words."""
    lock = measured.lock
    return tuple(
        words
        for words, open_ in (
            ("whether this is the limb", _rough(lock) and not measured.scale.agrees),
            ("refraction", bool(np.nanmax(lock.creep_err_px, initial=0.0) > 0.0)),
            ("north", not measured.orientation.position_angles),
            (f"the true limb to {lock.edge_bias_px:.1f} px", lock.edge_bias_px > 0.0),
        )
        if open_
    )


def _rough(lock: LimbLock) -> bool:
    """Whether something rougher than a limb was followed in most frames."""
    rms = lock.limb_rms_px[lock.used & np.isfinite(lock.limb_rms_px)]
    return bool(len(rms) and np.median(rms) > ROUGH_PX)


def _doubts(used: float, centre_mm: float, pull: float, *, rough: bool) -> tuple[str, str, str, str]:
    """What speaks against the lock, in the order of the marks."""
    centre = f"the Sun's centre is known to {centre_mm:.2f} Mm in a typical frame, where {GOOD_CENTRE_MM:g} Mm would be good"
    radii = "the radii of single frames scatter more than their errors allow"
    return (
        f"only {100.0 * used:.0f} % of the frames could be used",
        centre if np.isfinite(centre_mm) else "the error of the Sun's centre is not known",
        radii if np.isfinite(pull) else "the radii of single frames could not be compared",
        "what was followed is perhaps not the limb: rough, and not of the stated size"
        if rough
        else "the sources of the scale disagree",
    )


def three_sentences(measured: Measured) -> tuple[str, str, str]:
    """The verdict of the whole run: the lock, what moves, and what limits the numbers."""
    verdict = lock_verdict(measured)
    first = f"{verdict.headline}, since {verdict.why}; {verdict.reasons[0][:-1].replace(' are used', ' were used')}."
    if not verdict.why:
        first = (
            f"{verdict.headline}: {verdict.reasons[0][:-1].replace(' are used', ' were used')}, and the Sun's centre is known to "
            f"{_at_best(_centre_error(measured)[1], 'Mm')} in a typical one."
        )
    systematic = 100.0 * float(np.hypot(measured.motion.scale_err, measured.motion.clock_err))
    doubt = f"Scale and clock together may be off by {systematic:.1f} % (1 sigma)"
    if measured.scale.untold:
        doubt = (
            f"The scale comes from one source, the {measured.scale.source}, and the check on it could not tell "
            f"{measured.scale.untold}; {doubt[0].lower()}{doubt[1:]}"
        )
    if not measured.scale.check:
        doubt = f"The scale comes from one source only, the {measured.scale.source}, and nothing checks it; {doubt[0].lower()}{doubt[1:]}"
    if not measured.scale.agrees:
        doubt = f"The sources of the scale disagree, so check it before quoting a speed ({doubt[0].lower()}{doubt[1:]})"
    third = f"{doubt}, which shifts all speeds alike, and speeds are in the plane of the sky: lower bounds of the true speed."
    return first, _motion_sentence(measured), third


def _motion_sentence(measured: Measured) -> str:
    knots, knot, front = moving_knots(measured), fastest_knot(measured), leading_front(measured)
    parts = []
    if knot is not None:
        count = counted(len(knots), "knot moves", "knots move")
        doubt = " (faster than this cadence can be sure of)" if too_fast(measured, knot) else ""
        parts.append(f"{count} significantly, the fastest at {speed_text(measured, knot)}{doubt}")
    if front is not None:
        speed = f" at up to {speed_text(measured, front)}" if front.best else ""
        parts.append(f"{'a' if parts else 'A'} front climbs to {height_text(measured, front)}{speed}")
    if not parts:
        followed = counted(len(measured.motion.knots), "track was", "tracks were")
        return f"Nothing moves significantly: {followed} followed, and none beats what the same data give at rest."
    return ", and ".join(parts) + "."


def _at_best(error: float, unit: str) -> str:
    """'0.07 Mm', 'better than 0.01 Mm': no error is nothing."""
    return f"better than 0.01 {unit}" if error < 0.01 else f"{error:.2f} {unit}"


def _centre_text(error_px: float, error_mm: float) -> str:
    """In pixels and megametres; the latter alone where they are too small to write, as a line on a figure has
    no room for more."""
    if error_mm < 0.01:
        return _at_best(error_mm, "Mm")
    return f"{_at_best(error_px, 'px')} ({_at_best(error_mm, 'Mm')})"


def _centre_error(measured: Measured) -> tuple[float, float]:
    error = (
        float(np.median(measured.lock.centre_err_px[measured.lock.used]))
        if measured.lock.used.any()
        else np.nan
    )
    return error, error * measured.scale.km_per_px * 1e-3


def _radius_pull(lock: LimbLock) -> float:
    """Scatter of the frames' own radii about the common radius, in units of their errors; robust."""
    pulls = (lock.frame_radius_px - lock.radius_px) / lock.frame_radius_err_px
    pulls = pulls[lock.used & np.isfinite(pulls)]
    return float(1.4826 * np.median(np.abs(pulls - np.median(pulls)))) if len(pulls) else np.nan


def _radius_sentence(pull: float) -> str:
    if not np.isfinite(pull):
        return "The radii of single frames could not be compared."
    if pull <= GOOD_PULL:
        return f"Radii of single frames scatter by {pull:.1f} x their stated error: they agree."
    return f"Radii of single frames scatter by {pull:.1f} x their stated error: more than they should."


def _mark(value: float, good: float, poor: float) -> int:
    if not np.isfinite(value):
        return 1
    return 0 if value <= good else 1 if value <= poor else 2
