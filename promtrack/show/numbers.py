"""Numbers as people read them: a value and its error become text, a time becomes UTC text."""

from __future__ import annotations

import math

import numpy as np

from promtrack.strip.records import TimeDistance

__all__ = ["clock", "counted", "day", "degrees", "false_alarm_text", "path_words", "rounded", "sentence", "span_text", "with_error"]

MINUS = "−"


def with_error(value: float, error: float, unit: str = "") -> str:
    """'37.2 ± 1.4 km/s': both rounded to the error's leading one or two digits.

    The error keeps two digits when its first three lie between 100 and 354, one digit when they lie between
    355 and 949, and is rounded up to 1000 above. An unknown error is said to be unknown, never 0.

    References
    ----------
    Rounding rule: Particle Data Group, Review of Particle Physics, Introduction, section 5.3.
    """
    tail = f" {unit}" if unit else ""
    if not math.isfinite(value):
        return "unknown"
    if not math.isfinite(error) or error < 0.0:
        return f"{_plain(value, _significant(value, 3))}{tail} (error unknown)"
    if error == 0.0:
        return f"{_plain(value, _significant(value, 3))}{tail}"
    decimals = error_decimals(error)
    return f"{_plain(value, decimals)} ± {_plain(error, decimals)}{tail}"


def error_decimals(error: float) -> int:
    """Decimals to which a value with this error is given; negative means tens, hundreds and so on."""
    exponent = math.floor(math.log10(error))
    leading = round(error / 10.0 ** (exponent - 2), 6)
    return -exponent if 355.0 <= leading < 950.0 else -exponent + (0 if leading >= 950.0 else 1)


def sentence(note: str) -> str:
    """A note from a log as a sentence of its own, with the sign that people know."""
    return f"{note[:1].upper()}{note[1:]}{'' if note.endswith('.') else '.'}".replace("+-", "±")


def rounded(value: float, digits: int = 3, unit: str = "") -> str:
    """A number without an error, to so many significant digits."""
    tail = f" {unit}" if unit else ""
    return f"{_plain(value, _significant(value, digits))}{tail}" if math.isfinite(value) else "unknown"


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
        return f"along the limb, {height[0]:.0f} Mm up, from {degrees(angle[0])}"
    return f"{slit.kind}, {degrees(angle[0])}, {height[0]:.0f} Mm to {degrees(angle[-1])}, {height[-1]:.0f} Mm"


def false_alarm_text(expected: float) -> str:
    """Expected number of false alarms, in words that do not suggest more digits than it has."""
    if not math.isfinite(expected):
        return "unknown"
    if expected < 1e-6:
        return "below 0.000001"
    return _plain(expected, min(_significant(expected, 1), 6))


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


def _significant(value: float, digits: int) -> int:
    return digits - 1 - math.floor(math.log10(abs(value))) if value else 0


def _plain(value: float, decimals: int) -> str:
    number = round(value, decimals)
    text = f"{abs(number):.{max(decimals, 0)}f}"
    return MINUS + text if number < 0.0 else text
