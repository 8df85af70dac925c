"""A scene: spec in, frames and truth out."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from promtrack.scene import camera
from promtrack.scene.picture import light_of, view_of
from promtrack.scene.spec import SceneSpec
from promtrack.scene.sun import build_layers
from promtrack.scene.truth import SceneTruth, truth_of
from promtrack.sequence.records import Sequence, TimeReport

__all__ = ["Scene", "make_scene"]


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
