"""season.html: many runs in one table, each with a link to its report, and what their figure shows.

The page is one file without anything from elsewhere; only the links lead out of it, to the runs' own pages.
"""

from __future__ import annotations

from pathlib import Path
from urllib.parse import quote

import numpy as np

from promtrack.checks import LEVEL_WORDS
from promtrack.files import atomic_write
from promtrack.rounding import clock, counted, degrees, duration, plain, unbroken, with_error
from promtrack.show.markup import Markup, contents_of, element, joined, resource, whole_page, write_markup
from promtrack.show.records import Season, SeasonRow
from promtrack.show.report import photograph
from promtrack.show.report_tables import Cell, Row, table_of
from promtrack.show.verdict import PLANE_OF_SKY
from promtrack.sun import seen_height_mm, synodic_deg_day

MOST_CARDS, CARD_PX = 24, 480  # runs shown with a picture, and its width
_AT_LEAST = "at least "
CARRIED_DAYS = 5.0  # beyond, what stood on one limb is more than 70 deg from it
STANDING_MM = 50.0  # height of the example: a quiescent prominence of usual height
_STYLE = """
body { padding: 1rem 0; } tr.poor td { color: var(--quiet); } .flag { color: var(--poor); font-weight: 650; }
img.season { width: 100%; min-width: 40rem; height: auto; background: #fff; } figure { overflow-x: auto; }
.cards { display: grid; gap: 1rem; grid-template-columns: repeat(auto-fit, minmax(16rem, 1fr));
  max-width: 76rem; margin: 1rem 0; }
.cards article { max-width: 30rem; }
.cards img { display: block; width: 100%; height: auto; border-radius: 0.5rem; margin-bottom: 0.5rem; }
.cards p { margin: 0.15rem 0; } .whole { white-space: nowrap; } .at { display: block; color: var(--quiet); }
@media (max-width: 40rem) {  /* a row of the table stands under its date */
  thead { display: none; } tr, tbody th, td { display: block; border: 0; }
  tr { border-top: 1px solid var(--line); } tbody th { max-width: none; position: static; }
  td, td.words { text-align: left; white-space: normal; padding: 0.1rem 0.45rem; }
  td::before { content: attr(data-label) ": "; color: var(--quiet); } .at { display: inline; }
}
"""
_HEADS = (
    "date (UTC)",
    "recording",
    "frames used",
    "lock, scale, motion",
    "highest prominence (Mm)",
    "fastest knot (km/s)",
    "leading edge, peak (km/s)",
)


def write_season_page(season: Season, drawing: Path, path: Path) -> Path:
    """The page about a season.

    Parameters
    ----------
    drawing : the SVG that `draw_season` wrote; it comes into the page

    Raises
    ------
    InputError : a run's still cannot be decoded, or the page cannot be written
    """
    style = resource("report.css") + _STYLE
    rows = season.rows
    runs, dates = counted(len(rows), "run", "runs"), sorted({rows[0].date, rows[-1].date})
    picture = element(
        "img",
        src=Markup(f"data:image/svg+xml;base64,{contents_of(drawing)}"),
        alt="Heights and speeds by date; the table holds the same numbers.",
        class_="season",
    )
    words = [f"{PLANE_OF_SKY} Errors are total, 1 sigma. "]
    if poor := sum(row.poor for row in rows):
        marked = element("span", LEVEL_WORDS["poor"], class_="flag")
        words += [f"The numbers of {counted(poor, 'run', 'runs')} are ", marked, " and should not be quoted."]
    main = element(
        "main",
        element("h1", f"{runs}, ", Markup(" to ".join(map(_whole, dates)))),
        element("p", *words),
        element("div", *(_card(row, path.parent / row.folder) for row in rows[:MOST_CARDS]), class_="cards"),
        element("figure", picture),
        table_of(_HEADS, [_row(row) for row in rows], "Runs"),
        _eruptions(season),
        _carried(rows),
        _left_out(season),
    )
    with atomic_write(path) as part:
        write_markup(whole_page(f"Season: {runs}, {' to '.join(dates)}", style, main), part)
    return path


def _whole(words: str) -> Markup:
    """Words that no line breaks."""
    return element("span", words, class_="whole")


def _card(row: SeasonRow, folder: Path) -> Markup:
    """A run at a glance: its still, where and how trustworthy, and what stood out."""
    name = row.recording or row.folder
    words = [f"highest {_value(row.height_mm, row.height_err_mm, _AT_LEAST * row.height_is_lower_bound)} Mm"]
    if np.isfinite(row.front_speed_km_s):
        words.append(f"leading edge {_value(row.front_speed_km_s, row.front_speed_err_km_s)} km/s")
    elif np.isfinite(row.knot_speed_km_s):
        words.append(f"fastest knot {_value(row.knot_speed_km_s, row.knot_speed_err_km_s)} km/s")
    poster = folder / "poster.png"
    still = (
        element("img", src=photograph(poster, CARD_PX, "jpeg"), alt=f"Still of {name}")
        if poster.is_file()
        else Markup("")
    )
    title = element(
        "h2",
        element("a", _whole(row.date), f", {name}", href=quote(row.report))
        if row.report
        else joined([_whole(row.date), f", {name}"]),
    )
    trust = element("p", "Lock, scale, motion: ", _verdict(row), class_="facts")
    return element("article", still, title, element("p", unbroken("; ".join(words))), trust)


def _row(row: SeasonRow) -> Row:
    name = row.recording or row.folder
    at_least = _AT_LEAST if row.height_is_lower_bound else ""
    cells = (
        Cell(joined([_whole(row.date), f" {clock(row.first_utc, seconds=False)}"])),
        Cell(element("a", name, href=quote(row.report)) if row.report else name, kind="words"),
        Cell(f"{row.frames_used} of {row.frames_read} in {duration(row.span_s)}"),
        Cell(_verdict(row), kind="words"),
        Cell(_placed(row.height_mm, row.height_err_mm, row.height_pa_deg, row, at_least)),
        Cell(_placed(row.knot_speed_km_s, row.knot_speed_err_km_s, row.knot_pa_deg, row)),
        Cell(_placed(row.front_speed_km_s, row.front_speed_err_km_s, row.front_pa_deg, row)),
    )
    return Row(cells, "poor" if row.poor else "")


def _placed(value: float, error: float, angle_deg: float, row: SeasonRow, before: str = "") -> Markup:
    """A value, and where on the limb it was measured."""
    angle = _angle(angle_deg, row)
    at = element("span", f" at {angle}", class_="at") if angle and np.isfinite(value) else Markup("")
    return joined([_value(value, error, before), at])


def _verdict(row: SeasonRow) -> Markup:
    levels = (row.lock, row.scale, row.motion)
    words = [element("span", LEVEL_WORDS[one], class_="flag" if one == "poor" else None) for one in levels]
    return joined([words[0], ", ", words[1], ", ", words[2]])


def _value(value: float, error: float, before: str = "") -> str:
    return before + with_error(value, error) if np.isfinite(value) else "none"


def _angle(angle_deg: float, row: SeasonRow) -> str:
    if not np.isfinite(angle_deg):
        return ""
    return degrees(angle_deg) + ("" if row.angles == "position angle" else " (image)")


def _eruptions(season: Season) -> Markup:
    if not season.eruptions:
        return element("p", "No leading edge was found to move in any of these runs.")
    heads = ("date (UTC)", "recording", "position angle", "peak speed (km/s)", "greatest height (Mm)")
    rows = [
        Row(
            (
                Cell(_whole(one.row.date)),
                Cell(one.row.recording + f" ({LEVEL_WORDS['poor']})" * one.row.poor, kind="words"),
                Cell(_angle(one.pa_deg, one.row)),
                Cell(with_error(one.speed_km_s, one.speed_err_km_s)),
                Cell(with_error(one.height_mm, one.height_err_mm)),
            )
        )
        for one in season.eruptions
    ]
    name = "Moving leading edges (eruptions)"
    return joined([element("h2", name), table_of(heads, rows, name)])


def _carried(rows: tuple[SeasonRow, ...]) -> Markup:
    said, before = [], rows[0]
    for after in rows[1:]:
        said.append(carried_sentence(before, after))
        before = max(before, after, key=lambda row: row.last_utc)  # a run may lie within a longer one
    lines = [element("li", words) for words in said if words]
    if not lines:
        return Markup("")
    why = (
        "The Sun turns under what stands on it. What stood on the east limb comes in front of the disc, "
        "what stood on the west limb goes behind it, and both seem to sink without moving:"
    )
    return joined(
        [element("h2", "What solar rotation did between"), element("p", why), element("ul", *lines)]
    )


def carried_sentence(before: SeasonRow, after: SeasonRow) -> str:
    """How far rotation carried, from one run to the next, what stood on the limb at the equator.

    '' where the runs overlap, lie so close that nothing sank, or more than `CARRIED_DAYS` apart. From the
    middle of one to the middle of the other; B0 is taken as 0.
    """
    one, two = (row.first_utc + (row.last_utc - row.first_utc) / 2 for row in (before, after))
    days = float((two - one) / np.timedelta64(1, "s")) / 86400.0
    turned = float(synodic_deg_day(0.0)) * days
    sunk = plain(-float(seen_height_mm(0.0, turned)), 2)
    if after.first_utc <= before.last_utc or days > CARRIED_DAYS or sunk == plain(0.0, 2):
        return ""
    rest = float(seen_height_mm(STANDING_MM, turned))
    seen = f"{plain(rest, 1)} Mm high" if rest > 0 else "no longer above the limb"
    return (
        f"{before.date} {clock(before.first_utc, seconds=False)} to {after.date} "
        f"{clock(after.first_utc, seconds=False)}: in {24.0 * days:.1f} h the Sun turned by {turned:.1f}° at "
        f"the equator; what stood exactly on the limb sank by {sunk} Mm, and a prominence of "
        f"{STANDING_MM:.0f} Mm that stood there is seen {seen}."
    )


def _left_out(season: Season) -> Markup:
    if not season.left_out:
        return Markup("")
    return joined(
        [
            element("h2", f"{counted(len(season.left_out), 'folder', 'folders')} left out"),
            element("ul", *(element("li", one) for one in season.left_out)),
        ]
    )
