"""The folded part of the report: numbers, tables with their notes, what was left out, method, cautions."""

from __future__ import annotations

from collections.abc import Iterable

from promtrack.motion.interpretation import lettered
from promtrack.rounding import day, sentence, typeset, unbroken, with_error
from promtrack.settings_text import settings_as_toml
from promtrack.show.markup import Markup, element, filled, joined, resource
from promtrack.show.records import Measured
from promtrack.show.report_tables import frames_table, fronts_table, knots_table
from promtrack.show.verdict import limb_name, limb_words


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
        ("cautions", "Cautions", resource("report_cautions.html")),
        ("settings", "Settings, and how to cite", _settings(measured)),
    ]


def _knots(measured: Measured) -> Markup:
    motion = measured.motion
    none = element("p", "No knot was followed long enough to be fitted.")
    words = [knots_table(measured) if motion.knots else none]
    words += [_prose(sentence(note)) for note in motion.control.notes]
    if motion.meanings:
        words.append(element("h3", "Beside published values"))
    words += [_prose(lettered(meaning.sentence, motion)) for meaning in motion.meanings]
    cited = (source for meaning in motion.meanings for source in meaning.source.split("; "))
    sources = "; ".join(dict.fromkeys(filter(None, cited)))
    if sources:
        words.append(element("p", f"Compared with: {sources}.", class_="source"))
    return joined(words)


def _fronts(measured: Measured) -> Markup:
    fronts, motion = measured.motion.fronts, measured.motion
    if not fronts:
        search = motion.front_search.sentence
        return _prose(f"No leading edge was followed. {search} A sector can be named with motion.sectors.")
    lines = []
    for front in fronts:
        sure = "" if front.moving else " (not significant)"
        notes = " ".join(map(sentence, front.notes))
        lines.append(lettered(f"Front {front.front}: {front.verdict}{sure}. {notes}", motion))
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
            f"Heights count from {limb_words(measured)}: {typeset(scale.limb.sentence)}.",
            f"Angles: {angles}.",
            f"The Sun: radius {view.apparent_radius_arcsec:.1f}″, P {view.p_deg:+.1f}°, "
            f"B₀ {view.b0_deg:+.1f}°, L₀ {view.l0_deg:.1f}°, distance {view.distance_au:.4f} au, {observer}.",
        ]
    )


def _left_out(measured: Measured) -> Markup:
    times, sequence, notes = measured.sequence.time_report, measured.sequence, measured.lock.notes
    out = measured.lock.rejected.any() or sequence.unreadable
    words = [frames_table(measured) if out else element("p", "No frame was left out.")]
    words += [element("h3", "Times"), _prose(f"Source of the times: {times.source} ({times.detail}).")]
    words.append(_list(map(sentence, times.problems or ("No problems with the times",))))
    if notes:
        words += [element("h3", "Notes on the lock"), _list(map(sentence, notes))]
    return joined(words)


def _method(measured: Measured) -> Markup:
    """The way from frames to speeds, with the values of this run where they matter."""
    control, scale = measured.motion.control, measured.scale
    source = {
        "limb": "the radius of the limb in the frames and the Sun's apparent radius on that day",
        "optics": "the focal length and the size of the pixels",
        "given": "the image scale that was given",
        "header": "the image scale in the files' headers",
    }[scale.source]
    limb = f"{scale.limb.height_mm:.3g} ± {scale.limb.err_mm:.2g} Mm above the photosphere"
    return filled(
        "report_method.html",
        pixel=unbroken(with_error(scale.km_per_px, scale.sigma_km_per_px, "km")),
        source=source,
        limb_name=limb_name(measured),
        limb=unbroken(limb),
        control=unbroken(control.method),
        tolerated=f"{control.tolerated:g}",
    )


def _settings(measured: Measured) -> Markup:
    date = day(measured.sequence.times_utc[0])
    cite = (
        f"Observer's name, limb sequence {run_name(measured)} of {date} UTC, measured with promtrack "
        f"{measured.version}. Speeds across the sky; heights above {limb_words(measured)}; ± is one standard "
        "deviation of the total error."
    )
    words = "These settings and the same frames give the same numbers. They are also in settings.toml."
    text = element("code", settings_as_toml(measured.settings, comments=False))
    return joined(
        [element("p", unbroken(cite), class_="cite"), _prose(words), element("pre", text, tabindex="0")]
    )


def _prose(words: str) -> Markup:
    return element("p", unbroken(words), class_="prose")


def _list(lines: Iterable[str]) -> Markup:
    return element("ul", *(element("li", unbroken(typeset(line))) for line in lines), class_="prose")
