"""Time stamps as text: ISO-like stamps of headers, tables and file names in, naive date-times and their zone
out.

The variants are those that capture programs and cameras write (common practice, no source); ISO 8601 and the
FITS Standard 4.0, section 9.1.1, are among them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone

from promtrack.errors import SettingsError

__all__ = ["Stamp", "find_by_pattern", "find_stamp", "parse_stamp", "pattern_search"]

_DATE = r"(?P<year>(?:19|20|21)\d\d)(?P<ds>[-_.:/]?)(?P<month>\d\d)(?P=ds)(?P<day>\d\d)"
_NAME = re.compile(
    r"(?<!\d)" + _DATE + r"(?:[-_ .T]+|T|)(?:at[-_ ]?)?"
    r"(?P<hour>\d\d)(?P<ts>[-_.:h]?)(?P<minute>\d\d)(?:"
    r"[-_.:m]?(?P<second>\d\d)s?"
    r"(?:[.,](?P<fraction>\d{1,9})(?!\d)|[-_.,]?(?P<millis>\d{3})ms|(?P<glued>\d{3})(?!\d)|(?!\d))"
    r"|_(?P<tenth>\d)(?!\d))"
    r"(?P<zone>Z|[-_ ]?UTC?(?![a-zA-Z])|[+-]\d\d:?\d\d(?!\d))?",
    re.IGNORECASE | re.ASCII,
)
_EPOCH = re.compile(
    r"(?<!\d)(?P<seconds>1[4-9]\d{8})(?:(?P<millis>\d{3})|\.(?P<fraction>\d{1,6}))?(?!\d)", re.ASCII
)
_ISO = re.compile(
    r"\s*(?P<year>\d{4})[-./:](?P<month>\d\d)[-./:](?P<day>\d\d)(?:[T _]+(?P<hour>\d\d):(?P<minute>\d\d)"
    r"(?::(?P<second>\d\d)(?:[.,](?P<fraction>\d{1,12}))?)?)?(?P<zone>Z|[ _]?(?:UTC|TAI|TT)|[+-]\d\d:?\d\d)?\s*$",
    re.ASCII,
)
_OLD_FITS = re.compile(r"\s*(?P<day>\d\d)/(?P<month>\d\d)/(?P<year>\d\d)\s*$", re.ASCII)


@dataclass(frozen=True, slots=True)
class Stamp:
    """A date-time as written, and the zone written with it."""

    written: datetime  # naive
    zone: timezone | None = None  # None: not said
    scale: str = "utc"  # 'tai' or 'tt' where the stamp says so


def parse_stamp(text: str) -> Stamp | None:
    """A stamp that fills the whole text (headers, tables, settings); None where it is none.

    A bare date counts as its midnight.
    """
    found = _ISO.match(text)
    if found:
        return _built(found)
    old = _OLD_FITS.match(text)
    return _stamp(1900 + int(old["year"]), int(old["month"]), int(old["day"])) if old else None


def find_stamp(name: str) -> Stamp | None:
    """The first date with a time inside a file name, or a count of seconds since 1970; None where there is
    none."""
    for found in _NAME.finditer(name):
        stamp = _built(found)
        if stamp:
            return stamp
    epoch = _EPOCH.search(name)
    if not epoch:
        return None
    micros = int(epoch["millis"] or 0) * 1000 + int((epoch["fraction"] or "0").ljust(6, "0"))
    return Stamp(datetime(1970, 1, 1) + timedelta(seconds=int(epoch["seconds"]), microseconds=micros), UTC)


def _built(found: re.Match[str]) -> Stamp | None:
    parts = found.groupdict()
    second, micros = int(parts.get("second") or 0), 0
    if parts.get("tenth"):  # tenths of a minute
        second = 6 * int(parts["tenth"])
    if parts.get("fraction"):
        micros = int(parts["fraction"].ljust(6, "0")[:6])
    for part in ("millis", "glued"):
        if parts.get(part):
            micros = int(parts[part]) * 1000
    zone = (parts.get("zone") or "").strip("_ ").upper()
    stamp = _stamp(
        int(parts["year"]),
        int(parts["month"]),
        int(parts["day"]),
        int(parts.get("hour") or 0),
        int(parts.get("minute") or 0),
        second,
        micros,
    )
    return stamp and Stamp(stamp.written, _zone(zone), zone.lower() if zone in ("TAI", "TT") else "utc")


def _stamp(year: int, month: int, day: int, *clock: int) -> Stamp | None:
    """A stamp from numbers (clock: hour, minute, second, microsecond), or None where they are no time."""
    hour, minute, second, micros = (*clock, 0, 0, 0, 0)[:4]
    leap = second == 60  # as UTC allows it
    try:
        written = datetime(year, month, day, hour, minute, 59 if leap else second, micros)
        return Stamp(written + timedelta(seconds=1 if leap else 0))
    except (ValueError, OverflowError):
        return None


def _zone(text: str) -> timezone | None:
    if not text or text in ("TAI", "TT"):
        return None
    if not text[-1].isdigit():
        return UTC
    digits = text[1:].replace(":", "")
    ahead = timedelta(hours=int(digits[:2]), minutes=int(digits[2:] or 0))
    return timezone(ahead if text[0] == "+" else -ahead) if ahead < timedelta(hours=24) else None


_TWO = r"\d{1,2}"
_DIRECTIVES = {
    "Y": r"\d{4}",
    "y": r"\d\d",
    "m": _TWO,
    "d": _TWO,
    "H": _TWO,
    "I": _TWO,
    "M": _TWO,
    "S": _TWO,
    "f": r"\d{1,6}",
    "j": r"\d{1,3}",
    "b": r"[^\W\d_]{3}",
    "B": r"[^\W\d_]+",
    "p": r"[AaPp][Mm]",
    "z": r"(?:Z|[+-]\d\d:?\d\d)",
    "%": "%",
}


def pattern_search(pattern: str) -> re.Pattern[str]:
    """A search for a strptime pattern inside a name.

    Raises
    ------
    SettingsError : a directive that strptime does not know, or no hour in the pattern
    """
    parts = re.split(r"(%.)", pattern, flags=re.DOTALL)
    unknown = [part for part in parts[1::2] if part[1] not in _DIRECTIVES]
    if unknown or "%" not in pattern or "%" in "".join(parts[::2]):
        raise SettingsError(
            f"times.pattern '{pattern}' cannot be used{': ' + unknown[0] if unknown else ''}",
            remedy="use %Y %m %d %H %M %S %f, for instance --set times.pattern=%Y%m%d-%H%M%S",
        )
    return re.compile("".join(_DIRECTIVES[p[1]] if i % 2 else re.escape(p) for i, p in enumerate(parts)))


def find_by_pattern(name: str, pattern: str, search: re.Pattern[str]) -> Stamp | None:
    """The stamp in a name by the user's pattern; None where the name does not hold it."""
    for found in search.finditer(name):
        try:
            parsed = datetime.strptime(found[0], pattern)
        except (ValueError, OverflowError):
            continue
        offset = parsed.utcoffset()
        return Stamp(parsed.replace(tzinfo=None), None if offset is None else timezone(offset))
    return None
