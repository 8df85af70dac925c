"""When each frame shows: title, motion, end, the rate and gaps, as a list of shots."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from promtrack.errors import SettingsError
from promtrack.settings import ClipSettings

GAP = 1.8  # times the usual cadence: a longer step means that frames are missing
NUMBER_S = 2.5  # clip time for which a number stands at least
MOTION_S = 4.5, 7.5  # clip time of the motion, least and most; with title, hold and end card 12 to 15 s
HIGHEST_RATE = 30.0  # pictures a second

Span = tuple[float, float]  # first and last time


@dataclass(frozen=True, slots=True)
class Gap:
    """Frames that are missing."""

    from_s: float  # time of the frame before, since the first frame shown
    length_s: float


@dataclass(frozen=True, slots=True)
class Shot:
    """One picture of the clip and how often it is repeated."""

    act: str  # 'title', 'motion', 'hold' or 'end'
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
        pictures = max(len(motion) - 1, 1)
        return (motion[-1].time_s - motion[0].time_s) * self.rate / pictures

    @property
    def time(self) -> ClipTime:
        """When moments of the recording show."""
        begins = np.cumsum([0, *(shot.repeats for shot in self.shots)]) / self.rate
        motion = np.array([shot.act == "motion" for shot in self.shots])
        end_s = begins[sum(shot.act != "end" for shot in self.shots)]
        return ClipTime(self.time_s, begins[:-1][motion], float(end_s), NUMBER_S + 2.0 / self.rate)


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
        most = HIGHEST_RATE * MOTION_S[1]
        used = used[:: max(1, int(np.ceil(len(used) / most)))]
    return used


def plan_shots(
    frames: np.ndarray, time_s: np.ndarray, clip: ClipSettings, least_s: float = MOTION_S[0]
) -> Plan:
    """The clip as a list of shots. `frames`: (n,) indices of the frames to show, rising; `time_s`: (n,) their
    times, from 0; `least_s`: clip time of the motion at least, where no rate is given."""
    count = len(frames)
    length = np.clip(count / 20.0, least_s, MOTION_S[1])  # 20 pictures a second, unless that is too short
    rate = clip.rate if clip.rate is not None else max(round(min(count / length, HIGHEST_RATE), 2), 1.0)
    shots = [Shot("motion", int(frames[p]), p, float(time_s[p]), 1) for p in range(count)]
    hold = round(clip.hold_s * rate)
    shots = _with_gaps(shots, time_s, rate, (count + hold) / rate)
    if hold:
        stood = sum(shot.gap == shots[-1].gap for shot in shots)
        noted = min(max(round(NUMBER_S * rate) - stood, 0), hold) if shots[-1].gap else 0
        shots += [replace(shots[-1], act="hold", repeats=noted)] * (noted > 0)
        shots += [replace(shots[-1], act="hold", gap=None, repeats=hold - noted)] * (hold > noted)
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


def _with_gaps(shots: list[Shot], time_s: np.ndarray, rate: float, end_s: float) -> list[Shot]:
    """The shots with the gap whose length shows in each: from the gap on for `NUMBER_S`, or the last so many
    seconds up to the end of the hold. Of gaps that would show at once the longest does."""
    begins = np.arange(len(shots)) / rate
    longest = GAP * cadence(time_s)
    gaps: list[tuple[float, float, Gap]] = []
    for number, shot in enumerate(shots[1:], start=1):
        step = float(time_s[shot.place] - time_s[shot.place - 1])
        if step > longest:
            begin = max(min(begins[number], end_s - NUMBER_S), 0.0)
            gaps.append((begin, begin + NUMBER_S, Gap(shot.time_s - step, step)))
    shown: list[tuple[float, float, Gap]] = []
    for begin, end, gap in sorted(gaps, key=lambda one: -one[2].length_s):
        if all(end <= other_begin or begin >= other_end for other_begin, other_end, _ in shown):
            shown.append((begin, end, gap))
    return [
        replace(shot, gap=next((gap for a, b, gap in shown if a - 1e-6 <= at < b), None))
        for shot, at in zip(shots, begins, strict=True)
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


def free_parts(first: float, last: float, taken: list[Span]) -> list[Span]:
    """The parts of a span in which fewer than two of the spans taken run: so many numbers show."""
    marks = sorted({first, last, *(t for span in taken for t in span if first < t < last)})
    parts: list[Span] = []
    for begin, end in pairwise(marks):
        middle = 0.5 * (begin + end)
        if sum(a <= middle <= b for a, b in taken) < 2:
            joined = bool(parts) and parts[-1][1] == begin
            parts[-1:] = [(parts[-1][0], end)] if joined else [*parts[-1:], (begin, end)]
    return parts


def share_time(shown: list[Span], time: ClipTime) -> list[list[Span]]:
    """When the numbers of bodies show, at most two at a time. `shown`: first and last clip time at
    which each is seen, the headline's first, whose number stands in the hold too. Each is given one stand,
    and then the time that is left while it is seen; an empty list for those for which there is no time."""
    order = range(len(shown))
    # by their ends most find room; where not all do the first letters shall
    tried = [_least_stands(shown, one, time) for one in (sorted(order, key=lambda k: shown[k][1]), order)]
    runs = max(tried, key=lambda one: (sum(map(bool, one)), [bool(run) for run in one]))
    for place, ((first, last), own) in enumerate(zip(shown, runs, strict=True)):
        others = [span for other, run in enumerate(runs) if other != place for span in run]
        seen = [run for run in own if run[0] <= last]
        parts = free_parts(min([first, *(a for a, _ in seen)]), max([last, *(b for _, b in seen)]), others)
        long_enough = time.stand_s if seen else np.inf
        more = [(a, b) for a, b in parts if b - a >= long_enough or any(a <= c < b for c, _ in seen)]
        own[:] = sorted(more + [run for run in own if not any(a <= run[0] < b for a, b in more)])
    return runs


def _least_stands(shown: list[Span], order: Iterable[int], time: ClipTime) -> list[list[Span]]:
    """One stand for each body in this order, as much of it as can be while the body is seen, and the hold for
    the headline's."""
    begin, hold_s = float(time.clip_s[0]), float(time.clip_s[-1])
    stand_s, held = min(time.stand_s, time.end_s - begin), time.end_s - hold_s >= NUMBER_S - 1e-6
    runs: list[list[Span]] = [[] for _ in shown]
    if held and shown:  # all the time where it is seen to the end
        first, last = shown[0]
        runs[0].append((min(max(first, begin), hold_s) if last >= time.end_s else hold_s, time.end_s))
    for place in order:
        (first, last), own = shown[place], runs[place]
        if own and last >= time.end_s:
            continue
        free = free_parts(begin, time.end_s, [span for run in runs for span in run])
        starts = [first, last - stand_s, *(t for part in free for t in part)]
        latest = time.end_s - stand_s
        least = max(min(first, latest, hold_s), begin)
        found = []
        for start in np.clip(starts, least, max(min(last - 0.5 * stand_s, hold_s, latest), least)).tolist():
            end = start + stand_s
            end = time.end_s if end > hold_s - 1e-6 else end  # no number ends in the hold
            if any(a - 1e-9 <= start and end <= b + 1e-9 for a, b in free):
                found.append((max(end - last, 0.0), start, end))
        own += [min(found)[1:]] if found else []
    return runs
