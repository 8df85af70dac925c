"""What the observer of a scene would have put into the settings: site, mount, and which way north is."""

from __future__ import annotations

from promtrack.scene.spec import SceneSpec
from promtrack.settings import Settings, change_settings

__all__ = ["observer_settings"]


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
