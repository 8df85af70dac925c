"""Dark and flat: a frame as displayed in, the same with the camera's own pattern removed out."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from promtrack.errors import InputError, PromtrackError
from promtrack.sequence.demosaic import Plan, displayed
from promtrack.sequence.readers import as_set, find_frames
from promtrack.settings import CameraSettings

__all__ = ["Calibration", "calibrated", "load_calibration", "make_calibration"]

_AROUND = [(dy, dx) for dy in (-1, 0, 1) for dx in (-1, 0, 1) if (dy, dx) != (0, 0)]


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """What is taken from every frame."""

    dark: np.ndarray | None  # (rows, columns) float32
    gain: np.ndarray | None  # (rows, columns) float32, 1 / normalised flat
    bad_y: np.ndarray  # (k,) pixels to be replaced by the median of their neighbours
    bad_x: np.ndarray
    notes: tuple[str, ...]


def load_calibration(camera: CameraSettings, shape: tuple[int, int], plan: Plan = None) -> Calibration | None:
    """Dark and flat that the settings name, or None where they name none.

    Raises
    ------
    InputError : a dark or flat cannot be read or has another size than the frames
    """
    if not camera.dark and not camera.flat:
        return None
    dark = _mean("camera.dark", camera.dark, camera, shape, plan) if camera.dark else None
    flat = _mean("camera.flat", camera.flat, camera, shape, plan) if camera.flat else None
    return make_calibration(dark, flat)


def make_calibration(dark: np.ndarray | None, flat: np.ndarray | None) -> Calibration:
    """Calibration from a mean dark and a mean flat, float32 arrays of one shape.

    Hot pixels stand more than 10 robust sigmas above the dark's median; blind ones are below 5 % in the flat.

    Raises
    ------
    InputError : the flat is black
    """
    notes: list[str] = []
    given = dark if dark is not None else flat
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
    bad_y, bad_x = np.nonzero(bad)
    if len(bad_y):
        notes.append(f"{len(bad_y)} hot or blind pixels replaced by the median of their neighbours")
    return Calibration(dark, gain, bad_y, bad_x, tuple(notes))


def calibrated(frame: np.ndarray, calibration: Calibration, full_scale: float) -> np.ndarray:
    """The frame, float32, without dark and flat; saturated pixels stay at `full_scale`, and only they reach
    it."""
    out = frame.astype(np.float32)
    burnt = frame >= full_scale
    if calibration.dark is not None:
        out -= calibration.dark
    if calibration.gain is not None:
        out *= calibration.gain
    np.minimum(out, np.float32(full_scale * (1.0 - 1e-6)), out=out)
    out[burnt] = full_scale
    if len(calibration.bad_y):
        out[calibration.bad_y, calibration.bad_x] = _neighbours(out, calibration.bad_y, calibration.bad_x)
    return out


def _neighbours(frame: np.ndarray, y: np.ndarray, x: np.ndarray) -> np.ndarray:
    rows, columns = frame.shape
    ring = [frame[np.clip(y + dy, 0, rows - 1), np.clip(x + dx, 0, columns - 1)] for dy, dx in _AROUND]
    return np.median(ring, axis=0).astype(np.float32)


def _mean(key: str, name: str, camera: CameraSettings, shape: tuple[int, int], plan: Plan) -> np.ndarray:
    """Mean of up to 64 frames of a file or folder, developed as the recording is."""
    path = Path(name)
    try:
        frames, _ = find_frames(path, bayer=camera.bayer)
        chosen = [frames[i] for i in np.unique(np.linspace(0, len(frames) - 1, 64).astype(int))]
        total = np.zeros(shape, np.float64)
        for frame in chosen:
            if frame.shape != shape:
                raise InputError(
                    f"is {frame.shape[1]} x {frame.shape[0]} pixels, the frames are {shape[1]} x {shape[0]}",
                    where=str(frame.file),
                    remedy="record it at the size of the frames",
                )
            total += displayed(as_set(frame, camera), plan)
    except PromtrackError as error:
        error.where = f"{key} ({error.where or path})"
        raise
    return (total / len(chosen)).astype(np.float32)
