"""Hot and dead pixels: single pixels that stand out in every frame at the same place of the sensor.

Left in, a hot pixel crosses the strips at the speed of the Sun's drift and looks like a knot in motion.
"""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from promtrack.errors import InputError
from promtrack.sequence.records import Sequence

__all__ = ["find_hot_pixels", "mend_hot_pixels"]

# A pixel that stands out by three times the local noise in each of five frames or more is no chance event:
# 0.00135^5 a pixel.
LEAST_FRAMES = 5
NOISE_TIMES = 3.0
_AROUND = np.mgrid[-2:3, -2:3].reshape(2, 25)  # rows, columns of the 5 x 5 pixels about one


def find_hot_pixels(frames: list[np.ndarray], *, full_scale: float) -> np.ndarray:
    """Places of hot and dead pixels, from frames spread over the recording.

    Parameters
    ----------
    frames : at least `LEAST_FRAMES` arrays [y, x] of one shape
    full_scale : value of a saturated pixel; saturated areas hold no hot pixels

    Returns
    -------
    (k, 2) int array, rows y, x; empty when there are too few frames, or so many candidates that they are not
    single faults of the sensor
    """
    if len(frames) < LEAST_FRAMES:
        return np.empty((0, 2), dtype=int)
    hot = dead = np.arange(0)
    for number, frame in enumerate(frames):
        values = np.nan_to_num(frame.astype(np.float32), copy=False)
        excess = values - cv2.medianBlur(values, 3)
        noise = _local_noise(excess)
        if number == 0:  # only what stands out here is looked at in the frames that follow
            limit = NOISE_TIMES * cv2.resize(
                noise, values.shape[::-1], interpolation=cv2.INTER_NEAREST
            )  # (x, y)
            hot, dead = (
                np.flatnonzero(excess > limit),
                np.flatnonzero((excess < -limit) & (values < full_scale)),
            )
        hot = hot[_stands_out(values, excess, noise, hot)]
        dead = dead[_stands_out(-values, -excess, noise, dead) & (values.ravel()[dead] < full_scale)]
    found = np.sort(np.concatenate([hot, dead]))
    if len(found) > 0.002 * frames[0].size:  # more is not a matter of single pixels
        return np.empty((0, 2), dtype=int)
    return np.column_stack(np.unravel_index(found, frames[0].shape))


def mend_hot_pixels(sequence: Sequence, *, samples: int = 9) -> tuple[Sequence, int]:
    """The sequence with hot and dead pixels replaced by the median of their neighbours, and how many there
    are.

    A sample that cannot be decoded is passed over: the stage that meets it again says so.
    """
    frames = []
    for index in np.unique(np.linspace(0, len(sequence) - 1, samples).round().astype(int)):
        try:
            frames.append(sequence.frame(int(index)))
        except InputError:
            continue
    places = find_hot_pixels(frames, full_scale=sequence.full_scale)
    if len(places) == 0:
        return sequence, 0
    rows, columns = sequence.shape
    ring = [(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if dy or dx]
    y = np.stack([np.clip(places[:, 0] + dy, 0, rows - 1) for dy, _ in ring])
    x = np.stack([np.clip(places[:, 1] + dx, 0, columns - 1) for _, dx in ring])
    read = sequence.read

    def mended(index: int) -> np.ndarray:
        frame = read(index).copy()  # the reader may hand out somebody else's array
        frame[places[:, 0], places[:, 1]] = np.median(frame[y, x], axis=0).astype(frame.dtype)
        return frame

    return replace(sequence, read=mended), len(places)


def _stands_out(values: np.ndarray, excess: np.ndarray, noise: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Whether pixels (flat indices) exceed the noise, and all their neighbours by most of their height over
    the surroundings.

    The image of a point, blurred to two pixels full width at half maximum (the least that an instrument
    sampled by the Nyquist rule gives), has neighbours at half its height, a hot pixel has none.
    """
    y, x = np.unravel_index(places, values.shape)
    out = excess[y, x] > NOISE_TIMES * noise[y // 2, x // 2]
    y, x = y[out, None], x[out, None]
    rows, columns = (
        np.clip(at + step, 0, size - 1) for at, step, size in zip((y, x), _AROUND, values.shape, strict=True)
    )
    patch = values[rows, columns]
    beside = (np.abs(_AROUND).max(axis=0) == 1) & ((rows != y) | (columns != x))
    highest = np.where(beside, patch, -np.inf).max(axis=1)
    out[out] = patch[:, 12] - highest > 0.7 * np.maximum(patch[:, 12] - np.median(patch, axis=1), 1e-6)
    return out


def _local_noise(excess: np.ndarray) -> np.ndarray:
    """1-sigma pixel noise from the differences to the 3 x 3 median, averaged over 31 pixels; on every other
    pixel."""
    rough = np.abs(excess[::2, ::2])
    limit = 4.0 * (4.0 * np.median(rough[::2, ::2]) + 1e-3)
    return np.sqrt(cv2.blur(np.minimum(rough, limit) ** 2, (15, 15))) + 1e-3
