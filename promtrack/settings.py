"""Every setting once: default, unit, limits and help text.

A section is a frozen dataclass, so that a stage takes its own section and nothing else.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import Any


def _setting(
    default: Any, text: str, within: tuple[Any, ...] = (-math.inf, math.inf), choices: tuple[str, ...] = ()
) -> Any:
    """`within`: smallest and largest value, and the unit where there is one."""
    low, high, *unit = within
    meta = {"help": text, "unit": "".join(unit), "low": low, "high": high, "choices": choices}
    return field(default=default, metadata=meta)


def least_of(section: type[Any], name: str) -> float:
    """The smallest value that a setting may have."""
    return float(next(item for item in fields(section) if item.name == name).metadata["low"])


@dataclass(frozen=True, slots=True)
class TimesSettings:
    """When each frame was taken."""

    source: str = _setting(
        "auto",
        "where the times come from; auto tries, in this order, table (if one is given), fits, video "
        "(stamps recorded with the frames), names, exif, cadence, video (creation time of the film), "
        "never file-date",
        choices=("auto", "table", "fits", "video", "names", "exif", "cadence", "file-date"),
    )
    zone: str = _setting("UTC", "zone of the time stamps, as +02:00 or as a tz database name")
    offset_s: float = _setting(0.0, "clock error to add to every time", (-1e9, 1e9, "s"))
    rate_err: float = _setting(1e-4, "1-sigma relative error of the clock's rate", (0.0, 0.1))
    from_: str = _setting(
        "", "first moment to use, UTC, as 2026-05-17T09:31:20 or 09:31:20; empty: the first frame"
    )
    to_: str = _setting("", "last moment to use, written as times.from; empty: the last frame")
    start: str = _setting("", "time of the first frame (ISO), for source = cadence")
    cadence_s: float = _setting(0.0, "time between frames, for source = cadence", (0.0, 1e7, "s"))
    bursts: str = _setting(
        "best",
        "what to do with a recording made in bursts; best: one frame a burst, the mean of its sharpest "
        "frames; keep: all frames as they are",
        choices=("best", "keep"),
    )
    table: str = _setting("", "CSV or ECSV file with the columns file and time, for source = table")
    pattern: str = _setting("", "strptime pattern of the stamp in the file names, for source = names")


@dataclass(frozen=True, slots=True)
class SiteSettings:
    """Where the observer stood. Empty values mean unknown."""

    latitude_deg: float | None = _setting(None, "latitude, north positive", (-90.0, 90.0, "deg"))
    longitude_deg: float | None = _setting(None, "longitude, east positive", (-180.0, 360.0, "deg"))
    elevation_m: float = _setting(0.0, "height above sea level", (-500.0, 9000.0, "m"))


@dataclass(frozen=True, slots=True)
class CameraSettings:
    """Optics, camera and how they were turned. Empty values mean unknown."""

    pixel_um: float | None = _setting(None, "pixel size", (0.1, 1000.0, "um"))
    focal_mm: float | None = _setting(None, "effective focal length", (1.0, 1e6, "mm"))
    arcsec_per_px: float | None = _setting(
        None, "image scale, if measured otherwise", (0.001, 1000.0, "arcsec/px")
    )
    scale_err: float = _setting(0.02, "1-sigma relative error of the optical scale", (0.0, 0.5))
    north_deg: float | None = _setting(
        None,
        "direction of celestial north in the displayed image (row 0 on top), counter-clockwise from up, "
        "at the first frame",
        (-360.0, 360.0, "deg"),
    )
    north_err_deg: float = _setting(0.5, "1-sigma error of north_deg", (0.0, 180.0, "deg"))
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
        (-5.0, 50.0, "Mm"),
    )
    height_err_mm: float | None = _setting(
        None, "1-sigma error of that height; empty: as the line has it", (0.0, 20.0, "Mm")
    )
    least_arc_deg: float = _setting(
        8.0, "shortest arc of limb accepted, seen from the Sun's centre", (2.0, 180.0, "deg")
    )
    radius_px: float | None = _setting(
        None, "radius of the limb, if known; else it is found", (20.0, 1e6, "px")
    )
    solar_rotation: bool = _setting(
        True,
        "take out of the lock how solar rotation carries what stands on the limb, where the orientation "
        "is known",
    )
    most_rejected: float = _setting(
        0.8, "largest part of the frames that may be rejected before the run gives up", (0.0, 1.0)
    )


@dataclass(frozen=True, slots=True)
class StripSettings:
    """Extent of the height-versus-angle strips. Empty values mean all that the frames show, but for the upper
    edge."""

    low_mm: float | None = _setting(None, "lower edge, below the limb when negative", (-500.0, 2000.0, "Mm"))
    high_mm: float | None = _setting(
        None,
        "upper edge above the limb; empty: 1.3 times the greatest height at which plasma is seen, plus 20 Mm",
        (1.0, 3000.0, "Mm"),
    )
    from_deg: float | None = _setting(None, "angle where the strips begin", (-360.0, 720.0, "deg"))
    to_deg: float | None = _setting(None, "angle where the strips end", (-360.0, 720.0, "deg"))


@dataclass(frozen=True, slots=True)
class MotionSettings:
    """Knots, fronts and slits."""

    least_points: int = _setting(8, "frames in which a knot must be seen to be fitted", (4, 100000))
    false_alarms: float = _setting(0.01, "false alarms tolerated in a whole run", (1e-6, 100.0))
    least_snr: float = _setting(5.0, "smallest signal-to-noise ratio of a knot in one frame", (2.0, 1000.0))
    knot_mm: tuple[float, float] = _setting(
        (1.5, 6.0), "smallest and largest diameter of the knots looked for", (0.1, 100.0, "Mm")
    )
    fastest_km_s: float = _setting(250.0, "fastest knot looked for", (1.0, 3000.0, "km/s"))
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
    zoom: float = _setting(1.0, "closer than the program's own choice by this factor", (0.1, 10.0))
    from_: str = _setting("", "first moment shown, UTC: HH:MM, HH:MM:SS or ISO; empty: the first frame")
    to: str = _setting("", "last moment shown; empty: the last frame")
    rate: float | None = _setting(
        None,
        "frames per second; not set: from the number of frames, for a clip of 10 to 15 s, of a long "
        "recording every second, third ... frame",
        (1.0, 60.0, "1/s"),
    )
    overlays: tuple[str, ...] = _setting(
        ("title", "clock", "scale", "earth", "heights", "compass", "knots", "front", "gaps", "end"),
        "what is drawn over the picture; title and end are cards before and after the motion",
        choices=("title", "clock", "scale", "earth", "heights", "compass", "knots", "front", "gaps", "end"),
    )
    title: str = _setting("", "first line of the title card; empty: what was recorded, in words")
    credit: str = _setting("", "credit line of the end card; empty: none")
    level_limb: bool = _setting(
        True,
        "turn the limb level, or aslant or upright where more shows; false: solar north up where it is known",
    )
    hold_s: float = _setting(2.5, "hold on the last frame, so that its numbers are read", (0.0, 30.0, "s"))
    quality: int = _setting(
        20, "constant rate factor of the H.264 encoder; smaller is better and larger", (0, 40)
    )
    also: tuple[str, ...] = _setting(
        (),
        "further files: gif, webp; plain: the pictures without annotation; overlay: the annotation alone,"
        " transparent; frames: locked frames",
        choices=("gif", "webp", "plain", "overlay", "frames"),
    )
    limit_mb: float = _setting(8.0, "size limit of the GIF and the WebP", (0.1, 500.0, "MB"))


@dataclass(frozen=True, slots=True)
class FigureSettings:
    """The figures."""

    theme: str = _setting("both", "background of the figures", choices=("light", "dark", "both"))
    vector: str = _setting("svg", "vector format beside PNG", choices=("svg", "pdf"))
    dpi: int = _setting(144, "resolution of the PNG files (144: 1920x1080 pixels)", (50, 600, "1/inch"))


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
