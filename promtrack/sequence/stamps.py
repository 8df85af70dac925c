"""Time stamps as text: ISO-like stamps of headers, tables and file names in, UTC out.

The variants are those that capture programs and cameras write (common practice, no source); ISO 8601 and the
FITS Standard 4.0, section 9.1.1, are among them.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Sequence as Series
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from promtrack.errors import SettingsError

_DATE = (
    r"(?P<year>(?:19|20|21)\d\d)(?P<ds>[-_.:/]?)(?P<month>\d\d)(?P=ds)(?P<day>\d\d)(?:[-_ .T]+|)(?:at[-_ ]?)?"
)
_HALF = r"(?:[ _\u202f\u00a0-]?(?P<half>[AP]M)(?![a-z]))?"
_NAME = re.compile(
    r"(?<!\d)"
    + _DATE
    + r"(?P<hour>\d\d?)(?P<ts>[-_.:h]|)(?P<minute>\d\d)(?:(?P=ts)|(?<=h\d\d)m)(?P<second>\d\d)s?"
    r"(?:[.,](?P<fraction>\d{1,9})(?!\d)|[-_.,]?(?P<millis>\d{3})ms|(?P<glued>\d{3})(?!\d)|(?!\d))"
    + _HALF
    + r"(?P<zone>Z|[-_ ]?UTC?(?![a-zA-Z])|[+-]\d\d:?\d\d(?!\d))?",
    re.IGNORECASE | re.ASCII,
)
_COUNT = re.compile(r"^(?:[.,]?\d+|[-_]\d{3}ms)?+.*(?<!\d)(\d{1,9})\D*\.\w+$", re.ASCII)  # behind a stamp
_MINUTE = re.compile(
    r"(?<!\d)" + _DATE + r"(?P<hour>\d\d)(?P<ts>[-_.:h]?)(?P<minute>\d\d)(?!\d)", re.IGNORECASE | re.ASCII
)
_EPOCH = re.compile(
    r"(?<!\d)(?P<seconds>1[4-9]\d{8})(?:(?P<millis>\d{3})|\.(?P<fraction>\d{1,6}))?(?!\d)", re.ASCII
)
_ISO = re.compile(
    r"\s*(?P<year>\d{4})[-./:](?P<month>\d\d)[-./:](?P<day>\d\d)(?:[T _]+(?P<hour>\d\d):(?P<minute>\d\d)"
    r"(?::(?P<second>\d\d)(?:[.,](?P<fraction>\d{1,12}))?)?)?"
    + _HALF
    + r"(?P<zone>Z|[ _]?(?:UTC|TAI|TT)|[+-]\d\d:?\d\d)?\s*$",
    re.ASCII | re.IGNORECASE,
)


@dataclass(frozen=True, slots=True)
class Stamp:
    """A date-time as written, and the zone written with it."""

    written: datetime  # naive
    zone: timezone | None = None  # None: not said
    scale: str = "utc"  # 'tai' or 'tt' where the stamp says so


def parse_stamp(text: str) -> Stamp | None:
    """A stamp that fills the whole text (headers, tables, settings); None where it is none. A bare date
    counts as its midnight."""
    found = _ISO.match(text)
    return _built(found) if found else None


def find_stamp(name: str, *, offset: bool = True, decimals: bool = True) -> Stamp | None:
    """The first date with a time inside a file name, or a count of seconds since 1970; None where there is
    none. Without `offset`, `-0100` behind a time is a running number and not its distance from UTC; without
    `decimals`, so are the digits behind the seconds."""
    for found in _NAME.finditer(name):
        stamp = _built(found, decimals=decimals)
        if stamp:
            return stamp if offset or stamp.zone is None or stamp.zone is UTC else replace(stamp, zone=None)
    epoch = _EPOCH.search(name)
    if not epoch:
        return None
    micros = int(epoch["millis"] or 0) * 1000 + int((epoch["fraction"] or "0").ljust(6, "0"))
    return Stamp(datetime(1970, 1, 1) + timedelta(seconds=int(epoch["seconds"]), microseconds=micros), UTC)


def stamps_in_names(names: list[str]) -> dict[str, Stamp | None]:
    """Stamps by name, for the names of one recording in their natural order. An offset from UTC counts only
    if it is the same in all names, and decimals only if they do not count up, mostly by one: else they are
    running numbers."""
    found = [_NAME.search(name) for name in names]
    offset = len({match["zone"] for match in found if match}) <= 1
    digits = [match and (match["fraction"] or match["glued"]) for match in found]
    numbers = [int(text) for text in digits if text]
    steps = [b - a for a, b in pairwise(numbers)]
    decimals = not steps or min(steps) < 1 or 2 * steps.count(1) < len(steps)
    return {name: find_stamp(name, offset=offset, decimals=decimals) for name in names}


def running_numbers(names: list[str]) -> np.ndarray | None:
    """(n,) numbers that count the names, the last of each behind its stamp, decimals apart; None where there
    are none, they do not count (few follow the one before) or are a clock: hundreds go by and never hold more
    than 59 minutes or seconds."""
    tails = (name[s.end("second") :] if (s := _NAME.search(name)) else f"_{name}" for name in names)
    numbers = np.array([int(found[1]) for tail in tails if (found := _COUNT.search(tail))])
    if len(numbers) < max(len(names), 6):
        return None
    steps, hundreds = np.diff(np.sort(numbers)), numbers // 100
    if hundreds.min() < hundreds.max() and (numbers % 100 < 60).all():
        return None
    return numbers if steps.min() > 0 and np.mean(steps == steps.min()) >= 0.4 else None


def minute_pattern(name: str) -> str:
    """The strptime pattern of a stamp that ends at the minute, as a guess to offer; '' if there is none."""
    found = _MINUTE.search(name)
    if not found or not _built(found):
        return ""
    text, start = found[0], found.start()
    for part, code in (("minute", "%M"), ("hour", "%H"), ("day", "%d"), ("month", "%m"), ("year", "%Y")):
        text = text[: found.start(part) - start] + code + text[found.end(part) - start :]
    return text


def _built(found: re.Match[str], *, decimals: bool = True) -> Stamp | None:
    parts = found.groupdict()
    hour, half = int(parts.get("hour") or 0), (parts.get("half") or "").upper()
    if (half and not 1 <= hour <= 12) or (parts.get("ts") == "" and len(parts["hour"] or "") == 1):
        return None
    if half:
        hour = hour % 12 + 12 * (half == "PM")
    fraction = parts.get("fraction") or parts.get("millis") or parts.get("glued") or ""
    if not decimals and not parts.get("millis"):
        fraction = ""
    zone = (parts.get("zone") or "").strip("_ ").upper()
    second = int(parts.get("second") or 0)
    clock = hour, int(parts.get("minute") or 0), 59 if second == 60 else second  # as UTC allows it
    day = int(parts["year"]), int(parts["month"]), int(parts["day"])
    try:
        written = datetime(*day, *clock, int(fraction.ljust(6, "0")[:6] or 0))
        written += timedelta(seconds=second == 60)
    except (ValueError, OverflowError):  # these numbers are no time
        return None
    return Stamp(written, _zone(zone), zone.lower() if zone in ("TAI", "TT") else "utc")


def _zone(text: str) -> timezone | None:
    if not text or text in ("TAI", "TT"):
        return None
    if not text[-1].isdigit():
        return UTC
    digits = text[1:].replace(":", "")
    ahead = timedelta(hours=int(digits[:2]), minutes=int(digits[2:] or 0))
    # all zones in use lie whole quarters of an hour from UTC, at most 14 hours; anything else is no zone
    if ahead > timedelta(hours=14) or ahead % timedelta(minutes=15):
        return None
    return timezone(ahead if text[0] == "+" else -ahead)


_DIRECTIVES = {
    **dict.fromkeys("mdHIMS", r"\d{1,2}"),
    "Y": r"\d{4}",
    "y": r"\d\d",
    "f": r"\d{1,6}",
    "j": r"\d{1,3}",
    "b": r"[^\W\d_]{3}",
    "B": r"[^\W\d_]+",
    "p": r"[AaPp][Mm]",
    "z": r"(?:Z|[+-]\d\d:?\d\d)",
    "%": "%",
}


def pattern_search(pattern: str) -> re.Pattern[str]:
    """A search for a strptime pattern inside a name. Raises SettingsError: a directive that strptime does not
    know, or no hour in the pattern."""
    parts = re.split(r"(%.)", pattern, flags=re.DOTALL)
    unknown = [part for part in parts[1::2] if part[1] not in _DIRECTIVES]
    if unknown or "%" not in pattern or "%" in "".join(parts[::2]):
        what = f"times.pattern '{pattern}' cannot be used{': ' + unknown[0] if unknown else ''}"
        remedy = "use %Y %m %d %H %M %S %f, for instance --set times.pattern=%Y%m%d-%H%M%S"
        raise SettingsError(what, remedy=remedy)
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


NO_TIME = np.datetime64("NaT", "us")
_OFFSET = re.compile(r"([+-])(\d{1,2})(?::?(\d\d))?$")


def read_zone(text: str) -> tzinfo:
    """The zone that a setting names: UTC, an offset such as +02:00, or a name of the tz database. Raises
    SettingsError: it is none of these."""
    if text.strip().upper() in ("", "Z", "UTC", "UT"):
        return UTC
    offset = _OFFSET.match(text.strip())
    try:
        if offset:
            ahead = timedelta(hours=int(offset[2]), minutes=int(offset[3] or 0))
            return timezone(ahead if offset[1] == "+" else -ahead)
        return ZoneInfo(text.strip())
    except (KeyError, ValueError, OSError):
        remedy = "give an offset such as +02:00, or a name such as Europe/Madrid"
        raise SettingsError(f"times.zone '{text}' is no zone", remedy=remedy) from None


def stamps_to_utc(stamps: Series[Stamp | None], zone: tzinfo) -> tuple[np.ndarray, list[str]]:
    """Stamps to (n,) datetime64[us] UTC, NaT where there is none, and one sentence on each odd thing met. A
    stamp without a zone of its own is in `zone`; in the hour that a clock shows twice the first is taken."""
    times = np.full(len(stamps), NO_TIME)
    twice: list[datetime] = []
    never: list[datetime] = []
    scales: dict[str, list[int]] = {}
    for i, stamp in enumerate(stamps):
        if stamp is None:
            continue
        if stamp.scale != "utc":
            scales.setdefault(stamp.scale, []).append(i)
            times[i] = np.datetime64(stamp.written, "us")
            continue
        here = stamp.zone or zone
        first = stamp.written.replace(tzinfo=here).utcoffset() or timedelta()
        second = stamp.written.replace(tzinfo=here, fold=1).utcoffset() or timedelta()
        if first != second:
            (twice if first > second else never).append(stamp.written)
        times[i] = np.datetime64(stamp.written, "us") - np.timedelta64(first)
    for scale, where in scales.items():
        from astropy.time import Time  # slow to import, and few stamps are in another scale

        moments = Time(times[where].astype(str).tolist(), format="isot", scale=scale)
        times[where] = moments.utc.to_value("datetime64").astype("datetime64[us]")
    advice = "give the offset instead, for instance times.zone=+02:00"
    found = (
        (twice, f"show twice; the first was taken, {advice} if that is wrong"),
        (never, f"leave out; the clock was not changed: {advice}"),
    )
    hour = f"fall into the hour that clocks in {zone}"
    return times, [f"{len(odd)} of the stamps (first {odd[0]}) {hour} {what}" for odd, what in found if odd]


def table_stamps(name: str, folder: Path) -> tuple[dict[str, Stamp], Path]:
    """Stamps by the text of the column `file` (a name, or name#number for a frame within a file) of a CSV or
    ECSV table, and its path. Raises SettingsError: the table is missing, unreadable, lacks a column, or holds
    a time that is none."""
    given = Path(name)  # as it stands, or beside or inside the input
    candidates = [given] if given.is_absolute() else [given, folder / given, folder.parent / given]
    path = next((path for path in candidates if path.is_file()), given)
    try:
        return _rows(path), path
    except SettingsError as error:
        raise error.at(str(path)) from None


def _rows(path: Path) -> dict[str, Stamp]:
    try:
        if path.stat().st_size > 200_000_000:  # bytes
            raise SettingsError("is too large for a table of times", remedy="check times.table")
        content = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise SettingsError(f"cannot be read ({error.strerror})", remedy="check times.table") from None
    except UnicodeDecodeError:
        raise SettingsError("is no UTF-8 text", remedy="save the table as CSV in UTF-8") from None
    lines = [line for line in content.splitlines() if line.strip() and not line.startswith("#")]
    if not lines:
        raise SettingsError("is empty", remedy="write a line 'file,time' and one line a frame")
    delimiter = next((mark for mark in ",;\t" if mark in lines[0]), " ")
    reader = csv.DictReader(io.StringIO("\n".join(lines)), delimiter=delimiter, skipinitialspace=True)
    stamps = {}
    try:
        names = {(field or "").strip().lower(): field for field in reader.fieldnames or ()}
        if not {"file", "time"} <= set(names):
            columns = f"has the columns {', '.join(names)}"[:200]
            raise SettingsError(columns, remedy="name two columns file and time")
        for number, row in enumerate(reader, start=2):
            file, time = ((row[names[column]] or "").strip() for column in ("file", "time"))
            stamp = parse_stamp(time)
            if stamp is None:
                what = f"row {number}: '{time[:40]}' is no time"
                raise SettingsError(what, remedy="write times as 2026-05-17T09:31:20Z")
            stamps[file] = stamp
    except csv.Error as error:
        raise SettingsError(f"is no table: {error}", remedy="save it as CSV in UTF-8") from None
    return stamps
