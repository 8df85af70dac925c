"""Settings from words and TOML files, checked, and written again; what is wrong is answered with the setting
that was meant.
"""

from __future__ import annotations

import math
import re
import types
import typing
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from promtrack.errors import SettingsError, nearest
from promtrack.files import read_toml, toml_value
from promtrack.settings import Settings


def change_settings(settings: Settings, changes: dict[str, Any], *, where: str = "settings") -> Settings:
    """Settings with some values changed. `changes`: full key ("clip.rate") to value; a string value is read
    as the setting's own type; `where`: named in the message when a key or a value is wrong. Raises
    SettingsError: unknown key (the setting that does it is named), wrong type, value out of range."""
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


def load_settings(path: Path, base: Settings | None = None) -> Settings:
    """Settings read from a TOML file, on top of `base` (the defaults). Raises SettingsError: the file
    cannot be read, is not TOML, or holds a wrong key or value."""
    tree = read_toml(Path(path), remedy="start from the file that `promtrack settings` writes")
    changes: dict[str, Any] = {}
    for section, content in tree.items():
        if not isinstance(content, dict):
            outside, remedy = f"'{section}' stands outside a section", "put it under a section such as [clip]"
            raise SettingsError(outside, where=str(path), remedy=remedy)
        changes |= {f"{section}.{key}": value for key, value in content.items()}
    return change_settings(base or Settings(), changes, where=str(path))


def set_no_more(path: Path, settings: Settings) -> str:
    """One sentence on what the file at `path` sets and `settings` leave at the default; '' without any."""
    try:
        given = load_settings(path)
    except SettingsError:
        return ""  # there was no run, or its file is damaged
    before, now, default = (
        {key: getattr(getattr(one, section), item.name) for key, (section, item, _) in _SETTINGS.items()}
        for one in (given, settings, Settings())
    )
    gone = [f"{key}={toml_value(v)}" for key, v in before.items() if v != now[key] == default[key]]
    return f"promtrack: set in the last run, now at the default: {', '.join(gone)}" if gone else ""


def settings_as_toml(settings: Settings, *, comments: bool = True) -> str:
    """The settings as TOML text; a value that is unknown (None) is written as a comment."""
    head = ["# Settings of promtrack. Every line shows the value in force; change what you need.", ""]
    lines = head if comments else []
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
_REMOVED = ("clip.pacing", "clip.smooth", "clip.blend", "clip.there_and_back")


def _suggestion(key: str) -> str:
    if key in _REMOVED:
        return "delete the line: the setting is gone"
    last = key.rpartition(".")[2]
    if meant := _OTHER_WORDS.get(key) or _OTHER_WORDS.get(last):
        return f"'{meant}' does that: {_SETTINGS[meant][1].metadata['help']}"
    alike = [f"did you mean '{known}'?" for known in _SETTINGS if known.rpartition(".")[2] == last]
    return nearest(key, _SETTINGS, *alike[:1] or ["`promtrack settings` lists them all"])


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
        # TOML's dates become text
        result = {"true": True, "false": False}[str(value).lower()] if kind is bool else kind(value)
    except (TypeError, ValueError, KeyError, OverflowError):
        what = f"needs {_KIND_NAMES[kind]}, got {value!r}"
        raise SettingsError(what, remedy=limits or meta["help"]) from None
    if meta["choices"] and result not in meta["choices"]:
        raise SettingsError(f"cannot be '{result}'", remedy="choose from " + ", ".join(meta["choices"]))
    if kind in (int, float) and not (math.isfinite(result) and meta["low"] <= result <= meta["high"]):
        what = f"is {result:g}, outside its range"
        raise SettingsError(what, remedy=f"give {limits or 'a finite number'}")
    return result


_KIND_NAMES = {float: "a number", int: "a whole number", bool: "true or false", str: "text"}


def _limits(item: Any) -> str:
    meta = item.metadata
    if meta["choices"]:
        return "one of " + ", ".join(meta["choices"])
    unit = f" {meta['unit']}" if meta["unit"] else ""
    if math.isfinite(meta["low"]) and math.isfinite(meta["high"]):
        return f"{meta['low']:g} to {meta['high']:g}{unit}"
    return f"at least {meta['low']:g}{unit}" if math.isfinite(meta["low"]) else unit.strip()
