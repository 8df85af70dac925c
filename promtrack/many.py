"""Many recordings: each measured by itself, and any number of finished runs gathered in a season.

`run_many` works on any executor of the standard interface, and one recording that fails does not stop the
others: the work of one is a function of picklable arguments, so that it runs in a thread, in a process, or on
another machine that sees the same folders. `promtrack season` makes a table, a page and a figure of finished
runs; it reads summary.json of each and nothing else, and changes nothing in their folders.
"""

from __future__ import annotations

import dataclasses
import math
import multiprocessing
import os
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from promtrack.checks import LEVEL_WORDS, LEVELS
from promtrack.errors import InputError, PromtrackError, unwritable
from promtrack.files import relative_path
from promtrack.motion.records import NONE
from promtrack.pipeline import Progress, run, silent
from promtrack.products.folder import PRODUCTS, ProductFolder, default_folder, holds_run
from promtrack.products.summary import read_summary
from promtrack.products.tables import rows_of, write_table
from promtrack.rounding import counted
from promtrack.sequence.opening import sessions
from promtrack.sequence.sort_by_time import session_settings
from promtrack.settings import Settings
from promtrack.show.records import Eruption, Season, SeasonRow
from promtrack.show.season_page import write_season_page
from promtrack.workers import worker_count


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one recording."""

    source: Path
    folder: Path | None  # of the products; None where it failed
    error: str = ""  # why it failed
    verdict: dict[str, str] = field(default_factory=dict)  # lock, scale and motion: 'good', 'fair' or 'poor'

    @property
    def poor(self) -> bool:
        """Whether its numbers should not be quoted."""
        return LEVELS[-1] in self.verdict.values()

    @property
    def words(self) -> str:
        """'lock: good, scale: with care, motion: with care'."""
        return ", ".join(f"{subject}: {LEVEL_WORDS[level]}" for subject, level in self.verdict.items())


def run_many(
    sources: Iterable[str | Path],
    executor: Executor | None = None,
    *,
    out: str | Path | None = None,
    settings: Settings | None = None,
) -> list[Outcome]:
    """Measure many recordings (folders of frames, films, files with several frames), everything from frames
    to report. Returns one outcome a recording, in the order of `sources`. The work goes to `executor`,
    anything with the interface of `concurrent.futures.Executor`, which is left open; by default to processes
    on this machine, as many as its cores and memory bear. Each recording gets its folder of products in
    `out`, by default beside itself."""
    given = [Path(source) for source in sources]
    folders = _folders(given, None if out is None else Path(out))
    # New processes, not copies of this one: it may have threads, and a copy of a held lock stays held.
    fresh = multiprocessing.get_context("spawn")
    # memory of one run: benchmark row "memory"
    workers = max(min(worker_count(worker_bytes=800_000_000), len(given)), 1)
    own = nullcontext(executor) if executor is not None else ProcessPoolExecutor(workers, mp_context=fresh)
    with own as pool:
        futures = [
            pool.submit(measure_one, source, folder, settings or Settings())
            for source, folder in zip(given, folders, strict=True)
        ]
        faults = [future.exception() for future in futures]  # of the program, or a worker that died
        return [
            Outcome(source, None, f"{source}: {type(fault).__name__}: {fault}") if fault else future.result()
            for source, fault, future in zip(given, faults, futures, strict=True)
        ]


def measure_one(
    source: Path,
    folder: Path,
    settings: Settings,
    *,
    marks: Path | None = None,
    replace: bool = False,
    progress: Progress = silent,
) -> Outcome:
    """One recording, as `run` does it; what the user can mend is in the outcome, not raised."""
    try:
        job = run(source, folder, settings, marks=marks, replace=replace, progress=progress)
    except PromtrackError as error:
        return Outcome(source, None, str(error))
    except (OSError, MemoryError) as error:
        return Outcome(source, None, f"{source}: {error or 'there is not enough memory'}")
    return Outcome(source, folder, verdict={subject: level for subject, (level, _) in job.verdict.items()})


def run_sessions(
    source: Path, out: Path, settings: Settings, measure: Callable[[Path, Path, Settings], Outcome]
) -> tuple[list[Outcome], list[str]]:
    """Each session of a recording by itself, in out/START, and a season's page over them in `out`.
    `measure`: `measure_one` with what all sessions share. Returns an outcome a session, its folder standing
    for the source, and the season's lines. Raises InputError: the recording cannot be read, or none of its
    sessions can be measured."""
    outcomes = []
    for session in sessions(source, settings):
        folder = Path(out) / session.name
        outcome = measure(source, folder, session_settings(settings, session))
        outcomes.append(dataclasses.replace(outcome, source=folder))
    measured = [outcome.folder for outcome in outcomes if outcome.folder is not None]
    if not measured:
        what = f"none of its {len(outcomes)} sessions can be measured; the first: {outcomes[0].error}"
        raise InputError(what, where=str(source))
    return outcomes, write_season(measured, Path(out))


def _folders(sources: list[Path], out: Path | None) -> list[Path]:
    """A folder of products for each; equal names inside `out` are numbered."""
    if out is None:
        return [default_folder(source) for source in sources]
    folders: list[Path] = []
    for source in sources:
        name, number = default_folder(source).name, 2
        folder = out / name
        while folder in folders:
            folder, number = out / f"{name}-{number}", number + 1
        folders.append(folder)
    return folders


def write_season(folders: Iterable[Path], out: Path) -> list[str]:
    """season.ecsv, season.html and the files of its figure about these runs, in the folder `out`.
    `folders`: of products, or folders at any depth in which such folders lie. Returns lines to print.
    Raises InputError: none of the folders holds a finished run, or `out` cannot be written."""
    from promtrack.show.figures.season import draw_season  # matplotlib takes long to load

    out = Path(out)
    season = gather_season(folders, out)
    if not season.rows:
        nothing = ": ".join(["there is no finished run in what was given", *season.left_out[:1]])
        raise InputError(nothing, remedy="name folders of products, or a folder that contains them")
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise unwritable(out, error, what="cannot be made") from None
    note = (
        "speeds are in the plane of the sky: lower bounds; errors are total, 1 sigma; do not quote rows with "
        "poor"
    )
    meta = {"note": note, "left_out": list(season.left_out)}
    write_table(out / "season.ecsv", rows_of(season.rows, SeasonRow), meta)
    write_season_page(season, draw_season(season, out), out / "season.html")
    return _lines(season)


def gather_season(folders: Iterable[Path], out: Path) -> Season:
    """The runs in these folders, in order of time. `left_out` names what is unfinished or damaged, and of
    several runs of one recording (by its name, or by number and times of its frames) all but the newest.
    `folders`: of products, or folders at any depth in which such folders lie; `out`: the folder from which
    the rows name their runs."""
    runs: list[tuple[SeasonRow, list[Eruption], float]] = []
    left_out: list[str] = []
    seen: set[str] = set()
    for given in map(Path, folders):
        here = list(_run_folders(given))
        if not here:
            left_out.append(f"{given}: {'holds no run' if given.is_dir() else 'is no folder'}")
        for folder in here:
            real, summary = os.path.realpath(folder), ProductFolder(folder)["summary"]
            if real in seen:
                continue
            seen.add(real)
            try:
                runs.append((*_read_run(folder, out), summary.stat().st_mtime))
            except InputError as error:
                left_out.append(f"{folder}: {error.what if summary.exists() else 'was not finished'}")
    once: list[tuple[SeasonRow, list[Eruption]]] = []
    # a run that was broken off has numbers and no report; one that is whole goes before it
    for row, fronts, _ in sorted(runs, key=lambda run: (bool(run[0].report), run[2]), reverse=True):
        newer = next((kept for kept, _ in once if _are_one(kept, row)), None)
        if newer is None:
            once.append((row, fronts))
        else:
            better = "is newer" if bool(newer.report) == bool(row.report) else "is finished"
            once_as = f"{row.recording} is counted once, as {newer.folder}"
            left_out.append(f"{row.folder}: {once_as}, which {better}")
    in_order = sorted(once, key=lambda run: (run[0].first_time, run[0].folder))
    eruptions = [eruption for _, fronts in in_order for eruption in fronts]
    return Season(tuple(row for row, _ in in_order), tuple(eruptions), tuple(left_out))


def _are_one(one: SeasonRow, other: SeasonRow) -> bool:
    """Whether two runs are of one recording, by its name or by its frames' number and times, and overlap in
    time: one may be of a part of it."""
    frames, others = ((row.first_time, row.last_time, row.frames_read) for row in (one, other))
    named = one.recording == other.recording or frames == others
    return named and one.first_time <= other.last_time and other.first_time <= one.last_time


def _run_folders(top: Path) -> Iterator[Path]:
    """Folders that a run has made, at `top` or below it, in order of names."""
    for place, inside, files in os.walk(top):
        inside.sort()
        if "figures" in inside and PRODUCTS["summary"] in files:
            inside.remove("figures")
        if PRODUCTS["summary"] in files or holds_run(Path(place)):
            yield Path(place)


def _read_run(folder: Path, out: Path) -> tuple[SeasonRow, list[Eruption]]:
    products = ProductFolder(folder)
    page = read_summary(products)
    if "counts" not in page:
        raise InputError("was not finished: the motion has not been measured", where=str(folder))
    if "found" not in page:
        earlier = f"was made by an earlier promtrack ({page['version']}); run it again"
        raise InputError(earlier, where=str(folder))
    try:
        row = _row(products, page, out)
        names = ("pa_deg", "speed_km_s", "speed_err_km_s", "height_mm", "height_err_mm")
        found = page["found"]["fronts"]
        fronts = [Eruption(row, f.get("model") == NONE, *(_number(f, name) for name in names)) for f in found]
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        what = f"summary.json is damaged ({type(error).__name__}: {error})"
        raise InputError(what, where=str(folder)) from None
    return row, fronts


def _row(products: ProductFolder, page: dict[str, Any], out: Path) -> SeasonRow:
    found = page["found"]
    levels: dict[str, Any] = {subject: one["level"] for subject, one in page["verdict"].items()}
    highest: dict[str, Any] = max(found["prominences"], key=lambda p: p["height_mm"] or 0.0, default={})
    fastest: dict[str, Any] = max(found["fronts"], key=lambda f: f["speed_km_s"] or 0.0, default={})
    speed, height = ("speed_km_s", "speed_err_km_s"), ("height_mm", "height_err_mm")
    report = products["report"]
    row = SeasonRow(
        folder=Path(relative_path(products.path, out)).as_posix(),
        recording=str(page["input"]),
        date=page["first_time"][:10],
        first_time=page["first_time"],
        last_time=page["last_time"],
        span_s=_number(page, "span_s"),
        frames_used=int(page["frames_used"]),
        frames_read=int(page["frames_read"]),
        **levels,
        poor=LEVELS[-1] in levels.values(),
        km_per_px=_number(page["scale"], "km_per_px"),
        km_per_px_err=_number(page["scale"], "sigma_km_per_px"),
        angles=page["orientation"]["angles"],
        prominences=len(found["prominences"]),
        **_numbers(highest, "", *height),
        **_numbers(highest, "height_", "pa_deg"),
        height_is_lower_bound=bool(highest.get("leaves_strip", False)),
        knots=int(page["counts"]["moving_knots"]),
        **_numbers(found["fastest_knot"] or {}, "knot_", *speed, "pa_deg"),
        fronts=int(page["counts"]["moving_fronts"]),
        **_numbers(fastest, "front_", *speed, *height, "pa_deg"),
        front_speed_is_mean=fastest.get("model") == NONE,
        report=Path(relative_path(report, out)).as_posix() if report.exists() else "",
    )
    if not row.first_utc <= row.last_utc:
        raise ValueError("the last frame is before the first")
    return row


def _numbers(values: dict[str, Any], prefix: str, *keys: str) -> dict[str, Any]:
    """Values of the page as fields of the row, whose names have a prefix."""
    return {prefix + key: _number(values, key) for key in keys}


def _number(values: dict[str, Any], key: str) -> float:
    """A value of the page, where null stands for nan; nan where a run has nothing of the kind."""
    value = values.get(key)
    return math.nan if value is None else float(value)


def _lines(season: Season) -> list[str]:
    first, last = season.rows[0].date, season.rows[-1].date
    poor = sum(row.poor for row in season.rows)
    when = first if first == last else f"{first} to {last}"
    edges = counted(len(season.eruptions), "moving leading edge")
    runs = counted(len(season.rows), "run")
    lines = [f"{runs}, {when}; {poor} with a poor verdict (marked); {edges}"]
    if count := len(season.left_out):
        more = f"; and {count - 5} more, named in season.html" if count > 5 else ""
        lines.append(f"{count} left out: {'; '.join(season.left_out[:5])}{more}")
    return lines
