"""A scene: spec in, frames and truth out."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
from scipy.special import erf

from promtrack.scene import camera, paths
from promtrack.scene.disc import darkening
from promtrack.scene.spec import SceneSpec
from promtrack.scene.sun import SunLayers, View, build_layers, face_at, fringe_at, plasma_at
from promtrack.scene.truth import FrontTruth, KnotTruth, SceneTruth, SwayTruth
from promtrack.sequence.records import Sequence, TimeReport

__all__ = ["Scene", "make_scene"]

SOURCE_FUNCTION = 0.15   # brightness of thick plasma, disc's centre = 1: dark in front of the disc, bright off the limb


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
        return Sequence(path=Path(spec.name), names=names, times_utc=spec.times_utc, exposure_s=spec.exposure_s, shape=spec.shape,
                        full_scale=camera.full_scale(spec), read=self.frame,
                        time_report=TimeReport("cadence", "times of the synthetic scene", ()), decode_is_costly=True)


def make_scene(spec: SceneSpec) -> Scene:
    """Build a scene: everything that stays in its place is drawn here, the rest when a frame is asked for."""
    pointing, air = camera.pointing_of(spec), camera.air_of(spec)
    light = tuple(knot.brightness if knot.brightness is not None else camera.knot_brightness(spec, knot.size_mm, knot.snr)
                  for knot in spec.knots)
    layers = build_layers(spec, _view(spec, pointing), light)
    sensor = camera.make_sensor(spec)

    def draw(index: int) -> np.ndarray:
        if index in spec.lost_frames:
            light = np.full(spec.shape, spec.sky, dtype=np.float32)
        else:
            light = light_of(spec, layers, pointing, index)
        return camera.expose(spec, sensor, air, index, light)

    return Scene(spec, _truth(spec, pointing, air, light), draw)


def light_of(spec: SceneSpec, layers: SunLayers, pointing: camera.Pointing, index: int) -> np.ndarray:
    """Light (disc's centre = 1) of one frame before seeing, with the local distortion of the air."""
    x, y = _about_centre(spec, pointing, index)
    time_s = float(spec.time_s[index])
    distance = cv2.magnitude(x, y)
    height = (distance - np.float32(spec.radius_px)) * np.float32(spec.mm_per_px)
    column = (np.arctan2(-x, -y) - np.float32(layers.grid.from_rad)) * np.float32(1.0 / layers.grid.rad_per_column)
    row = (height - np.float32(layers.grid.low_mm)) * np.float32(1.0 / layers.grid.mm_per_row)
    plasma = cv2.remap(plasma_at(spec, layers, time_s), column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    row += np.float32((layers.grid.low_mm - layers.fringe.height_mm) / layers.grid.mm_per_row)
    fringe = cv2.remap(fringe_at(layers, time_s), column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    disc = darkening(distance * np.float32(1.0 / spec.radius_px), spec.limb_darkening)
    if spec.texture > 0:
        face = cv2.remap(face_at(spec, layers, time_s), x - np.float32(layers.face_left_px), y - np.float32(layers.face_top_px),
                         cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        disc *= 1 + face
    inside = _limb_step(spec, height)
    disc *= np.exp(plasma * np.float32(-1.0 / SOURCE_FUNCTION))
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


def _limb_step(spec: SceneSpec, height: np.ndarray) -> np.ndarray:
    """Part of the disc's light at a height: an error function, steepest at the limb."""
    # the chromosphere's edge is soft by about 0.25 Mm, and a pixel adds its own box of 0.29 px (1 sigma) and its
    # diffusion; below 0.45 px the step would be undersampled
    width = math.hypot(0.45 * spec.mm_per_px, 0.25)
    inside = (height < 0).astype(np.float32)
    near = np.abs(height) < 5.0 * width
    inside[near] = 0.5 - 0.5 * erf(height[near] / np.float32(math.sqrt(2.0) * width))
    return inside


def _halo(spec: SceneSpec, height: np.ndarray) -> np.ndarray:
    """Sky, and light scattered by air and optics, which falls off slowly from the limb."""
    near = np.exp(np.maximum(height, 0) * np.float32(-1 / 220.0))
    steep = near * near
    steep *= steep * steep      # near^6: falls within 37 Mm; products, since a power takes ten times as long
    return np.float32(0.55 * spec.scattered) * steep + np.float32(0.45 * spec.scattered) * near + np.float32(spec.sky)


def _view(spec: SceneSpec, pointing: camera.Pointing) -> View:
    """The part of the Sun that the frames show, with a margin for the local distortion."""
    rows, columns = spec.shape
    pick = np.unique(np.concatenate((np.linspace(0, spec.count - 1, min(spec.count, 80)).astype(int),
                                     *([[j.frame - 1, j.frame] for j in spec.jumps if j.frame > 0] or [[0]]))))
    pick = pick[pick < spec.count]
    margin = 12.0 + 5.0 * (spec.image_motion_arcsec + spec.distortion_arcsec) / spec.px_arcsec
    edge_x = np.linspace(-margin, columns - 1 + margin, 97)
    edge_y = np.linspace(-margin, rows - 1 + margin, 97)
    border = np.concatenate([np.column_stack((edge_x, np.full(97, v))) for v in (edge_y[0], edge_y[-1])]
                            + [np.column_stack((np.full(97, v), edge_y)) for v in (edge_x[0], edge_x[-1])])
    dx = border[:, 0] - pointing.centre_x_px[pick, None]
    dy = border[:, 1] - pointing.centre_y_px[pick, None]
    turn = np.deg2rad(pointing.turn_deg[pick, None] + spec.facing_deg)
    x, y = dx * np.cos(turn) - dy * np.sin(turn), dy * np.cos(turn) + dx * np.sin(turn)
    distance, angle = np.hypot(x, y), np.arctan2(-x, -y)
    high = (float(distance.max()) - spec.radius_px) * spec.mm_per_px
    inside = ((pointing.centre_x_px[pick] > -margin) & (pointing.centre_x_px[pick] < columns + margin)
              & (pointing.centre_y_px[pick] > -margin) & (pointing.centre_y_px[pick] < rows + margin)).any()
    # a border may be seen from the centre only over a range of angles; if the centre is in the frame, all are seen
    low_rad, high_rad = (-math.pi, math.pi) if inside or np.ptp(angle) > 5.0 else (float(angle.min()), float(angle.max()))
    box = float(x.min()), float(y.min()), float(x.max()), float(y.max())
    return View(low_rad, high_rad, max(high, 15.0), box, _oversampling(spec, low_rad, high_rad))


def _oversampling(spec: SceneSpec, low_rad: float, high_rad: float) -> float:
    """Strip samples in a pixel: 2, less where the strip would pass some 6 million samples."""
    samples = (high_rad - low_rad) * spec.radius_px * min(300.0 / spec.mm_per_px, max(spec.shape))
    return float(np.clip(math.sqrt(6e6 / samples), 1.25, 2.0))


def _truth(spec: SceneSpec, pointing: camera.Pointing, air: camera.Air, light: tuple[float, ...]) -> SceneTruth:
    spoiled = [(f, "no Sun") for f in spec.lost_frames] + [(f, "cloud") for f, _ in spec.cloud_frames]
    spoiled += [(f, "aircraft") for f in spec.aircraft_frames] + [(j.frame, "jump") for j in spec.jumps if j.smear]
    spoiled += [(f, "blur") for f, _ in spec.blurred_frames]
    bare = SceneTruth(
        times_utc=spec.times_utc, time_s=spec.time_s, centre_x_px=pointing.centre_x_px, centre_y_px=pointing.centre_y_px,
        angle_deg=pointing.turn_deg, radius_px=spec.radius_px, limb_mm=spec.limb_mm, mm_per_px=spec.mm_per_px,
        arcsec_per_px=spec.px_arcsec, flattening=pointing.flattening, zenith_deg=pointing.zenith_deg,
        transparency=air.transparency, seeing_arcsec=air.seeing_arcsec, spoiled=tuple(sorted(spoiled)), knots=(),
        fronts=tuple(_front_truth(spec, e) for e in spec.eruptions),
        sways=tuple(SwayTruth(spec.time_s, paths.sway_displacement(s, spec.time_s), spec.facing_deg + s.at_deg, s.low_mm, s.high_mm,
                              s.period_s, s.amplitude_mm, s.damping_s) for s in spec.sways))
    knots = tuple(_knot_truth(spec, bare, knot, one) for knot, one in zip(spec.knots, light, strict=True))
    from dataclasses import replace
    return replace(bare, knots=knots)


def _front_truth(spec: SceneSpec, eruption: paths.Eruption) -> FrontTruth:
    h = 0.5
    low, mid, high = (paths.front_height(eruption, spec.time_s + d) for d in (-h, 0.0, h))
    return FrontTruth(spec.time_s, mid, spec.facing_deg + eruption.at_deg, (high - low) / (2 * h) * 1e3,
                      (high - 2 * mid + low) / h**2 * 1e6, paths.onset(eruption))


def _knot_truth(spec: SceneSpec, truth: SceneTruth, knot: paths.Knot | paths.ArchKnot, light: float) -> KnotTruth:
    time_s, h = spec.time_s, 0.5
    (a0, h0), (a1, h1), (a2, h2) = (paths.knot_place(knot, time_s + d, spec.limb_mm) for d in (-h, 0.0, h))
    rho = spec.limb_mm + np.stack((h0, h1, h2))
    place = np.stack((rho * np.sin([a0, a1, a2]), rho * np.cos([a0, a1, a2])))   # (x or y, moment, n) Mm in the plane of the sky
    velocity = (place[:, 2] - place[:, 0]) / (2 * h)
    push = (place[:, 2] - 2 * place[:, 1] + place[:, 0]) / h**2
    speed = np.hypot(*velocity)
    accel = (push * velocity).sum(axis=0) / np.maximum(speed, 1e-12)
    part = paths.fading(time_s, knot.from_s, knot.life_s, knot.fade_s)
    angle = np.rad2deg(a1) + spec.facing_deg
    x, y = np.array([truth.to_frame(i, angle[i], h1[i]) for i in range(len(time_s))]).T
    rows, columns = spec.shape
    visible = (part >= 0.5) & (h1 > 0) & (x >= 0) & (y >= 0) & (x <= columns - 1) & (y <= rows - 1)
    noise = float(camera.noise_of(spec, camera.exposure_gain(spec) * (spec.sky + 0.7 * spec.scattered + 0.04)))
    peak = light / camera.spread_by_seeing(spec, knot.size_mm, truth.seeing_arcsec) * camera.exposure_gain(spec)
    return KnotTruth(time_s, h1, angle, (h2 - h0) / (2 * h) * 1e3, (a2 - a0) * rho[1] / (2 * h) * 1e3, speed * 1e3, accel * 1e6,
                     visible, part * truth.transparency * peak / noise, knot.size_mm)
