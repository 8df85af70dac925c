"""Every setting once: default, unit, check and help text; TOML in and out.

A section is a frozen dataclass, so that a stage takes its own section and nothing else.
"""

from __future__ import annotations

import math
import re
import types
import typing
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

from promtrack.errors import SettingsError, nearest
from promtrack.files import read_toml, toml_value

__all__ = [
    "CameraSettings",
    "ClipSettings",
    "FigureSettings",
    "LimbSettings",
    "MotionSettings",
    "Settings",
    "SiteSettings",
    "StripSettings",
    "TimesSettings",
    "change_settings",
    "load_settings",
    "settings_as_toml",
]


def _setting(
    default: Any,
    text: str,
    *,
    unit: str = "",
    low: float = -math.inf,
    high: float = math.inf,
    choices: tuple[str, ...] = (),
) -> Any:
    return field(
        default=default, metadata={"help": text, "unit": unit, "low": low, "high": high, "choices": choices}
    )


@dataclass(frozen=True, slots=True)
class TimesSettings:
    """When each frame was taken."""

    source: str = _setting(
        "auto",
        "where the times come from; auto tries, in this order, table (if one is given), fits, video (stamps "
        "recorded with the frames), names, exif, cadence, video (creation time of the film), never file-date",
        choices=("auto", "table", "fits", "video", "names", "exif", "cadence", "file-date"),
    )
    zone: str = _setting("UTC", "zone of the time stamps, as +02:00 or as a tz database name")
    offset_s: float = _setting(0.0, "clock error to add to every time", unit="s", low=-1e9, high=1e9)
    rate_err: float = _setting(1e-4, "1-sigma relative error of the clock's rate", low=0.0, high=0.1)
    from_: str = _setting(
        "", "first moment to use, UTC, as 2026-05-17T09:31:20 or 09:31:20; empty: the first frame"
    )
    to_: str = _setting("", "last moment to use, written as times.from; empty: the last frame")
    start: str = _setting("", "time of the first frame (ISO), for source = cadence")
    cadence_s: float = _setting(0.0, "time between frames, for source = cadence", unit="s", low=0.0, high=1e7)
    bursts: str = _setting(
        "best",
        "what to do with a recording made in bursts; best: one frame a burst, the mean of its "
        "sharpest frames; keep: all frames as they are",
        choices=("best", "keep"),
    )
    table: str = _setting("", "CSV or ECSV file with the columns file and time, for source = table")
    pattern: str = _setting("", "strptime pattern of the stamp in the file names, for source = names")


@dataclass(frozen=True, slots=True)
class SiteSettings:
    """Where the observer stood. Empty values mean unknown."""

    latitude_deg: float | None = _setting(None, "latitude, north positive", unit="deg", low=-90.0, high=90.0)
    longitude_deg: float | None = _setting(
        None, "longitude, east positive", unit="deg", low=-180.0, high=360.0
    )
    elevation_m: float = _setting(0.0, "height above sea level", unit="m", low=-500.0, high=9000.0)


@dataclass(frozen=True, slots=True)
class CameraSettings:
    """Optics, camera and how they were turned. Empty values mean unknown."""

    pixel_um: float | None = _setting(None, "pixel size", unit="um", low=0.1, high=1000.0)
    focal_mm: float | None = _setting(None, "effective focal length", unit="mm", low=1.0, high=1e6)
    arcsec_per_px: float | None = _setting(
        None, "image scale, if measured otherwise", unit="arcsec/px", low=0.001, high=1000.0
    )
    scale_err: float = _setting(0.02, "1-sigma relative error of the optical scale", low=0.0, high=0.5)
    north_deg: float | None = _setting(
        None,
        "direction of celestial north in the displayed image (row 0 on top), counter-clockwise from up, "
        "at the first frame",
        unit="deg",
        low=-360.0,
        high=360.0,
    )
    north_err_deg: float = _setting(0.5, "1-sigma error of north_deg", unit="deg", low=0.0, high=180.0)
    mirrored: bool = _setting(False, "true when east lies clockwise of north in the displayed image")
    mount: str = _setting(
        "equatorial", "equatorial (no field rotation) or altazimuth", choices=("equatorial", "altazimuth")
    )
    rows: str = _setting(
        "auto",
        "order of the rows in the files; auto: FITS bottom-up, all others top-down",
        choices=("auto", "top-down", "bottom-up"),
    )
    bayer: str = _setting(
        "auto",
        "colour pattern of raw frames; auto takes what the file states, none means monochrome",
        choices=("auto", "none", "rggb", "bggr", "grbg", "gbrg"),
    )
    dark: str = _setting("", "dark frame, or folder of dark frames, to subtract")
    flat: str = _setting("", "flat frame, or folder of flat frames, to divide by")


@dataclass(frozen=True, slots=True)
class LimbSettings:
    """The lock on the limb."""

    height_mm: float | None = _setting(
        None,
        "height of the limb above the photosphere; empty: that of the line (H-alpha: 4.35 Mm near the "
        "equator, just below 6 at the poles: Johannesson & Zirin 1996, ApJ 471, 510)",
        unit="Mm",
        low=-5.0,
        high=50.0,
    )
    height_err_mm: float | None = _setting(
        None, "1-sigma error of that height; empty: as the line has it", unit="Mm", low=0.0, high=20.0
    )
    least_arc_deg: float = _setting(
        8.0, "shortest arc of limb accepted, seen from the Sun's centre", unit="deg", low=2.0, high=180.0
    )
    radius_px: float | None = _setting(
        None, "radius of the limb, if known; else it is found", unit="px", low=20.0, high=1e6
    )
    solar_rotation: bool = _setting(
        True,
        "take out of the lock how solar rotation carries what stands on the limb, where the "
        "orientation is known",
    )
    most_rejected: float = _setting(
        0.8, "largest part of the frames that may be rejected before the run gives up", low=0.0, high=1.0
    )


@dataclass(frozen=True, slots=True)
class StripSettings:
    """Extent of the height-versus-angle strips. Empty values mean all that the frames show, but for the upper
    edge."""

    low_mm: float | None = _setting(
        None, "lower edge, below the limb when negative", unit="Mm", low=-500.0, high=2000.0
    )
    high_mm: float | None = _setting(
        None,
        "upper edge above the limb; empty: 1.3 times the greatest height at which plasma is seen, plus 20 Mm",
        unit="Mm",
        low=1.0,
        high=3000.0,
    )
    from_deg: float | None = _setting(
        None, "angle where the strips begin", unit="deg", low=-360.0, high=720.0
    )
    to_deg: float | None = _setting(None, "angle where the strips end", unit="deg", low=-360.0, high=720.0)


@dataclass(frozen=True, slots=True)
class MotionSettings:
    """Knots, fronts and slits."""

    least_points: int = _setting(8, "frames in which a knot must be seen to be fitted", low=4, high=100000)
    false_alarms: float = _setting(0.01, "false alarms tolerated in a whole run", low=1e-6, high=100.0)
    least_snr: float = _setting(
        5.0, "smallest signal-to-noise ratio of a knot in one frame", low=2.0, high=1000.0
    )
    knot_mm: tuple[float, float] = _setting(
        (1.5, 6.0), "smallest and largest diameter of the knots looked for", unit="Mm", low=0.1, high=100.0
    )
    fastest_km_s: float = _setting(250.0, "fastest knot looked for", unit="km/s", low=1.0, high=3000.0)
    sectors: tuple[str, ...] = _setting(
        (), "sectors in which to follow a front, each as FROM-TO in degrees, for instance 62-75"
    )
    slits: tuple[str, ...] = _setting(
        (),
        "paths of time-distance diagrams: radial:ANGLE, parallel:HEIGHT:FROM:TO, "
        "straight:ANGLE,HEIGHT:ANGLE,HEIGHT or curved:ANGLE,HEIGHT:ANGLE,HEIGHT:... (degrees and Mm)",
    )


@dataclass(frozen=True, slots=True)
class ClipSettings:
    """The clip: view, tone, annotation and files."""

    view: str = _setting(
        "wide",
        "frame of the clip; disc: a whole disc with its prominences enlarged beside it",
        choices=("wide", "square", "tall", "native", "disc"),
    )
    look: str = _setting("ember", "how the picture is toned", choices=("ash", "ember", "nightfall"))
    at: str = _setting(
        "", "a letter of the report to follow, or an angle to crop on; empty: where most happens"
    )
    zoom: float = _setting(1.0, "closer than the program's own choice by this factor", low=0.1, high=10.0)
    from_: str = _setting("", "first moment shown, UTC: HH:MM, HH:MM:SS or ISO; empty: the first frame")
    to: str = _setting("", "last moment shown; empty: the last frame")
    rate: float | None = _setting(
        None,
        "frames per second; not set: from the number of frames, for a clip of 10 to 15 s, of a long "
        "recording every second, third ... frame",
        unit="1/s",
        low=1.0,
        high=60.0,
    )
    overlays: tuple[str, ...] = _setting(
        ("title", "clock", "scale", "earth", "heights", "compass", "knots", "front", "gaps", "end"),
        "what is drawn over the picture; title and end are cards before and after the motion",
        choices=("title", "clock", "scale", "earth", "heights", "compass", "knots", "front", "gaps", "end"),
    )
    title: str = _setting("", "first line of the title card; empty: what was recorded, in words")
    credit: str = _setting("", "credit line of the end card; empty: none")
    level_limb: bool = _setting(
        True, "turn the picture so that the limb lies level; false: solar north up where it is known"
    )
    hold_s: float = _setting(
        2.5, "hold on the last frame, so that its numbers are read", unit="s", low=0.0, high=30.0
    )
    quality: int = _setting(
        20, "constant rate factor of the H.264 encoder; smaller is better and larger", low=0, high=40
    )
    also: tuple[str, ...] = _setting(
        (),
        "further files: gif, webp; plain: the pictures without annotation; overlay: the annotation alone, "
        "transparent; frames: locked frames",
        choices=("gif", "webp", "plain", "overlay", "frames"),
    )
    limit_mb: float = _setting(8.0, "size limit of the GIF and the WebP", unit="MB", low=0.1, high=500.0)


@dataclass(frozen=True, slots=True)
class FigureSettings:
    """The figures."""

    theme: str = _setting("both", "background of the figures", choices=("light", "dark", "both"))
    vector: str = _setting("svg", "vector format beside PNG", choices=("svg", "pdf"))
    dpi: int = _setting(200, "resolution of the PNG files", unit="1/inch", low=50, high=600)


@dataclass(frozen=True, slots=True)
class Settings:
    """All sections."""

    times: TimesSettings = TimesSettings()
    site: SiteSettings = SiteSettings()
    camera: CameraSettings = CameraSettings()
    limb: LimbSettings = LimbSettings()
    strip: StripSettings = StripSettings()
    motion: MotionSettings = MotionSettings()
    clip: ClipSettings = ClipSettings()
    figures: FigureSettings = FigureSettings()


def change_settings(settings: Settings, changes: dict[str, Any], *, where: str = "settings") -> Settings:
    """Settings with some values changed.

    Parameters
    ----------
    changes : full key ("clip.rate") to value; a string value is read as the setting's own type
    where : named in the message when a key or a value is wrong

    Raises
    ------
    SettingsError : unknown key (the setting that does it is named), wrong type, value out of range
    """
    for key, value in changes.items():
        if key not in _SETTINGS:
            raise SettingsError(f"unknown setting '{key}'", where=where, remedy=_suggestion(key))
        section, item, kind = _SETTINGS[key]
        try:
            checked = _checked(value, item, kind)
        except SettingsError as wrong:
            raise SettingsError(f"'{key}' {wrong.what}", where=where, remedy=wrong.remedy) from None
        changed: Any = {section: replace(getattr(settings, section), **{item.name: checked})}
        settings = replace(settings, **changed)
    return settings


def changed_settings(settings: Settings, *, only_if_default_in: Settings) -> dict[str, str]:
    """Key to value, as typed, of what is no default in `settings` and a default in the other ones."""
    found = {}
    for key, (section, item, _) in _SETTINGS.items():
        value, other = (getattr(getattr(one, section), item.name) for one in (settings, only_if_default_in))
        if value != item.default and other == item.default:
            found[key] = ",".join(map(str, value)) if isinstance(value, tuple) else str(value)
    return found


def load_settings(path: Path, base: Settings | None = None) -> Settings:
    """Settings read from a TOML file, on top of `base` (the defaults).

    Raises
    ------
    SettingsError : the file cannot be read, is not TOML, or holds a wrong key or value
    """
    tree = read_toml(Path(path), remedy="start from the file that `promtrack settings` writes")
    for section, content in tree.items():
        if not isinstance(content, dict):
            raise SettingsError(
                f"'{section}' stands outside a section",
                where=str(path),
                remedy="put it under a section such as [clip]",
            )
    changes = {
        f"{section}.{key}": value for section, content in tree.items() for key, value in content.items()
    }
    return change_settings(base or Settings(), changes, where=str(path))


def settings_as_toml(settings: Settings, *, comments: bool = True) -> str:
    """The settings as TOML text; a value that is unknown (None) is written as a comment."""
    lines = []
    if comments:
        lines += ["# Settings of promtrack. Every line shows the value in force; change what you need.", ""]
    for section_field in fields(settings):
        section = getattr(settings, section_field.name)
        if comments:
            lines.append(f"# {' '.join((type(section).__doc__ or '').split())}")
        lines.append(f"[{section_field.name}]")
        for item in fields(section):
            value, limits = getattr(section, item.name), _limits(item)
            if comments:
                lines.append(f"# {item.metadata['help']}" + (f" ({limits})" if limits else ""))
            lines.append(f"# {_key(item)} =" if value is None else f"{_key(item)} = {toml_value(value)}")
        lines.append("")
    return "\n".join(lines)


def _key(item: Any) -> str:
    """A setting's name as users write it: a field named like a word of Python's own ends in '_'."""
    return item.name.rstrip("_")


def _all_settings() -> dict[str, tuple[str, Any, Any]]:
    """Key to section, field and type."""
    found: dict[str, tuple[str, Any, Any]] = {}
    for section in fields(Settings):
        kind: Any = getattr(Settings(), section.name)
        types_of = typing.get_type_hints(type(kind))
        found |= {f"{section.name}.{_key(f)}": (section.name, f, types_of[f.name]) for f in fields(kind)}
    return found


_SETTINGS = _all_settings()
# Words that other people use for a setting; a full key goes before its last part alone.
_OTHER_WORDS = {
    word: key
    for key, words in {
        "clip.rate": "fps frame_rate speed",
        "clip.from": "clip.start clip.begin",
        "clip.to": "clip.end clip.stop",
        "clip.at": "clip.centre clip.center clip.position",
        "clip.look": "colour color palette",
        "clip.view": "size shape format aspect resolution",
        "clip.overlays": "text labels annotations",
        "clip.quality": "crf bitrate",
        "clip.also": "gif webp",
        "site.latitude_deg": "lat latitude",
        "site.longitude_deg": "lon long longitude",
        "site.elevation_m": "altitude",
        "times.zone": "tz timezone utc_offset",
        "times.cadence_s": "cadence interval step",
        "camera.pixel_um": "pixel_size",
        "camera.focal_mm": "focal_length",
        "camera.arcsec_per_px": "plate_scale scale",
        "camera.north_deg": "north rotation",
        "camera.mirrored": "flip mirror",
        "camera.dark": "darks",
        "camera.flat": "flats",
        "limb.radius_px": "radius",
        "strip.low_mm": "bottom",
        "strip.high_mm": "top max_height",
        "motion.least_snr": "threshold snr",
        "motion.fastest_km_s": "max_speed motion.speed",
        "motion.knot_mm": "motion.size",
        "figures.vector": "figures.format",
        "figures.dpi": "figures.resolution",
        "figures.theme": "figures.colour",
    }.items()
    for word in words.split()
}


# Settings that older files name and nothing replaces, since each of them was written with every setting.
_REMOVED = {
    "clip.pacing": "every picture is shown for the same time",
    "clip.smooth": "every picture shows one frame",
    "clip.blend": "every picture shows one frame",
    "clip.there_and_back": "the clip runs forward; players can loop it",
}


def _suggestion(key: str) -> str:
    if key in _REMOVED:
        return f"delete the line: the setting is gone, for {_REMOVED[key]}"
    last = key.rpartition(".")[2]
    meant = _OTHER_WORDS.get(key) or _OTHER_WORDS.get(last)
    if meant:
        return f"'{meant}' does that: {_SETTINGS[meant][1].metadata['help']}"
    alike = next((known for known in _SETTINGS if known.rpartition(".")[2] == last), None)
    return nearest(
        key, _SETTINGS, f"did you mean '{alike}'?" if alike else "`promtrack settings` lists them all"
    )


def _checked(value: Any, item: Any, kind: Any) -> Any:
    """The value as the setting's own type; raises SettingsError, without the key, where it cannot be."""
    if isinstance(kind, types.UnionType):
        if value in ("", None):
            return None
        kind = next(one for one in typing.get_args(kind) if one is not type(None))
    if typing.get_origin(kind) is not tuple:
        return _one(value, kind, item)
    inner, *others = typing.get_args(kind)
    if isinstance(value, str):
        # A slit holds commas of its own (straight:120,5:124,60); the next begins with the name of its kind.
        comma = r",(?=\s*[A-Za-z\"'])" if ":" in value else ","
        parts = [part.strip().strip("\"'") for part in re.split(comma, value.strip("[]"))]
        value = [part for part in parts if part]
    if not isinstance(value, (list, tuple)):
        raise SettingsError(f"needs a list, got {value!r}", remedy=_limits(item) or "give a list")
    if Ellipsis not in others and len(value) != 1 + len(others):
        what = f"needs {1 + len(others)} values, got {len(value)}"
        raise SettingsError(what, remedy=f"give the {item.metadata['help']}")
    return tuple(_one(part, inner, item) for part in value)


def _one(value: Any, kind: type, item: Any) -> Any:
    meta, limits = item.metadata, _limits(item)
    try:
        if value is None or (isinstance(value, (bool, list, dict)) and kind is not bool):
            raise TypeError
        if kind is int and isinstance(value, float) and not value.is_integer():
            raise ValueError
        result = _BOOLS[str(value).lower()] if kind is bool else kind(value)  # TOML's dates become text
    except (TypeError, ValueError, KeyError, OverflowError):
        what = f"needs {_KIND_NAMES[kind]}, got {value!r}"
        raise SettingsError(what, remedy=limits or meta["help"]) from None
    if meta["choices"] and result not in meta["choices"]:
        raise SettingsError(f"cannot be '{result}'", remedy="choose from " + ", ".join(meta["choices"]))
    if kind in (int, float) and not (math.isfinite(result) and meta["low"] <= result <= meta["high"]):
        what = f"is {result:g}, outside its range"
        raise SettingsError(what, remedy=f"give {limits or 'a finite number'}")
    return result


_BOOLS = {"true": True, "false": False}
_KIND_NAMES = {float: "a number", int: "a whole number", bool: "true or false", str: "text"}


def _limits(item: Any) -> str:
    meta = item.metadata
    if meta["choices"]:
        return "one of " + ", ".join(meta["choices"])
    unit = f" {meta['unit']}" if meta["unit"] else ""
    if math.isfinite(meta["low"]) and math.isfinite(meta["high"]):
        return f"{meta['low']:g} to {meta['high']:g}{unit}"
    return f"at least {meta['low']:g}{unit}" if math.isfinite(meta["low"]) else unit.strip()
