"""Many recordings: each measured by itself, on any executor of the standard interface.

One that fails does not stop the others. The work of one recording is a function of picklable arguments, so
that it runs in a thread, in a process, or on another machine that sees the same folders.
"""

from __future__ import annotations

import dataclasses
import multiprocessing
from collections.abc import Callable, Iterable
from concurrent.futures import Executor, Future, ProcessPoolExecutor
from contextlib import nullcontext
from dataclasses import dataclass, field
from pathlib import Path

from promtrack.checks import LEVEL_WORDS, LEVELS
from promtrack.errors import InputError, PromtrackError
from promtrack.pipeline import Progress, run, silent
from promtrack.products.folder import default_folder
from promtrack.season import write_season
from promtrack.sequence.opening import sessions
from promtrack.sequence.sort_by_time import session_settings
from promtrack.settings import Settings
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
    to report. Returns one outcome a recording, in the order of `sources`.

    The work goes to `executor`, anything with the interface of `concurrent.futures.Executor`, which is left
    open; by default to processes on this machine, as many as its cores and memory bear. Each recording gets
    its folder of products in `out`, by default beside itself.
    """
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
        return [_outcome(source, future) for source, future in zip(given, futures, strict=True)]


def _outcome(source: Path, future: Future[Outcome]) -> Outcome:
    error = future.exception()  # a fault of the program, or a worker that died
    return Outcome(source, None, f"{source}: {type(error).__name__}: {error}") if error else future.result()


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
