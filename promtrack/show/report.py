"""The report page: everything measured, the clip and the figures in, one self-contained HTML file out.

The front of the page is clip, one sentence, three numbers, three lights and one figure; all
else is folded below it (`report_depth`) and opens for the printer.
"""

from __future__ import annotations

import base64
import hashlib
import io
import os
from collections.abc import Sequence
from pathlib import Path
from urllib.parse import quote

import cv2
import numpy as np
from PIL import Image

from promtrack.errors import InputError
from promtrack.rounding import seconds, span_text, unbroken
from promtrack.show.cards import everyday, recorded
from promtrack.show.figures import SHEETS, Sheet, drawn_sheets, missing_sheets
from promtrack.show.findings import Number, headline, three_numbers
from promtrack.show.markup import MOST_PX, Markup, data_address, element, filled, joined, resource, write_page
from promtrack.show.records import Measured
from promtrack.show.report_depth import depth_parts, run_name
from promtrack.show.verdict import PLANE_OF_SKY, Light, lights, verdict_line
from promtrack.workers import map_ahead

MOST_BYTES = 6e6  # of a page with its clip inside; a larger clip is linked, so that a phone opens the page
MOST_SVG_BYTES = 200_000  # of a figure with pictures, in the page; as one lossy picture it has half
SIGNS = {"good": "●", "fair": "▲", "poor": "■"}  # shape says again what colour says
KEYS = ("height_time", "strip_montage", "summary")  # the one figure on the front: the first that was drawn


def write_report(
    measured: Measured, path: Path, *, clip: Path | None, poster: Path | None, figures: Sequence[Path]
) -> Path:
    """Write one page that works offline, from disk, without a network; it appears under its name when it is
    whole. `clip`, `poster`: either may be missing; the clip comes into a page of at most 6 MB, else it is
    linked. `figures`: PNG files as `draw_figures` names them; of each the SVG beside is embedded unless it
    holds large pictures. Raises InputError: clip, poster or a figure is empty or damaged, or the page cannot
    be written."""
    pictures = Pictures(measured, path, figures)
    key = figure_part(pictures, pictures.key)
    parts = [("figures", "More figures", figures_part(pictures)), *depth_parts(measured)]
    folds = joined(_fold(*part) for part in parts)
    found, style, script = lights(measured), resource("report.css"), resource("report.js")
    missing, poor = missing_sheets(measured), any(light.level == "poor" for light in found)
    page = filled(
        "report.html",
        style_digest=_digest(style),
        script_digest=_digest(script),
        style=style,
        script=script,
        version=measured.version,
        name=run_name(measured),
        title=measured.settings.clip.title or recorded(measured)[0],
        # above the picture; a lesser doubt stands at its light
        verdict=element("p", _sign("poor"), unbroken(verdict_line(found)), class_="verdict poor")
        if poor
        else "",
        facts=_facts(measured),
        clip=clip_part(measured, clip, poster, path, MOST_BYTES - len(key) - len(folds)),
        headline=unbroken(headline(measured)),
        everyday=_paragraph(unbroken(everyday(measured)), "everyday"),
        numbers=joined(map(_number, three_numbers(measured))),
        plane_of_sky=PLANE_OF_SKY,
        lights=joined(map(_light, found)),
        figure=key,
        missing=_paragraph(f"Not drawn: {missing}." if missing else "", "facts"),
        folds=folds,
    )
    return write_page(path, page)


def _digest(text: str) -> str:
    """By which the page knows its own style and script: it runs nothing else, from nowhere else."""
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def _paragraph(words: str, class_: str) -> Markup:
    """Nothing where there are no words."""
    return element("p", words, class_=class_) if words else Markup("")


def _fold(name: str, title: str, content: Markup) -> Markup:
    head = element("summary", element("h2", title))
    return element("details", head, element("div", content, class_="inside"), id=name)


def _number(number: Number) -> Markup:
    words = {"title": number.title, "number": unbroken(number.text), "note": unbroken(number.note)}
    return element("li", *(element("p", text, class_=class_) for class_, text in words.items()))


def _light(one: Light) -> Markup:
    head, first, rest = element("h2", _sign(one.level), one.words), one.reasons, Markup("")
    if one.level == "good" and len(one.reasons) > 3:  # what is well needs few words
        first, more = one.reasons[:2], one.reasons[2:]
        words = element("summary", f"{len(more)} more checks passed")
        rest = element("details", words, element("p", unbroken(" ".join(more))))
    return element("li", head, element("p", unbroken(" ".join(first))), rest, class_=one.level)


def _sign(level: str) -> Markup:
    return element("span", f"{SIGNS[level]} ", aria_hidden="true", class_="sign")


def _facts(measured: Measured) -> str:
    sequence, used = measured.sequence, measured.lock.used
    steps = np.diff(sequence.time_s)
    cadence = f", one every {seconds(float(np.median(steps)))}" if len(steps) else ""
    other = int((~used & ~measured.lock.rejected).sum())
    beside = f" ({other} are of the other exposure)" if other else ""
    frames = f"{int(used.sum())} of {len(sequence)} frames used{beside}{cadence}"
    credit = measured.settings.clip.credit.strip().rstrip(".")  # of the demo: that no Sun was observed
    times = span_text(*sequence.times_utc[[0, -1]])
    return " · ".join(filter(None, (run_name(measured), recorded(measured)[1], credit, times, frames)))


class Pictures:
    """The figures of a run as the page shows them."""

    def __init__(self, measured: Measured, page: Path, files: Sequence[Path]) -> None:
        self.measured, self.page, there = measured, page, {path.name: path for path in files}
        names = {sheet.name: (f"{sheet.name}.png", f"{sheet.name}_dark.png") for sheet in SHEETS}
        # PNG files of each sheet, light before dark
        self.versions = {sheet: [there[n] for n in both if n in there] for sheet, both in names.items()}
        shown = [png for versions in self.versions.values() for png in versions]
        # of what the page shows of these; packed by all cores
        self.addresses = dict(zip(shown, map_ahead(_address, shown), strict=True))
        # the figure that stands first on the page; None where none of them was drawn
        first = [sheet for name in KEYS for sheet in SHEETS if sheet.name == name and self.versions[name]]
        self.key = first[0] if first else None


def clip_part(
    measured: Measured, clip: Path | None, poster: Path | None, page: Path, most_bytes: float
) -> Markup:
    """The player, with the clip inside the page if it has at most so many bytes there, else beside it."""
    if clip is None or not clip.is_file():
        return _paragraph("No clip was made in this run.", "facts")
    with clip.open("rb") as file:
        if file.read(8)[4:] != b"ftyp":  # ISO/IEC 14496-12: a file begins with its type
            raise _broken(clip, "is empty or no MP4 film", "clip")
    size = clip.stat().st_size
    inside, link = size * 4 // 3 <= most_bytes, _relative(clip, page)
    words = f"Time-lapse clip of the limb, {span_text(*measured.sequence.times_utc[[0, -1]])}. "
    words += headline(measured)
    still = Markup("")
    if poster is not None and poster.is_file():
        still = element("img", src=photograph(poster, "jpeg"), alt=words, class_="poster")
    address = data_address("video/mp4", clip.read_bytes()) if inside else link
    source = element("source", src=address, type="video/mp4")
    ways: dict[str, str | bool] = dict.fromkeys(("controls", "muted", "playsinline", "loop"), True)
    ways |= {"preload": "metadata", "data_embedded": inside, "aria_label": words}
    video = element("video", source, element("a", "Open the clip", href=link), **ways)
    beside = f"The clip is the file {clip.name} ({size / 1e6:.1f} MB) in this page's folder: pass on both. "
    caption = "" if inside else beside
    below = element("figcaption", caption, element("a", "The clip as a file", href=link))
    player = element("div", still, video, class_="player") if still else video
    return element("figure", player, below, class_="clip")


def figure_part(pictures: Pictures, sheet: Sheet | None) -> Markup:
    """One figure; of two versions the second is for dark screens, and paper gets the first."""
    if sheet is None:
        return _paragraph("No figures were drawn in this run.", "facts")
    light, *dark = pictures.versions[sheet.name]
    narrow = pictures.versions.get(f"{sheet.name}_narrow", [])
    wide, dim, phone = "screen", " and (prefers-color-scheme: dark)", "screen and (max-width: 40rem)"
    choice = [(path, phone + dim) for path in narrow[1:]] + [(path, phone) for path in narrow[:1]]
    choice += [(path, wide + dim) for path in dark]
    sources = [element("source", srcset=pictures.addresses[path], media=media) for path, media in choice]
    files = []
    for path in (light, *light.parent.glob(f"{light.stem}.[sp][vd][gf]")):
        kind, link = path.suffix[1:].upper(), _relative(path, pictures.page)
        files += [" ", element("a", kind, href=link, aria_label=f"{sheet.title} as {kind}")]
    picture = element(
        "img", src=pictures.addresses[light], alt=sheet.words(pictures.measured), width="1600", height="900"
    )
    below = element("figcaption", element("strong", f"{sheet.title}. "), sheet.caption, *files)
    class_ = "legible" if narrow else None  # others are magnified by a tap
    shown = element("picture", *sources, picture)
    return element("figure", shown, below, id=f"figure-{sheet.name}", class_=class_)


def figures_part(pictures: Pictures) -> Markup:
    """All other figures in the order of a talk, and a line on those whose files are missing."""
    others = [sheet for sheet in SHEETS if sheet != pictures.key and not sheet.narrow]
    shown = [sheet for sheet in others if pictures.versions[sheet.name]]
    drawn = [sheet for sheet in drawn_sheets(pictures.measured) if not sheet.narrow]
    lost = ", ".join(sheet.title.lower() for sheet in drawn if not pictures.versions[sheet.name])
    again = "draw them again with `promtrack figures`"
    missing = f"Files missing in the folder: {lost}; {again}." if lost else ""
    return joined([*(figure_part(pictures, sheet) for sheet in shown), _paragraph(missing, "facts")])


def _address(png: Path) -> str:
    """Data address of a figure: its SVG, sharp at every size, where there is one, and none with large
    pictures in it."""
    svg = png.with_suffix(".svg")
    if not svg.is_file():
        return photograph(png, "webp")
    drawing = svg.read_bytes()
    if b"<svg" not in drawing[:2000]:
        raise _broken(svg, "is empty or no SVG drawing", "figures")
    if len(drawing) > MOST_SVG_BYTES and b"<image" in drawing:
        return photograph(png, "webp")
    return data_address("image/svg+xml", drawing)


def photograph(path: Path, kind: str, most_px: int = MOST_PX) -> str:
    """A data address of the picture, lossy and at most so wide. The bytes are read here because OpenCV cannot
    open every path on every system."""
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
    return data_address(f"image/{kind}", coded.getvalue())


def _broken(path: Path, what: str, command: str) -> InputError:
    return InputError(what, where=str(path), remedy=f"make it again with `promtrack {command}`")


def _relative(path: Path, page: Path) -> str:
    return quote(Path(os.path.relpath(path, page.parent)).as_posix())
