"""How numbers, counts, angles and times are written wherever a person reads them.

One rule for sentences, cards, tables, figures and the clip, so that one number never reads in two ways.
"""

from __future__ import annotations

import math
import re

import numpy as np

MINUS = "−"
# A setting's name holds a dot or a stroke.
_HYPHEN = re.compile(r"(?P<setting>\b[a-z]\w*[._][\w.]+ = )?(?<![\w.)\]/=-])-(?=\.?\d)")
_DEGREES = re.compile(r"(?<=\d) deg\b")
BLANK = "\N{NO-BREAK SPACE}"
UNIT = "km/s|km/px|Mm|km/h|km|px|m/s²|min|minutes|hours|million|angstrom|au|deg|s|h|%"


def with_error(value: float, error: float, unit: str = "", *, more: int = 0) -> str:
    """'37.2 ± 1.4 km/s': both rounded to one digit of the error, to two where it begins with 1, and to so
    many `more`. An unknown error is said to be unknown, never 0."""
    if math.isfinite(value) and math.isfinite(error) and error > 0.0:
        decimals = error_decimals(error) + more
        return f"{plain(value, decimals)} ± {plain(error, decimals)}{_tail(unit)}"
    unknown = bool(math.isfinite(value) and error != 0.0)
    return rounded(value, 3, unit) + " (error unknown)" * unknown


def error_text(error: float, unit: str = "") -> str:
    """'1.4 km/s': an error given alone, rounded as `with_error` rounds it."""
    if not math.isfinite(error):
        return "unknown"
    return f"{plain(error, error_decimals(error)) if error > 0.0 else '0'}{_tail(unit)}"


def _tail(unit: str) -> str:
    return f" {unit}" if unit else ""


def error_decimals(error: float) -> int:
    """Decimals to which a value with this error is given; negative means tens, hundreds and so on."""
    exponent = math.floor(math.log10(error))
    leading = round(error / 10.0 ** (exponent - 2), 6)
    return -exponent + (1 if leading < 195.0 else 0)


def rounded(value: float, digits: int = 3, unit: str = "") -> str:
    """A number without an error, to so many significant digits."""
    if not math.isfinite(value):
        return "unknown"
    return f"{plain(value, significant_decimals(value, digits))}{_tail(unit)}"


def seconds(value_s: float) -> str:
    """'0.05 s', '12.5 s', '1200 s': a time to three digits."""
    return f"{float(f'{value_s:.3g}'):g} s"


def typeset(words: str) -> str:
    """A message with the signs of print: '+-' becomes ±, the hyphen before a number a minus and 'deg' behind
    it °. A setting to be copied, as camera.north_deg = -12, stays as it is."""
    signed = _HYPHEN.sub(lambda part: part[0] if part["setting"] else MINUS, words.replace("+-", "±"))
    return _DEGREES.sub("°", signed)


def significant_decimals(value: float, digits: int) -> int:
    """Decimals that leave so many significant digits."""
    return digits - 1 - math.floor(math.log10(abs(value))) if value else 0


def plain(value: float, decimals: int) -> str:
    """A number with so many decimals and a real minus; negative decimals mean tens, hundreds and so on."""
    number = round(value, decimals)
    text = f"{abs(number):.{max(decimals, 0)}f}"
    return MINUS + text if number < 0.0 else text


def sentence(note: str) -> str:
    """A note from a log as a sentence of its own, with the signs of print."""
    return typeset(f"{note[:1].upper()}{note[1:]}{'' if note.endswith('.') else '.'}")


def unbroken(words: str) -> str:
    """The same words on a page whose lines break anywhere but inside a number with its error and unit."""
    words = re.sub(r"(?<=[\d%°″]) ±|^± ", lambda part: part[0].replace(" ", BLANK), words)
    return re.sub(rf"(?<=±) (?=\d)|(?<=\d) (?=(?:{UNIT})(?![\w]))", BLANK, words)


def counted(count: int, one: str, many: str = "") -> str:
    """'1 track', '3 tracks', 'no tracks'; `many` where it is not `one` with an s."""
    return f"{count or 'no'} {one if count == 1 else many or one + 's'}"


def degrees(angle_deg: float) -> str:
    """An angle within the circle, 0.0° to 359.9°: angles of a stretch of limb may run past 360 or below 0."""
    return f"{round(float(angle_deg), 1) % 360.0:.1f}°"


def duration(seconds: float) -> str:
    """'50 s', '73 min', '2.5 h', '3 days'."""
    if seconds < 120.0:
        return f"{seconds:.0f} s"
    if seconds > 48 * 3600.0:
        return f"{seconds / 86400.0:.0f} days"
    return f"{seconds / 60.0:.0f} min" if seconds < 7200.0 else f"{seconds / 3600.0:.1f} h"


def clock(time_utc: np.datetime64, *, seconds: bool = True) -> str:
    """'08:12:30' in UTC."""
    return np.datetime_as_string(time_utc, unit="s" if seconds else "m")[11:]


def day(time_utc: np.datetime64) -> str:
    """'2026-06-21' in UTC."""
    return str(np.datetime_as_string(time_utc, unit="D"))


def iso(time_utc: np.datetime64) -> str:
    """'2026-06-21T08:12:30.250Z'."""
    return f"{np.datetime_as_string(time_utc, unit='ms')}Z"


def span_text(first_utc: np.datetime64, last_utc: np.datetime64) -> str:
    """'2026-06-21, 08:12 to 08:38 UTC', of one moment '2026-06-21, 08:12 UTC'; the second day is named where
    midnight lies between."""
    later = "" if day(first_utc) == day(last_utc) else f"{day(last_utc)}, "
    first, last = clock(first_utc, seconds=False), clock(last_utc, seconds=False)
    return f"{day(first_utc)}, {first}{'' if first_utc == last_utc else f' to {later}{last}'} UTC"
