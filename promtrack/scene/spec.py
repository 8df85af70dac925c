"""What a synthetic scene is to show: the Sun's content, the air, the mount and the camera, all in one record;
and scenario files (TOML), which are read into it.

Solar content is placed from the middle of the visible limb (see `content`); with `side="whole"` the facing
angle is 0, so that `at_deg` is the image angle itself. Scenario files stand in `demo/` of the source tree and
travel with the package as `promtrack.scene.scenarios`.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import numpy as np

from promtrack.errors import SettingsError, nearest
from promtrack.files import read_toml
from promtrack.scene import content
from promtrack.settings import Settings, SiteSettings
from promtrack.sun import AU_KM, SOLAR_RADIUS_KM, solar_view

FACING_DEG = {"bottom": 0.0, "right": 90.0, "top": 180.0, "left": -90.0, "whole": 0.0}
DISC_LEVEL = {"normal": 0.5, "both": 0.88, "burnt": 6.5}  # full scales at the disc's centre


@dataclass(frozen=True, slots=True)
class SceneSpec:
    """One synthetic recording. Every field has a sensible default; the same spec gives the same frames.
    Raises SettingsError: a value that makes no sense (unknown side or exposure, no frames, times not
    increasing)."""

    name: str = "scene"
    # view
    shape: tuple[int, int] = (480, 640)  # rows, columns
    arcsec_per_px: float = 1.0
    limb_arc_deg: float | None = None  # beats arcsec_per_px: arc of limb across the frame
    side: str | float = "bottom"  # side of the frame where the disc lies; 'whole'; or the facing angle
    limb_at: float = 0.35  # how far the limb reaches into the frame from that side, 0 to 1
    centre_px: tuple[float, float] | None = None  # x, y of the Sun's centre in the first frame; beats limb_at
    north_deg: float = 0.0  # celestial north, counter-clockwise from image up, first frame
    mirrored: bool = False  # east lies clockwise of north
    limb_height_mm: float = 4.35  # H-alpha limb above the photosphere
    # time
    first_utc: str = "2026-05-17T09:30:00"
    frames: int = 60
    cadence_s: float = 30.0
    time_jitter_s: float = 0.0  # 1 sigma of irregular times
    gaps: tuple[tuple[int, float], ...] = ()  # (frame, seconds of pause before it)
    times_s: tuple[float, ...] = ()  # seconds after first_utc; beats frames, cadence, jitter and gaps
    exposure_s: float = 0.02
    # factors of the exposures, in turn: (1, 8) is faint, bright, faint ...
    exposure_cycle: tuple[float, ...] = ()
    # the Sun
    hedgerows: tuple[content.Hedgerow, ...] = (content.Hedgerow(),)
    arches: tuple[content.Arch, ...] = ()
    filaments: tuple[content.Filament, ...] = ()
    knots: tuple[content.AnyKnot, ...] = ()
    eruptions: tuple[content.Eruption, ...] = ()
    sways: tuple[content.SwayingThread, ...] = ()
    fringe: float = 0.22  # brightness of the spicule fringe at the limb
    fringe_mm: float = 2.4  # its scale height
    boil_s: float = 260.0  # time in which the fringe changes; 0: never
    texture: float = 0.08  # rms contrast of the disc's mottles and fibrils
    texture_s: float = 1500.0  # time in which they change; 0: never
    limb_darkening: float = 0.55  # I(mu) = 1 - u (1 - mu)
    # mount and air
    drift_px: tuple[float, float] = (0.0, 0.0)  # over the whole sequence
    drive_on: bool = True  # False: the Sun drifts due west at its daily rate
    rotation_deg_h: float = 0.0  # field rotation about the frame's centre, counter-clockwise
    site: SiteSettings | None = None  # with it, flattening and zenith are those of the site and the times
    mount: str = "equatorial"  # 'altazimuth' at a site: its field rotation beats rotation_deg_h
    jumps: tuple[content.Jump, ...] = ()
    image_motion_arcsec: float = 0.3  # rms, each axis
    seeing_arcsec: float = 2.0  # full width at half maximum of all blur
    seeing_variation: float = 0.1  # rms, relative
    distortion_arcsec: float = 0.3  # rms local displacement, each axis
    distortion_scale_arcsec: float = 25.0  # correlation length
    distortion_s: float = 0.0  # correlation time; 0: new in every frame
    transparency: float = 0.01  # rms relative variation
    transparency_s: float = 300.0
    thin_cloud: float = 0.0  # deepest loss by drifting thin cloud, 0 to 1
    cloud_banks: tuple[content.CloudBank, ...] = ()  # with edges
    cloud_frames: tuple[tuple[int, float], ...] = ()  # (frame, transmission) of thick cloud
    lost_frames: tuple[int, ...] = ()  # no Sun
    blurred_frames: tuple[tuple[int, float], ...] = ()  # (frame, full width at half maximum in arcsec)
    aircraft_frames: tuple[int, ...] = ()
    scattered: float = 0.012  # halo just off the limb
    sky: float = 0.002
    flattening: tuple[float, float] = (0.0, 0.0)  # 1 - vertical/horizontal diameter, first and last frame
    zenith_deg: tuple[float, float] = (0.0, 0.0)  # image angle of the zenith, first and last frame
    # camera
    bits: int = 16
    full_scale: float | None = None  # None: 2^bits - 1
    exposure: str | float = "both"  # 'normal', 'both', 'burnt', or full scales at the disc's centre
    full_well_e: float = 14000.0
    read_noise_e: float = 5.0
    gain_changes: tuple[tuple[int, float], ...] = ()  # (frame, factor from there on)
    hot_pixels: int = 0
    motes: int = 0
    mote_depth: float = 0.15
    seed: int = 1

    def __post_init__(self) -> None:
        def refuse(what: str, remedy: str) -> None:
            raise SettingsError(what, where=f"scene '{self.name}'", remedy=remedy)

        if isinstance(self.side, str) and self.side not in FACING_DEG:
            refuse(f"side '{self.side}' is unknown", f"use one of {', '.join(FACING_DEG)} or an angle")
        if isinstance(self.exposure, str) and self.exposure not in DISC_LEVEL:
            refuse(f"exposure '{self.exposure}' is unknown", f"use {', '.join(DISC_LEVEL)} or a number")
        if self.mount == "altazimuth" and self.site is None:
            refuse("mount 'altazimuth' needs a site", "use equatorial, or altazimuth with a site")
        if self.bits not in (8, 16):
            refuse(f"bits = {self.bits}", "use 8 or 16")
        if min(self.shape) < 16 or self.count < 1:
            size = f"{self.count} frames of {self.shape[1]}x{self.shape[0]} px"
            refuse(size, "ask for a frame or more of 16x16 px or more")
        if np.any(np.diff(self.time_s) <= 0):
            refuse("times do not increase", "use a smaller time_jitter_s, or sort times_s")

    @property
    def count(self) -> int:
        """Number of frames."""
        return len(self.times_s) or self.frames

    @property
    def time_s(self) -> np.ndarray:
        """(n,) seconds after `first_utc`."""
        if self.times_s:
            return np.asarray(self.times_s, dtype=float)
        times = np.arange(self.frames) * float(self.cadence_s)
        if self.time_jitter_s:
            rng = np.random.default_rng([self.seed, 71])
            times[1:] += rng.normal(0.0, self.time_jitter_s, self.frames - 1)
        for frame, pause_s in self.gaps:
            times[frame:] += pause_s
        return times

    @property
    def exposures_s(self) -> np.ndarray:
        """(n,) exposure of each frame."""
        return self.exposure_s * np.resize(self.exposure_cycle or (1.0,), self.count)

    @property
    def times_utc(self) -> np.ndarray:
        """(n,) datetime64[us], middle of the exposure."""
        return np.datetime64(self.first_utc, "us") + np.round(self.time_s * 1e6).astype("timedelta64[us]")

    @property
    def facing_deg(self) -> float:
        """Image angle of the outward direction at the middle of the visible limb."""
        return FACING_DEG[self.side] if isinstance(self.side, str) else float(self.side)

    @property
    def limb_mm(self) -> float:
        """Distance of the H-alpha limb from the Sun's centre."""
        return SOLAR_RADIUS_KM / 1e3 + self.limb_height_mm

    @property
    def limb_arcsec(self) -> float:
        """Apparent radius of the H-alpha limb."""
        return math.degrees(math.asin(self.limb_mm * 1e3 / (_distance_au(self.first_utc) * AU_KM))) * 3600.0

    @property
    def radius_px(self) -> float:
        """Radius of the H-alpha limb in the frames."""
        if self.limb_arc_deg is None:
            return self.limb_arcsec / self.arcsec_per_px
        across = self.shape[1] if abs(math.cos(math.radians(self.facing_deg))) > 0.7 else self.shape[0]
        return 0.5 * across / math.sin(math.radians(min(self.limb_arc_deg, 180.0)) / 2.0)

    @property
    def px_arcsec(self) -> float:
        """Arcseconds in a pixel, as drawn."""
        return self.limb_arcsec / self.radius_px

    @property
    def mm_per_px(self) -> float:
        """Mm in a pixel."""
        return self.limb_mm / self.radius_px

    @property
    def first_centre_px(self) -> tuple[float, float]:
        """x, y of the Sun's centre in the first frame, without image motion."""
        middle = (0.5 * (self.shape[1] - 1), 0.5 * (self.shape[0] - 1))
        if self.centre_px is not None:
            return self.centre_px
        if self.side == "whole":
            return middle
        facing = math.radians(self.facing_deg)
        outward = (-math.sin(facing), -math.cos(facing))
        extent = abs(outward[0]) * self.shape[1] + abs(outward[1]) * self.shape[0]
        back = self.radius_px - (self.limb_at - 0.5) * extent
        return middle[0] - outward[0] * back, middle[1] - outward[1] * back


@lru_cache(maxsize=64)
def _distance_au(first_utc: str) -> float:
    return float(solar_view(np.datetime64(first_utc, "us")).distance_au)


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
    return tuple(sorted(item.name[:-5] for item in _folder().iterdir() if item.name.endswith(".toml")))


def scenario(name: str) -> SceneSpec:
    """The scenario of that name. Raises SettingsError: there is none."""
    names = scenario_names()
    if name not in names:
        remedy = nearest(name, names, f"choose {', '.join(names)}")
        raise SettingsError(f"there is no scenario '{name}'", remedy=remedy)
    return read_scenario(_folder() / f"{name}.toml")


def read_scenario(file: Path | Traversable) -> SceneSpec:
    """A scenario from a TOML file: the fields of SceneSpec, and tables [[hedgerows]], [[knots]],
    [[arch_knots]] ... Raises SettingsError: not TOML, unknown field, or a value that makes no sense."""
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
    """The settings with the scene's own site, mount and orientation; nothing that is to be measured. The
    synthetic Sun does not turn, so no rotation is to be taken out of the lock."""
    camera = replace(base.camera, north_deg=spec.north_deg, mirrored=spec.mirrored, mount=spec.mount)
    limb = replace(base.limb, solar_rotation=False)
    return replace(base, limb=limb, camera=camera, site=spec.site or base.site)
