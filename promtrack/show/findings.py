"""What a run found, in words: everything measured in; headline, titles and the numbers that the page leads
with out, from the values in `quoted`.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from promtrack.motion.false_alarms import LEAST_TOLD
from promtrack.motion.front_models import SPEED
from promtrack.motion.interpretation import course, slant
from promtrack.motion.records import Front, KnotTrack
from promtrack.rounding import clock, counted, duration, plain, significant_decimals, with_error
from promtrack.show.curves import front_curve
from promtrack.show.quoted import (
    CHANGES,
    fastest_knot,
    front_model,
    front_speed,
    height_error,
    highest_prominence,
    is_steady,
    knot_height,
    leading_front,
    moving_knots,
    named_tracks,
    relative_error,
    rest_of,
    speed_of,
    speeds_along,
    too_fast,
    top_height,
    track_name,
)
from promtrack.show.records import Measured
from promtrack.show.verdict import limb_name

CARD_WORDS = 25


@dataclass(frozen=True, slots=True)
class Number:
    """One of the numbers that the page leads with."""

    title: str
    text: str
    note: str


# What `course` says of a knot's way: that it goes so, and that it went so.
_WAYS = {
    "rises": ("rising", "rose"),
    "falls": ("falling", "fell"),
    "moves along the limb": ("along the limb", "ran along the limb"),
    "moves": ("moving", "moved"),
}


def going(knot: KnotTrack) -> str:
    """Which way a knot goes: 'rising', 'falling', 'along the limb', or 'moving' where that is open."""
    return _WAYS[course(knot.fit)][0]


def knot_speed_words(measured: Measured, knot: KnotTrack, where: str = "", *, both: bool = True) -> str:
    """' at 26.1 ± 0.2 km/s'; ' at 26.1 ± 0.2 km/s, slowing from 47 ± 2 to 16.0 ± 1.1 km/s' where that
    changes and `both` ends are wanted. `where` stands behind the speed, with the time of both."""
    words = f" at {speed_of(measured, knot).text}{where}"
    if where or knot.fit.model == "none":
        words += f" at {time_words(measured, knot.fit.time_s)}"
    if not both or knot.fit.model == "none" or is_steady(measured, knot):
        return words
    speed, error = speeds_along(measured, knot)
    slowing = speed[-1] < speed[0]
    if np.ptp(speed) < abs(speed[-1] - speed[0]) + np.hypot(error[0], error[-1]):
        way, ends = f", {'slowing' if slowing else 'speeding up'} from", (0, -1)
    else:
        way, ends = ", between", (int(speed.argmin()), int(speed.argmax()))
    first, last = (with_error(speed[end], error[end]) for end in ends)
    return f"{words}{way} {first} {'and' if way == ', between' else 'to'} {last} km/s"


def false_alarm_text(expected: float) -> str:
    """Expected number of false alarms, in words that do not suggest more digits than it has."""
    if not math.isfinite(expected):
        return "unknown"
    if expected <= LEAST_TOLD:  # what is less is given as that
        return f"below {plain(LEAST_TOLD, 6)}"
    return plain(expected, min(significant_decimals(expected, 1), 6))


def time_words(measured: Measured, time_s: float) -> str:
    """'08:12' of a time in seconds since the first strip."""
    return clock(measured.strip.moment(time_s), seconds=False)


def card_sentence(measured: Measured) -> str:
    """The headline in at most some 25 words, a number with its error as one, for a card."""
    if not moving_knots(measured) and leading_front(measured) is None:
        stands = _stands(measured)
        return f"No motion could be shown{f': t{stands[1:]}' if stands else ''}."
    words = headline(measured, both=False)
    short = len(re.sub(r" ± \S+", "", words).split()) <= CARD_WORDS
    return words if short else f"{words.partition('; ')[0].rstrip('.')}."


def headline(measured: Measured, *, both: bool = True) -> str:
    """The run in one sentence. `both`: with both ends of a knot's speed where that changes."""
    front, knot, knots = leading_front(measured), fastest_knot(measured), moving_knots(measured)
    if front is not None:
        name, speed = track_name(measured, front), front_speed(measured, front).text
        reached = f"reached {speed}" if front_model(front) else f"moved at {speed} on average"
        return f"A leading edge ({name}) {_climb(measured, front)} and {reached}{_beside(knots)}."
    if knot is None:
        followed = counted(len(measured.motion.knots), "track was", "tracks were")
        still = f"No motion could be shown against scrambled data: {followed} followed."
        stands = _stands(measured)
        return " ".join([still] * (len(measured.strip) > 1 or not stands) + [f"{stands}."] * bool(stands))
    where = f", {knot_height(measured, knot).text} above the limb"
    return f"{_knot_title(measured, knot, where, both=both)}{_beside(knots[1:])}."


def heights_title(measured: Measured) -> str:
    """What the heights against time show, in one line: of knots the one that changed its height most."""
    if leading_front(measured) is not None or not moving_knots(measured):
        return run_title(measured)
    knots = [named.track for named in named_tracks(measured)]
    one = max(knots, key=lambda knot: abs(float(knot.height_mm[-1] - knot.height_mm[0])))
    error = height_error(measured, one.height_mm, one.height_err_mm)[[0, -1]]
    if abs(float(one.height_mm[-1] - one.height_mm[0])) > CHANGES * np.hypot(*error):
        return f"K{track_name(measured, one)[1:]} {_climb(measured, one)}"
    every = moving_knots(measured)
    low, high = (f"{end([end(knot.height_mm) for knot in every]):.0f}" for end in (min, max))
    return f"What moves stayed between {low} and {high} Mm"


def run_title(measured: Measured) -> str:
    """The run in one line: what its leading edge, else its first knot did."""
    front = leading_front(measured)
    if front is None:
        return _frontless_title(measured)
    model = front_model(front)
    if model is None:
        return f"The leading edge {_climb(measured, front)}; no simple model describes it"
    times = np.linspace(front.time_s[0], front.time_s[-1], 500)
    speed = np.abs(front_curve(front, model, times).speed_km_s)
    slow_s, slowly = rest_of(front), "rested"
    if not slow_s:
        slow_s = float(times[np.nanargmax(speed > 0.1 * np.nanmax(speed))] - front.time_s[0])
        slowly = "rose slowly"
    rest_s = float(front.time_s[-1] - front.time_s[0]) - slow_s
    reached = front_speed(measured, front).text
    if slow_s > rest_s and front.height_mm[-1] > front.height_mm[0]:
        return f"The edge {slowly} for {duration(slow_s)}, then reached {reached} within {duration(rest_s)}"
    return f"The leading edge {_climb(measured, front)}, at up to {reached}"


def growth_title(measured: Measured) -> str:
    """What the pictures from first to last show, in one line."""
    front = leading_front(measured)
    return _frontless_title(measured) if front is None else f"The leading edge {_climb(measured, front)}"


def speeds_title(measured: Measured) -> str:
    """What the speeds show, in one line."""
    front = leading_front(measured)
    if front is None:
        return _frontless_title(measured)
    model = front_model(front)
    if model is None:
        return f"The leading edge moved at {front_speed(measured, front).text} on average"
    curve, quoted = front_curve(front, model, front.time_s[[0, -1]]), front_speed(measured, front)
    speed = np.abs(curve.speed_km_s)
    if rested_s := rest_of(front):
        return f"The leading edge rested for {duration(rested_s)}, then reached {quoted.text}"
    if abs(speed[1] - speed[0]) < CHANGES * quoted.error or speed[0] == 0.0:
        way = "moved at a steady" if model.model == SPEED else "reached"
        return f"The leading edge {way} {quoted.text}"
    first, last = map(with_error, speed, np.hypot(curve.speed_err_km_s, speed * relative_error(measured)))
    return f"The leading edge went from {first} to {last} km/s in {duration(float(np.ptp(front.time_s)))}"


def three_numbers(measured: Measured) -> tuple[Number, ...]:
    """The numbers that the page leads with, the surest first."""
    front, knot, found = leading_front(measured), fastest_knot(measured), []
    above = f"above {limb_name(measured)}"
    if front is not None:
        kind, name = "greatest" if front_model(front) else "mean", track_name(measured, front)
        found.append((top_height(measured, front), f"greatest height, {name}", above))
        found.append((front_speed(measured, front), f"{kind} speed, {name}", "across the sky, at least"))
    if knot is not None:
        name, when = track_name(measured, knot), time_words(measured, knot.fit.time_s)
        doubt = "; may be confused with its neighbour" if too_fast(measured, knot) else ""
        other = _fastest(measured)
        if other is not knot and not too_fast(measured, other):
            doubt += f"; {track_name(measured, other)} was faster at times"
        note = f"across the sky, at least; at {when}{doubt}"
        found.append((speed_of(measured, knot), f"speed, {name}", note))
        found.append((knot_height(measured, knot), f"height, {name}, {when}", above))
    found = found[:3]
    found.sort(key=lambda one: ("confused" in one[2], abs(one[0].error / max(abs(one[0].value), 1e-9))))
    numbers = [Number(title, quoted.text, note) for quoted, title, note in found]
    if front is None and (highest := highest_prominence(measured)):  # its outline, not the edge of a front
        numbers.append(Number("highest prominence", highest[1], above))
    used, knots = measured.lock.used, moving_knots(measured)
    if knots:
        moving = f"{len(knots)} of {len(measured.motion.knots)}"
        numbers.append(Number("moving knots", moving, "tracks followed"))
    left_out = "none was left out" if used.all() else "the others are listed below"
    numbers.append(Number("frames used", f"{int(used.sum())} of {len(used)}", left_out))
    span = Number("span", duration(float(measured.strip.time_s[-1])), "first to last frame used")
    standing = Number("prominences", str(len(measured.motion.prominences)), above)
    numbers.append(span if len(measured.strip) > 1 else standing)
    return tuple(numbers[:3])


def _fastest(measured: Measured) -> KnotTrack:
    """The moving knot with the greatest speed by its model, or at mid-time where no model describes it."""

    def greatest(knot: KnotTrack) -> float:
        along = speeds_along(measured, knot)[0] if knot.fit.model != "none" else knot.fit.speed_km_s
        return float(np.max(along))

    return max(moving_knots(measured), key=greatest)


def _frontless_title(measured: Measured) -> str:
    knot = fastest_knot(measured)
    if knot is None:
        return (len(measured.strip) == 1 and _stands(measured)) or "No motion could be shown"
    return _knot_title(measured, knot)


def _stands(measured: Measured) -> str:
    highest = highest_prominence(measured)
    return f"The highest prominence stands {highest[1]} above the limb" if highest else ""


def _knot_title(measured: Measured, knot: KnotTrack, where: str = "", *, both: bool = True) -> str:
    name, moved = track_name(measured, knot), _WAYS[course(knot.fit)][1] + slant(knot.fit)
    title = f"The fastest knot ({name[5:]})" if _fastest(measured) is knot else f"K{name[1:]}"
    doubt = " (perhaps two taken for one)" if too_fast(measured, knot) else ""
    return f"{title} {moved}{knot_speed_words(measured, knot, where, both=both)}{doubt}"


def _climb(measured: Measured, track: Front | KnotTrack) -> str:
    """'rose from 45 ± 2 to 292 ± 3 Mm in 73 min'."""
    height = track.height_mm
    error = height_error(measured, height, track.height_err_mm)
    first, last = (with_error(height[end], error[end]) for end in (0, -1))
    moved = "rose" if height[-1] > height[0] else "sank" if isinstance(track, Front) else "fell"
    return f"{moved} from {first} to {last} Mm in {duration(float(np.ptp(track.time_s)))}"


def _beside(knots: tuple[KnotTrack, ...]) -> str:
    return f"; {counted(len(knots), 'knot moves', 'knots move')} too" if knots else ""
