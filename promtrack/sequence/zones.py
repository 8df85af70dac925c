"""From stamps as written to UTC: zones, daylight-saving changes and time scales."""

from __future__ import annotations

import re
from collections.abc import Sequence as Series
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

import numpy as np

from promtrack.errors import SettingsError
from promtrack.sequence.stamps import Stamp

__all__ = ["NO_TIME", "read_zone", "stamps_to_utc"]

NO_TIME = np.datetime64("NaT", "us")
_OFFSET = re.compile(r"([+-])(\d{1,2})(?::?(\d\d))?$")


def read_zone(text: str) -> tzinfo:
    """The zone that a setting names: UTC, an offset such as +02:00, or a name of the tz database.

    Raises
    ------
    SettingsError : it is none of these
    """
    if text.strip().upper() in ("", "Z", "UTC", "UT"):
        return UTC
    offset = _OFFSET.match(text.strip())
    try:
        if offset:
            ahead = timedelta(hours=int(offset[2]), minutes=int(offset[3] or 0))
            return timezone(ahead if offset[1] == "+" else -ahead)
        return ZoneInfo(text.strip())
    except (KeyError, ValueError, OSError):
        raise SettingsError(
            f"times.zone '{text}' is no zone",
            remedy="give an offset such as +02:00, or a name such as Europe/Madrid",
        ) from None


def stamps_to_utc(stamps: Series[Stamp | None], zone: tzinfo) -> tuple[np.ndarray, list[str]]:
    """Stamps to (n,) datetime64[us] UTC, NaT where there is none, and one sentence on each odd thing met.

    A stamp without a zone of its own is in `zone`. In the hour that a clock shows twice the first is taken,
    and this is said.
    """
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
        times[i] = np.datetime64(stamp.written, "us") - np.timedelta64(
            first // timedelta(microseconds=1), "us"
        )
    for scale, where in scales.items():
        times[where] = _scale_to_utc(times[where], scale)
    return times, _daylight_problems(twice, never, zone)


def _scale_to_utc(times: np.ndarray, scale: str) -> np.ndarray:
    from astropy.time import Time  # slow to import, and few stamps are in another scale

    moments = Time(times.astype(str).tolist(), format="isot", scale=scale)
    return moments.utc.to_value("datetime64").astype("datetime64[us]")


def _daylight_problems(twice: list[datetime], never: list[datetime], zone: tzinfo) -> list[str]:
    problems = []
    advice = "give the offset instead, for instance times.zone=+02:00"
    if twice:
        problems.append(
            f"{len(twice)} of the stamps (first {twice[0]}) fall into the hour that clocks in {zone} show "
            f"twice; the first was taken, {advice} if that is wrong"
        )
    if never:
        problems.append(
            f"{len(never)} of the stamps (first {never[0]}) fall into the hour that clocks in {zone} leave "
            f"out; the clock was not changed: {advice}"
        )
    return problems
