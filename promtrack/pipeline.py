"""The stages in order: open, lock, strip, motion, clip, figures, report; each can be done again alone.

A stage that ended well with the same input, settings and version is not done again, so an interrupted
run goes on from where it stood.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from pathlib import Path

from promtrack import __version__
from promtrack.abreast import one_thread_each
from promtrack.errors import InputError, PromtrackError, command_line
from promtrack.ffmpeg import ffmpeg_program
from promtrack.products import ProductFolder, default_folder, read_summary
from promtrack.products.folder import fingerprint_of
from promtrack.products.journal import Journal
from promtrack.sequence import open_sequence
from promtrack.sequence.bursts import best_of_bursts
from promtrack.sequence.daylight import doubt_night
from promtrack.sequence.hot import mend_hot_pixels
from promtrack.settings import Settings, load_settings, settings_as_toml
from promtrack.stages import BEFORE, DOERS, LOADERS, Job, Progress, check_asked_for, silent
from promtrack.whole import whole_file

__all__ = ["STAGES", "Job", "not_up_to_date", "run", "run_stage"]

log = logging.getLogger("promtrack")
STAGES = ("lock", "strip", "motion", "clip", "figures", "report")
# Needs nothing that the other makes: drawing keeps one core half busy, encoding the rest of both.
_BESIDE = {"clip": ("figures",)}
_RECORDING = threading.Lock()


def run(
    source: Path, out: Path | None = None, settings: Settings | None = None, *, progress: Progress = silent
) -> Job:
    """Everything, from frames to report.

    Parameters
    ----------
    source : folder of frames, video, or file with several frames
    out : folder for the products; default: the input's name with -promtrack appended, beside it
    progress : progress(stage) gives a callable (done, total)

    Raises
    ------
    InputError : the input cannot be measured, with the reason
    """
    source = Path(source)
    job = Job(
        source, ProductFolder(Path(out) if out else default_folder(source)), settings or Settings(), progress
    )
    hot = _open(job)
    ffmpeg_program()  # better missed now than after the measurement
    job.folder.create(source)
    with job.folder.alone(), Journal(job.folder), one_thread_each():
        job.folder.sweep()
        log.info(
            "promtrack %s on %s: %d frames, %d hot or dead pixels mended",
            __version__,
            source,
            len(job.sequence),
            hot,
        )
        for note in (
            *job.sequence.time_report.problems,
            *job.sequence.notes,
            *(f"{r.file}: {r.reason}" for r in job.sequence.unreadable),
        ):
            log.info(note)
        stages = list(STAGES)
        while stages:
            stage = stages.pop(0)
            beside = [other for other in _BESIDE.get(stage, ()) if other in stages]
            stages = [other for other in stages if other not in beside]
            with _under_way(job, beside):
                _do(job, stage)
        _record_settings(job)
    return job


def run_stage(
    stage: str,
    out: Path,
    changes: Callable[[Settings], Settings] = lambda settings: settings,
    *,
    progress: Progress = silent,
) -> Job:
    """One stage again, from the products of the stages before it.

    Parameters
    ----------
    out : folder that an earlier run made
    changes : turns the settings of that run into those of this one

    Raises
    ------
    InputError : the products of the stages before are missing or damaged, or the input has gone
    """
    folder = ProductFolder(Path(out))
    page = read_summary(folder)
    if page["version"] != __version__:
        again = command_line("promtrack", "run", page["input"], "--out", folder.path)
        raise InputError(
            f"was made by promtrack {page['version']}, and this is {__version__}",
            where=str(folder.path),
            remedy=f"make everything again with `{again}`",
        )
    settings = changes(load_settings(folder["settings"]))
    job = Job(Path(page["input"]), folder, settings, progress)
    _open(job)
    with folder.alone(), Journal(folder), one_thread_each():
        folder.sweep()
        log.info("promtrack %s: %s again", __version__, stage)
        for before in BEFORE[stage]:
            _require(job, before)
            LOADERS[before](job)
        _refuse(job, stage)  # what cannot be done leaves the folder as it was
        job.folder.mark_undone(stage)
        _do(job, stage)
    return job


def _open(job: Job) -> int:
    """Open the input and mend its hot pixels; how many those are."""
    job.fingerprint = fingerprint_of(job.source)
    sequence = open_sequence(job.source, times=job.settings.times, camera=job.settings.camera)
    sequence, hot = mend_hot_pixels(doubt_night(sequence, job.settings.site))
    job.sequence = best_of_bursts(sequence, job.settings.times)
    return hot


@contextmanager
def _under_way(job: Job, stages: list[str]) -> Iterator[None]:
    """Stages that are done in a thread while the block does another one.

    They tell no progress but their end: a terminal has room for one bar. When the block fails, they stop at
    their next step.
    """
    stop = threading.Event()

    def until_stopped(stage: str) -> Callable[[int, int], None]:
        tell = job.progress(stage)

        def told(done: int, total: int) -> None:
            if stop.is_set():
                raise _Stopped
            if done >= total:
                tell(done, total)

        return told

    with ThreadPoolExecutor(1, thread_name_prefix="beside") as pool:
        pending = [pool.submit(_do, job, stage, until_stopped) for stage in stages]
        try:
            yield
            for one in pending:
                one.result()
        finally:
            stop.set()


class _Stopped(Exception):
    """Ends a stage in a thread whose work is no longer wanted."""


def _do(job: Job, stage: str, progress: Progress | None = None) -> None:
    """Do a stage, or bring back its products if they still hold."""
    stamp = job.stamp(stage)
    if job.folder.is_done(stage, stamp):
        try:
            LOADERS[stage](job)
            log.info("%s: kept from before", stage)
            return
        except InputError as error:
            log.warning("%s: done again, since %s", stage, error)
    _refuse(job, stage)
    _record_settings(job)
    job.folder.mark_undone(stage)
    try:
        files = DOERS[stage](job, (progress or job.progress)(stage))
    except PromtrackError as error:
        raise error.at(str(job.source)) from None
    job.files[stage] = files
    job.folder.mark_done(stage, stamp, files)
    log.info("%s: done", stage)


def not_up_to_date(job: Job) -> list[str]:
    """Stages whose products show something else than the run's present numbers and settings."""
    return [stage for stage in STAGES if not job.folder.is_done(stage, job.stamp(stage))]


def _refuse(job: Job, stage: str) -> None:
    """Raises SettingsError, before anything is written, if the strips do not show what the settings ask
    for."""
    if stage == "motion":
        check_asked_for(job, job.strip.geometry)


def _record_settings(job: Job) -> None:
    """Write settings.toml unless it stands there already; two stages may begin at once."""
    text, path = settings_as_toml(job.settings), job.folder["settings"]
    with _RECORDING:
        if path.exists() and path.read_text(encoding="utf-8", errors="replace") == text:
            return
        with whole_file(path) as part:
            part.write_text(text, encoding="utf-8")


def _require(job: Job, stage: str) -> None:
    """Raises InputError unless `stage` was done with the very input and settings that a later stage is to be
    done with."""
    stamp = job.folder.stamp(stage)
    if stamp != job.stamp(stage):
        what = "was made from other frames or with other settings" if stamp else "has not been finished"
        raise InputError(
            f"the stage '{stage}' {what}",
            where=str(job.folder.path),
            remedy=f"do `{command_line('promtrack', stage, job.folder.path)}` first, with the same --set and --settings",
        )
