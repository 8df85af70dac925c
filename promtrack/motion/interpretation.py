"""What a number means: one plain sentence for each headline, beside published ranges; and the letters by
which all products call what moves: fronts first, then the fastest knots.

Speeds are in the plane of the sky, so a measured one may be "above" a range, and only "seemingly below" it.
Every comparison allows two standard deviations, systematic part included.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from promtrack.motion import limits
from promtrack.motion.records import Front, FrontFit, KnotFit, KnotTrack, Meaning, Motion
from promtrack.rounding import error_text, with_error
from promtrack.sun import SOLAR_RADIUS_KM, escape_speed_km_s, gravity_m_s2

LETTERS = "ABCDFGHIJKLMOPQRSTUVWXYZ"  # E and N are east and north in all pictures
LETTERED_KNOTS = 3  # as many as have a colour of their own

DOUBT = "perhaps confused with a neighbour (too slow a cadence)"


@dataclass(frozen=True, slots=True)
class Usual:
    """A published range of speeds."""

    what: str
    low_km_s: float
    high_km_s: float
    source: str


# Ranges that stand in the abstracts named.
QUIET = Usual(
    "quiet threads (Doppler shifts)",
    5.0,
    15.0,
    "Schmieder et al. 2010, A&A 514, A68: Doppler shifts, of the same order as speeds across the sky",
)
DOWNFLOWS = Usual(
    "downflows in quiet prominences", 20.0, 35.0, "Berger, Hillier & Liu 2017, arXiv 1707.05265"
)
RAIN_MEAN = Usual("coronal rain in the mean", 70.0, 70.0, "Antolin & Rouppe van der Voort 2012, ApJ 745, 152")
_RANGES = {"falls": (DOWNFLOWS, RAIN_MEAN, QUIET)}  # of all that does not fall: quiet threads
# Mean of the log-normal distribution of the largest speeds of 106 eruptions at the limb, mean speed of their
# slow rise, and mean of their largest accelerations.
ERUPTION_KM_S, SLOW_RISE_KM_S, ERUPTION_M_S2 = 106.0, 2.1, 111.0
ERUPTIONS = "McCauley et al. 2015, Solar Phys. 290, 1703"
GRAVITY = "nominal solar mass of IAU 2015 Resolution B3"


def free_fall_km_s(from_mm: np.ndarray | float, to_mm: np.ndarray | float = 0.0) -> np.ndarray | float:
    """Speed after a free fall from rest at `from_mm` to the lower height `to_mm`, Mm above the photosphere,
    by the inverse-square gravity of the nominal Sun alone."""
    return np.sqrt(escape_speed_km_s(to_mm) ** 2 - escape_speed_km_s(from_mm) ** 2)


def course(fit: KnotFit) -> str:
    """Which way a knot goes: it 'rises', 'falls', 'moves along the limb', or 'moves' where that is open."""
    if abs(fit.radial_km_s) < 0.5 * fit.speed_km_s:  # within 30 degrees of it
        return "moves along the limb"
    if abs(fit.radial_km_s) <= limits.COMPATIBLE * math.hypot(fit.radial_err_km_s, fit.systematic_km_s):
        return "moves"
    return "rises" if fit.radial_km_s > 0 else "falls"


def slant(fit: KnotFit) -> str:
    """' aslant' for a knot that rises or falls at more than 30 degrees from straight up and down."""
    steep = abs(fit.radial_km_s) > math.sqrt(0.75) * fit.speed_km_s
    return "" if steep or course(fit).startswith("moves") else " aslant"


def knot_meaning(
    knot: KnotTrack, limb_mm: float, sure_km_s: float = math.inf, *, quiet: bool = True
) -> Meaning:
    """One sentence on a moving knot: beside what usually moves its way (where an eruption is seen, `quiet`
    False, not beside quiet threads) and, if mostly up or down, beside what gravity does; on one faster than
    `sure_km_s`, which may have been taken for its neighbour, no comparison.

    A knot that rises stands beside the escape speed at its mean height, since its speed is that at mid-time.
    One that falls stands beside free fall from rest at its greatest height to that at mid-time; if it fell
    less than 2 Mm, beside escape too.
    """
    fit, motion, about = knot.fit, course(knot.fit), f"knot {knot.knot}"
    error = math.hypot(fit.speed_err_km_s, fit.systematic_km_s)
    sentence, sources = f"Knot {knot.knot} {motion}{slant(fit)} at {_speed(fit.speed_km_s, error)}", []
    if fit.speed_km_s > sure_km_s:
        return Meaning(about, f"{sentence}, {DOUBT}.", "")
    # the range that it lies deepest in, or least far outside
    usual = min(
        _RANGES.get(motion, (QUIET,)),
        key=lambda one: max(one.low_km_s - fit.speed_km_s, fit.speed_km_s - one.high_km_s),
    )
    if quiet or usual is not QUIET:
        low, high = f"{usual.low_km_s:.0f}", f"{usual.high_km_s:.0f}"
        numbers = low if low == high else f"{low} to {high}"
        where = _where(fit.speed_km_s, error, usual.low_km_s, usual.high_km_s)
        sentence += f": {where} the {numbers} km/s of {usual.what}"
        sources.append(usual.source)
    above_mm = limb_mm - SOLAR_RADIUS_KM / 1e3
    top_mm, middle_mm = float(knot.curve_mm.max()), float(np.interp(fit.time_s, knot.time_s, knot.curve_mm))
    if motion == "falls" and top_mm - middle_mm >= 2.0:  # the error of a height would decide about less
        part = fit.speed_km_s / float(free_fall_km_s(above_mm + top_mm, above_mm + middle_mm))
        sentence += f", {_percent(part)} of free-fall speed if it started from rest where it was first seen"
        sources.append(GRAVITY)
    elif motion in ("falls", "rises"):
        escape = float(escape_speed_km_s(above_mm + float(knot.height_mm.mean())))
        sentence += f", {_percent(fit.speed_km_s / escape)} of escape speed"
        sources.append(GRAVITY)
    return Meaning(about, sentence + ".", "; ".join(sources))


def front_meaning(
    front: Front, limb_mm: float, *, scale_err: float, clock_err: float, follows: int = 0
) -> Meaning | None:
    """A sentence on the largest speed of a moving front, or on its mean one where no model describes the
    motion, and one on its acceleration; None for one at rest. Escape speed and gravity are those at its
    greatest height. An edge that follows knot number `follows` is no eruption, compared with nothing."""
    if not front.moving:
        return None
    name, about = f"Front {front.front}", f"front {front.front}"
    peak, random = front.quoted_km_s
    error = math.hypot(random, peak * math.hypot(scale_err, clock_err))
    which, verb = ("largest", "reaches") if front.best is not None else ("mean", "moves on average at")
    if follows:
        words = f"{name} follows knot {follows}: its {which} speed is {_speed(peak, error)}."
        return Meaning(about, words, "")
    above_mm = limb_mm + float(front.height_mm.max()) - SOLAR_RADIUS_KM / 1e3
    part = f", {_percent(peak / float(escape_speed_km_s(above_mm)))} of escape speed."
    sentence = f"{name} {verb} {_speed(peak, error)}"
    if front.best is None:
        return Meaning(about, f"{sentence}{part} No simple model describes it.", GRAVITY)
    beside = f"{_where(peak, error, ERUPTION_KM_S)} the mean of eruptions ({ERUPTION_KM_S:.0f} km/s)"
    if peak + limits.COMPATIBLE * error < SLOW_RISE_KM_S * 2:
        beside = f"like the slow rise before eruptions ({SLOW_RISE_KM_S:.1f} km/s)"
    sentence += f": {beside}{part}"
    sentence += _acceleration(front.best, scale_err, clock_err, float(gravity_m_s2(above_mm)))
    return Meaning(about, sentence, f"{ERUPTIONS}; {GRAVITY}")


def _speed(value: float, error: float) -> str:
    return f"{with_error(value, error, 'km/s')} in the plane of the sky"


def _percent(part: float) -> str:
    """A part in per cent."""
    return f"{100 * part:.{0 if part >= 0.0995 else 1}f} %"


def _where(value: float, error: float, low: float, high: float | None = None) -> str:
    """Where a value lies against a range, or one number."""
    high = low if high is None else high
    least, most = value - limits.COMPATIBLE * error, value + limits.COMPATIBLE * error
    if least > high:
        return "above"
    if most < low:
        return "seemingly below"
    return "within" if low <= least and most <= high else "compatible with"


def _acceleration(best: FrontFit, scale_err: float, clock_err: float, gravity_m_s2: float) -> str:
    """A second sentence, on the model's largest acceleration, or nothing."""
    value = best.accel_peak_m_s2
    # Time counts squared, so the clock's error counts twice.
    error = math.hypot(best.accel_peak_err_m_s2, value * math.hypot(scale_err, 2 * clock_err))
    if not math.isfinite(value) or not math.isfinite(error):
        return ""
    if abs(value) < limits.COMPATIBLE * error:
        return f" No acceleration beyond its error of {error_text(error, 'm/s²')} is seen."
    words = f" Its largest acceleration is {with_error(value, error, 'm/s²')}; local gravity is "
    beside = f", and the largest accelerations of eruptions are {ERUPTION_M_S2:.0f} m/s² in the mean"
    return f"{words}{gravity_m_s2:.0f} m/s²{beside if value > 0 else ''}."


@dataclass(frozen=True, slots=True)
class Labels:
    """Letters by number; what has none is not in the dictionaries."""

    fronts: dict[int, str]  # Front.front to letter
    knots: dict[int, str]  # KnotTrack.knot to letter, the fastest first

    def front(self, front: Front) -> str:
        """'A', or '' for a front without letter."""
        return self.fronts.get(front.front, "")

    def knot(self, knot: KnotTrack) -> str:
        """'B', or '' for a knot without letter."""
        return self.knots.get(knot.knot, "")

    def place(self, knot: KnotTrack) -> int:
        """Place among the lettered knots, 0 for the first; -1 without letter."""
        return list(self.knots).index(knot.knot) if knot.knot in self.knots else -1


def ranked_fronts(motion: Motion) -> tuple[Front, ...]:
    """The moving fronts, the highest first."""
    moving = (front for front in motion.fronts if front.moving)
    return tuple(sorted(moving, key=lambda front: (-float(front.height_mm.max()), front.front)))


def ranked_knots(motion: Motion) -> tuple[KnotTrack, ...]:
    """The moving knots in the order of their letters: those that a model describes first, among them last
    those so fast that they may have been taken for their neighbours, and else the fastest first."""

    def rank(knot: KnotTrack) -> tuple[bool, bool, float, int]:
        speed = knot.fit.speed_km_s
        return knot.fit.model == "none", speed > motion.control.sure_km_s, -speed, knot.knot

    return tuple(sorted((knot for knot in motion.knots if knot.moving), key=rank))


def label_motion(motion: Motion) -> Labels:
    """Letters A, B, C ...: every moving front, the highest first, then the fastest moving knots; after marks
    those from before them, as the motion holds them."""
    fronts = [front.front for front in ranked_fronts(motion)]
    knots = [knot.knot for knot in ranked_knots(motion)]
    if motion.letters:

        def kept(kind: str, numbers: list[int]) -> dict[int, str]:
            return {n: letter for n in numbers if (letter := motion.letters.get(f"{kind} {n}"))}

        return Labels(kept("front", fronts), kept("knot", knots))
    fronts = fronts[: len(LETTERS) - LETTERED_KNOTS]
    knots = knots[:LETTERED_KNOTS]
    return Labels(
        dict(zip(fronts, LETTERS, strict=False)), dict(zip(knots, LETTERS[len(fronts) :], strict=False))
    )


def lettered(sentence: str, motion: Motion) -> str:
    """The sentence with 'knot 7' and 'front 1' called by their letters, and by hand where they are."""
    labels = label_motion(motion)
    letters = {"knot": labels.knots, "front": labels.fronts}
    by_hand = {f"knot {knot.knot}" for knot in motion.knots if knot.by_hand}
    by_hand |= {f"front {front.front}" for front in motion.fronts if front.by_hand}

    def name(found: re.Match[str]) -> str:
        letter = letters[found[1].lower()].get(int(found[2]), found[2])
        return f"{found[1]} {letter}{' by hand' * (found[0].lower() in by_hand)}"

    return re.sub(r"\b([Kk]not|[Ff]ront) (\d+)\b", name, sentence)
