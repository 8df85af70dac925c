"""A scene: spec in, frames and truth out; and the same as an observer's files, with stamps in their names."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np

from promtrack.errors import InputError
from promtrack.scene import camera
from promtrack.scene.picture import light_of, view_of
from promtrack.scene.spec import SceneSpec
from promtrack.scene.sun import build_layers
from promtrack.scene.truth import SceneTruth, truth_of
from promtrack.sequence.records import Sequence, TimeReport
from promtrack.workers import map_ahead

KEPT_BYTES = 100_000_000  # of all frames of a scene, below which they are drawn once


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """A synthetic recording. `frame(i)` may be asked for in any order and is the same each time."""

    spec: SceneSpec
    truth: SceneTruth
    draw: Callable[[int], np.ndarray]

    def __len__(self) -> int:
        return self.spec.count

    def frame(self, index: int) -> np.ndarray:
        """(rows, columns) uint8 or uint16."""
        if not 0 <= index < self.spec.count:
            raise IndexError(f"frame {index} of a scene of {self.spec.count} frames")
        return self.draw(index)

    def sequence(self) -> Sequence:
        """The scene as a sequence whose frames are drawn when they are first read, and kept while they are
        few."""
        spec = self.spec
        few = 2 * spec.count * spec.shape[0] * spec.shape[1] < KEPT_BYTES
        names = tuple(f"{spec.name}#{i:04d}" for i in range(spec.count))
        return Sequence(
            path=Path(spec.name),
            names=names,
            times_utc=spec.times_utc,
            exposure_s=spec.exposure_s,
            exposures_s=spec.exposures_s,
            shape=spec.shape,
            full_scale=camera.full_scale(spec),
            read=lru_cache(maxsize=None)(self.frame) if few else self.frame,
            time_report=TimeReport("cadence", "times of the synthetic scene", ()),
        )


def make_scene(spec: SceneSpec) -> Scene:
    """Build a scene: everything that stays in its place is drawn here, the rest when a frame is asked for."""
    pointing, air = camera.pointing_of(spec), camera.air_of(spec)
    light = tuple(
        knot.brightness
        if knot.brightness is not None
        else camera.knot_brightness(spec, knot.size_mm, knot.snr)
        for knot in spec.knots
    )
    layers = build_layers(spec, view_of(spec, pointing), light)
    sensor = camera.make_sensor(spec)

    def draw(index: int) -> np.ndarray:
        if index in spec.lost_frames:
            light = np.full(spec.shape, spec.sky, dtype=np.float32)
        else:
            light = light_of(spec, layers, pointing, index)
        return camera.expose(spec, sensor, air, index, light)

    return Scene(spec, truth_of(spec, pointing, air, light), draw)


def write_scene(scene: Scene, folder: Path, *, progress: Callable[[int, int], None] | None = None) -> Path:
    """Write all frames as 16-bit TIFF files, whose names hold the UTC time of the middle of the exposure.

    Parameters
    ----------
    folder : made if it is missing
    progress : called with frames done and frames in all

    Returns
    -------
    the folder

    Raises
    ------
    InputError : the folder or a file cannot be written
    """
    folder = Path(folder)
    names = [_stamp(time) for time in scene.spec.times_utc]
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for index, frame in enumerate(map_ahead(scene.frame, range(len(scene)))):
            if frame.dtype == np.uint8:
                frame = frame.astype(np.uint16) * np.uint16(257)  # 65535 / 255
            _, data = cv2.imencode(".tif", frame, [cv2.IMWRITE_TIFF_COMPRESSION, 1])
            # not cv2.imwrite: it fails on some paths without saying why
            (folder / f"{names[index]}.tif").write_bytes(data.tobytes())
            if progress:
                progress(index + 1, len(scene))
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror or error})",
            where=str(folder),
            remedy="choose a folder that can be written to",
        ) from None
    return folder


def _stamp(time_utc: np.datetime64) -> str:
    """2026-05-17T09-31-20Z; with milliseconds where there are any."""
    text = np.datetime_as_string(time_utc, unit="ms").replace(":", "-")
    return text.removesuffix(".000") + "Z"
