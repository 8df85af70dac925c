"""The order of time: frames with times in; frames in order at times that strictly increase, what was odd, and
frames left out, out. Then the sessions of a recording, which lie between pauses of hours.

Over a pause no knot can be followed, and the Sun has turned under what stands on the limb. Here is also the
note on times that put a recording into the night: mostly local time taken for UTC.
"""

from __future__ import annotations

import filecmp
from dataclasses import dataclass, replace
from datetime import UTC, datetime

import numpy as np

from promtrack.errors import InputError, SettingsError
from promtrack.rounding import counted
from promtrack.sequence.records import Rejected, Sequence
from promtrack.sequence.stamps import parse_stamp, running_numbers, stamps_to_utc
from promtrack.sequence.times import GIVE, FrameTimes
from promtrack.settings import Settings, SiteSettings, TimesSettings
from promtrack.sun import sky_place
from promtrack.sun.ephemeris import LOWEST_DEG

_STRAY_DAYS = 3.0  # a frame that far from the median time belongs to another day
_SECOND = np.timedelta64(1, "s")
PAUSE_H = 3.0  # quiet prominences keep their shape for hours; threads and knots live minutes to half an hour


def by_time(timed: FrameTimes, settings: TimesSettings = TimesSettings()) -> FrameTimes:
    """Frames in order of time, strictly rising, between times.from and times.to. Frames that share a stamp in
    whole seconds are spread over that second where the recording is that fast; else the second of them is
    left out. Raises InputError: most frames share their time with others, or two stretches of files run
    through the same time, or none lies between times.from and times.to; SettingsError: times.from or times.to
    is no time."""
    at = np.arange(len(timed.frames))
    numbers = running_numbers([frame.file.name for frame in timed.frames])
    if numbers is not None:
        by_number = np.argsort(numbers)
        steps = np.diff(timed.times_utc[by_number])
        if 2 * np.count_nonzero(steps < np.timedelta64(0, "us")) < len(at):  # else they count something else
            at = by_number
    frames, times = [timed.frames[i] for i in at], timed.times_utc[at]
    known = ~np.isnat(times)
    stray = _stray(times, known)
    left_out = [
        Rejected(frames[i].name, f"{_iso(times[i])} is days from the others" if known[i] else "has no time")
        for i in np.flatnonzero(stray | ~known)
    ]
    kept = np.flatnonzero(known & ~stray)
    problems = list(timed.report.problems)
    if left_out:
        what = f"{counted(len(left_out), 'frame')} without a usable time left out"
        problems.append(f"{what} (first: {left_out[0].file})")
    backward = np.flatnonzero(np.diff(times[kept]) < np.timedelta64(0, "us")) + 1
    if len(backward):
        first = frames[kept[backward[0]]].name
        what = f"{counted(len(backward), 'frame')} earlier than the one before in the order of names"
        problems.append(f"{what} (first: {first}); the order of time was taken")
        _refuse_mixed(times[kept], backward, first)
    kept = kept[np.argsort(times[kept], kind="stable")]
    twins = np.flatnonzero(np.diff(times[kept]) == np.timedelta64(0, "us")) + 1
    pairs = [(i, frames[kept[i]], frames[kept[i - 1]]) for i in twins]
    same = [i for i, a, b in pairs if a.count == b.count == 1 and filecmp.cmp(a.file, b.file, shallow=False)]
    twins = np.array(same, int)
    left_out += [Rejected(frames[kept[i]].name, f"is a copy of {frames[kept[i - 1]].name}") for i in twins]
    kept = np.delete(kept, twins)
    moments = times[kept].copy()
    problems += _make_distinct(moments)
    twin = np.flatnonzero(np.diff(moments, prepend=moments[:1] - _SECOND) == np.timedelta64(0, "us"))
    if len(twin):
        names = [frames[i].name for i in kept]
        left_out += [Rejected(names[i], f"has the same time as {names[i - 1]}") for i in twin]
        what = f"{counted(len(twin), 'frame')} with the same time as the one before left out"
        problems.append(f"{what} (first: {names[twin[0]]}, {_iso(moments[twin[0]])})")
        kept, moments = np.delete(kept, twin), np.delete(moments, twin)
    inside = _window(moments, settings)
    kept, moments, outside = kept[inside], moments[inside], int((~inside).sum())
    problems += _oddities(moments)
    ends = (("from", settings.from_), ("to", settings.to_))
    asked = " and ".join(f"times.{word} = {value}" for word, value in ends if value)
    notes = (f"{counted(outside, 'frame')} outside {asked} not used",) if outside else ()
    report = replace(timed.report, problems=tuple(problems))
    return FrameTimes([frames[i] for i in kept], moments, report, tuple(left_out), notes)


def _refuse_mixed(times: np.ndarray, backward: np.ndarray, name: str) -> None:
    """Raises InputError where stretches of files between steps backward lie among each other in time: more
    than a late frame or two at each step, which may change places with their neighbours."""
    stretch = np.searchsorted(backward, np.arange(len(times)), side="right")
    changes = np.count_nonzero(np.diff(stretch[np.argsort(times, kind="stable")]))
    if changes > 5 * len(backward):
        what = f"the times go back at {name}, and what follows lies among the times before it"
        remedy = "put the frames from there on into a folder of their own (a wrong clock: times.offset_s)"
        raise InputError(f"{what}: a clock that was set back, or two recordings in one folder", remedy=remedy)


def _make_distinct(times: np.ndarray) -> list[str]:
    """Spread frames that share a stamp in whole seconds over their second, in place, where they are 1.5 s
    apart at most in the mean, or come in bursts of four and more; what was done."""
    values, first, shared = np.unique(times, return_index=True, return_counts=True)
    sharing = int(shared[shared > 1].sum())
    if not sharing:
        return []
    if len(values) == 1:
        raise InputError(f"all {len(times)} frames carry the same time, {_iso(times[0])}", remedy=GIVE)
    whole = np.all((values - values[0]) % _SECOND == np.timedelta64(0, "us"))
    mean_s = (values[-1] - values[0]) / _SECOND / (len(times) - 1)
    if whole and (mean_s <= 1.5 or shared.min() >= 4):
        for start, count in zip(first, shared, strict=True):
            times[start : start + count] += np.arange(count) * np.timedelta64(1_000_000 // count, "us")
        shares = f"the stamps are in whole seconds, and {sharing} frames share theirs with others"
        return [f"{shares}: these were spread evenly over their second, in the order of their names"]
    if 2 * sharing > len(times):
        what = f"{sharing} of {len(times)} frames share their time with another"
        raise InputError(f"{what} (first: {_iso(values[shared > 1][0])})", remedy=GIVE)
    return []


def _window(times: np.ndarray, settings: TimesSettings) -> np.ndarray:
    """(n,) which frames lie between times.from and times.to; a time of day counts from the first frame on."""
    inside = np.ones(len(times), bool)
    for key, text in (("from", settings.from_), ("to", settings.to_)):
        if not text or not len(times):
            continue
        stamp = parse_stamp(text)
        clock = parse_stamp(f"{np.datetime_as_string(times[0], unit='D')}T{text}")
        if stamp is None and clock is None:
            remedy = "write it as 2026-05-17T09:31:20Z or 09:31:20"
            raise SettingsError(f"times.{key} '{text}' is no time", remedy=remedy)
        moment = stamps_to_utc([stamp or clock], UTC)[0][0]
        if stamp is None and moment < times[0] and times[-1] >= moment + np.timedelta64(1, "D"):
            moment += np.timedelta64(1, "D")  # past midnight
        inside &= times >= moment if key == "from" else times <= moment
    if inside.sum() < min(2, len(times)):
        what = f"has {counted(int(inside.sum()), 'frame')} between times.from and times.to"
        lasts = f"the recording lasts from {_iso(times[0])} to {_iso(times[-1])}"
        raise InputError(f"{what}; {lasts}", remedy="give other times")
    return inside


def _stray(times: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Frames whose time lies days away from the others: a clock that was not set, or a stray file. More than
    a fifth of the frames are no strays but a recording over days."""
    if known.sum() <= 2:
        return np.zeros(len(times), bool)
    middle = np.sort(times[known])[known.sum() // 2]
    far = known & (np.abs(times - middle) / np.timedelta64(1, "D") > _STRAY_DAYS)
    return far & (far.sum() <= max(1, 0.2 * known.sum()))


def _oddities(times: np.ndarray) -> list[str]:
    if len(times) < 2:
        return []
    problems = []
    steps = np.diff(times) / _SECOND
    usual = float(np.median(steps))
    gaps = np.flatnonzero(steps > 3.0 * usual)
    if len(gaps):
        what = f"{counted(len(gaps), 'gap')} longer than 3 times the usual cadence of"
        longest = f"longest: {steps.max():.3g} s after {_iso(times[np.argmax(steps)])}"
        problems.append(f"{what} {usual:.3g} s ({longest})")
    tomorrow = np.datetime64(datetime.now(UTC).replace(tzinfo=None), "us") + np.timedelta64(1, "D")
    year, why = int(times[0].astype("datetime64[Y]").astype(int)) + 1970, ""
    if year < 1990 or year == 2000:  # where unset clocks begin
        why = "the clock was hardly set"
    elif times[-1] > tomorrow:
        why = "that is in the future, so the clock was wrong"
    if why:
        date = "the size and orientation of the Sun would be those of that date"
        problems.append(f"the times run from {_iso(times[0])} to {_iso(times[-1])}: {why}; {date}")
    if steps.sum() > _STRAY_DAYS * 86400:
        problems.append(f"the frames span {steps.sum() / 86400:.1f} days; prominences change within an hour")
    return problems


def _iso(time: np.datetime64) -> str:
    return f"{np.datetime_as_string(time, unit='s')}Z"


@dataclass(frozen=True, slots=True)
class Session:
    """What lies between two pauses."""

    from_utc: np.datetime64  # whole seconds, as times.from takes them
    to_utc: np.datetime64
    frames: int

    @property
    def name(self) -> str:
        """'2026-05-17T0930', for a folder; sessions begin hours apart."""
        return str(self.from_utc)[:16].replace(":", "")

    @property
    def words(self) -> str:
        """First and last moment (UTC) and the number of frames, for messages."""
        return f"{self.from_utc}Z to {self.to_utc}Z ({self.frames} frames)"

    def meets(self, first_utc: np.datetime64, last_utc: np.datetime64) -> bool:
        """Whether it has a moment in common with what lasts from the one to the other."""
        return bool(first_utc <= self.to_utc and last_utc >= self.from_utc)


def sessions_of(sequence: Sequence) -> list[Session]:
    """The sessions of a recording, in order of time; one where no pause is longer than `PAUSE_H` hours."""
    times = sequence.times_utc
    steps_s = np.diff(times) / _SECOND
    usual_s = float(np.median(steps_s)) if len(steps_s) else 0.0
    # frames every few hours are one slow recording, not so many sessions
    first = np.flatnonzero(steps_s > max(3600.0 * PAUSE_H, 10.0 * usual_s)) + 1
    parts = np.split(times, first)
    whole = "datetime64[s]"  # down and up
    return [Session(part[0].astype(whole), (part[-1] + _SECOND).astype(whole), len(part)) for part in parts]


def session_settings(settings: Settings, session: Session | None) -> Settings:
    """The settings with times.from and times.to of one session; of the whole recording with None."""
    first, last = (f"{session.from_utc}Z", f"{session.to_utc}Z") if session else ("", "")
    return replace(settings, times=replace(settings.times, from_=first, to_=last))


def refuse_several(sequence: Sequence) -> None:
    """Raises InputError where a recording has more than one session, with the ways to measure them."""
    found = sessions_of(sequence)
    if len(found) > 1:
        one = max(found, key=lambda session: session.frames)
        raise InputError(
            f"has {len(found)} sessions with pauses of more than {PAUSE_H:g} hours between them "
            f"({found[0].words}, ...), which do not belong in one measurement",
            where=str(sequence.path),
            remedy="measure each with `promtrack run --each-session`, or one with "
            f"--set times.from={one.from_utc}Z --set times.to={one.to_utc}Z",
        )


def night(sequence: Sequence, site: SiteSettings) -> str:
    """One sentence where the Sun was below the site's horizon at the first, middle or last time; else ''."""
    moments = sequence.times_utc[[0, len(sequence) // 2, -1]]
    altitude = sky_place(moments, site=site).altitude_deg
    if not (altitude < LOWEST_DEG).any():  # nan, without a site, is no doubt
        return ""
    lowest = int(np.argmin(altitude))
    below = f"the Sun was {-altitude[lowest]:.0f} deg below the horizon of the site"
    mend = "if the times are local, set times.zone, else mend the site or the clock"
    return f"at {_iso(moments[lowest])} {below}: {mend}"


def doubt_night(sequence: Sequence, site: SiteSettings) -> Sequence:
    """The sequence; where the Sun was below the site's horizon its time report says so."""
    problem, report = night(sequence, site), sequence.time_report
    if not problem:
        return sequence
    return replace(sequence, time_report=replace(report, problems=(*report.problems, problem)))
