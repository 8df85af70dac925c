"""The report page: everything measured, the clip and the figures in, one self-contained HTML file out."""

from __future__ import annotations

import base64
import hashlib
import os
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

import numpy as np

from promtrack.settings import settings_as_toml
from promtrack.show.markup import Markup, element, joined
from promtrack.show.method import CAUTIONS, method_steps
from promtrack.show.numbers import counted, day, rounded, span_text, with_error
from promtrack.show.records import Measured
from promtrack.show.report_pictures import clip_part, figure_parts
from promtrack.show.report_tables import frames_table, fronts_table, knots_table, ridges_table
from promtrack.show.verdict import fastest_knot, leading_front, lock_verdict, three_sentences

__all__ = ["write_report"]

# Decoration only: a limb with two prominences, hidden from screen readers.
LIMB = Markup(
    '<svg viewBox="0 0 1200 90" preserveAspectRatio="xMidYMax slice" aria-hidden="true" focusable="false"><defs>'
    '<linearGradient id="disc" x1="0" y1="0" x2="0" y2="1"><stop offset="0" stop-color="#7a2606"/>'
    '<stop offset=".6" stop-color="#2b0d04"/></linearGradient></defs><g fill="none" stroke-linecap="round" stroke="#f0853a">'
    '<g stroke-width="1.6"><path opacity=".9" d="M828 48C826 6 902 2 906 54"/><path opacity=".6" d="M836 48C838 15 892 12 897 53"/>'
    '<path opacity=".4" d="M845 49C848 24 881 22 888 52"/></g><g stroke-width="1.3" opacity=".8"><path d="M281 61c3-13-3-20 2-33"/>'
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
    clip, poster : the clip and its still; embedded up to 40 MB, else linked relative to the page; None or missing: said so
    figures : PNG files as `draw_figures` names them; an SVG beside one is embedded instead where it is small

    Raises
    ------
    InputError : the poster or a figure cannot be decoded
    """
    style, script = _resource("report.css"), _resource("report.js")
    body = joined(
        [
            element("a", "Skip to the verdict", href="#verdict", class_="skip"),
            _top(measured),
            element(
                "div",
                _contents(),
                element(
                    "main",
                    *(
                        element(
                            "section",
                            element("h2", title, id=f"{name}-title"),
                            content,
                            id=name,
                            aria_labelledby=f"{name}-title",
                        )
                        for name, title, content in _sections(measured, path, clip, poster, figures)
                    ),
                    _footer(measured),
                ),
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
    part = path.with_name(path.name + ".part")
    try:
        part.write_text(page, encoding="utf-8", newline="\n")
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)
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
        _verdict(measured),
        clip_part(measured, clip, poster, path),
        _numbers(measured),
        figure_parts(measured, figures, path),
        _knots(measured),
        _fronts(measured),
        _left_out(measured),
        _method(measured),
        _cautions(),
        _settings(measured),
        _cite(measured),
    )
    return [(name, title, part) for (name, title), part in zip(SECTION_NAMES, content, strict=True)]


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
        element("title", f"{_name(measured)}: promtrack report"),
        element("style", Markup(style)),
    )


def _digest(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def _name(measured: Measured) -> str:
    return measured.settings.clip.title or measured.sequence.path.name or "Recording"


def _top(measured: Measured) -> Markup:
    sequence, lock = measured.sequence, measured.lock
    cadence = float(np.median(np.diff(sequence.time_s))) if len(sequence) > 1 else np.nan
    facts = (
        f"{span_text(sequence.times_utc[0], sequence.times_utc[-1])} · {int(lock.used.sum())} of {len(sequence)} frames used · "
        f"one frame every {rounded(cadence, 3)} s"
    )
    return element(
        "header",
        element(
            "div",
            element("p", "Prominence report", class_="eyebrow"),
            element("h1", _name(measured)),
            element("p", facts, class_="facts"),
        ),
        LIMB,
        class_="top",
    )


def _contents() -> Markup:
    return element(
        "nav",
        element("ul", *(element("li", element("a", title, href=f"#{name}")) for name, title in SECTION_NAMES)),
        class_="contents",
        aria_label="On this page",
    )


def _verdict(measured: Measured) -> Markup:
    verdict = lock_verdict(measured)
    mark, words = {
        "good": ("✓", "Trustworthy"),
        "fair": ("!", "Usable with care"),
        "poor": ("✗", "Not to be trusted"),
    }[verdict.level]
    return element(
        "div",
        element("p", element("span", f"{mark} ", aria_hidden="true"), words, class_="badge"),
        *(element("p", sentence) for sentence in three_sentences(measured)),
        class_=f"verdict {verdict.level}",
    )


def _numbers(measured: Measured) -> Markup:
    cards = [
        *_motion_cards(measured),
        _card(
            "Scale",
            f"{with_error(measured.scale.km_per_px, measured.scale.sigma_km_per_px)} km/px",
            f"from: {measured.scale.source}",
            measured.scale.check or "There is one source only, so nothing checks it.",
        ),
        _card(
            "Orientation",
            "Position angles" if measured.orientation.position_angles else "Image angles",
            f"± {measured.orientation.error_deg:.1f}°"
            if measured.orientation.position_angles
            else "counter-clockwise from image up",
            f"From: {measured.orientation.source}",
        ),
        _card(
            "The Sun that day",
            f"{measured.view.apparent_radius_arcsec:.1f}″ radius",
            f"P {_signed(measured.view.p_deg)}°, B₀ {_signed(measured.view.b0_deg)}°, L₀ {measured.view.l0_deg:.1f}°",
            f"Distance {measured.view.distance_au:.4f} au, seen {_observer(measured)}.",
        ),
    ]
    return element("ul", *cards, class_="cards")


def _motion_cards(measured: Measured) -> list[Markup]:
    knot, front, cards = fastest_knot(measured), leading_front(measured), []
    meanings = {meaning.about: meaning for meaning in measured.motion.meanings}
    if knot is not None:
        meaning = meanings.get(f"knot {knot.knot}")
        cards.append(
            _card(
                f"Fastest knot (knot {knot.knot})",
                with_error(knot.fit.speed_km_s, knot.fit.speed_err_km_s, "km/s"),
                f"and ± {rounded(knot.fit.systematic_km_s, 2)} km/s from scale and clock",
                meaning.sentence if meaning else "",
                meaning.source if meaning else "",
            )
        )
    if front is not None:
        meaning, best = meanings.get(f"front {front.front}"), front.best
        top = int(np.nanargmax(front.height_mm))
        height = float(front.height_mm[top])
        cards.append(
            _card(
                f"Highest front (front {front.front})",
                with_error(height, float(front.height_err_mm[top]), "Mm"),
                f"and ± {rounded(height * measured.motion.scale_err, 2)} Mm from the scale; above the H-alpha limb",
            )
        )
        speed = with_error(best.peak_speed_km_s, best.peak_speed_err_km_s, "km/s") if best else "No model fits"
        systematic = float(np.hypot(measured.motion.scale_err, measured.motion.clock_err)) * (
            best.peak_speed_km_s if best else np.nan
        )
        cards.append(
            _card(
                f"Its greatest speed ({front.verdict})",
                speed,
                f"and ± {rounded(systematic, 2)} km/s from scale and clock"
                if best
                else "its heights are in the tables",
                meaning.sentence if meaning else "",
                meaning.source if meaning else "",
            )
        )
    if not cards:
        cards.append(
            _card(
                "Motion",
                "None found",
                f"{counted(len(measured.motion.knots), 'track', 'tracks')} followed",
                "No track beats what the same data give under no motion.",
            )
        )
    return cards


def _card(title: str, number: str, parts: str, meaning: str = "", source: str = "") -> Markup:
    return element(
        "li",
        element("h3", title),
        element("p", number, class_="number"),
        element("p", parts, class_="parts"),
        element("p", meaning, class_="meaning") if meaning else Markup(""),
        element("p", f"Compared with: {source}", class_="source") if source else Markup(""),
    )


def _signed(value: float) -> str:
    return f"{value:+.1f}".replace("-", "−")


def _observer(measured: Measured) -> str:
    return "from the Earth" if measured.view.observer == "Earth" else measured.view.observer


def _knots(measured: Measured) -> Markup:
    control = measured.motion.control
    words = [
        element("p", "Click a column's name to sort by it.", class_="quiet small"),
        knots_table(measured)
        if measured.motion.knots
        else element("p", "No knot was followed long enough to be fitted."),
    ]
    words += [element("p", note, class_="prose") for note in control.notes]
    if measured.motion.ridges:
        words += [element("h3", "A second opinion: ridges"), ridges_table(measured)]
    return joined(words)


def _fronts(measured: Measured) -> Markup:
    if not measured.motion.fronts:
        return element(
            "p",
            "No front was followed: no sector shows a leading edge that could be measured through the run. A sector can be "
            "named with motion.sectors.",
            class_="prose",
        )
    verdicts = element(
        "ul",
        *(
            element("li", f"Front {front.front}: {front.verdict}" + ("" if front.moving else " (not significant)"))
            for front in measured.motion.fronts
        ),
    )
    return joined([verdicts, fronts_table(measured)])


def _left_out(measured: Measured) -> Markup:
    times, out = measured.sequence.time_report, (~measured.lock.used).any() or measured.sequence.unreadable
    problems = (
        element("ul", *(element("li", problem) for problem in times.problems))
        if times.problems
        else element("p", "Nothing was odd about the times.")
    )
    notes = (
        [element("h3", "Limits of the lock"), element("ul", *(element("li", note) for note in measured.lock.notes))]
        if measured.lock.notes
        else []
    )
    return joined(
        [
            frames_table(measured) if out else element("p", "No frame was left out: all were read and used."),
            element("h3", "Times"),
            element("p", f"Source of the times: {times.source} ({times.detail}).", class_="prose"),
            problems,
            *notes,
        ]
    )


def _method(measured: Measured) -> Markup:
    return element(
        "ol",
        *(
            element(
                "li",
                element("h3", step.title),
                element("p", step.text),
                element("p", "Sources: " + "; ".join(step.sources) + ".", class_="source")
                if step.sources
                else Markup(""),
            )
            for step in method_steps(measured)
        ),
        class_="steps",
    )


def _cautions() -> Markup:
    return joined(
        element("div", element("h3", title), element("p", text), class_="caution") for title, text in CAUTIONS
    )


def _settings(measured: Measured) -> Markup:
    text = settings_as_toml(measured.settings, comments=False)
    return joined(
        [
            element(
                "p",
                "These settings and the same frames give the same numbers. They are also in settings.toml.",
                class_="prose",
            ),
            element(
                "details",
                element("summary", "All settings of this run"),
                element("pre", element("code", text), tabindex="0"),
            ),
        ]
    )


def _cite(measured: Measured) -> Markup:
    date = day(measured.sequence.times_utc[0])
    return joined(
        [
            element(
                "p",
                f"Observer's name, H-alpha limb sequence {_name(measured)} of {date} UTC, measured with promtrack "
                f"{measured.version}. Plane-of-sky speeds; heights above the H-alpha limb, taken at "
                f"{measured.settings.limb.height_mm:g} Mm above the photosphere.",
                class_="cite",
            ),
            element(
                "p",
                "Say with every number that the errors are one standard deviation, and give the error of scale and clock beside it.",
                class_="prose quiet",
            ),
        ]
    )


def _footer(measured: Measured) -> Markup:
    return element(
        "footer", element("p", f"Made by promtrack {measured.version}. This page loads nothing from the network.")
    )
