"""promtrack: steady time-lapse clips and honest speeds of solar prominences.

The stages of a run are functions on records, in the order of the data: `open_sequence`, `lock_limb`,
`solar_view`, `measure_scale`, `orient`, `strip_geometry`, `unwrap`, `measure_motion`, then `render_clip`,
`draw_figures` and `write_report` on a `Measured`. `run` does them all, `run_stage` one of them again,
`run_many` all of them on many recordings. Names are loaded when first used, so that importing promtrack costs
nothing.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

# ruff: noqa: F401 - for type checkers; `__getattr__` hands them out
if TYPE_CHECKING:
    from promtrack.errors import InputError, PromtrackError, SettingsError
    from promtrack.limb import LimbLock, lock_limb
    from promtrack.many import Outcome, run_many
    from promtrack.motion import Motion, measure_motion
    from promtrack.pipeline import run, run_stage
    from promtrack.scene import SceneSpec, make_scene, write_scene
    from promtrack.sequence import Sequence, open_sequence, sequence_from_arrays
    from promtrack.sequence.opening import sessions
    from promtrack.sequence.sort_by_time import Session
    from promtrack.settings import Settings
    from promtrack.settings_text import change_settings, load_settings
    from promtrack.show import Measured, draw_figures, render_clip, write_report
    from promtrack.strip import Strip, strip_geometry, time_distance, unwrap
    from promtrack.sun import Orientation, Scale, SolarView, measure_scale, orient, solar_view

__version__ = "0.1.0"

_HOMES = {
    "errors": ("InputError", "PromtrackError", "SettingsError"),
    "limb": ("LimbLock", "lock_limb"),
    "many": ("Outcome", "run_many"),
    "motion": ("Motion", "measure_motion"),
    "pipeline": ("run", "run_stage"),
    "scene": ("SceneSpec", "make_scene", "write_scene"),
    "sequence": ("Sequence", "open_sequence", "sequence_from_arrays"),
    "sequence.opening": ("sessions",),
    "sequence.sort_by_time": ("Session",),
    "settings": ("Settings",),
    "settings_text": ("change_settings", "load_settings"),
    "show": ("Measured", "draw_figures", "render_clip", "write_report"),
    "strip": ("Strip", "strip_geometry", "time_distance", "unwrap"),
    "sun": ("Orientation", "Scale", "SolarView", "measure_scale", "orient", "solar_view"),
}


def loaded_late(package: str, homes: dict[str, tuple[str, ...]]) -> tuple[list[str], Callable[[str], Any]]:
    """A package's names, sorted, and its `__getattr__` (PEP 562), which loads each when it is first used.
    `homes`: module, as seen from the package, to the names that it holds."""
    home_of = {name: home for home, names in homes.items() for name in names}

    def load(name: str) -> Any:
        if name in home_of:
            return getattr(importlib.import_module(f"{package}.{home_of[name]}"), name)
        raise AttributeError(f"module '{package}' has no attribute '{name}'")

    return sorted(home_of), load


__all__, __getattr__ = loaded_late("promtrack", _HOMES)


def __dir__() -> list[str]:
    return sorted([*globals(), *__all__])
