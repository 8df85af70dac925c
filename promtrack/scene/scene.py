"""A scene: spec in, frames and truth out; and the same as an observer's files, with stamps in their names.

The light of a frame before seeing is one interpolation of the strips and the disc's face (`sun`), seen
through mount and air (`camera`), which then make counts of it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from scipy.special import erf

from promtrack.errors import unwritable
from promtrack.scene import camera
from promtrack.scene.plasma import group_light
from promtrack.scene.spec import SceneSpec
from promtrack.scene.sun import SunLayers, View, build_layers, darkening, face_at, plasma_at
from promtrack.scene.truth import SceneTruth, truth_of
from promtrack.sequence.records import Sequence, TimeReport
from promtrack.workers import map_ahead


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """A synthetic recording. `frame(i)` may be asked for in any order and is the same each time."""

    spec: SceneSpec
    truth: SceneTruth
    draw: Callable[[int], np.ndarray]

    def __len__(self) -> int:
        return self.spec.count

    def frame(self, index: int) -> np.ndarray:
        """(rows, columns) uint8 or uint16; raises IndexError beyond the last frame."""
        if not 0 <= index < self.spec.count:
            raise IndexError(f"frame {index} of a scene of {self.spec.count} frames")
        return self.draw(index)

    def sequence(self) -> Sequence:
        """The scene as a sequence whose frames are drawn when first read, and kept if they are few."""
        spec = self.spec
        few = 2 * spec.count * spec.shape[0] * spec.shape[1] < 100_000_000  # bytes
        names = tuple(f"{spec.name}#{i:04d}" for i in range(spec.count))
        return Sequence(
            path=Path(spec.name),
            names=names,
            times_utc=spec.times_utc,
            exposures_s=spec.exposures_s,
            shape=spec.shape,
            full_scale=camera.full_scale(spec),
            read=lru_cache(maxsize=None)(self.frame) if few else self.frame,
            time_report=TimeReport("cadence", "times of the synthetic scene", ()),
        )


def make_scene(spec: SceneSpec) -> Scene:
    """Build a scene: everything that stays in its place is drawn here, the rest when a frame is asked for."""
    pointing, air = camera.pointing_of(spec), camera.air_of(spec)
    light = tuple(camera.knot_brightness(spec, knot) for knot in spec.knots)
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
    """Write all frames into `folder`, made if it is missing, as 16-bit TIFF files whose names hold the UTC
    time of the middle of the exposure; `progress`: called with frames done and frames in all. Returns the
    folder. Raises InputError: the folder or a file cannot be written."""
    folder = Path(folder)
    # 2026-05-17T09-31-20Z; with milliseconds where there are any
    stamps = np.datetime_as_string(scene.spec.times_utc, unit="ms").tolist()
    names = [stamp.replace(":", "-").removesuffix(".000") + "Z" for stamp in stamps]
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
        raise unwritable(folder, error) from None
    return folder


def light_of(spec: SceneSpec, layers: SunLayers, pointing: camera.Pointing, index: int) -> np.ndarray:
    """Light (rows, columns) of one frame before seeing, disc's centre = 1, distorted by the air."""
    x, y = _about_centre(spec, pointing, index)
    time_s = float(spec.time_s[index])
    distance = cv2.magnitude(x, y)
    height = (distance - np.float32(spec.radius_px)) * np.float32(spec.mm_per_px)
    grid = layers.grid
    column = (np.arctan2(-x, -y) - np.float32(grid.from_rad)) * np.float32(1.0 / grid.rad_per_column)
    row = (height - np.float32(grid.low_mm)) * np.float32(1.0 / grid.mm_per_row)
    plasma = cv2.remap(plasma_at(spec, layers, time_s), column, row, cv2.INTER_LINEAR)
    row += np.float32((grid.low_mm - layers.fringe.height_mm) / grid.mm_per_row)
    fringe = cv2.remap(group_light(layers.fringe, time_s), column, row, cv2.INTER_LINEAR)
    disc = darkening(distance * np.float32(1.0 / spec.radius_px), spec.limb_darkening)
    if spec.texture > 0:
        place = x - np.float32(layers.face_left_px), y - np.float32(layers.face_top_px)
        face = face_at(spec, layers, time_s)
        disc *= 1 + cv2.remap(face, *place, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    # Part of the disc's light at a height: the chromosphere's edge is soft by about 0.25 Mm, and a pixel adds
    # its own box of 0.29 px (1 sigma) and its diffusion; below 0.45 px the step would be undersampled.
    width = math.hypot(0.45 * spec.mm_per_px, 0.25)
    inside = (height < 0).astype(np.float32)
    near = np.abs(height) < 5.0 * width
    inside[near] = 0.5 - 0.5 * erf(height[near] / np.float32(math.sqrt(2.0) * width))
    # thick plasma is 0.15 times as bright as the disc's centre: dark on the disc, bright off the limb
    disc *= np.exp(plasma * np.float32(-1.0 / 0.15))
    return inside * disc + (1 - inside) * fringe + plasma + _halo(spec, height)


def _about_centre(spec: SceneSpec, pointing: camera.Pointing, index: int) -> tuple[np.ndarray, np.ndarray]:
    """Where each pixel looks: px from the Sun's centre, facing direction up, turn and flattening undone."""
    rows, columns = spec.shape
    x = (np.arange(columns) - pointing.centre_x_px[index]).astype(np.float32)[None, :].repeat(rows, axis=0)
    y = (np.arange(rows) - pointing.centre_y_px[index]).astype(np.float32)[:, None].repeat(columns, axis=1)
    shift = camera.distortion(spec, index)
    if shift is not None:
        x += shift[..., 0]
        y += shift[..., 1]
    flat = float(pointing.flattening[index])
    if flat:
        zenith = math.radians(float(pointing.zenith_deg[index]))
        zx, zy = np.float32(-math.sin(zenith)), np.float32(-math.cos(zenith))
        lift = np.float32(flat / (1.0 - flat)) * (x * zx + y * zy)
        x += lift * zx
        y += lift * zy
    turn = math.radians(float(pointing.turn_deg[index]) + spec.facing_deg)
    if turn:
        cos, sin = np.float32(math.cos(turn)), np.float32(math.sin(turn))
        x, y = x * cos - y * sin, y * cos + x * sin
    return x, y


def _halo(spec: SceneSpec, height: np.ndarray) -> np.ndarray:
    """Sky, and light scattered by air and optics, which falls off slowly from the limb."""
    near = np.exp(np.maximum(height, 0) * np.float32(-1 / 220.0))
    steep = near * near
    steep *= steep * steep  # near^6: falls within 37 Mm; products, since a power takes ten times as long
    halo = np.float32(0.55 * spec.scattered) * steep + np.float32(0.45 * spec.scattered) * near
    return halo + np.float32(spec.sky)


def view_of(spec: SceneSpec, pointing: camera.Pointing) -> View:
    """The part of the Sun that the frames show, with a margin for the local distortion."""
    rows, columns = spec.shape
    jumps = [frame for jump in spec.jumps for frame in (jump.frame - 1, jump.frame)]
    spread = np.linspace(0, spec.count - 1, min(spec.count, 80)).astype(int)
    pick = np.array([i for i in sorted({*spread.tolist(), *jumps}) if 0 <= i < spec.count])
    margin = 12.0 + 5.0 * (spec.image_motion_arcsec + spec.distortion_arcsec) / spec.px_arcsec
    edge_x = np.linspace(-margin, columns - 1 + margin, 97)
    edge_y = np.linspace(-margin, rows - 1 + margin, 97)
    border = np.concatenate(
        [np.column_stack((edge_x, np.full(97, v))) for v in (edge_y[0], edge_y[-1])]
        + [np.column_stack((np.full(97, v), edge_y)) for v in (edge_x[0], edge_x[-1])]
    )
    dx = border[:, 0] - pointing.centre_x_px[pick, None]
    dy = border[:, 1] - pointing.centre_y_px[pick, None]
    turn = np.deg2rad(pointing.turn_deg[pick, None] + spec.facing_deg)
    x, y = dx * np.cos(turn) - dy * np.sin(turn), dy * np.cos(turn) + dx * np.sin(turn)
    distance, angle = np.hypot(x, y), np.arctan2(-x, -y)
    high = (float(distance.max()) - spec.radius_px) * spec.mm_per_px
    centre = np.column_stack([pointing.centre_x_px, pointing.centre_y_px])[pick]
    inside = ((centre > -margin) & (centre < np.array([columns, rows]) + margin)).all(axis=1).any()
    low_rad, high_rad = float(angle.min()), float(angle.max())
    if inside or high_rad - low_rad > 5.0:  # from within the frame its border is seen all round
        low_rad, high_rad = -math.pi, math.pi
    box = float(x.min()), float(y.min()), float(x.max()), float(y.max())
    # strip samples in a pixel: 2, less where the strip would pass some 6 million samples
    samples = (high_rad - low_rad) * spec.radius_px * min(300.0 / spec.mm_per_px, max(spec.shape))
    fine = float(np.clip(math.sqrt(6e6 / samples), 1.25, 2.0))
    return View(low_rad, high_rad, max(high, 15.0), box, fine)
