"""The report's tables: motion and frames in, sortable HTML tables out."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from promtrack.motion.false_alarms import LEAST_TOLD
from promtrack.motion.interpretation import label_motion
from promtrack.motion.records import Front, FrontFit, KnotTrack
from promtrack.rounding import (
    clock,
    degrees,
    error_text,
    plain,
    rounded,
    significant_decimals,
    typeset,
    with_error,
)
from promtrack.show.findings import relative_error, speed_of
from promtrack.show.markup import Markup, element
from promtrack.show.records import Measured

MOST_ROWS = 250  # a page with more is slow on a phone; the product tables hold them all


@dataclass(frozen=True, slots=True)
class Cell:
    """What is shown, and the number by which it is sorted where the text would not do."""

    text: str
    value: float | None = None
    kind: str = ""  # 'words' for text, 'long' for text that may run over several lines


@dataclass(frozen=True, slots=True)
class Row:
    """Cells of one row under the heads of their columns; the first is the row's own head."""

    cells: dict[str, Cell]
    class_: str = ""


def knots_table(measured: Measured) -> Markup:
    """A row a knot: moving ones first, those with letters first of all."""
    labels = label_motion(measured.motion)
    order = sorted(
        measured.motion.knots, key=lambda knot: (not knot.moving, labels.knot(knot) or "~", knot.knot)
    )
    systematic = rounded(100 * relative_error(measured), 2)
    caption = (
        "Speeds at the middle of each track, across the sky; ± is the total error, one standard deviation, "
        f"with its random part beside it. The systematic part (scale and clock) is {systematic} % of every "
        "speed. A star "
        "marks errors that were enlarged because the points scatter more than they allow. "
        "'Changes': no simple model describes the track, and the speed holds at mid-time only."
    )
    if len(order) > MOST_ROWS:
        caption += f" The first {MOST_ROWS} of {len(order)} rows; all are in knots.ecsv."
    return table_of([_knot_row(measured, knot) for knot in order[:MOST_ROWS]], "Knots", caption)


def fronts_table(measured: Measured) -> Markup:
    """A row a front and model."""
    rows = [_front_row(measured, front, fit) for front in measured.motion.fronts for fit in front.fits]
    caption = (
        "Every model that was tried, with speeds across the sky; ± is the total error. The smaller BIC is "
        "the better; differences below 2 say nothing, above 10 they are very strong (Kass & Raftery 1995, "
        "J. Am. Stat. Assoc. 90, 773)."
    )
    return table_of(rows, "Fronts and their models", caption)


def frames_table(measured: Measured) -> Markup:
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
        Row(
            {
                "File": Cell(name, kind="words"),
                "Time (UTC)": time,
                "Why": Cell(typeset(why), kind="words long"),
            }
        )
        for name, time, why in out[:MOST_ROWS]
    ]
    note = f" The first {MOST_ROWS} of {len(out)}; all are in frames.ecsv." if len(out) > MOST_ROWS else ""
    caption = f"Frames kept out of every measurement; the clip shows them as gaps.{note}"
    return table_of(rows, "Frames left out", caption)


def _number(number: int, letter: str, by_hand: bool) -> Cell:
    """'7 (A, by hand)': a track's number, and what else is to be said of it."""
    words = ", ".join(word for word in (letter, "by hand" * by_hand) if word)
    return Cell(f"{number} ({words})" if words else str(number), number)


def _yes(true: bool) -> Cell:
    return Cell("yes" if true else "no", kind="words")


def _speed(measured: Measured, speed: float, random: float) -> Cell:
    """A speed with its total error."""
    return Cell(with_error(speed, math.hypot(random, speed * relative_error(measured))), speed)


def _knot_row(measured: Measured, knot: KnotTrack) -> Row:
    fit, quoted = knot.fit, speed_of(measured, knot)
    height, angle = float(np.mean(knot.height_mm)), float(np.mean(knot.angle_deg))
    first = measured.strip.moment(float(knot.time_s[0]))
    cells = {
        "Knot": _number(knot.knot, label_motion(measured.motion).knot(knot), knot.by_hand),
        "Moving": _yes(knot.moving),
        "First seen (UTC)": Cell(clock(first), _seconds(first)),
        "Frames": Cell(str(len(knot.time_s)), len(knot.time_s)),
        "Height (Mm)": Cell(plain(height, 1), height),
        f"{measured.orientation.label.capitalize()} (degrees)": Cell(f"{angle % 360.0:.1f}", angle),
        "Speed (km/s)": Cell(with_error(quoted.value, quoted.error) + "*" * fit.errors_scaled, quoted.value),
        "of it random": Cell(error_text(fit.speed_err_km_s), fit.speed_err_km_s),
        "Outward (km/s)": _speed(measured, fit.radial_km_s, fit.radial_err_km_s),
        "Along the limb (km/s)": _speed(measured, fit.along_km_s, fit.along_err_km_s),
        "Acceleration (m/s²)": Cell(with_error(fit.accel_m_s2, fit.accel_err_m_s2), fit.accel_m_s2),
        "False alarms expected": Cell(false_alarm_text(knot.false_alarm), knot.false_alarm),
    }
    return Row(cells, "" if knot.moving else "resting")


def _front_row(measured: Measured, front: Front, fit: FrontFit) -> Row:
    onset = "none"
    if math.isfinite(fit.onset_s):
        error = f" ± {error_text(fit.onset_err_s, 's')}" if math.isfinite(fit.onset_err_s) else ""
        onset = clock(measured.strip.moment(fit.onset_s)) + error
    sector = f"{degrees(front.from_deg)} to {degrees(front.to_deg)}"
    accel = with_error(fit.accel_m_s2, fit.accel_err_m_s2) if math.isfinite(fit.accel_err_m_s2) else "none"
    first, *_, last = zip(fit.speed_km_s.tolist(), fit.speed_err_km_s.tolist(), strict=True)
    cells = {
        "Front": _number(front.front, label_motion(measured.motion).front(front), front.by_hand),
        "Model": Cell(fit.model, kind="words"),
        "Chosen": _yes(fit.chosen),
        f"Sector ({measured.orientation.label})": Cell(sector, front.from_deg, "words"),
        "First speed (km/s)": _speed(measured, *first),
        "Last speed (km/s)": _speed(measured, *last),
        "Fastest (km/s)": _speed(measured, fit.peak_speed_km_s, fit.peak_speed_err_km_s),
        "of it random": Cell(error_text(fit.peak_speed_err_km_s), fit.peak_speed_err_km_s),
        "Acceleration (m/s²)": Cell(accel, fit.accel_m_s2),
        "Onset (UTC)": Cell(onset, fit.onset_s, "words"),
        "BIC": Cell(plain(fit.bic, 1), fit.bic),
        "Reduced chi²": Cell(rounded(fit.chi2_per_dof, 2), fit.chi2_per_dof),
    }
    return Row(cells, "chosen" if fit.chosen else "")


def _seconds(time_utc: np.datetime64) -> float:
    return float(time_utc.astype("datetime64[us]").astype(int)) / 1e6


def table_of(rows: list[Row], label: str, caption: str = "") -> Markup:
    """A table in a box of its own that scrolls sideways, reached by keyboard and named for screen readers.

    One with a caption can be sorted; in one without, each cell knows its column's head.
    """
    heads = [
        element("th", element("span", head), scope="col", class_="words" if "words" in kind else None)
        for head, kind in _kinds(rows)
    ]
    words = element("caption", element("span", caption)) if caption else Markup("")
    body = element("tbody", *(_table_row(row, labelled=not caption) for row in rows))
    class_ = "sortable" if caption else None
    table = element("table", words, element("thead", element("tr", *heads)), body, class_=class_)
    return element("div", table, class_="scroll", role="region", aria_label=f"Table: {label}", tabindex="0")


def _kinds(rows: list[Row]) -> list[tuple[str, str]]:
    """Head and kind of each column; the first is one of words, as it heads the rows."""
    cells = rows[0].cells.items() if rows else ()
    return [(head, cell.kind if column else "words") for column, (head, cell) in enumerate(cells)]


def _table_row(row: Row, *, labelled: bool) -> Markup:
    """A row; where it is labelled, cells name their columns, for pages that stack them."""
    cells = []
    for column, (head, cell) in enumerate(row.cells.items()):
        value = None if cell.value is None else "NaN" if math.isnan(cell.value) else repr(float(cell.value))
        more = {"scope": "row"} if column == 0 else {"data_label": head} if labelled else {}
        tag = "td" if column else "th"
        cells.append(element(tag, cell.text, class_=cell.kind or None, data_value=value, **more))
    return element("tr", *cells, class_=row.class_ or None)


def false_alarm_text(expected: float) -> str:
    """Expected number of false alarms, in words that do not suggest more digits than it has."""
    if not math.isfinite(expected):
        return "unknown"
    if expected <= LEAST_TOLD:  # what is less is given as that
        return f"below {plain(LEAST_TOLD, 6)}"
    return plain(expected, min(significant_decimals(expected, 1), 6))
