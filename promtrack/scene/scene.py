"""A scene: spec in, frames and truth out; and the same as an observer's files: stills with stamps in their
names, FITS with header times, or a video."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import cv2
import imageio_ffmpeg
import numpy as np
from astropy.io import fits

from promtrack.errors import InputError
from promtrack.scene import camera
from promtrack.scene.picture import light_of, view_of
from promtrack.scene.spec import SceneSpec
from promtrack.scene.sun import build_layers
from promtrack.scene.truth import SceneTruth, truth_of
from promtrack.sequence.records import Sequence, TimeReport
from promtrack.workers import map_ahead

__all__ = ["Scene", "make_scene", "write_scene"]


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
        """The scene as a sequence whose frames are drawn when they are read."""
        spec = self.spec
        names = tuple(f"{spec.name}#{i:04d}" for i in range(spec.count))
        return Sequence(
            path=Path(spec.name),
            names=names,
            times_utc=spec.times_utc,
            exposure_s=spec.exposure_s,
            exposures_s=spec.exposures_s,
            shape=spec.shape,
            full_scale=camera.full_scale(spec),
            read=self.frame,
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


_SUFFIX = {"tiff16": ".tif", "png16": ".png", "png8": ".png", "fits": ".fits", "mp4": ".mp4"}


def write_scene(
    scene: Scene, folder: Path, *, kind: str = "tiff16", progress: Callable[[int, int], None] | None = None
) -> Path:
    """Write all frames into `folder`, which is made if it is missing.

    Parameters
    ----------
    kind : tiff16 (uncompressed), png16, png8 (names hold the UTC time of the middle of the exposure), fits
        (DATE-BEG and EXPTIME), mp4 (one H.264 file, ten frames a second, no times)
    progress : called with frames done and frames in all

    Returns
    -------
    the folder, or the video file

    Raises
    ------
    ValueError : unknown kind
    InputError : the folder or a file cannot be written
    """
    if kind not in _SUFFIX:
        raise ValueError(f"kind must be one of {', '.join(_SUFFIX)}, got {kind!r}")
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if kind == "mp4":
            return _write_video(scene, folder / f"{scene.spec.name}.mp4", progress)
        names = [folder / f"{_stamp(time)}{_SUFFIX[kind]}" for time in scene.spec.times_utc]
        write = _write_fits if kind == "fits" else _write_still
        for index, frame in enumerate(map_ahead(scene.frame, range(len(scene)))):
            write(scene, index, _as_kind(frame, kind), names[index])
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


def _as_kind(frame: np.ndarray, kind: str) -> np.ndarray:
    """The depth that the files hold; 257 = 65535 / 255."""
    if kind in ("png8", "mp4") and frame.dtype == np.uint16:
        return ((frame.astype(np.uint32) + 128) // 257).astype(np.uint8)
    if kind in ("tiff16", "png16") and frame.dtype == np.uint8:
        return frame.astype(np.uint16) * np.uint16(257)
    return frame


def _write_still(scene: Scene, index: int, frame: np.ndarray, path: Path) -> None:
    flags = [cv2.IMWRITE_TIFF_COMPRESSION, 1] if path.suffix == ".tif" else [cv2.IMWRITE_PNG_COMPRESSION, 1]
    done, data = cv2.imencode(path.suffix, frame, flags)
    if not done:
        raise OSError(f"frame {index} cannot be encoded")
    path.write_bytes(data.tobytes())  # not cv2.imwrite: it fails on some paths without saying why


def _write_fits(scene: Scene, index: int, frame: np.ndarray, path: Path) -> None:
    spec = scene.spec
    exposure = np.timedelta64(round(spec.exposures_s[index] * 1e6), "us")
    unit = fits.PrimaryHDU(np.ascontiguousarray(frame[::-1]))  # rows run bottom-up in FITS
    begin = spec.times_utc[index] - exposure // 2
    for key, value, comment in (
        ("TIMESYS", "UTC", "time scale"),
        ("DATE-BEG", np.datetime_as_string(begin, unit="us"), "start of the exposure"),
        ("EXPTIME", spec.exposures_s[index], "[s] exposure"),
        ("OBJECT", "Sun, synthetic scene", "not an observation"),
    ):
        unit.header[key] = (value, comment)
    unit.writeto(path, overwrite=True)


def _write_video(scene: Scene, path: Path, progress: Callable[[int, int], None] | None) -> Path:
    rows, columns = scene.spec.shape
    even = rows + rows % 2, columns + columns % 2  # 4:2:0 colour needs even sizes
    writer = imageio_ffmpeg.write_frames(
        str(path),
        even[::-1],
        pix_fmt_in="gray",
        fps=10,
        codec="libx264",
        pix_fmt_out="yuv420p",
        quality=None,
        macro_block_size=1,
        output_params=["-crf", "10", "-preset", "veryfast", "-movflags", "+faststart"],
        ffmpeg_timeout=0,  # wait until it is done: on a busy computer it would be killed, and say so
    )
    writer.send(None)
    try:
        for index, frame in enumerate(map_ahead(scene.frame, range(len(scene)))):
            full = cv2.copyMakeBorder(
                _as_kind(frame, "mp4"), 0, even[0] - rows, 0, even[1] - columns, cv2.BORDER_REPLICATE
            )
            writer.send(np.ascontiguousarray(full))
            if progress:
                progress(index + 1, len(scene))
    finally:
        writer.close()
    return path
