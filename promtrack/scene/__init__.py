"""Synthetic recordings of the Sun's limb with known truth, for the demo, the tests and trials.

In comes a `SceneSpec` (or a scenario file), out go frames and a `SceneTruth`. Read content and spec (what
can be asked for), scene (how a frame comes about), sun with prominence, moving and random_fields (the
light), picture (as seen), camera (mount, air, sensor), truth and judge (what is true, what a run got right).
"""

from promtrack.scene.content import (
    Arch,
    ArchKnot,
    CloudBank,
    Eruption,
    Filament,
    Hedgerow,
    Jump,
    Knot,
    SwayingThread,
)
from promtrack.scene.scenario_files import observer_settings, read_scenario, scenario, scenario_names
from promtrack.scene.scene import Scene, make_scene, write_scene
from promtrack.scene.spec import SceneSpec
from promtrack.scene.truth import FrontTruth, KnotTruth, SceneTruth, SwayTruth

__all__ = [
    "Arch",
    "ArchKnot",
    "CloudBank",
    "Eruption",
    "Filament",
    "FrontTruth",
    "Hedgerow",
    "Jump",
    "Knot",
    "KnotTruth",
    "Scene",
    "SceneSpec",
    "SceneTruth",
    "SwayTruth",
    "SwayingThread",
    "make_scene",
    "observer_settings",
    "read_scenario",
    "scenario",
    "scenario_names",
    "write_scene",
]
