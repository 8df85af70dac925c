"""Scenario files: TOML in, SceneSpec out; and the settings that the observer of a scene would give.

The files stand in `demo/` of the source tree and travel with the package as `promtrack.scene.scenarios`.
"""

from __future__ import annotations

import dataclasses
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from promtrack.errors import SettingsError, nearest
from promtrack.files import read_toml
from promtrack.scene import content
from promtrack.scene.spec import SceneSpec
from promtrack.settings import Settings, SiteSettings, change_settings

_CONTENT = {
    "hedgerows": content.Hedgerow,
    "arches": content.Arch,
    "filaments": content.Filament,
    "knots": content.Knot,
    "arch_knots": content.ArchKnot,
    "eruptions": content.Eruption,
    "sways": content.SwayingThread,
    "jumps": content.Jump,
    "cloud_banks": content.CloudBank,
}


def scenario_names() -> tuple[str, ...]:
    """Names of the scenarios that come with the program, in alphabetical order."""
    return tuple(
        sorted(item.name.removesuffix(".toml") for item in _folder().iterdir() if item.name.endswith(".toml"))
    )


def scenario(name: str) -> SceneSpec:
    """The scenario of that name.

    Raises
    ------
    SettingsError : there is none
    """
    if name not in scenario_names():
        names = scenario_names()
        raise SettingsError(
            f"there is no scenario '{name}'", remedy=nearest(name, names, f"choose {', '.join(names)}")
        )
    return read_scenario(_folder() / f"{name}.toml")


def read_scenario(file: Path | Traversable) -> SceneSpec:
    """A scenario from a TOML file: the fields of SceneSpec, and tables [[hedgerows]], [[knots]],
    [[arch_knots]] ...

    Raises
    ------
    SettingsError : not TOML, unknown field, or a value that makes no sense
    """
    where = file.name
    tree = read_toml(file, remedy="start from a file in demo/")
    things = {
        key: tuple(_record(_CONTENT[key], item, f"{where}, {key}") for item in tree.pop(key))
        for key in tuple(_CONTENT)
        if key in tree
    }
    if "site" in tree:
        tree["site"] = _record(SiteSettings, tree["site"], f"{where}, site")
    things["knots"] = things.get("knots", ()) + things.pop("arch_knots", ())
    return _record(SceneSpec, {"name": where.removesuffix(".toml"), "hedgerows": (), **tree, **things}, where)


def _record(kind: type, values: dict[str, Any], where: str) -> Any:
    known = [field.name for field in dataclasses.fields(kind)]
    for key in values:
        if key not in known:
            remedy = nearest(key, known, f"known are {', '.join(known)}")
            raise SettingsError(f"unknown field '{key}'", where=where, remedy=remedy)
    return kind(**{key: _frozen(value) for key, value in values.items()})


def _frozen(value: Any) -> Any:
    return tuple(_frozen(item) for item in value) if isinstance(value, (list, tuple)) else value


def _folder() -> Traversable:
    try:
        return resources.files("promtrack.scene.scenarios")
    except ModuleNotFoundError:  # run from the source tree without an installation
        return Path(__file__).parents[2] / "demo"


def observer_settings(spec: SceneSpec, base: Settings) -> Settings:
    """The settings with the scene's own site, mount and orientation; nothing that is to be measured.

    The synthetic Sun does not turn, so no rotation is to be taken out of the lock.
    """
    changes = {
        "limb.solar_rotation": False,
        "camera.north_deg": spec.north_deg,
        "camera.mirrored": spec.mirrored,
        "camera.mount": spec.mount,
    }
    if spec.site is not None:
        changes["site.latitude_deg"] = spec.site.latitude_deg
        changes["site.longitude_deg"] = spec.site.longitude_deg
        changes["site.elevation_m"] = spec.site.elevation_m
    return change_settings(base, changes, where=f"scene '{spec.name}'")
