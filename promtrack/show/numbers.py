"""Words for what the figures and the report name: times in UTC, spans, angles, paths, counts, notes."""

from __future__ import annotations

import math
import re

import numpy as np

from promtrack.motion.false_alarms import LEAST_TOLD
from promtrack.rounding import plain, significant_decimals, typeset
from promtrack.strip.records import TimeDistance

BLANK = "\N{NO-BREAK SPACE}"
UNIT = "km/s|km/px|Mm|km|px|m/s²|min|au|deg|s|h|%"


def sentence(note: str) -> str:
    """A note from a log as a sentence of its own, with the signs of print."""
    return typeset(f"{note[:1].upper()}{note[1:]}{'' if note.endswith('.') else '.'}")


def unbroken(words: str) -> str:
    """The same words on a page whose lines break anywhere but inside a number with its error and unit."""
    words = re.sub(r"(?<=[\d%°″]) ±|^± ", lambda part: part[0].replace(" ", BLANK), words)
    return re.sub(rf"(?<=±) (?=\d)|(?<=\d) (?=(?:{UNIT})(?![\w]))", BLANK, words)


def counted(count: int, one: str, many: str) -> str:
    """'1 track', '3 tracks', 'no tracks'."""
    return f"{count or 'no'} {one if count == 1 else many}"


def degrees(angle_deg: float) -> str:
    """An angle within the circle, 0.0° to 359.9°: angles of a stretch of limb may run past 360 or below 0."""
    return f"{round(float(angle_deg), 1) % 360.0:.1f}°"


def path_words(slit: TimeDistance, label: str) -> str:
    """A slit's path in words; `label` is 'position angle' or 'image angle'."""
    angle, height = slit.angle_deg, slit.height_mm
    if slit.kind == "radial":
        return f"outward at {label} {degrees(angle[0])}"
    if slit.kind == "parallel":
        short = "PA" if label == "position angle" else label
        return f"along the limb at {height[0]:.0f} Mm, from {short} {degrees(angle[0])}"
    return (
        f"{slit.kind}, {degrees(angle[0])}, {height[0]:.0f} Mm to {degrees(angle[-1])}, {height[-1]:.0f} Mm"
    )


def false_alarm_text(expected: float) -> str:
    """Expected number of false alarms, in words that do not suggest more digits than it has."""
    if not math.isfinite(expected):
        return "unknown"
    if expected <= LEAST_TOLD:  # what is less is given as that
        return f"below {plain(LEAST_TOLD, 6)}"
    return plain(expected, min(significant_decimals(expected, 1), 6))


def clock(time_utc: np.datetime64, *, seconds: bool = True) -> str:
    """'08:12:30' in UTC."""
    return np.datetime_as_string(time_utc, unit="s" if seconds else "m")[11:]


def day(time_utc: np.datetime64) -> str:
    """'2026-06-21' in UTC."""
    return str(np.datetime_as_string(time_utc, unit="D"))


def span_text(first_utc: np.datetime64, last_utc: np.datetime64) -> str:
    """'2026-06-21, 08:12 to 08:38 UTC'; the second day is named where midnight lies between."""
    end = clock(last_utc, seconds=False)
    if day(first_utc) != day(last_utc):
        end = f"{day(last_utc)}, {end}"
    return f"{day(first_utc)}, {clock(first_utc, seconds=False)} to {end} UTC"
