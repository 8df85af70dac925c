"""Synthetic recordings of the Sun's limb with known truth, for the demo, the tests and trials.

In comes a `SceneSpec` (or a scenario file), out go frames and a `SceneTruth`. Read content and spec (what
can be asked for), scene (how a frame comes about), sun with plasma and random_fields (the light), camera
(mount, air, sensor), truth (what is true, what a run got right).
"""

# ruff: noqa: F401 - what the room hands out
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
from promtrack.scene.scene import Scene, make_scene, write_scene
from promtrack.scene.spec import SceneSpec, observer_settings, read_scenario, scenario, scenario_names
from promtrack.scene.truth import SceneTruth
