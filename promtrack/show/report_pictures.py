"""Clip and figures as parts of the report: files in, HTML that carries them inside out."""

from __future__ import annotations

import base64
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

import cv2
import numpy as np

from promtrack.errors import InputError
from promtrack.show.figures import SHEETS, Sheet, drawn_sheets
from promtrack.show.findings import headline
from promtrack.show.markup import Markup, contents_of, element, joined
from promtrack.show.numbers import span_text
from promtrack.show.records import Measured

FIGURE_WIDTH_PX, POSTER_WIDTH_PX = 1600, 1280
KEYS = ("height_time", "strip_montage", "summary")  # the one figure on the front: the first that was drawn


@dataclass(frozen=True, slots=True)
class Pictures:
    """The figures of a run as the page shows them."""

    measured: Measured
    page: Path
    files: Sequence[Path]  # PNG

    def versions(self, sheet: Sheet) -> list[Path]:
        """Light before dark."""
        names = {path.name: path for path in self.files}
        return [names[name] for name in (f"{sheet.name}.png", f"{sheet.name}_dark.png") if name in names]

    @property
    def key(self) -> Sheet | None:
        """The figure that stands first on the page; None where none of them was drawn."""
        sheets = {sheet.name: sheet for sheet in SHEETS}
        return next((sheets[name] for name in KEYS if self.versions(sheets[name])), None)

    @property
    def bytes_inside(self) -> int:
        """Of the files whose contents come into the page, in base64."""
        shown = [path for sheet in SHEETS if not sheet.photograph for path in self.versions(sheet)]
        drawn = [path for png in shown for path in (_drawing(png), _upright(png))]
        return sum(path.stat().st_size * 4 // 3 for path in drawn if path is not None and path.is_file())


def clip_part(
    measured: Measured, clip: Path | None, poster: Path | None, page: Path, most_bytes: int
) -> Markup:
    """The player, with the clip inside the page if it has at most so many bytes there, else beside it."""
    if clip is None or not clip.is_file():
        return element("p", "No clip was made in this run.", class_="facts")
    with clip.open("rb") as file:
        if file.read(8)[4:] != b"ftyp":  # ISO/IEC 14496-12: a file begins with its type
            raise _broken(clip, "is empty or no MP4 film", "clip")
    inside = clip.stat().st_size * 4 // 3 <= most_bytes
    link = _relative(clip, page)
    address = Markup(f"data:video/mp4;base64,{contents_of(clip)}") if inside else link
    span = span_text(*measured.sequence.times_utc[[0, -1]])
    words = f"Time-lapse clip of the limb, {span}. {headline(measured)}"
    still = Markup("")
    if poster is not None and poster.is_file():
        still = element("img", src=photograph(poster, POSTER_WIDTH_PX, ".jpg"), alt=words, class_="poster")
    video = element(
        "video",
        element("source", src=address, type="video/mp4"),
        element("a", "Open the clip", href=link),
        controls=True,
        muted=True,
        playsinline=True,
        loop=True,
        preload="metadata",
        data_embedded=inside,
        aria_label=words,
    )
    size = f"{clip.stat().st_size / 1e6:.1f} MB"
    beside = f"The clip is the file {clip.name} ({size}) in this page's folder: pass both on together. "
    caption = "" if inside else beside
    below = element("figcaption", caption, element("a", "The clip as a file", href=link))
    player = element("div", still, video, class_="player") if still else video
    return element("figure", player, below, class_="clip")


def figure_part(pictures: Pictures, sheet: Sheet | None) -> Markup:
    """One figure; of two versions the second is for dark screens, and paper gets the first."""
    if sheet is None:
        return element("p", "No figures were drawn in this run.", class_="facts")
    versions = pictures.versions(sheet)
    light, *dark = versions
    dark_screen = "screen and (prefers-color-scheme: dark)"
    medias = [dark_screen, "screen"][-len(versions) :]  # the first that holds is taken
    sources = [
        element("source", srcset=_embedded(_upright(path)), media=f"{media} and (max-width: 40rem)")
        for path, media in zip(versions[::-1], medias, strict=True)
        if _upright(path).is_file()
    ]
    sources += [element("source", srcset=_address(sheet, path), media=dark_screen) for path in dark]
    words, links = sheet.words(pictures.measured), [light, *light.parent.glob(f"{light.stem}.[sp][vd][gf]")]
    linked = [
        element(
            "a",
            path.suffix[1:].upper(),
            href=_relative(path, pictures.page),
            aria_label=f"{sheet.title} as {path.suffix[1:].upper()}",
        )
        for path in links
    ]
    files = joined(part for link in linked for part in (" ", link))
    picture = element(
        "img", src=_address(sheet, light), alt=words, width="1600", height="900", loading="lazy"
    )
    below = element("figcaption", element("strong", f"{sheet.title}. "), sheet.caption, files)
    return element("figure", element("picture", *sources, picture), below, id=f"figure-{sheet.name}")


def figures_part(pictures: Pictures) -> Markup:
    """All other figures in the order of a talk, and a line on those whose files are missing."""
    shown = [sheet for sheet in SHEETS if pictures.versions(sheet) and sheet != pictures.key]
    lost = [sheet.title.lower() for sheet in drawn_sheets(pictures.measured) if not pictures.versions(sheet)]
    parts = [figure_part(pictures, sheet) for sheet in shown]
    if lost:
        again = "draw them again with `promtrack figures`"
        parts.append(
            element("p", f"Files missing in the folder: {', '.join(lost)}; {again}.", class_="facts")
        )
    return joined(parts)


def _address(sheet: Sheet, png: Path) -> str:
    """A line drawing as it is, sharp at every size; a photograph made smaller."""
    drawing = None if sheet.photograph else _drawing(png)
    if drawing is None:
        return photograph(png, FIGURE_WIDTH_PX, ".webp")
    return _embedded(drawing)


def _embedded(drawing: Path) -> Markup:
    """A data address of an SVG file."""
    if b"<svg" not in drawing.read_bytes()[:2000]:
        raise _broken(drawing, "is empty or no SVG drawing", "figures")
    return Markup(f"data:image/svg+xml;base64,{contents_of(drawing)}")


def _upright(png: Path) -> Path:
    """The SVG of the same figure for upright phones, where there is one."""
    stem = png.stem.removesuffix("_dark")
    return png.with_name(f"{stem}_upright{png.stem[len(stem) :]}.svg")


def _drawing(png: Path) -> Path | None:
    svg = png.with_suffix(".svg")
    return svg if svg.is_file() else None


def photograph(path: Path, most_px: int, kind: str) -> str:
    """A data address of the picture, lossy and at most so wide.

    The bytes are read here because OpenCV cannot open every path on every system.
    """
    data = np.fromfile(path, dtype=np.uint8)
    picture = cv2.imdecode(data, cv2.IMREAD_COLOR) if len(data) else None
    if picture is None:
        raise _broken(path, "is empty or cannot be decoded", "clip" if kind == ".jpg" else "figures")
    width = min(most_px, picture.shape[1])
    size = (width, round(picture.shape[0] * width / picture.shape[1]))  # OpenCV wants (width, height)
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    quality = {".jpg": cv2.IMWRITE_JPEG_QUALITY, ".webp": cv2.IMWRITE_WEBP_QUALITY}[kind]
    _, coded = cv2.imencode(kind, small, [quality, 84])
    name = {".jpg": "jpeg", ".webp": "webp"}[kind]
    return f"data:image/{name};base64,{base64.b64encode(coded.data).decode('ascii')}"


def _broken(path: Path, what: str, command: str) -> InputError:
    return InputError(what, where=str(path), remedy=f"make it again with `promtrack {command}`")


def _relative(path: Path, page: Path) -> str:
    return quote(Path(os.path.relpath(path, page.parent)).as_posix())
