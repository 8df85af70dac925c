"""Strips of a synthetic scene, cut with the true centres: what is tested is the motion room, not the lock."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from promtrack.scene import SceneSpec, SceneTruth, make_scene
from promtrack.settings import StripSettings
from promtrack.strip import strip_geometry, unwrap
from promtrack.strip.records import Strip
from promtrack.sun import Orientation, Scale
from tests.strip.sky import make_lock

IMAGE_ANGLES = Orientation(False, 0.0, 1, 0.1, "image angles")


def scene_strip(spec: SceneSpec, folder: Path) -> tuple[Strip, SceneTruth]:
    """Strip of all frames of a scene; product angles are image angles of the first frame."""
    scene = make_scene(spec)
    truth = scene.truth
    centres = np.column_stack([truth.centre_x_px, truth.centre_y_px])
    half = float(np.degrees(0.5 * spec.shape[1] / spec.radius_px))
    lock = make_lock(
        centres,
        spec.shape,
        radius_px=truth.radius_px,
        from_deg=spec.facing_deg - half,
        to_deg=spec.facing_deg + half,
        turns=truth.angle_deg,
        transparency=truth.transparency,
        used=truth.good,
    )
    scale = Scale(truth.mm_per_px * 1e3, 1.0, truth.arcsec_per_px, "limb", "", True)
    geometry = strip_geometry(lock, scale, IMAGE_ANGLES, strip=StripSettings())
    strip = unwrap(
        scene.sequence(), lock, IMAGE_ANGLES, geometry, path=Path(folder) / f"{spec.name}_{spec.seed}.bin"
    )
    return strip, truth
