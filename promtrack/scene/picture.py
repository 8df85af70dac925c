"""The light of one frame before seeing: the strips and the disc's face seen through mount and air."""

from __future__ import annotations

import math

import cv2
import numpy as np
from scipy.special import erf

from promtrack.scene.camera import Pointing, distortion
from promtrack.scene.spec import SceneSpec
from promtrack.scene.sun import SunLayers, View, darkening, face_at, fringe_at, plasma_at

SOURCE_FUNCTION = (
    0.15  # brightness of thick plasma, disc's centre = 1: dark in front of the disc, bright off the limb
)


def light_of(spec: SceneSpec, layers: SunLayers, pointing: Pointing, index: int) -> np.ndarray:
    """Light (disc's centre = 1) of one frame before seeing, with the local distortion of the air."""
    x, y = _about_centre(spec, pointing, index)
    time_s = float(spec.time_s[index])
    distance = cv2.magnitude(x, y)
    height = (distance - np.float32(spec.radius_px)) * np.float32(spec.mm_per_px)
    column = (np.arctan2(-x, -y) - np.float32(layers.grid.from_rad)) * np.float32(
        1.0 / layers.grid.rad_per_column
    )
    row = (height - np.float32(layers.grid.low_mm)) * np.float32(1.0 / layers.grid.mm_per_row)
    plasma = cv2.remap(
        plasma_at(spec, layers, time_s),
        column,
        row,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0,
    )
    row += np.float32((layers.grid.low_mm - layers.fringe.height_mm) / layers.grid.mm_per_row)
    fringe = cv2.remap(
        fringe_at(layers, time_s),
        column,
        row,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=0,
    )
    disc = darkening(distance * np.float32(1.0 / spec.radius_px), spec.limb_darkening)
    if spec.texture > 0:
        face = cv2.remap(
            face_at(spec, layers, time_s),
            x - np.float32(layers.face_left_px),
            y - np.float32(layers.face_top_px),
            cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_REPLICATE,
        )
        disc *= 1 + face
    inside = _limb_step(spec, height)
    disc *= np.exp(plasma * np.float32(-1.0 / SOURCE_FUNCTION))
    return inside * disc + (1 - inside) * fringe + plasma + _halo(spec, height)


def _about_centre(spec: SceneSpec, pointing: Pointing, index: int) -> tuple[np.ndarray, np.ndarray]:
    """Where each pixel looks: px from the Sun's centre, facing direction up, turn and flattening undone."""
    rows, columns = spec.shape
    x = (np.arange(columns) - pointing.centre_x_px[index]).astype(np.float32)[None, :].repeat(rows, axis=0)
    y = (np.arange(rows) - pointing.centre_y_px[index]).astype(np.float32)[:, None].repeat(columns, axis=1)
    shift = distortion(spec, index)
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
    # the chromosphere's edge is soft by about 0.25 Mm, and a pixel adds its own box of 0.29 px (1 sigma) and
    # its diffusion; below 0.45 px the step would be undersampled
    width = math.hypot(0.45 * spec.mm_per_px, 0.25)
    inside = (height < 0).astype(np.float32)
    near = np.abs(height) < 5.0 * width
    inside[near] = 0.5 - 0.5 * erf(height[near] / np.float32(math.sqrt(2.0) * width))
    return inside


def _halo(spec: SceneSpec, height: np.ndarray) -> np.ndarray:
    """Sky, and light scattered by air and optics, which falls off slowly from the limb."""
    near = np.exp(np.maximum(height, 0) * np.float32(-1 / 220.0))
    steep = near * near
    steep *= steep * steep  # near^6: falls within 37 Mm; products, since a power takes ten times as long
    return (
        np.float32(0.55 * spec.scattered) * steep
        + np.float32(0.45 * spec.scattered) * near
        + np.float32(spec.sky)
    )


def view_of(spec: SceneSpec, pointing: Pointing) -> View:
    """The part of the Sun that the frames show, with a margin for the local distortion."""
    rows, columns = spec.shape
    pick = np.unique(
        np.concatenate(
            (
                np.linspace(0, spec.count - 1, min(spec.count, 80)).astype(int),
                *([[j.frame - 1, j.frame] for j in spec.jumps if j.frame > 0] or [[0]]),
            )
        )
    )
    pick = pick[pick < spec.count]
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
    inside = (
        (pointing.centre_x_px[pick] > -margin)
        & (pointing.centre_x_px[pick] < columns + margin)
        & (pointing.centre_y_px[pick] > -margin)
        & (pointing.centre_y_px[pick] < rows + margin)
    ).any()
    # a border may be seen from the centre only over a range of angles; if the centre is in the frame, all are
    # seen
    low_rad, high_rad = (
        (-math.pi, math.pi) if inside or np.ptp(angle) > 5.0 else (float(angle.min()), float(angle.max()))
    )
    box = float(x.min()), float(y.min()), float(x.max()), float(y.max())
    return View(low_rad, high_rad, max(high, 15.0), box, _oversampling(spec, low_rad, high_rad))


def _oversampling(spec: SceneSpec, low_rad: float, high_rad: float) -> float:
    """Strip samples in a pixel: 2, less where the strip would pass some 6 million samples."""
    samples = (high_rad - low_rad) * spec.radius_px * min(300.0 / spec.mm_per_px, max(spec.shape))
    return float(np.clip(math.sqrt(6e6 / samples), 1.25, 2.0))
