"""The report page: everything measured, the clip and the figures in, one self-contained HTML file out.

The front of the page is clip, one sentence, three numbers, three lights and one figure; all
else is folded below it (`report_depth`, `report_tables`) and opens for the printer.
"""

from __future__ import annotations

import base64
import hashlib
import io
import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from urllib.parse import quote

import cv2
import numpy as np
from PIL import Image

from promtrack.errors import InputError
from promtrack.files import atomic_write
from promtrack.rounding import rounded, span_text, unbroken
from promtrack.show.cards import everyday
from promtrack.show.figures import SHEETS, Sheet, drawn_sheets, missing_sheets
from promtrack.show.findings import headline, three_numbers
from promtrack.show.markup import Markup, contents_of, element, joined, resource, whole_page, write_markup
from promtrack.show.records import Measured
from promtrack.show.report_depth import depth_parts, run_name
from promtrack.show.verdict import PLANE_OF_SKY, Light, lights, verdict_line
from promtrack.workers import map_ahead

MOST_BYTES = (
    6_000_000  # of a page with its clip inside; a larger clip is linked, so that a phone opens the page
)


def write_report(
    measured: Measured, path: Path, *, clip: Path | None, poster: Path | None, figures: Sequence[Path]
) -> Path:
    """Write one page that works offline, from disk, without a network.

    Parameters
    ----------
    path : the page to write; it appears under this name only when it is whole
    clip, poster : the clip and its still; may be missing. The clip is part of a page of at most 6 MB, else it
        is linked
    figures : PNG files as `draw_figures` names them; of line drawings the SVG beside is embedded

    Raises
    ------
    InputError : clip, poster or a figure is empty or cannot be decoded, or the page cannot be written
    """
    pictures = Pictures.of(measured, path, figures)
    style, script = resource("report.css"), resource("report.js")
    key = figure_part(pictures, pictures.key)
    depth = [("figures", "More figures", figures_part(pictures)), *depth_parts(measured)]
    folds = [
        element(
            "details",
            element("summary", element("h2", title)),
            element("div", content, class_="inside"),
            id=name,
        )
        for name, title, content in depth
    ]
    rest = joined([key, *folds])
    clip_words = clip_part(measured, clip, poster, path, MOST_BYTES - len(rest) - pictures.bytes_inside)
    body = [
        element("a", "Skip to the result", href="#result", class_="skip"),
        element("main", front_part(measured, run_name(measured), clip_words, key), *folds, _footer(measured)),
        element("p", id="said", class_="sr", role="status", aria_live="polite"),
        element("script", Markup(script)),
    ]
    title = f"{run_name(measured)}: promtrack report"
    with atomic_write(path) as part:
        write_markup(whole_page(title, style, *body, extra=_head(measured, style, script)), part)
    return path


def _head(measured: Measured, style: str, script: str) -> list[Markup]:
    # The page may run its own style and script, known by their digests, and nothing else, from nowhere else.
    policy = (
        "default-src 'none'; img-src data:; media-src data: blob: file: 'self'; "
        f"style-src '{_digest(style)}'; script-src '{_digest(script)}'; base-uri 'none'; form-action 'none'"
    )
    return [
        element("meta", http_equiv="Content-Security-Policy", content=policy),
        element("meta", name="generator", content=f"promtrack {measured.version}"),
        element("meta", name="color-scheme", content="light dark"),
    ]


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def _footer(measured: Measured) -> Markup:
    caution = (
        "Never look at or photograph the Sun without the right, undamaged filter: it blinds within a moment."
    )
    made = f"Made by promtrack {measured.version}. This page loads nothing from the network."
    return element("footer", element("p", element("strong", caution)), element("p", made))


MOST_PASSED = 3  # checks of a good light told at once
SIGNS = {"good": "●", "fair": "▲", "poor": "■"}  # shape says again what colour says


def front_part(measured: Measured, name: str, clip: Markup, figure: Markup) -> Markup:
    """What a reader sees first.

    clip, figure : the player and the one figure, as HTML
    """
    found = lights(measured)
    worst = max(found, key=lambda one: list(SIGNS).index(one.level)).level
    numbers = [
        element(
            "li",
            element("p", number.title, class_="title"),
            element("p", unbroken(number.text), class_="number"),
            element("p", unbroken(number.note), class_="note"),
        )
        for number in three_numbers(measured)
    ]
    missing, terms = missing_sheets(measured), everyday(measured)
    return element(
        "section",
        element("h1", name),
        element("p", _sign(worst), unbroken(verdict_line(found)), class_=f"verdict {worst}"),
        element("p", _facts(measured), class_="facts"),
        clip,
        element("p", unbroken(headline(measured)), class_="headline"),
        element("p", unbroken(terms), class_="everyday") if terms else Markup(""),
        element("ul", *numbers, class_="numbers"),
        element("p", f"± is the total error, one standard deviation. {PLANE_OF_SKY}", class_="facts"),
        element("ul", *(_light(one) for one in found), class_="lights", aria_label="Verdict in three parts"),
        figure,
        element("p", f"Not drawn: {missing}.", class_="facts") if missing else Markup(""),
        id="result",
        class_="front",
    )


def _light(one: Light) -> Markup:
    head = element("h2", _sign(one.level), one.words)
    first, more = one.reasons, one.reasons[:0]
    if one.level == "good" and len(one.reasons) > MOST_PASSED:  # what is well needs few words
        first, more = one.reasons[: MOST_PASSED - 1], one.reasons[MOST_PASSED - 1 :]
    rest = Markup("")
    if more:
        words = element("summary", f"{len(more)} more checks passed")
        rest = element("details", words, element("p", unbroken(" ".join(more))))
    return element("li", head, element("p", unbroken(" ".join(first))), rest, class_=one.level)


def _sign(level: str) -> Markup:
    return element("span", f"{SIGNS[level]} ", aria_hidden="true", class_="sign")


def _facts(measured: Measured) -> str:
    sequence, used = measured.sequence, measured.lock.used
    steps = np.diff(sequence.time_s)
    cadence = f", one every {rounded(float(np.median(steps)), 3)} s" if len(steps) else ""
    other = int((~used & ~measured.lock.rejected).sum())
    beside = f" ({other} are of the other exposure)" if other else ""
    frames = f"{int(used.sum())} of {len(sequence)} frames used{beside}{cadence}"
    return f"{span_text(sequence.times_utc[0], sequence.times_utc[-1])} · {frames}"


PICTURE_WIDTH_PX = 1600  # of a photograph inside the page
KEYS = ("height_time", "strip_montage", "summary")  # the one figure on the front: the first that was drawn


@dataclass(frozen=True, slots=True)
class Pictures:
    """The figures of a run as the page shows them."""

    measured: Measured
    page: Path
    files: Sequence[Path]  # PNG
    packed: dict[Path, str]  # data addresses of the photographs among them

    @classmethod
    def of(cls, measured: Measured, page: Path, files: Sequence[Path]) -> Pictures:
        """With the photographs packed by all cores."""
        unpacked = cls(measured, page, files, {})
        shown = [_shown(sheet, png) for sheet in SHEETS for png in unpacked.versions(sheet)]
        pictures = [path for path in shown if path.suffix == ".png"]
        coded = map_ahead(lambda path: photograph(path, PICTURE_WIDTH_PX, "webp"), pictures)
        return replace(unpacked, packed=dict(zip(pictures, coded, strict=True)))

    def address(self, path: Path) -> str:
        """Data address of a photograph, or of a line drawing as it is, sharp at every size."""
        return _embedded(path) if path.suffix == ".svg" else self.packed[path]

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
        shown = [_shown(sheet, path) for sheet in SHEETS for path in self.versions(sheet)]
        return sum(path.stat().st_size * 4 // 3 for path in shown if path.suffix == ".svg")


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
        still = element("img", src=photograph(poster, PICTURE_WIDTH_PX, "jpeg"), alt=words, class_="poster")
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
    light, *dark = pictures.versions(sheet)
    dark_screen = "screen and (prefers-color-scheme: dark)"
    sources = [
        element("source", srcset=pictures.address(_shown(sheet, path)), media=dark_screen) for path in dark
    ]
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
        "img",
        src=pictures.address(_shown(sheet, light)),
        alt=words,
        width="1600",
        height="900",
        loading="lazy",
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


def _shown(sheet: Sheet, png: Path) -> Path:
    """The file that comes into the page: the SVG of a line drawing, where there is one."""
    svg = png.with_suffix(".svg")
    return svg if svg.is_file() and not sheet.photograph else png


def _embedded(drawing: Path) -> Markup:
    """A data address of an SVG file."""
    if b"<svg" not in drawing.read_bytes()[:2000]:
        raise _broken(drawing, "is empty or no SVG drawing", "figures")
    return Markup(f"data:image/svg+xml;base64,{contents_of(drawing)}")


def photograph(path: Path, most_px: int, kind: str) -> str:
    """A data address of the picture, lossy and at most so wide.

    The bytes are read here because OpenCV cannot open every path on every system.
    """
    data = np.fromfile(path, dtype=np.uint8)
    picture = cv2.imdecode(data, cv2.IMREAD_COLOR) if len(data) else None
    if picture is None:
        raise _broken(path, "is empty or cannot be decoded", "clip" if kind == "jpeg" else "figures")
    width = min(most_px, picture.shape[1])
    size = (width, round(picture.shape[0] * width / picture.shape[1]))  # OpenCV wants (width, height)
    small = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    coded = io.BytesIO()
    # Method 2 takes WebP less than half the time of the usual 4, for files larger by 3 %; JPEG has none.
    Image.fromarray(small[:, :, ::-1]).save(coded, kind, quality=84, method=2)
    return f"data:image/{kind};base64,{base64.b64encode(coded.getbuffer()).decode('ascii')}"


def _broken(path: Path, what: str, command: str) -> InputError:
    return InputError(what, where=str(path), remedy=f"make it again with `promtrack {command}`")


def _relative(path: Path, page: Path) -> str:
    return quote(Path(os.path.relpath(path, page.parent)).as_posix())
