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
    """Cells of one row; the first is its head."""

    cells: tuple[Cell, ...]
    class_: str = ""


def knots_table(measured: Measured) -> Markup:
    """A row a knot: moving ones first, those with letters first of all."""
    labels = label_motion(measured.motion)
    order = sorted(
        measured.motion.knots, key=lambda knot: (not knot.moving, labels.knot(knot) or "~", knot.knot)
    )
    heads = (
        "Knot",
        "Moving",
        "First seen (UTC)",
        "Frames",
        "Height (Mm)",
        f"{measured.orientation.label.capitalize()} (degrees)",
        "Speed (km/s)",
        "of it random",
        "Outward (km/s)",
        "Along the limb (km/s)",
        "Acceleration (m/s²)",
        "False alarms expected",
    )
    note = (
        f" The first {MOST_ROWS} of {len(order)} rows; all are in knots.ecsv."
        if len(order) > MOST_ROWS
        else ""
    )
    systematic = rounded(100 * relative_error(measured), 2)
    caption = (
        "Speeds at the middle of each track, across the sky; ± is the total error, one standard deviation, "
        f"with its random part beside it. The systematic part (scale and clock) is {systematic} % of every "
        "speed. A star "
        "marks errors that were enlarged because the points scatter more than they allow. "
        f"'Changes': no simple model describes the track, and the speed holds at mid-time only.{note}"
    )
    return table_of(heads, [_knot_row(measured, knot) for knot in order[:MOST_ROWS]], "Knots", caption)


def fronts_table(measured: Measured) -> Markup:
    """A row a front and model."""
    heads = (
        "Front",
        "Model",
        "Chosen",
        f"Sector ({measured.orientation.label})",
        "First speed (km/s)",
        "Last speed (km/s)",
        "Fastest (km/s)",
        "of it random",
        "Acceleration (m/s²)",
        "Onset (UTC)",
        "BIC",
        "Reduced chi²",
    )
    rows = [_front_row(measured, front, fit) for front in measured.motion.fronts for fit in front.fits]
    caption = (
        "Every model that was tried, with speeds across the sky; ± is the total error. The smaller BIC is "
        "the better; differences below 2 say nothing, above 10 they are very strong (Kass & Raftery 1995, "
        "J. Am. Stat. Assoc. 90, 773)."
    )
    return table_of(heads, rows, "Fronts and their models", caption)


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
        Row((Cell(name, kind="words"), time, Cell(typeset(why), kind="words long")))
        for name, time, why in out
    ]
    note = f" The first {MOST_ROWS} of {len(rows)}; all are in frames.ecsv." if len(rows) > MOST_ROWS else ""
    caption = f"Frames kept out of every measurement; the clip shows them as gaps.{note}"
    return table_of(("File", "Time (UTC)", "Why"), rows[:MOST_ROWS], "Frames left out", caption)


def _also(letter: str, by_hand: bool) -> str:
    """' (A, by hand)' behind a number; '' where there is nothing to say."""
    words = ", ".join(word for word in (letter, "by hand" * by_hand) if word)
    return f" ({words})" if words else ""


def _knot_row(measured: Measured, knot: KnotTrack) -> Row:
    fit, letter = knot.fit, label_motion(measured.motion).knot(knot)
    height, angle = float(np.mean(knot.height_mm)), float(np.mean(knot.angle_deg))
    first = measured.strip.times_utc[0] + np.timedelta64(round(float(knot.time_s[0]) * 1e6), "us")
    accel = with_error(fit.accel_m_s2, fit.accel_err_m_s2)
    relative = relative_error(measured)
    radial, along = (
        with_error(speed, math.hypot(error, speed * relative))
        for speed, error in ((fit.radial_km_s, fit.radial_err_km_s), (fit.along_km_s, fit.along_err_km_s))
    )
    quoted = speed_of(measured, knot)
    return Row(
        (
            Cell(f"{knot.knot}{_also(letter, knot.by_hand)}", knot.knot),
            Cell("yes" if knot.moving else "no", kind="words"),
            Cell(clock(first), _seconds(first)),
            Cell(str(len(knot.time_s)), len(knot.time_s)),
            Cell(plain(height, 1), height),
            Cell(f"{angle % 360.0:.1f}", angle),
            Cell(with_error(quoted.value, quoted.error) + "*" * fit.errors_scaled, quoted.value),
            Cell(error_text(fit.speed_err_km_s), fit.speed_err_km_s),
            Cell(radial, fit.radial_km_s),
            Cell(along, fit.along_km_s),
            Cell(accel, fit.accel_m_s2),
            Cell(false_alarm_text(knot.false_alarm), knot.false_alarm),
        ),
        "" if knot.moving else "resting",
    )


def _front_row(measured: Measured, front: Front, fit: FrontFit) -> Row:
    letter, relative = label_motion(measured.motion).front(front), relative_error(measured)
    onset = "none"
    if math.isfinite(fit.onset_s):
        time = measured.strip.times_utc[0] + np.timedelta64(round(fit.onset_s * 1e6), "us")
        known = math.isfinite(fit.onset_err_s)
        onset = clock(time) + (f" ± {error_text(fit.onset_err_s, 's')}" if known else "")
    speeds = [
        (float(fit.speed_km_s[0]), float(fit.speed_err_km_s[0])),
        (float(fit.speed_km_s[-1]), float(fit.speed_err_km_s[-1])),
        (fit.peak_speed_km_s, fit.peak_speed_err_km_s),
    ]
    accel = with_error(fit.accel_m_s2, fit.accel_err_m_s2) if math.isfinite(fit.accel_err_m_s2) else "none"
    return Row(
        (
            Cell(f"{front.front}{_also(letter, front.by_hand)}", front.front),
            Cell(fit.model, kind="words"),
            Cell("yes" if fit.chosen else "no", kind="words"),
            Cell(f"{degrees(front.from_deg)} to {degrees(front.to_deg)}", front.from_deg, "words"),
            *(Cell(with_error(speed, math.hypot(error, speed * relative)), speed) for speed, error in speeds),
            Cell(error_text(fit.peak_speed_err_km_s), fit.peak_speed_err_km_s),
            Cell(accel, fit.accel_m_s2),
            Cell(onset, fit.onset_s, "words"),
            Cell(plain(fit.bic, 1), fit.bic),
            Cell(rounded(fit.chi2_per_dof, 2), fit.chi2_per_dof),
        ),
        "chosen" if fit.chosen else "",
    )


def _seconds(time_utc: np.datetime64) -> float:
    return float((time_utc - np.datetime64("1970-01-01", "us")) / np.timedelta64(1, "s"))


def table_of(heads: tuple[str, ...], rows: list[Row], label: str, caption: str = "") -> Markup:
    """A table in a box of its own that scrolls sideways, reached by keyboard and named for screen readers.

    One with a caption can be sorted; in one without, each cell knows its column's head.
    """
    kinds = [cell.kind for cell in rows[0].cells] if rows else [""] * len(heads)
    head = element(
        "tr",
        *(
            element(
                "th",
                element("span", name),
                scope="col",
                class_="words" if "words" in kind or not column else None,
            )
            for column, (name, kind) in enumerate(zip(heads, kinds, strict=True))
        ),
    )
    words = element("caption", element("span", caption)) if caption else Markup("")
    body = [_table_row(row, () if caption else heads) for row in rows]
    table = element(
        "table",
        words,
        element("thead", head),
        element("tbody", *body),
        class_="sortable" if caption else None,
    )
    return element("div", table, class_="scroll", role="region", aria_label=f"Table: {label}", tabindex="0")


def _table_row(row: Row, labels: tuple[str, ...]) -> Markup:
    """A row; `labels` name the columns in its cells, for pages that stack them."""
    cells = []
    for column, cell in enumerate(row.cells):
        value = None if cell.value is None else "NaN" if math.isnan(cell.value) else repr(float(cell.value))
        more = {"scope": "row"} if column == 0 else {"data_label": labels[column]} if labels else {}
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
