"""Clip and figures as parts of the report: files in, HTML that carries them inside out."""

from __future__ import annotations

import base64
import os
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import quote

import cv2
import numpy as np

from promtrack.errors import InputError
from promtrack.motion.records import OWN_PATH
from promtrack.show.markup import Markup, contents_of, element
from promtrack.show.numbers import counted, span_text
from promtrack.show.records import Measured
from promtrack.show.verdict import (
    PLANE_OF_SKY,
    fastest_knot,
    leading_front,
    lock_verdict,
    moving_knots,
    three_sentences,
)

__all__ = ["clip_part", "figure_parts"]

MOST_CLIP_BYTES = 40_000_000  # a larger clip is linked, so that the page still opens on a phone
MOST_SVG_BYTES = 1_500_000  # a larger drawing is embedded as a smaller PNG
FIGURE_WIDTH_PX = 1600

CAPTIONS = {
    "summary": ("The run on one page", "Map, heights and the numbers that matter, made for a slide."),
    "height_time": (
        "Height against time",
        "Dots are measured heights with their errors, lines the fits; below, what the fits leave over.",
    ),
    "speed_time": (
        "Speed and acceleration",
        "Lines are the fitted models with bands of 1 sigma from chance; a knot's mark stands at its mid-time, where its speed is quoted; "
        "a front's dots are slopes over a few neighbouring heights, its dashed line the mean acceleration with its error.",
    ),
    "knot_map": (
        "Where the knots move",
        "The frame that shows most of the fastest knots; arrows show the way covered in the time named above, their colours the speed.",
    ),
    "speed_histogram": (
        "How many knots move how fast",
        "Above, counts; below, each knot with its error. Lines at the top: ranges from published studies.",
    ),
    "time_distance": (
        "Time-distance diagrams",
        "Brightness along a path against time. Grey bands are gaps. Blue lines are ridges; those along knots' own paths stand only in "
        "the table of ridges.",
    ),
    "strip_montage": (
        "Twelve moments",
        "Strips of height against angle, all on one scale of brightness; the thin line is the limb.",
    ),
    "oscillation": (
        "Oscillation",
        "Displacement along a path with a damped sine, and the power of each period.",
    ),
    "registration_check": (
        "Registration check",
        "Limb points on the reference frame, and the Sun's centre, turn and radius in every frame; crosses mark frames left out.",
    ),
}


def clip_part(measured: Measured, clip: Path | None, poster: Path | None, page: Path) -> Markup:
    """The player, with the clip inside the page or, if it is too large for that, beside it."""
    if clip is None or not clip.is_file():
        return element("p", "No clip was made in this run.", class_="quiet")
    link = _relative(clip, page)
    embedded = clip.stat().st_size <= MOST_CLIP_BYTES
    address = _data_address(clip, "video/mp4") if embedded else link
    still = _small_jpeg(poster) if poster is not None and poster.is_file() else None
    fallback = element("a", "Open the clip", href=link)
    video = element(
        "video",
        element("source", src=address, type="video/mp4"),
        fallback,
        controls=True,
        muted=True,
        playsinline=True,
        loop=True,
        preload="metadata",
        poster=still,
        data_embedded=embedded,
        aria_label=_clip_words(measured),
    )
    printed = element("img", src=still, alt=_clip_words(measured), class_="poster") if still else Markup("")
    caption = element(
        "figcaption",
        f"{span_text(*measured.sequence.times_utc[[0, -1]])}. {PLANE_OF_SKY} ",
        element("a", "The clip as a file", href=link),
        "." if embedded else ": too large to be part of this page.",
    )
    return element("figure", video, printed, caption, class_="clip")


def figure_parts(measured: Measured, figures: Sequence[Path], page: Path) -> Markup:
    """Every figure, light and dark, with heading, alternative text and caption, in the order of a talk."""
    shown = {path.stem: path for path in figures if path.suffix == ".png"}
    parts = [
        _figure(measured, name, [path for path in (shown.get(name), shown.get(f"{name}_dark")) if path], page)
        for name in CAPTIONS
        if name in shown or f"{name}_dark" in shown
    ]
    if not parts:
        return element("p", "No figures were drawn in this run.", class_="quiet")
    return element("div", *parts, class_="figures")


def _figure(measured: Measured, name: str, versions: list[Path], page: Path) -> Markup:
    """One figure; with two versions the second is for dark screens, and paper gets the first."""
    title, caption = CAPTIONS[name]
    picture = [
        element("source", srcset=_picture_address(path), media="screen and (prefers-color-scheme: dark)")
        for path in versions[1:]
    ]
    words = alternative_text(name, measured)
    picture.append(
        element(
            "img", src=_picture_address(versions[0]), alt=words, width="1600", height="900", loading="lazy"
        )
    )
    link = element("a", "PNG", href=_relative(versions[0], page), aria_label=f"{title} as PNG")
    below = element("figcaption", f"{caption} ", link, *_vector_link(versions[0], page, title))
    return element(
        "figure",
        element("h3", title),
        element("picture", *picture),
        below,
        id=f"figure-{name.replace('_', '-')}",
    )


def alternative_text(name: str, measured: Measured) -> str:
    """What a figure shows, for those who cannot see it."""
    lock, motion = lock_verdict(measured), three_sentences(measured)[1]
    fronts = sum(front.moving for front in measured.motion.fronts)
    knots = counted(len(moving_knots(measured)), "moving knot", "moving knots")
    things = f"{knots} and {counted(fronts, 'moving front', 'moving fronts')}"
    slits = counted(len(measured.motion.slits), "time-distance diagram", "time-distance diagrams")
    ridges = counted(sum(ridge.slit != OWN_PATH for ridge in measured.motion.ridges), "ridge", "ridges")
    words = {
        "summary": f"Slide with a map of the prominence, heights against time and four headline numbers. {motion}",
        "height_time": f"Heights in megametres against UTC for {things}, with fits and residuals. {motion}",
        "speed_time": f"Speed in km/s and acceleration in m/s² against UTC for {things}. {motion}",
        "knot_map": f"A frame with arrows on {knots}, coloured by speed. {motion}",
        "speed_histogram": f"Histogram of the speeds of {knots}, each with its error below. {_speed_range(measured)}",
        "time_distance": f"{slits} with {ridges}.",
        "strip_montage": f"Twelve strips of height against {measured.orientation.label}, from first to last moment.",
        "oscillation": "Displacement against time with a damped sine, and Lomb-Scargle power against period.",
        "registration_check": f"Registration check. {lock.headline}. {' '.join(lock.reasons)}",
    }[name]
    return words[0].upper() + words[1:]


def _clip_words(measured: Measured) -> str:
    knot, front = fastest_knot(measured), leading_front(measured)
    shows = (
        "an erupting front"
        if front
        else "moving knots"
        if knot
        else "a prominence in which nothing moves significantly"
    )
    return f"Annotated time-lapse clip of the limb, {span_text(*measured.sequence.times_utc[[0, -1]])}, showing {shows}"


def _speed_range(measured: Measured) -> str:
    speeds = [knot.fit.speed_km_s for knot in moving_knots(measured)]
    return (
        f"They range from {min(speeds):.0f} to {max(speeds):.0f} km/s."
        if speeds
        else "No knot moves significantly."
    )


def _vector_link(png: Path, page: Path, title: str) -> list[str]:
    vector = next(
        (path for path in (png.with_suffix(".svg"), png.with_suffix(".pdf")) if path.is_file()), None
    )
    return (
        ["."]
        if vector is None
        else [
            ", ",
            element(
                "a",
                vector.suffix[1:].upper(),
                href=_relative(vector, page),
                aria_label=f"{title} as {vector.suffix[1:].upper()}",
            ),
            ".",
        ]
    )


def _picture_address(png: Path) -> str:
    """The drawing itself where it is small: sharp at every size, and nothing to do; else the picture, made
    smaller."""
    svg = png.with_suffix(".svg")
    if svg.is_file() and svg.stat().st_size <= MOST_SVG_BYTES:
        return _data_address(svg, "image/svg+xml")
    picture = _read(png)
    width = min(FIGURE_WIDTH_PX, picture.shape[1])
    size = (width, round(picture.shape[0] * width / picture.shape[1]))  # OpenCV wants (width, height)
    return _encoded(
        cv2.resize(picture, size, interpolation=cv2.INTER_AREA),
        ".png",
        [cv2.IMWRITE_PNG_COMPRESSION, 4],
        "image/png",
    )


def _small_jpeg(poster: Path) -> str:
    picture = _read(poster)
    width = min(1280, picture.shape[1])
    size = (width, round(picture.shape[0] * width / picture.shape[1]))
    return _encoded(
        cv2.resize(picture, size, interpolation=cv2.INTER_AREA),
        ".jpg",
        [cv2.IMWRITE_JPEG_QUALITY, 84],
        "image/jpeg",
    )


def _read(path: Path) -> np.ndarray:
    """Colour picture as BGR; the bytes are read here because OpenCV cannot open every path on every
    system."""
    picture = cv2.imdecode(np.frombuffer(path.read_bytes(), dtype=np.uint8), cv2.IMREAD_COLOR)
    if picture is None:
        raise InputError(
            "cannot be decoded as a picture",
            where=str(path),
            remedy="draw it again with `promtrack figures` or `promtrack clip`",
        )
    return picture


def _encoded(picture: np.ndarray, suffix: str, options: list[int], kind: str) -> str:
    _, data = cv2.imencode(suffix, picture, options)
    return f"data:{kind};base64,{base64.b64encode(data.data).decode('ascii')}"


def _data_address(path: Path, kind: str) -> Markup:
    return Markup(f"data:{kind};base64,{contents_of(path)}")


def _relative(path: Path, page: Path) -> str:
    return quote(Path(os.path.relpath(path, page.parent)).as_posix())
