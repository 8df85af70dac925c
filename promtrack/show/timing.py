"""When each frame shows: title, motion, end, the rate and gaps, as a list of shots."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from promtrack.errors import SettingsError
from promtrack.settings import ClipSettings

GAP = 1.8  # times the usual cadence: a longer step means that frames are missing
NUMBER_S = 2.5  # clip time for which a number stands at least
MOST_MOTION_S = 7.5  # clip time of the motion; with title, hold and end card 15 s
AT_ONCE = 2  # numbers shown
HIGHEST_RATE = 30.0  # pictures a second


@dataclass(frozen=True, slots=True)
class Gap:
    """Frames that are missing."""

    from_s: float  # time of the frame before, since the first frame shown
    length_s: float


@dataclass(frozen=True, slots=True)
class Shot:
    """One picture of the clip and how often it is repeated."""

    act: str  # 'title', 'motion' or 'end'
    frame: int  # index in the sequence
    place: int  # among the frames shown
    time_s: float  # seconds since the first frame shown
    repeats: int
    gap: Gap | None = None  # whose length shows


@dataclass(frozen=True, slots=True)
class Plan:
    """The whole clip in time."""

    shots: tuple[Shot, ...]
    rate: float  # pictures a second
    frames: np.ndarray  # (n,) indices of the frames shown
    time_s: np.ndarray  # (n,) their times since the first of them

    @property
    def pictures(self) -> int:
        """Number of pictures in the film, repeats counted."""
        return sum(shot.repeats for shot in self.shots)

    @property
    def speed_up(self) -> float:
        """How many times faster than life the motion runs, its hold aside."""
        motion = [shot for shot in self.shots if shot.act == "motion"]
        pictures = max(sum(shot.repeats for shot in motion[:-1]), 1)
        return (motion[-1].time_s - motion[0].time_s) * self.rate / pictures

    def clip_s(self) -> tuple[np.ndarray, np.ndarray]:
        """Times of the motion's shots in the recording, and when they show in the clip; (n,) each [s]."""
        begins = np.cumsum([0, *(shot.repeats for shot in self.shots)])[:-1] / self.rate
        motion = np.array([shot.act == "motion" for shot in self.shots])
        return np.array([shot.time_s for shot in self.shots])[motion], begins[motion]


def chosen_frames(used: np.ndarray, times_utc: np.ndarray, clip: ClipSettings) -> np.ndarray:
    """The used frames that the clip shows: between clip.from and clip.to, and few enough for a short clip
    where no rate is given. `used`: (n,) indices of the used frames, rising; `times_utc`: of all frames.
    Raises SettingsError: a time cannot be read, or no frame lies between them."""
    times = times_utc[used]
    keep = times >= _moment(clip.from_, "from", times[0], times[0])
    keep &= times <= _moment(clip.to, "to", times[0], times[-1])
    if not keep.any():
        span = " to ".join(str(times[i].astype("datetime64[s]")) for i in (0, -1))
        remedy = f"give times within {span}"
        raise SettingsError("no frame lies between these times", where="clip.from, clip.to", remedy=remedy)
    used = used[keep]
    if clip.rate is None:
        most = HIGHEST_RATE * MOST_MOTION_S
        used = used[:: max(1, int(np.ceil(len(used) / most)))]
    return used


def plan_shots(frames: np.ndarray, time_s: np.ndarray, clip: ClipSettings) -> Plan:
    """The clip as a list of shots. `frames`: (n,) indices of the frames to show, rising; `time_s`: (n,) their
    times, from 0."""
    count = len(frames)
    length = np.clip(count / 20.0, 4.5, MOST_MOTION_S)  # 20 pictures a second, unless that is too short
    rate = clip.rate if clip.rate is not None else max(round(min(count / length, HIGHEST_RATE), 2), 1.0)
    shots = [Shot("motion", int(frames[p]), p, float(time_s[p]), 1) for p in range(count)]
    shots[-1] = replace(shots[-1], repeats=shots[-1].repeats + round(clip.hold_s * rate))
    shots = _with_gaps(shots, time_s, rate)
    if "title" in clip.overlays:
        shots.insert(0, replace(shots[0], act="title", gap=None, repeats=max(round(2.0 * rate), 1)))
    if "end" in clip.overlays:
        shots.append(replace(shots[-1], act="end", gap=None, repeats=max(round(3.0 * rate), 1)))
    return Plan(tuple(shots), rate, frames, time_s)


def cadence(time_s: np.ndarray) -> float:
    """Usual (median) step of (n,) rising times [s]; 1 where there is only one."""
    return max(float(np.median(np.diff(time_s))), 1e-6) if len(time_s) > 1 else 1.0


def _moment(text: str, key: str, first_utc: np.datetime64, unset: np.datetime64) -> np.datetime64:
    """A time of the day of the first frame, or an ISO time, both UTC; `unset` where there is no text."""
    text = text.strip().removesuffix("Z")
    if not text:
        return unset
    try:
        if "-" in text:
            return np.datetime64(text.replace(" ", "T"), "us")
        day = first_utc.astype("datetime64[D]")
        moment = np.datetime64(f"{day}T{text}", "us")
    except ValueError:
        remedy = "give HH:MM, HH:MM:SS or an ISO time, all UTC"
        raise SettingsError(f"'{text}' is no time", where=f"clip.{key}", remedy=remedy) from None
    late = moment < first_utc - np.timedelta64(12, "h")  # the recording ran past midnight
    return moment + np.timedelta64(1, "D") if late else moment


def _with_gaps(shots: list[Shot], time_s: np.ndarray, rate: float) -> list[Shot]:
    """The shots with the gap whose length shows in each: from the gap on for `NUMBER_S`, or the last so many
    seconds. Of gaps that would show at once the longest does."""
    begins = np.cumsum([0, *(shot.repeats for shot in shots)]) / rate
    longest = GAP * cadence(time_s)
    gaps: list[tuple[float, float, Gap]] = []
    for number, shot in enumerate(shots[1:], start=1):
        step = float(time_s[shot.place] - time_s[shot.place - 1])
        if step > longest:
            begin = max(min(begins[number], begins[-1] - NUMBER_S), 0.0)
            gaps.append((begin, begin + NUMBER_S, Gap(shot.time_s - step, step)))
    shown: list[tuple[float, float, Gap]] = []
    for begin, end, gap in sorted(gaps, key=lambda one: -one[2].length_s):
        if all(end <= other_begin or begin >= other_end for other_begin, other_end, _ in shown):
            shown.append((begin, end, gap))
    return [
        replace(shot, gap=next((gap for a, b, gap in shown if a - 1e-6 <= at < b), None))
        for shot, at in zip(shots, begins[:-1], strict=True)
    ]


@dataclass(frozen=True, slots=True, eq=False)
class ClipTime:
    """When moments of the recording show in the clip."""

    recorded_s: np.ndarray  # rising, since the first frame shown
    clip_s: np.ndarray
    end_s: float  # of the motion with its hold
    stand_s: float  # for which a number stands: `NUMBER_S`, and two pictures for its coming and going

    def at(self, now_s: float) -> float:
        """Clip time of a moment of the recording; the last one stands until the end of the hold."""
        if now_s >= self.recorded_s[-1]:
            return self.end_s
        return float(np.interp(now_s, self.recorded_s, self.clip_s))

    def back(self, clip_s: float) -> float:
        """The moment of the recording that shows at a clip time."""
        return float(np.interp(clip_s, self.clip_s, self.recorded_s))


def longest_free(first: float, last: float, taken: list[tuple[float, float]]) -> tuple[float, float]:
    """The longest part of a span in which fewer than `AT_ONCE` of the spans taken run."""
    inside = [t for span in taken for t in span if first < t < last]
    marks = sorted([first, *inside, last])
    best, begin = (first, first), first
    for one, other in pairwise(marks):
        middle = 0.5 * (one + other)
        if sum(a <= middle <= b for a, b in taken) >= AT_ONCE:
            begin = other
        elif other - begin > best[1] - best[0]:
            best = (begin, other)
    return best
