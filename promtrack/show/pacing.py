"""Which frame shows when: pacing, hold, loop, in-between pictures and gaps, as a list of shots."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from promtrack.settings import ClipSettings

__all__ = ["Shot", "plan_shots", "speed_up"]

GAP = 1.8  # times the usual cadence: a longer step means that frames are missing
GAP_SHOWN_S = 0.7  # clip time for which a gap's mark stays


@dataclass(frozen=True, slots=True)
class Shot:
    """One picture of the clip and how often it is repeated."""

    frame: int  # index in the sequence
    other: int  # frame blended in, -1: none
    share: float  # of the other frame
    time_s: float  # seconds since the first used frame
    gap_s: float  # length of the gap just passed, 0: none
    repeats: int


def plan_shots(used: np.ndarray, time_s: np.ndarray, clip: ClipSettings) -> list[Shot]:
    """The clip as a list of shots.

    Parameters
    ----------
    used : (n,) indices of the frames to show, rising
    time_s : (n,) their times, rising
    """
    shots = _true_to_clock(used, time_s) if clip.pacing == "clock" else _even(used, time_s, clip.blend)
    shots = _with_gaps(shots, used, time_s, clip.rate)
    shots[-1] = replace(shots[-1], repeats=shots[-1].repeats + round(clip.hold_s * clip.rate))
    if clip.there_and_back:
        shots += [replace(shot, gap_s=0.0) for shot in shots[-2::-1]]
    return shots


def cadence(time_s: np.ndarray) -> float:
    """Usual time between frames [s]; 1 where there is only one frame."""
    return max(float(np.median(np.diff(time_s))), 1e-6) if len(time_s) > 1 else 1.0


def speed_up(shots: list[Shot], rate: float) -> float:
    """How many times faster than the clock the clip runs, the hold at its end aside."""
    last = max(range(len(shots)), key=lambda i: shots[i].time_s)  # of a clip that runs back, the way forward
    return (shots[last].time_s - shots[0].time_s) * rate / max(sum(shot.repeats for shot in shots[:last]), 1)


def _even(used: np.ndarray, time_s: np.ndarray, blend: int) -> list[Shot]:
    shots, longest = [], GAP * cadence(time_s)
    for place, index in enumerate(used):
        shots.append(Shot(int(index), -1, 0.0, float(time_s[place]), 0.0, 1))
        if blend and place + 1 < len(used) and time_s[place + 1] - time_s[place] <= longest:
            step = float(time_s[place + 1] - time_s[place])
            shots += [
                Shot(
                    int(index),
                    int(used[place + 1]),
                    j / (blend + 1),
                    float(time_s[place]) + step * j / (blend + 1),
                    0.0,
                    1,
                )
                for j in range(1, blend + 1)
            ]
    return shots


def _true_to_clock(used: np.ndarray, time_s: np.ndarray) -> list[Shot]:
    """Pictures in even steps of time, each showing the last frame taken, half a step of lateness forgiven."""
    step = cadence(time_s)
    count = round(float(time_s[-1] - time_s[0]) / step) + 1
    wanted = time_s[0] + step * np.arange(count)
    place = np.maximum(np.searchsorted(time_s, wanted + 0.5 * step, side="left") - 1, 0)
    place[0] = 0
    place, repeats = np.unique(place, return_counts=True)
    return [
        Shot(int(used[p]), -1, 0.0, float(time_s[p]), 0.0, int(n))
        for p, n in zip(place, repeats, strict=True)
    ]


def _with_gaps(shots: list[Shot], used: np.ndarray, time_s: np.ndarray, rate: float) -> list[Shot]:
    """The length of a gap noted on the shots that follow it, for as long as its mark shows."""
    longest = GAP * cadence(time_s)
    step_before = dict(zip(used[1:].tolist(), np.diff(time_s).tolist(), strict=True))
    left, length = 0, 0.0
    out: list[Shot] = []
    for shot in shots:
        step = step_before.get(shot.frame, 0.0)
        if step > longest and (not out or out[-1].frame != shot.frame):
            left, length = round(GAP_SHOWN_S * rate), step
        out.append(replace(shot, gap_s=length if left > 0 else 0.0))
        left -= shot.repeats
    return out
