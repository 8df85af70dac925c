"""What is fixed to the sensor: frames as displayed in, the same without dark, flat, hot and dead pixels out.

Left in, a hot pixel crosses the strips at the speed of the Sun's drift and looks like a knot in motion.
"""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path
from statistics import NormalDist

import cv2
import numpy as np

from promtrack.errors import InputError, PromtrackError
from promtrack.sequence.frame_source import Plan, displayed
from promtrack.sequence.readers import as_set, find_frames
from promtrack.sequence.records import Sequence, spread_over
from promtrack.settings import CameraSettings


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """What is taken from every frame."""

    dark: np.ndarray | None  # (rows, columns) float32
    gain: np.ndarray | None  # (rows, columns) float32, 1 / normalised flat
    bad: tuple[np.ndarray, ...]  # rows, columns (k,) of pixels to be replaced by their neighbours' median
    notes: tuple[str, ...]


def load_calibration(camera: CameraSettings, shape: tuple[int, int], plan: Plan = None) -> Calibration | None:
    """Dark and flat that the settings name, or None where they name none. Raises InputError: a dark or flat
    cannot be read or has another size than the frames."""
    dark, flat = (
        _mean(f"camera.{key}", name, camera, shape, plan) if name else None
        for key, name in (("dark", camera.dark), ("flat", camera.flat))
    )
    return None if dark is None and flat is None else make_calibration(dark, flat)


def make_calibration(dark: np.ndarray | None, flat: np.ndarray | None) -> Calibration:
    """Calibration from a mean dark and a mean flat, float32 arrays of one shape. Hot pixels stand more than
    10 robust sigmas above the dark's median; blind ones are below 5 % in the flat. Raises InputError: the
    flat is black."""
    notes: list[str] = []
    given = flat if dark is None else dark
    bad = np.zeros(() if given is None else given.shape, dtype=bool)
    if dark is not None:
        middle = float(np.median(dark))
        spread = max(1.4826 * float(np.median(np.abs(dark - middle))), 1e-6 * abs(middle), 0.5)
        bad |= dark > middle + 10.0 * spread
        notes.append(f"dark of median {middle:.4g} subtracted")
    gain = None
    if flat is not None:
        light = flat if dark is None else flat - dark
        level = float(np.median(light))
        if not level > 0:
            raise InputError("the flat is black", where="camera.flat", remedy="give a flat with light in it")
        relative = light / np.float32(level)
        blind = ~(relative > 0.05)
        bad |= blind
        gain = (1.0 / np.where(blind, 1.0, relative)).astype(np.float32)
        notes.append(f"divided by a flat that ranges from {relative.min():.3f} to {relative.max():.3f}")
    if bad.any():
        notes.append(f"{bad.sum()} hot or blind pixels replaced by the median of their neighbours")
    return Calibration(dark, gain, np.nonzero(bad), tuple(notes))


def calibrated(frame: np.ndarray, calibration: Calibration, full_scale: float) -> np.ndarray:
    """The frame, float32, without dark and flat; saturated pixels, and only they, are at `full_scale`."""
    out = frame.astype(np.float32)
    burnt = frame >= full_scale
    if calibration.dark is not None:
        out -= calibration.dark
    if calibration.gain is not None:
        out *= calibration.gain
    np.minimum(out, np.float32(full_scale * (1.0 - 1e-6)), out=out)
    out[burnt] = full_scale
    out[calibration.bad] = _neighbours(out, *calibration.bad)
    return out


def _neighbours(frame: np.ndarray, y: np.ndarray, x: np.ndarray) -> np.ndarray:
    """Median of the 8 neighbours of each pixel; at the border the edge counts twice."""
    dy, dx = _AROUND[:, _BESIDE]
    rows, columns = frame.shape
    beside = frame[np.clip(y[:, None] + dy, 0, rows - 1), np.clip(x[:, None] + dx, 0, columns - 1)]
    return np.median(beside, axis=1).astype(frame.dtype)


def _mean(key: str, name: str, camera: CameraSettings, shape: tuple[int, int], plan: Plan) -> np.ndarray:
    """Mean of up to 64 frames of a file or folder, developed as the recording is."""
    path = Path(name)
    try:
        frames, _ = find_frames(path, bayer=camera.bayer)
        chosen = [frames[i] for i in spread_over(len(frames), 64)]
        total = np.zeros(shape, np.float64)
        for frame in chosen:
            if frame.shape != shape:
                here, there = (f"{columns} x {rows}" for rows, columns in (frame.shape, shape))
                what = f"is {here} pixels, the frames are {there}"
                raise InputError(what, where=str(frame.file), remedy="record it at the size of the frames")
            total += displayed(as_set(frame, camera), plan)
    except PromtrackError as error:
        error.where = f"{key} ({error.where or path})"
        raise
    return (total / len(chosen)).astype(np.float32)


_AROUND = np.mgrid[-2:3, -2:3].reshape(2, 25)  # rows, columns of the 5 x 5 pixels about one
_BESIDE = np.abs(_AROUND).max(axis=0) == 1  # the 8 neighbours among them


def find_hot_pixels(frames: list[np.ndarray], *, full_scale: float) -> np.ndarray:
    """(k, 2) places y, x of hot and dead pixels, from frames [y, x] spread over the recording; empty when
    there are so many candidates that they are not single faults of the sensor. Saturated areas, at
    `full_scale`, hold none."""
    if not frames:
        return np.empty((0, 2), dtype=int)
    # A pixel that stands out by three times the local noise in five frames or more, of nine at most, is no
    # random event: 126 x 0.00135^5 a pixel. In fewer frames it must stand out farther, in all of them.
    needed = min(len(frames), 5)
    noise_times = -NormalDist().inv_cdf(NormalDist().cdf(-3.0) ** (5 / needed))
    seen = []
    for frame in frames:
        values = np.nan_to_num(frame.astype(np.float32), copy=False)
        excess = values - cv2.medianBlur(values, 3)
        # on every other pixel: from the differences to the 3 x 3 median, averaged over 31 pixels
        rough = np.abs(excess[::2, ::2])
        # whole counts hide noise that is smaller than one of them
        step = 1.0 if np.issubdtype(frame.dtype, np.integer) else 1e-3
        # a hot pixel is no noise; on the disc there is more of that than in most of the frame
        most = 4.0 * (4.0 * np.maximum(cv2.medianBlur(rough, 5), np.median(rough[::2, ::2])) + step)
        noise = np.sqrt(cv2.blur(np.minimum(rough, most) ** 2, (15, 15)) + step**2)
        # noise at every pixel; size as (x, y)
        limit = noise_times * cv2.resize(noise, values.shape[::-1], interpolation=cv2.INTER_NEAREST)
        hot, dead = np.flatnonzero(excess > limit), np.flatnonzero(excess < -limit)
        dead = dead[values.ravel()[dead] < full_scale]
        seen += [hot[_stands_out(values, hot)], dead[_stands_out(-values, dead)]]
    places, times = np.unique(np.concatenate(seen), return_counts=True)
    # one frame in four may miss it: a picture of something else, or the bright disc on that pixel
    found = places[times >= max(needed, 0.75 * len(frames))]
    if len(found) > 0.002 * frames[0].size:  # more is not a matter of single pixels
        return np.empty((0, 2), dtype=int)
    return np.column_stack(np.unravel_index(found, frames[0].shape))


def mend_hot_pixels(sequence: Sequence) -> tuple[Sequence, int]:
    """The sequence with hot and dead pixels replaced by the median of their neighbours, and how many there
    are."""
    frames = []
    for index in spread_over(len(sequence), 9):
        with suppress(InputError):  # the stage that meets it again says so
            frames.append(sequence.frame(int(index)))
    places = find_hot_pixels(frames, full_scale=sequence.full_scale)
    if len(places) == 0:
        return sequence, 0
    y, x = places.T
    read = sequence.read

    def mended(index: int) -> np.ndarray:
        frame = read(index).copy()  # the reader may hand out somebody else's array
        frame[y, x] = _neighbours(frame, y, x)
        return frame

    return replace(sequence, read=mended), len(places)


def _stands_out(values: np.ndarray, places: np.ndarray) -> np.ndarray:
    """Whether pixels (flat indices) exceed all their neighbours by most of their height. The image of a
    point, two pixels wide at half maximum (the least by the Nyquist rule), has neighbours at half its height,
    a hot pixel has none."""
    y, x = (at[:, None] for at in np.unravel_index(places, values.shape))
    rows, columns = (
        np.clip(at + step, 0, size - 1) for at, step, size in zip((y, x), _AROUND, values.shape, strict=True)
    )
    patch = values[rows, columns]
    beside = _BESIDE & ((rows != y) | (columns != x))
    highest = np.where(beside, patch, -np.inf).max(axis=1)
    return patch[:, 12] - highest > 0.7 * np.maximum(patch[:, 12] - np.median(patch, axis=1), 1e-6)
