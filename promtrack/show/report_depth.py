"""The folded part of the report: numbers, tables with their notes, what was left out, method, cautions."""

from __future__ import annotations

from collections.abc import Iterable

from promtrack.motion.labels import lettered
from promtrack.rounding import typeset, with_error
from promtrack.settings import settings_as_toml
from promtrack.show.markup import Markup, element, joined
from promtrack.show.method import CAUTIONS, method_steps
from promtrack.show.numbers import day, sentence, unbroken
from promtrack.show.records import Measured
from promtrack.show.report_tables import frames_table, fronts_table, knots_table
from promtrack.show.verdict import limb_words

__all__ = ["depth_parts", "run_name"]


def run_name(measured: Measured) -> str:
    """What the run is called: the clip's title, else the name of what was read."""
    return measured.settings.clip.title or measured.sequence.path.name or "Recording"


def depth_parts(measured: Measured) -> list[tuple[str, str, Markup]]:
    """Name, title and content of each fold, in the order of the page."""
    return [
        ("knots", "Knots: small bright pieces that were followed", _knots(measured)),
        ("fronts", "Fronts: leading edges of what rises", _fronts(measured)),
        ("scale", "Scale, direction, and the Sun that day", _scale(measured)),
        ("left-out", "Frames left out, and the times", _left_out(measured)),
        ("method", "How the numbers come about", _method(measured)),
        ("cautions", "Cautions", _cautions()),
        ("settings", "Settings, and how to cite", _settings(measured)),
    ]


def _knots(measured: Measured) -> Markup:
    motion = measured.motion
    words = [
        knots_table(measured)
        if motion.knots
        else element("p", "No knot was followed long enough to be fitted.")
    ]
    words += [element("p", unbroken(sentence(note)), class_="prose") for note in motion.control.notes]
    if motion.meanings:
        words.append(element("h3", "Beside published values"))
    for meaning in motion.meanings:
        words.append(element("p", unbroken(lettered(meaning.sentence, motion)), class_="prose"))
        if meaning.source:
            words.append(element("p", f"Compared with: {meaning.source}", class_="source"))
    return joined(words)


def _fronts(measured: Measured) -> Markup:
    fronts = measured.motion.fronts
    if not fronts:
        search = measured.motion.front_search.sentence
        words = f"No leading edge was followed. {search} A sector can be named with motion.sectors."
        return element("p", words, class_="prose")
    lines = [
        lettered(
            f"Front {front.front}: {front.verdict}{'' if front.moving else ' (not significant)'}. "
            + " ".join(map(sentence, front.notes)),
            measured.motion,
        )
        for front in fronts
    ]
    return joined([_list(lines), fronts_table(measured)])


def _scale(measured: Measured) -> Markup:
    scale, orientation, view = measured.scale, measured.orientation, measured.view
    angles = f"{orientation.label}s, from: {orientation.source}"
    if orientation.position_angles:
        angles += f" (± {orientation.error_deg:.1f}°)"
    observer = "seen from the Earth" if view.observer == "Earth" else "as the header gives it"
    return _list(
        [
            f"Scale: {with_error(scale.km_per_px, scale.sigma_km_per_px)} km/px, from: {scale.source}.",
            f"Heights count from {limb_words(measured)}.",
            f"Angles: {angles}.",
            f"The Sun: radius {view.apparent_radius_arcsec:.1f}″, P {view.p_deg:+.1f}°, "
            f"B₀ {view.b0_deg:+.1f}°, L₀ {view.l0_deg:.1f}°, distance {view.distance_au:.4f} au, {observer}.",
        ]
    )


def _left_out(measured: Measured) -> Markup:
    times, sequence = measured.sequence.time_report, measured.sequence
    out = measured.lock.rejected.any() or sequence.unreadable
    words = [frames_table(measured) if out else element("p", "No frame was left out.")]
    words.append(element("h3", "Times"))
    words.append(element("p", f"Source of the times: {times.source} ({times.detail}).", class_="prose"))
    words.append(_list(map(sentence, times.problems or ("No problems with the times",))))
    if measured.lock.notes:
        words += [element("h3", "Notes on the lock"), _list(map(sentence, measured.lock.notes))]
    return joined(words)


def _method(measured: Measured) -> Markup:
    steps = [
        element(
            "li",
            element("h3", step.title),
            element("p", unbroken(step.text)),
            element("p", f"Sources: {'; '.join(step.sources)}.", class_="source")
            if step.sources
            else Markup(""),
        )
        for step in method_steps(measured)
    ]
    return element("ol", *steps, class_="steps")


def _cautions() -> Markup:
    parts = [
        element("div", element("h3", one.title), element("p", one.text), class_="caution") for one in CAUTIONS
    ]
    return joined(parts)


def _settings(measured: Measured) -> Markup:
    date = day(measured.sequence.times_utc[0])
    cite = (
        f"Observer's name, limb sequence {run_name(measured)} of {date} UTC, measured with promtrack "
        f"{measured.version}. Speeds across the sky; heights above {limb_words(measured)}; ± is one standard "
        "deviation of the total error."
    )
    words = "These settings and the same frames give the same numbers. They are also in settings.toml."
    return joined(
        [
            element("p", unbroken(cite), class_="cite"),
            element("p", words, class_="prose"),
            element(
                "pre", element("code", settings_as_toml(measured.settings, comments=False)), tabindex="0"
            ),
        ]
    )


def _list(lines: Iterable[str]) -> Markup:
    return element("ul", *(element("li", unbroken(typeset(line))) for line in lines), class_="prose")
