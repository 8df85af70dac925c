"""The folded part of the report: numbers, tables with their notes, what was left out, method, cautions."""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from promtrack.motion.interpretation import label_motion, lettered
from promtrack.motion.records import Front, FrontFit, KnotTrack
from promtrack.rounding import (
    clock,
    day,
    degrees,
    error_text,
    plain,
    rounded,
    sentence,
    typeset,
    unbroken,
    with_error,
)
from promtrack.settings_text import settings_as_toml
from promtrack.show.findings import false_alarm_text
from promtrack.show.markup import Cell, Markup, Row, element, filled, joined, resource, table_of
from promtrack.show.quoted import knot_height, relative_error, speed_of
from promtrack.show.records import Measured
from promtrack.show.verdict import limb_name, limb_words

MOST_ROWS = 250  # a page with more is slow on a phone; the product tables hold them all


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
    words = [_knots_table(measured) if motion.knots else none]
    words += [_prose(sentence(note)) for note in motion.control.notes]
    words += [element("h3", "Beside published values")] * bool(motion.meanings)
    words += [_prose(lettered(meaning.sentence, motion)) for meaning in motion.meanings]
    cited = (source for meaning in motion.meanings for source in meaning.source.split("; "))
    if sources := "; ".join(dict.fromkeys(filter(None, cited))):
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
    return joined([_list(lines), _fronts_table(measured)])


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
    words = [_frames_table(measured) if out else element("p", "No frame was left out.")]
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
    limb = f"{with_error(scale.limb.height_mm, scale.limb.err_mm, 'Mm')} above the photosphere"
    pieces = {
        "pixel": with_error(scale.km_per_px, scale.sigma_km_per_px, "km"),
        "limb": limb,
        "source": source,
    }
    pieces |= {"control": control.method, "limb_name": limb_name(measured)}
    pieces = {name: unbroken(words) for name, words in pieces.items()}
    return filled("report_method.html", tolerated=f"{control.tolerated:g}", **pieces)


def _settings(measured: Measured) -> Markup:
    date = day(measured.sequence.times_utc[0])
    observer = measured.settings.clip.credit.strip().rstrip(".") or "Observer's name"
    cite = (
        f"{observer}, limb sequence {run_name(measured)} of {date} UTC, measured with promtrack "
        f"{measured.version}. Speeds across the sky; heights above {limb_words(measured)}; ± is one standard "
        "deviation of the total error."
    )
    words = "These settings and the same frames give the same numbers. They are also in settings.toml."
    text = element("code", settings_as_toml(measured.settings, comments=False))
    cited, code = element("p", unbroken(cite), class_="cite"), element("pre", text, tabindex="0")
    return joined([cited, _prose(words), code])


def _prose(words: str) -> Markup:
    return element("p", unbroken(words), class_="prose")


def _list(lines: Iterable[str]) -> Markup:
    return element("ul", *(element("li", unbroken(typeset(line))) for line in lines), class_="prose")


def _knots_table(measured: Measured) -> Markup:
    """A row a knot: moving ones first, those with letters first of all."""
    labels = label_motion(measured.motion)
    order = sorted(measured.motion.knots, key=lambda k: (not k.moving, labels.knot(k) or "~", k.knot))
    systematic = rounded(100 * relative_error(measured), 2)
    caption = (
        "Heights, and speeds across the sky, at the middle of each track; ± is the total error, one standard "
        "deviation, with its random part beside it. The systematic part (scale and clock) is "
        f"{systematic} % of every speed. A star marks errors that were enlarged because the "
        "points scatter more than they allow."
    )
    if len(order) > MOST_ROWS:
        caption += f" The first {MOST_ROWS} of {len(order)} rows; all are in knots.ecsv."
    return table_of([_knot_row(measured, knot) for knot in order[:MOST_ROWS]], "Knots", caption)


def _fronts_table(measured: Measured) -> Markup:
    """A row a front and model."""
    rows = [_front_row(measured, front, fit) for front in measured.motion.fronts for fit in front.fits]
    caption = (
        "Every model that was tried, with speeds across the sky; ± is the total error. The smaller BIC is "
        "the better; differences below 2 say nothing, above 10 they are very strong (Kass & Raftery 1995, "
        "J. Am. Stat. Assoc. 90, 773)."
    )
    return table_of(rows, "Fronts and their models", caption)


def _frames_table(measured: Measured) -> Markup:
    """A row a frame or file left out, and why."""
    lock, times = measured.lock, measured.sequence.times_utc
    out = [
        (name, Cell(clock(times[index]), _seconds(times[index]), "words"), lock.reason[index])
        for index, name in enumerate(lock.names)
        if lock.rejected[index]
    ]
    unknown = Cell("unknown", math.nan, "words")
    out += [(item.file, unknown, item.reason) for item in measured.sequence.unreadable]
    rows = [
        Row({"File": Cell(f, kind="words"), "Time (UTC)": t, "Why": Cell(typeset(why), kind="words long")})
        for f, t, why in out[:MOST_ROWS]
    ]
    note = f" The first {MOST_ROWS} of {len(out)}; all are in frames.ecsv." if len(out) > MOST_ROWS else ""
    caption = f"Frames kept out of every measurement; the clip shows them as gaps.{note}"
    return table_of(rows, "Frames left out", caption)


def _number(number: int, letter: str, by_hand: bool) -> Cell:
    """'7 (A, by hand)': a track's number, and what else is to be said of it."""
    words = ", ".join(word for word in (letter, "by hand" * by_hand) if word)
    return Cell(f"{number} ({words})" if words else str(number), number)


def _total(measured: Measured, speed: float, random: float) -> Cell:
    """A speed or an acceleration with its total error."""
    return Cell(with_error(speed, math.hypot(random, speed * relative_error(measured))), speed)


def _knot_row(measured: Measured, knot: KnotTrack) -> Row:
    fit, quoted = knot.fit, speed_of(measured, knot)
    height, angle = knot_height(measured, knot), float(np.mean(knot.angle_deg))
    first = measured.strip.moment(float(knot.time_s[0]))
    cells = {
        "Knot": _number(knot.knot, label_motion(measured.motion).knot(knot), knot.by_hand),
        "Moving": Cell("yes" if knot.moving else "no", kind="words"),
        "First seen (UTC)": Cell(clock(first), _seconds(first)),
        "Frames": Cell(str(len(knot.time_s)), len(knot.time_s)),
        "Height (Mm)": Cell(with_error(height.value, height.error), height.value),
        f"{measured.orientation.label.capitalize()} (degrees)": Cell(f"{angle % 360.0:.1f}", angle),
        "Speed (km/s)": Cell(with_error(quoted.value, quoted.error) + "*" * fit.errors_scaled, quoted.value),
        "of it random": Cell(error_text(fit.speed_err_km_s), fit.speed_err_km_s),
        "Outward (km/s)": _total(measured, fit.radial_km_s, fit.radial_err_km_s),
        "Along the limb (km/s)": _total(measured, fit.along_km_s, fit.along_err_km_s),
        "Acceleration (m/s²)": _total(measured, fit.accel_m_s2, fit.accel_err_m_s2),
        "False alarms expected": Cell(false_alarm_text(knot.false_alarm), knot.false_alarm),
    }
    return Row(cells, "" if knot.moving else "resting")


def _front_row(measured: Measured, front: Front, fit: FrontFit) -> Row:
    onset = "none"
    if math.isfinite(fit.onset_s):
        error = f" ± {error_text(fit.onset_err_s, 's')}" if math.isfinite(fit.onset_err_s) else ""
        onset = clock(measured.strip.moment(fit.onset_s)) + error
    sector = f"{degrees(front.from_deg)} to {degrees(front.to_deg)}"
    first, *_, last = zip(fit.speed_km_s.tolist(), fit.speed_err_km_s.tolist(), strict=True)
    cells = {
        "Front": _number(front.front, label_motion(measured.motion).front(front), front.by_hand),
        "Model": Cell(fit.model, kind="words"),
        "Chosen": Cell("yes" if fit.chosen else "no", kind="words"),
        f"Sector ({measured.orientation.label})": Cell(sector, front.from_deg, "words"),
        "First speed (km/s)": _total(measured, *first),
        "Last speed (km/s)": _total(measured, *last),
        "Fastest (km/s)": _total(measured, fit.peak_speed_km_s, fit.peak_speed_err_km_s),
        "of it random": Cell(error_text(fit.peak_speed_err_km_s), fit.peak_speed_err_km_s),
        "Acceleration (m/s²)": (
            _total(measured, fit.accel_m_s2, fit.accel_err_m_s2)
            if math.isfinite(fit.accel_err_m_s2)
            else Cell("none", fit.accel_m_s2)
        ),
        "Onset (UTC)": Cell(onset, fit.onset_s, "words"),
        "BIC": Cell(plain(fit.bic, 1), fit.bic),
        "Reduced chi²": Cell(rounded(fit.chi2_per_dof, 2), fit.chi2_per_dof),
    }
    return Row(cells, "chosen" if fit.chosen else "")


def _seconds(time_utc: np.datetime64) -> float:
    return float(time_utc.astype("datetime64[us]").astype(int)) / 1e6
