"""Recordings made in bursts: many fast frames, a pause, many fast frames; one frame a burst out.

Within a burst the Sun does not change but the air does, so the mean of the sharpest frames is worth more than
all of them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise

import cv2
import numpy as np

from promtrack.errors import InputError
from promtrack.sequence.quality import sharpness
from promtrack.sequence.records import Sequence
from promtrack.settings import TimesSettings

__all__ = ["best_of_bursts", "find_bursts", "reduce_bursts"]

_PAUSE = 5.0  # usual steps within a burst that make a pause
_LEAST_FRAMES = 4  # frames of a burst
# A burst is so short that plasma at 50 km/s moves by less than the resolution of 60 mm aperture (1 Mm), and
# much shorter than the pause behind it; after an hour of pause the next one belongs to another recording.
_LONGEST_S = 20.0
_LONGEST_PAUSE_S = 3600.0
_LARGEST_SHIFT = (
    0.1  # of the frame's smaller side: a larger shift within a burst is a jump, and that frame is not used
)


def find_bursts(times_utc: np.ndarray) -> tuple[tuple[int, int], ...]:
    """First and last index + 1 of each burst; empty where the recording is not made in bursts.

    It is when its long steps are at least 5 times the usual step within the runs between them, and when these
    runs have 4 frames or more throughout (the first and the last may be shorter).
    """
    steps = np.diff(times_utc) / np.timedelta64(1, "s")
    if len(steps) < 2 * _LEAST_FRAMES or not (steps > 0).any():
        return ()
    usual = float(np.median(steps[steps > 0]))
    pauses = np.flatnonzero(steps > _PAUSE * usual) + 1
    bounds = [0, *pauses.tolist(), len(times_utc)]
    bursts = tuple(pairwise(bounds))
    lasting = np.array([(times_utc[b - 1] - times_utc[a]) / np.timedelta64(1, "s") for a, b in bursts])
    between = steps[pauses - 1]
    if (
        len(bursts) < 2
        or not lasting.max() <= min(_LONGEST_S, between.min())
        or between.max() > _LONGEST_PAUSE_S
    ):
        return ()
    if any(last - first < _LEAST_FRAMES for first, last in bursts[1:-1]):
        return ()
    return bursts if all(last - first > 1 for first, last in bursts) else ()


def best_of_bursts(sequence: Sequence, times: TimesSettings) -> Sequence:
    """The sequence with one frame a burst, or with a note where `times.bursts` keeps all frames; as it is
    where it is not made in bursts."""
    bursts = find_bursts(sequence.times_utc)
    if not bursts:
        return sequence
    if times.bursts == "best":
        return reduce_bursts(sequence)
    note = f"recorded in {len(bursts)} bursts, and all frames are kept (times.bursts = keep)"
    return replace(sequence, notes=(*sequence.notes, note))


def reduce_bursts(sequence: Sequence, *, keep: float = 0.3) -> Sequence:
    """A sequence with one frame a burst: the mean of its sharpest frames, shifted onto the sharpest one.

    Parameters
    ----------
    keep : part of the frames of a burst that is averaged, at least one frame

    Frames are float32; each has the middle time of its burst. Raises InputError where there are no bursts.
    """
    bursts = find_bursts(sequence.times_utc)
    if not bursts:
        raise InputError(
            "is not recorded in bursts", where=str(sequence.path), remedy="use its frames as they are"
        )
    times = sequence.times_utc
    middles = [times[a] + (times[b - 1] - times[a]) / 2 for a, b in bursts]
    names = tuple(f"{sequence.names[a]}..{sequence.names[b - 1]}" for a, b in bursts)
    return replace(
        sequence,
        names=names,
        times_utc=np.array(middles, "datetime64[us]"),
        read=_reader(sequence, bursts, keep),
        notes=(*sequence.notes, f"each frame is the mean of the sharpest {100 * keep:.0f} % of a burst"),
    )


def _reader(
    sequence: Sequence, bursts: tuple[tuple[int, int], ...], keep: float
) -> Callable[[int], np.ndarray]:
    def read(index: int) -> np.ndarray:
        first, last = bursts[index]
        scores = []
        for i in range(first, last):  # twice read rather than all held in memory
            try:
                scores.append((sharpness(sequence.read(i)), i))
            except InputError:
                continue
        if not scores:
            raise InputError(
                "not one frame of the burst can be decoded",
                where=sequence.names[first],
                remedy="copy the burst again from the camera",
            )
        best = [i for _, i in sorted(scores, reverse=True)[: max(1, round(keep * (last - first)))]]
        return _mean_onto_first(sequence, best)

    return read


def _mean_onto_first(sequence: Sequence, indices: list[int]) -> np.ndarray:
    sharpest = sequence.read(indices[0]).astype(np.float32)
    window = cv2.createHanningWindow(sharpest.shape[::-1], cv2.CV_32F)  # size as (columns, rows)
    windowed = sharpest * window
    total, count = sharpest.copy(), 1
    for i in indices[1:]:
        frame = sequence.read(i).astype(np.float32)
        (dx, dy), _ = cv2.phaseCorrelate(windowed.copy(), frame * window)  # may overwrite what it is given
        if max(abs(dx), abs(dy)) < _LARGEST_SHIFT * min(frame.shape):
            shift = np.array([[1.0, 0.0, dx], [0.0, 1.0, dy]])
            total += cv2.warpAffine(
                frame,
                shift,
                frame.shape[::-1],
                flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                borderMode=cv2.BORDER_REPLICATE,
            )
            count += 1
    return total / np.float32(count)
