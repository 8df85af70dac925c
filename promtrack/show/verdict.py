"""How far a run can be trusted: everything measured in, three lights with their reasons out.

Each stage brings checks of its own (`promtrack.checks`); a few that need the whole run are made here. A light
is the worst of its checks: a check that failed is never outweighed by others that passed.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy.special import bdtr

from promtrack.checks import LEVEL_WORDS, LEVELS, SUBJECTS, Check, light
from promtrack.limb.records import LimbLock
from promtrack.motion.records import Ridge
from promtrack.rounding import counted, error_decimals, error_text, plain, rounded, sentence, typeset
from promtrack.show.records import Measured
from promtrack.sun import Scale

PLANE_OF_SKY = "Speeds across the sky: lower bounds, if the same plasma was followed."

# Judgement of this program: with 0.1 Mm of registration error a knot followed for five minutes carries
# 0.5 km/s from the lock, with 0.5 Mm 2.4 km/s, as much as a slow knot moves. Each pair: most for good, fair.
CENTRE_MM = (0.1, 0.5)


@dataclass(frozen=True, slots=True)
class Light:
    """One of the three parts of the verdict."""

    subject: str  # 'lock', 'scale' or 'motion'
    level: str  # 'good', 'fair' or 'poor'
    reasons: tuple[str, ...]  # sentences of the checks that stand at this level

    @property
    def words(self) -> str:
        """'Lock: with care'."""
        return f"{self.subject.capitalize()}: {LEVEL_WORDS[self.level]}"


def lights(measured: Measured) -> tuple[Light, ...]:
    """Lock, scale and motion, in this order; each at the level of its worst check."""
    checks = (*measured.lock.checks, *measured.motion.checks, *_own_checks(measured))
    found = ((subject, *light(checks, subject)) for subject in SUBJECTS)
    return tuple(Light(one, level, tuple(dict.fromkeys(map(sentence, said)))) for one, level, said in found)


def trust_words(found: tuple[Light, ...]) -> str:
    """'use with care' or 'do not trust' by the worst light; '' where all are good."""
    level = max((one.level for one in found), key=LEVELS.index)
    return {"good": "", "poor": "do not trust"}.get(level, "use with care")


def verdict_line(found: tuple[Light, ...]) -> str:
    """The first line of the page: the worst light by name, and its first reason without the details, which
    stand below."""
    worst = max(found, key=lambda one: LEVELS.index(one.level))
    if worst.level == "good":
        return "Trustworthy: lock, scale and motion passed checks that are not the fit itself."
    start = trust_words(found).capitalize()
    *first, last = [one.subject for one in found if one.level == worst.level]
    named = f"{', '.join(first)} and {last}" if first else last
    reason = re.split(r"[:;] ", worst.reasons[0])[0].rstrip(".")
    return f"{start}: {named}. {reason}."


def limb_name(measured: Measured) -> str:
    """What heights are counted from, in a few words: the limb in the line of light, as far as it is known."""
    if measured.lock.edge_bias_px > 0.0:
        return "the burnt-out limb"
    line = measured.sequence.line
    return f"the {line} limb" if line else "the limb as recorded"


def limb_words(measured: Measured) -> str:
    """The same with where it stands: the edge of a burnt-out disc lies outside the limb."""
    bias_px = measured.lock.edge_bias_px
    if bias_px <= 0.0:
        return f"{limb_name(measured)} ({measured.scale.limb.height_mm:.3g} Mm above the photosphere)"
    outside = rounded(bias_px * measured.scale.km_per_px * 1e-3, 2, "Mm")
    return f"the burnt-out limb, up to {outside} outside the true one"


def rejections(lock: LimbLock) -> tuple[tuple[str, int], ...]:
    """Reasons for leaving frames out, each with its count, most frequent first; what differs only in figures
    is one reason."""
    kinds: dict[str, list[str]] = {}
    for reason, rejected in zip(lock.reason, lock.rejected, strict=True):
        if rejected:
            kinds.setdefault(re.sub(r"[\d.]+", "", reason), []).append(reason)
    most = sorted(kinds.values(), key=len, reverse=True)
    return tuple((one[0] if len(set(one)) == 1 else one[0].partition(":")[0], len(one)) for one in most)


def _own_checks(measured: Measured) -> Iterator[Check]:
    """Checks that need more than one stage, and what was not checked at all."""
    lock, motion = measured.lock, measured.motion
    crossed = [ridge for ridge in motion.ridges if ridge.knot and not ridge.front]
    yield from (_centre_error(measured), _radii(lock), _second_source(measured.scale))
    if crossed:
        yield _ridges(crossed)
    fast = [knot for knot in motion.knots if knot.moving and knot.fit.speed_km_s > motion.control.sure_km_s]
    if fast:
        which = counted(len(fast), "moving knot goes", "moving knots go")
        words = f"{which} more than half the spacing of knots between two frames"
        advice = "and may be confused with others; take frames more often"
        yield Check("motion", "cadence", "fair", f"{words} {advice}")
    checked = {check.subject for check in (*lock.checks, *motion.checks)}
    if "lock" not in checked:
        yield Check("lock", "independent check", "fair", "Nothing but the fit itself checks the lock")
    if "motion" not in checked and not crossed:
        yield Check("motion", "independent check", "fair", "No second measurement checks the motion")


def _centre_error(measured: Measured) -> Check:
    used = measured.lock.used
    error_px = float(np.median(measured.lock.centre_err_px[used])) if used.any() else np.nan
    error_mm = error_px * measured.scale.km_per_px * 1e-3
    error, level = error_text(error_mm, "Mm"), _level(error_mm, CENTRE_MM)
    if error_mm > CENTRE_MM[0] >= round(error_mm, error_decimals(error_mm)):  # the two would look alike
        error = f"{plain(error_mm, error_decimals(error_mm) + 1)} Mm"
    words = f"A typical frame's centre has an error of {error} across the limb"
    if level != "good":
        words += f", where below {CENTRE_MM[0]:g} Mm would be good"
    return Check("lock", "centre error", level, words)


def _radii(lock: LimbLock) -> Check:
    """Scatter of the frames' own radii about the common radius, in units of their errors; robust."""
    pulls = (lock.frame_radius_px - lock.radius_px) / lock.frame_radius_err_px
    pulls = pulls[lock.used & np.isfinite(pulls)]
    pull = float(1.4826 * np.median(np.abs(pulls - np.median(pulls)))) if len(pulls) else np.nan
    words = f"Radii of single frames scatter by {pull:.1f} times their errors"
    if not np.isfinite(pull):
        words = "The radii of single frames could not be compared"
    return Check("lock", "radii", _level(pull, (2.0, 4.0)), words)


def _second_source(scale: Scale) -> Check:
    if not scale.check:
        level, words = "fair", f"The scale comes from one source only ({scale.source}), and nothing checks it"
    elif not scale.agrees:
        level, words = "poor", f"Two sources of the scale disagree: {scale.check}"
    elif scale.untold:
        words = f"The check of the scale is too weak to be one: it could not have seen {scale.untold}"
        level = "fair"
    else:
        level, words = "good", typeset(scale.check)
    return Check("scale", "second source", level, words)


def _ridges(crossed: list[Ridge]) -> Check:
    """Speeds of ridges against those of the knots that cross them; a front's own edge is no second one."""
    agree = sum(ridge.agrees for ridge in crossed)
    words = f"Time-distance diagrams give a knot's speed in {agree} of {len(crossed)} cases"
    level = "good"
    if len(crossed) < 5:  # many a wrong speed would pass one comparison
        level, words = "fair", f"{words}, too few to be a check"
    elif bdtr(agree, len(crossed), 0.95) < 0.05:  # so few agree within 2 sigma in one case of twenty
        level = "poor" if bdtr(agree, len(crossed), 0.5) < 0.05 else "fair"  # poor: surely most differ
        words += ", where 95% should agree"
    return Check("motion", "ridges", level, words)


def _level(value: float, limits: tuple[float, float]) -> str:
    """'fair' where the value is unknown: what was not checked cannot be called good."""
    if not np.isfinite(value):
        return "fair"
    return "good" if value <= limits[0] else "fair" if value <= limits[1] else "poor"
