"""The order of time: frames with times in, frames in order, what was odd, and frames left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from promtrack.errors import InputError
from promtrack.sequence.found import Found
from promtrack.sequence.records import Rejected, TimeReport
from promtrack.sequence.times import FrameTimes

__all__ = ["by_time"]

_STRAY_DAYS = 3.0  # a frame that far from the median time belongs to another day
_STRAY_PART = 0.2  # more than this part of the frames is no stray but a recording over days
_GAP = 3.0  # usual cadences that make a gap
_YEARS = (
    np.datetime64("1990-01-01", "us"),
    np.datetime64("2100-01-01", "us"),
)  # a digital camera's clock, set


def by_time(
    frames: list[Found], timed: FrameTimes
) -> tuple[list[Found], np.ndarray, TimeReport, list[Rejected]]:
    """Frames and (n,) times in order of time, the report with all problems, and the frames without a usable
    time.

    Raises
    ------
    InputError : all frames carry one and the same time
    """
    times = timed.times_utc
    known = ~np.isnat(times)
    stray = _stray(times, known)
    left_out = [
        Rejected(frames[i].name, f"{_iso(times[i])} is days from the others" if known[i] else "has no time")
        for i in np.flatnonzero(stray | ~known)
    ]
    kept = np.flatnonzero(known & ~stray)
    problems = list(timed.report.problems)
    if left_out:
        problems.append(
            f"{_frames(len(left_out))} without a usable time left out (first: {left_out[0].file})"
        )
    backward = np.flatnonzero(np.diff(times[kept]) < np.timedelta64(0, "us")) + 1
    if len(backward):
        problems.append(
            f"{_frames(len(backward))} earlier than the one before in the order of names "
            f"(first: {frames[kept[backward[0]]].name}); the order of time was taken"
        )
    kept = kept[np.argsort(times[kept], kind="stable")]
    ordered, moments = [frames[i] for i in kept], times[kept]
    problems += _oddities(ordered, moments)
    return ordered, moments, replace(timed.report, problems=tuple(problems)), left_out


def _stray(times: np.ndarray, known: np.ndarray) -> np.ndarray:
    """Frames whose time lies days away from the others: a clock that was not set, or a stray file."""
    stray = np.zeros(len(times), bool)
    if known.sum() > 2:
        middle = np.sort(times[known])[known.sum() // 2]
        far = np.abs(times[known] - middle) > np.timedelta64(round(_STRAY_DAYS * 86400), "s")
        if 0 < far.sum() <= max(1, _STRAY_PART * known.sum()):
            stray[known] = far
    return stray


def _oddities(frames: list[Found], times: np.ndarray) -> list[str]:
    if len(frames) < 2:
        return []
    steps = np.diff(times) / np.timedelta64(1, "s")
    if not steps.any():
        raise InputError(
            f"all {len(frames)} frames carry the same time, {_iso(times[0])}",
            remedy="give, for instance, --set times.start=2026-05-17T09:31:20Z --set times.cadence_s=10, "
            "or a times.table",
        )
    problems = []
    same = np.flatnonzero(steps == 0) + 1
    if len(same):
        problems.append(
            f"{_frames(len(same))} with the same time as the one before (first: {frames[same[0]].name}, "
            f"{_iso(times[same[0]])}), kept"
        )
    usual = float(np.median(steps[steps > 0]))
    gaps = np.flatnonzero(steps > _GAP * usual)
    if len(gaps):
        longest = int(np.argmax(steps))
        problems.append(
            f"{len(gaps)} gap{'s' * (len(gaps) > 1)} longer than {_GAP:g} times the usual cadence of "
            f"{usual:.3g} s (longest: {steps[longest]:.3g} s after {_iso(times[longest])})"
        )
    if times[0] < _YEARS[0] or times[-1] > _YEARS[1]:
        problems.append(
            f"the times run from {_iso(times[0])} to {_iso(times[-1])}: the clock was hardly set; "
            "the size and orientation of the Sun would be those of that date"
        )
    if steps.sum() > _STRAY_DAYS * 86400:
        problems.append(f"the frames span {steps.sum() / 86400:.1f} days; prominences change within an hour")
    return problems


def _frames(count: int) -> str:
    return f"{count} frame{'s' * (count > 1)}"


def _iso(time: np.datetime64) -> str:
    return f"{np.datetime_as_string(time, unit='s')}Z"
