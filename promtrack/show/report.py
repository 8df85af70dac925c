"""The report page: everything measured, the clip and the figures in, one self-contained HTML file out."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

import numpy as np

from promtrack.rounding import rounded
from promtrack.show.markup import Markup, element, joined, write_markup
from promtrack.show.numbers import span_text
from promtrack.show.records import Measured
from promtrack.show.report_numbers import numbers_part
from promtrack.show.report_pictures import clip_part, figure_parts
from promtrack.show.report_words import (
    cautions_part,
    cite_part,
    fronts_part,
    knots_part,
    left_out_part,
    method_part,
    run_name,
    settings_part,
    verdict_part,
)
from promtrack.whole import whole_file

__all__ = ["write_report"]

# Decoration only: a limb with two prominences, hidden from screen readers.
LIMB = Markup(
    '<svg viewBox="0 0 1200 90" preserveAspectRatio="xMidYMax slice" aria-hidden="true" focusable="false"><defs>'
    '<linearGradient id="disc" x1="0" y1="0" x2="0" y2="1"><stop offset="0" stop-color="#7a2606"/>'
    '<stop offset=".6" stop-color="#2b0d04"/></linearGradient></defs>'
    '<g fill="none" stroke-linecap="round" stroke="#f0853a">'
    '<g stroke-width="1.6"><path opacity=".9" d="M828 48C826 6 902 2 906 54"/>'
    '<path opacity=".6" d="M836 48C838 15 892 12 897 53"/>'
    '<path opacity=".4" d="M845 49C848 24 881 22 888 52"/></g>'
    '<g stroke-width="1.3" opacity=".8"><path d="M281 61c3-13-3-20 2-33"/>'
    '<path d="M290 59c-4-15 5-24 1-40"/><path d="M300 57c5-12-2-21 5-34"/><path d="M309 56c-3-17 6-27 0-45"/>'
    '<path d="M319 54c4-11 0-18 6-28"/><path d="M329 53c-2-10 4-15 2-23"/></g></g>'
    '<path d="M-60 96Q600 -14 1260 96Z" fill="url(#disc)"/>'
    '<path d="M-60 96Q600 -14 1260 96" fill="none" stroke="#ffab66" stroke-width="2"/></svg>'
)


def write_report(
    measured: Measured, path: Path, *, clip: Path | None, poster: Path | None, figures: Sequence[Path]
) -> Path:
    """Write one page that holds everything and works offline, from disk, without a network.

    Parameters
    ----------
    path : the page to write; it appears under this name only when it is whole
    clip, poster : the clip and its still; embedded up to 40 MB, else linked relative to the page; may be
        missing
    figures : PNG files as `draw_figures` names them; an SVG beside one is embedded instead where it is small

    Raises
    ------
    InputError : the poster or a figure cannot be decoded, or the page cannot be written
    """
    style, script = _resource("report.css"), _resource("report.js")
    body = joined(
        [
            element("a", "Skip to the verdict", href="#verdict", class_="skip"),
            _top(measured),
            element(
                "div",
                _contents(),
                _main(measured, _sections(measured, path, clip, poster, figures)),
                class_="page",
            ),
            element("p", id="said", class_="sr", role="status", aria_live="polite"),
            element("script", Markup(script)),
        ]
    )
    page = joined(
        [
            Markup("<!DOCTYPE html>\n"),
            element("html", _head(measured, style, script), element("body", body), lang="en"),
            Markup("\n"),
        ]
    )
    with whole_file(path) as part:
        write_markup(page, part)
    return path


SECTION_NAMES = (
    ("verdict", "Verdict"),
    ("clip", "Clip"),
    ("numbers", "Numbers"),
    ("figures", "Figures"),
    ("knots", "Knots"),
    ("fronts", "Fronts"),
    ("left-out", "Left out, and why"),
    ("method", "Method"),
    ("cautions", "Cautions"),
    ("settings", "Settings"),
    ("cite", "How to cite"),
)


def _sections(
    measured: Measured, path: Path, clip: Path | None, poster: Path | None, figures: Sequence[Path]
) -> list[tuple[str, str, Markup]]:
    content = (
        verdict_part(measured),
        clip_part(measured, clip, poster, path),
        numbers_part(measured),
        figure_parts(measured, figures, path),
        knots_part(measured),
        fronts_part(measured),
        left_out_part(measured),
        method_part(measured),
        cautions_part(),
        settings_part(measured),
        cite_part(measured),
    )
    return [(name, title, part) for (name, title), part in zip(SECTION_NAMES, content, strict=True)]


def _main(measured: Measured, sections: list[tuple[str, str, Markup]]) -> Markup:
    parts = [
        element(
            "section",
            element("h2", title, id=f"{name}-title"),
            content,
            id=name,
            aria_labelledby=f"{name}-title",
        )
        for name, title, content in sections
    ]
    return element("main", *parts, _footer(measured))


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


def _top(measured: Measured) -> Markup:
    sequence, lock = measured.sequence, measured.lock
    cadence = float(np.median(np.diff(sequence.time_s))) if len(sequence) > 1 else np.nan
    facts = (
        f"{span_text(sequence.times_utc[0], sequence.times_utc[-1])} · {int(lock.used.sum())} of "
        f"{len(sequence)} frames used · "
        f"one frame every {rounded(cadence, 3)} s"
    )
    return element(
        "header",
        element(
            "div",
            element("p", "Prominence report", class_="eyebrow"),
            element("h1", run_name(measured)),
            element("p", facts, class_="facts"),
        ),
        LIMB,
        class_="top",
    )


def _contents() -> Markup:
    return element(
        "nav",
        element(
            "ul", *(element("li", element("a", title, href=f"#{name}")) for name, title in SECTION_NAMES)
        ),
        class_="contents",
        aria_label="On this page",
    )


def _footer(measured: Measured) -> Markup:
    return element(
        "footer",
        element("p", f"Made by promtrack {measured.version}. This page loads nothing from the network."),
    )
