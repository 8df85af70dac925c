"""The report page: everything measured, the clip and the figures in, one self-contained HTML file out.

The front of the page is clip, one sentence, three numbers, three lights and one figure; all
else is folded below it (`report_depth`, `report_tables`) and opens for the printer.
"""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

import numpy as np

from promtrack.files import atomic_write
from promtrack.rounding import rounded
from promtrack.show.cards import everyday
from promtrack.show.figures import missing_sheets
from promtrack.show.findings import headline, three_numbers
from promtrack.show.markup import Markup, element, joined, write_markup
from promtrack.show.numbers import span_text, unbroken
from promtrack.show.records import Measured
from promtrack.show.report_depth import depth_parts, run_name
from promtrack.show.report_pictures import Pictures, clip_part, figure_part, figures_part
from promtrack.show.verdict import PLANE_OF_SKY, Light, lights, verdict_line

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
    pictures = Pictures(measured, path, tuple(figures))
    style, script = _resource("report.css"), _resource("report.js")
    key = figure_part(pictures, pictures.key)
    depth = [("figures", "More figures", figures_part(pictures)), *depth_parts(measured)]
    folds = [_fold(name, title, content) for name, title, content in depth]
    rest = joined([key, *folds])
    clip_words = clip_part(measured, clip, poster, path, MOST_BYTES - len(rest) - pictures.bytes_inside)
    body = [
        element("a", "Skip to the result", href="#result", class_="skip"),
        element("main", front_part(measured, run_name(measured), clip_words, key), *folds, _footer(measured)),
        element("p", id="said", class_="sr", role="status", aria_live="polite"),
        element("script", Markup(script)),
    ]
    page = [
        Markup("<!DOCTYPE html>\n"),
        element("html", _head(measured, style, script), element("body", *body), lang="en"),
        Markup("\n"),
    ]
    with atomic_write(path) as part:
        write_markup(joined(page), part)
    return path


def _fold(name: str, title: str, content: Markup) -> Markup:
    head = element("summary", element("h2", title))
    return element("details", head, element("div", content, class_="inside"), id=name)


def _resource(name: str) -> str:
    return files("promtrack.show").joinpath(name).read_text(encoding="utf-8")


def _head(measured: Measured, style: str, script: str) -> Markup:
    # The page may run its own style and script, known by their digests, and nothing else, from nowhere else.
    policy = (
        "default-src 'none'; img-src data:; media-src data: blob: file: 'self'; "
        f"style-src '{_digest(style)}'; script-src '{_digest(script)}'; base-uri 'none'; form-action 'none'"
    )
    return element(
        "head",
        element("meta", charset="utf-8"),
        element("meta", http_equiv="Content-Security-Policy", content=policy),
        element("meta", name="viewport", content="width=device-width, initial-scale=1"),
        element("meta", name="generator", content=f"promtrack {measured.version}"),
        element("meta", name="color-scheme", content="light dark"),
        element("title", f"{run_name(measured)}: promtrack report"),
        element("style", Markup(style)),
    )


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
