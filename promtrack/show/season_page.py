"""season.html: many runs in one table, each with a link to its report, and what their figure shows.

The page is one file without anything from elsewhere; only the links lead out of it, to the runs' own pages.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from urllib.parse import quote

import numpy as np

from promtrack.checks import LEVEL_WORDS
from promtrack.rounding import clock, counted, degrees, duration, plain, unbroken, with_error
from promtrack.show.markup import (
    Cell,
    Markup,
    Row,
    data_address,
    element,
    filled,
    joined,
    resource,
    table_of,
    write_page,
)
from promtrack.show.records import Season, SeasonRow
from promtrack.show.report import photograph
from promtrack.show.verdict import PLANE_OF_SKY
from promtrack.sun import seen_height_mm, synodic_deg_day

NOTHING = Markup("")
STANDING_MM = 50.0  # height of the example: a quiescent prominence of usual height


def write_season_page(season: Season, drawings: Sequence[Path], path: Path) -> Path:
    """The page about a season. `drawings`: the SVG files that `draw_season` wrote, which come into the page.
    Raises InputError: a run's still cannot be decoded, or the page cannot be written."""
    rows = season.rows
    dates, poor = sorted({rows[0].date, rows[-1].date}), sum(row.poor for row in rows)
    flag = element("span", LEVEL_WORDS["poor"], class_="flag")
    flagged = [f"The numbers of {counted(poor, 'run', 'runs')} are ", flag, " and should not be quoted."]
    wide, narrow = (data_address("image/svg+xml", path.read_bytes()) for path in drawings)
    page = filled(
        "season.html",
        style=joined([resource("report.css"), resource("season.css")]),
        runs=counted(len(rows), "run", "runs"),
        days=" to ".join(dates),
        dates=Markup(" to ".join(map(_whole, dates))),
        plane_of_sky=PLANE_OF_SKY,
        poor=joined(flagged) if poor else NOTHING,
        cards=joined(_card(row, path.parent / row.folder) for row in rows[:24]),
        drawing=wide,
        narrow=narrow,
        table=table_of([_row(row) for row in rows], "Runs"),
        eruptions=_eruptions(season),
        rotation=_carried(rows),
        left_out=_listed(f"{counted(len(season.left_out), 'folder', 'folders')} left out", season.left_out),
    )
    return write_page(path, page)


def _listed(title: str, lines: tuple[str, ...], *before: Markup) -> Markup:
    """A list under its title; nothing where there are no lines."""
    if not lines:
        return NOTHING
    return joined([element("h2", title), *before, element("ul", *(element("li", line) for line in lines))])


def _whole(words: str) -> Markup:
    """Words that no line breaks."""
    return element("span", words, class_="whole")


def _link(row: SeasonRow, words: str) -> str:
    """To the run's own page, where there is one."""
    return element("a", words, href=quote(row.report)) if row.report else words


def _card(row: SeasonRow, folder: Path) -> Markup:
    """A run at a glance: its still, where and how trustworthy, and what stood out."""
    name, poster, still = row.recording or row.folder, folder / "poster.png", NOTHING
    words = f"highest {_height(row)} Mm" if np.isfinite(row.height_mm) else "no prominence"
    front = _value(row.front_speed_km_s, row.front_speed_err_km_s, row.front_speed_is_mean)
    if np.isfinite(row.front_speed_km_s):  # its height, not that of the outline round it
        top = with_error(row.front_height_mm, row.front_height_err_mm)
        words = f"leading edge to {top} Mm, {front} km/s"
    elif np.isfinite(row.knot_speed_km_s):
        words += f"; fastest knot {_value(row.knot_speed_km_s, row.knot_speed_err_km_s)} km/s"
    if poster.is_file():
        still = element("img", src=photograph(poster, "jpeg", 480), alt=f"Still of {name}")
    title = element("h2", _link(row, joined([_whole(row.date), f", {name}"])))
    trust = element("p", "Lock, scale, motion: ", _verdict(row), class_="facts")
    return element("article", still, title, element("p", unbroken(words)), trust)


def _row(row: SeasonRow) -> Row:
    knot = _value(row.knot_speed_km_s, row.knot_speed_err_km_s)
    front = _value(row.front_speed_km_s, row.front_speed_err_km_s, row.front_speed_is_mean)
    cells = {
        "date (UTC)": Cell(joined([_whole(row.date), f" {clock(row.first_utc, seconds=False)}"])),
        "recording": Cell(_link(row, row.recording or row.folder), kind="words"),
        "frames used": Cell(f"{row.frames_used} of {row.frames_read} in {duration(row.span_s)}"),
        "lock, scale, motion": Cell(_verdict(row), kind="words"),
        "highest outline of a prominence (Mm)": _placed(_height(row), row.height_pa_deg, row),
        "fastest knot (km/s)": _placed(knot, row.knot_pa_deg, row),
        "leading edge, largest speed (km/s)": _placed(front, row.front_pa_deg, row),
    }
    return Row(cells, "poor" if row.poor else "")


def _placed(value: str, angle_deg: float, row: SeasonRow) -> Cell:
    """A value, and where on the limb it was measured."""
    angle = _angle(angle_deg, row)
    return Cell(joined([value, element("span", f" at {angle}", class_="at") if angle else NOTHING]))


def _verdict(row: SeasonRow) -> Markup:
    levels = row.lock, row.scale, row.motion
    words = [element("span", LEVEL_WORDS[one], class_="flag" if one == "poor" else None) for one in levels]
    return joined(["all ", words[0]]) if len(set(levels)) == 1 else Markup(", ".join(words))


def _height(row: SeasonRow) -> str:
    height = _value(row.height_mm, row.height_err_mm)
    return f"at least {height}" if row.height_is_lower_bound else height


def _value(value: float, error: float, mean: bool = False) -> str:
    return "mean " * mean + with_error(value, error) if np.isfinite(value) else "none"


def _angle(angle_deg: float, row: SeasonRow) -> str:
    if not np.isfinite(angle_deg):
        return ""
    return degrees(angle_deg) + ("" if row.angles == "position angle" else " (image)")


def _eruptions(season: Season) -> Markup:
    if not season.eruptions:
        return element("p", "No leading edge was found to move in any of these runs.")
    rows = []
    for one in season.eruptions:
        poor = f" ({LEVEL_WORDS['poor']})" if one.row.poor else ""
        cells = {
            "date (UTC)": Cell(_whole(one.row.date)),
            "recording": Cell(f"{one.row.recording}{poor}", kind="words"),
            "position angle": Cell(_angle(one.pa_deg, one.row)),
            "largest speed (km/s)": Cell(_value(one.speed_km_s, one.speed_err_km_s, one.speed_is_mean)),
            "greatest height (Mm)": Cell(with_error(one.height_mm, one.height_err_mm)),
        }
        rows.append(Row(cells))
    name = "Moving leading edges (eruptions)"
    return joined([element("h2", name), table_of(rows, name)])


def _carried(rows: tuple[SeasonRow, ...]) -> Markup:
    said, before = [], rows[0]
    for after in rows[1:]:
        said.append(carried_sentence(before, after))
        before = max(before, after, key=lambda row: row.last_utc)  # a run may lie within a longer one
    why = (
        "The Sun turns under what stands on it. What stood on the east limb comes in front of the disc, "
        "what stood on the west limb goes behind it, and both seem to sink without moving:"
    )
    return _listed("What solar rotation did between", tuple(filter(None, said)), element("p", why))


def carried_sentence(before: SeasonRow, after: SeasonRow) -> str:
    """How far rotation carried, from one run to the next, what stood on the limb at the equator. '' where the
    runs overlap, lie so close that nothing sank, or more than 5 days apart. From the middle of one to
    the middle of the other; B0 is taken as 0."""
    one, two = (row.first_utc + (row.last_utc - row.first_utc) / 2 for row in (before, after))
    days = float((two - one) / np.timedelta64(1, "s")) / 86400.0
    turned = float(synodic_deg_day(0.0)) * days
    sunk = plain(-float(seen_height_mm(0.0, turned)), 2)
    # after 5 days what stood on one limb is more than 70 deg from it
    if after.first_utc <= before.last_utc or days > 5.0 or sunk == plain(0.0, 2):
        return ""
    rest = float(seen_height_mm(STANDING_MM, turned))
    seen = f"{plain(rest, 1)} Mm high" if rest > 0 else "no longer above the limb"
    return (
        f"{before.date} {clock(before.first_utc, seconds=False)} to {after.date} "
        f"{clock(after.first_utc, seconds=False)}: in {24.0 * days:.1f} h the Sun turned by {turned:.1f}° at "
        f"the equator; what stood exactly on the limb sank by {sunk} Mm, and a prominence of "
        f"{STANDING_MM:.0f} Mm that stood there is seen {seen}."
    )
