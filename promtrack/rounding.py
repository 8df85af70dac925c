"""How a number is rounded wherever a person reads it: a value and its error in, text out.

One rule for sentences, cards, tables, figures and the clip, so that one number never reads in two ways.
"""

from __future__ import annotations

import math
import re

__all__ = [
    "MINUS",
    "error_decimals",
    "error_text",
    "plain",
    "rounded",
    "significant_decimals",
    "typeset",
    "with_error",
]

MINUS = "−"
_HYPHEN = re.compile(
    r"(?P<setting>\b[a-z]\w*[._][\w.]+ = )?(?<![\w.)\]/=-])-(?=\.?\d)"
)  # a setting's name holds a dot or a stroke
_DEGREES = re.compile(r"(?<=\d) deg\b")


def with_error(value: float, error: float, unit: str = "") -> str:
    """'37.2 ± 1.4 km/s': both rounded to one digit of the error, to two where it begins with 1.

    An unknown error is said to be unknown, never 0.
    """
    tail = f" {unit}" if unit else ""
    if not math.isfinite(value):
        return "unknown"
    if not math.isfinite(error) or error < 0.0:
        return f"{plain(value, significant_decimals(value, 3))}{tail} (error unknown)"
    if error == 0.0:
        return f"{plain(value, significant_decimals(value, 3))}{tail}"
    decimals = error_decimals(error)
    return f"{plain(value, decimals)} ± {plain(error, decimals)}{tail}"


def error_text(error: float, unit: str = "") -> str:
    """'1.4 km/s': an error given alone, rounded as `with_error` rounds it."""
    tail = f" {unit}" if unit else ""
    return (
        f"{plain(error, error_decimals(error)) if error > 0.0 else '0'}{tail}"
        if math.isfinite(error)
        else "unknown"
    )


def error_decimals(error: float) -> int:
    """Decimals to which a value with this error is given; negative means tens, hundreds and so on."""
    exponent = math.floor(math.log10(error))
    leading = round(error / 10.0 ** (exponent - 2), 6)
    return -exponent + (1 if leading < 195.0 else 0)


def rounded(value: float, digits: int = 3, unit: str = "") -> str:
    """A number without an error, to so many significant digits."""
    tail = f" {unit}" if unit else ""
    return f"{plain(value, significant_decimals(value, digits))}{tail}" if math.isfinite(value) else "unknown"


def typeset(words: str) -> str:
    """A message with the signs of print: '+-' becomes ±, the hyphen before a number a minus and 'deg' behind
    it °.

    A setting to be copied, as camera.north_deg = -12, stays as it is.
    """
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
