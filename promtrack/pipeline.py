"""The pipeline: a whole run, or one stage again.

A stage that ended well with the same input, settings and version is not done again, so an interrupted run
goes on from where it stood.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from promtrack import __version__
from promtrack.errors import InputError, PromtrackError, SettingsError, command_line
from promtrack.files import atomic_write
from promtrack.limb import turned_back
from promtrack.marks import find_marks, read_marks
from promtrack.products.folder import (
    ProductFolder,
    alone,
    default_folder,
    fingerprint_of,
    journal,
    refuse_products,
)
from promtrack.products.summary import read_summary
from promtrack.sequence import open_sequence
from promtrack.sequence.bursts import best_of_bursts
from promtrack.sequence.calibrate import mend_hot_pixels
from promtrack.sequence.opening import sessions
from promtrack.sequence.sort_by_time import doubt_night, refuse_several, session_settings
from promtrack.sequence.video import ffmpeg_program
from promtrack.settings import Settings
from promtrack.settings_text import load_settings, settings_as_toml
from promtrack.show.region_of_interest import check_at
from promtrack.show.timing import chosen_frames
from promtrack.stages import DOERS, MEASURED, STAGES, Advance, Job, Progress, before, load, refuse, silent

_RECORDING = threading.Lock()


def run(
    source: Path,
    out: Path | None = None,
    settings: Settings | None = None,
    *,
    marks: Path | None = None,
    replace: bool = False,
    progress: Progress = silent,
) -> Job:
    """Everything, from frames to report.

    Parameters
    ----------
    source : folder of frames, video, or file with several frames
    out : folder for the products; default: the input's name with -promtrack appended, beside it
    marks : file of corrections by hand; default: promtrack-marks.toml in the folder or beside the film
    replace : products of another recording in `out` may go
    progress : progress(stage) gives a callable (done, total)

    Raises InputError: the input cannot be measured, with the reason; SettingsError: a setting cannot be
    used, or `out` holds the products of another recording.
    """
    source = Path(source)
    folder = ProductFolder(Path(out) if out else default_folder(source))
    job = Job(source, folder, settings or Settings(), progress)
    marks = marks or find_marks(source)
    refuse_products(source)
    _open(job, marks)
    chosen_frames(np.arange(len(job.sequence)), job.sequence.times_utc, job.settings.clip)
    ffmpeg_program()  # better missed now than after the measurement
    moved = folder.stamp("lock") == job.stamp("lock")  # the same files, under another path
    folder.create(source, replace=replace, keep=moved)
    folder.keep_marks(marks)
    with folder.alone_or_gone(), journal(folder["log"]) as job.log:
        folder.sweep()
        job.log.info("promtrack %s on %s: %d frames", __version__, source.name, len(job.sequence))
        left_out = (f"{r.file}: {r.reason}" for r in job.sequence.unreadable)
        for note in (*job.sequence.time_report.problems, *job.sequence.notes, *job.notes, *left_out):
            job.log.info(note)
        for stage in STAGES:
            if stage == "clip" and "figures" in STAGES:
                _do_clip_and_figures(job)
            elif stage != "figures":
                _do(job, stage)
        _record_settings(job)
    return job


def run_stage(
    stage: str,
    out: Path,
    changes: Callable[[Settings], Settings] = lambda settings: settings,
    *,
    marks: Path | None = None,
    progress: Progress = silent,
) -> Job:
    """One stage again, from the products of the stages before it. `out`: folder that an earlier run made;
    `changes`: turns the settings of that run into those of this one; `marks`: file of corrections by hand;
    default: that of the run, or promtrack-marks.toml with the frames. Raises InputError: the products of the
    stages before are missing or damaged, or the input has gone."""
    job = _opened_again(out, changes, progress, marks)
    with alone(job.folder.path), journal(job.folder["log"]) as job.log:
        job.folder.sweep()
        job.log.info("promtrack %s: %s again", __version__, stage)
        _bring_back(job, before(stage))
        refuse(job, stage)  # what cannot be done leaves the folder as it was
        if marks is not None:
            job.folder.keep_marks(marks)
        job.folder.mark_undone(stage)
        _do(job, stage)
    return job


def load_run(out: Path) -> Job:
    """A finished run, brought back from its products to look at; nothing is written. Raises InputError: it
    was not finished, its products are damaged, or the input has gone."""
    job = _opened_again(out, lambda settings: settings)
    _bring_back(job, MEASURED)
    return job


def measure(job: Job) -> None:
    """Lock, strips and motion of `job.sequence`, into the job's folder, whatever stands there. Raises
    InputError: the frames cannot be measured."""
    for stage in MEASURED:
        DOERS[stage](job, silent(stage))
        load(job, stage)


def _opened_again(
    out: Path, changes: Callable[[Settings], Settings], progress: Progress = silent, marks: Path | None = None
) -> Job:
    folder = ProductFolder(Path(out))
    version, source, where = read_summary(folder)["version"], folder.source, str(folder.path)
    again = command_line("promtrack", "run", source or "INPUT", "--out", folder.path)
    everything = f"make everything again with `{again}`"
    if version != __version__:
        made = f"was made by promtrack {version}, and this is {__version__}"
        raise InputError(made, where=where, remedy=everything)
    if source is None:
        raise InputError("does not say from which input it was made", where=where, remedy=everything)
    if not source.exists():
        moved = command_line("promtrack", "run", "NEW-PLACE", "--out", folder.path)
        remedy = f"put them back there, or name their new place, with the settings of before: `{moved}`"
        raise InputError(f"the frames that it was made from are not at {source}", where=where, remedy=remedy)
    job = Job(source, folder, changes(load_settings(folder["settings"])), progress)
    kept = folder.kept_way("marks")
    _open(job, marks or (kept if kept and kept.exists() else find_marks(source)))
    return job


def _bring_back(job: Job, stages: tuple[str, ...]) -> None:
    """Load what these stages left. Raises InputError unless they had the job's input, settings and marks."""
    for stage in stages:
        stamp = job.folder.stamp(stage)
        if stamp != job.stamp(stage):
            parts = zip(*((one or "--").split("-") for one in (stamp, job.stamp(stage))), strict=False)
            names = ("frames or another version", "settings", "marks")
            other = [name for name, (old, new) in zip(names, parts, strict=False) if old != new]
            made = f"was made with other {' and '.join(other)}" if stamp else "has not been finished"
            first, what = command_line("promtrack", stage, job.folder.path), f"the stage '{stage}' {made}"
            remedy = f"do `{first}` first, with the same --set, --settings and --marks"
            raise InputError(what, where=str(job.folder.path), remedy=remedy)
        load(job, stage)


def not_up_to_date(job: Job) -> list[str]:
    """Stages whose products show something else than the run's present numbers and settings."""
    return [stage for stage in STAGES if not job.folder.is_done(stage, job.stamp(stage))]


def _open(job: Job, marks: Path | None) -> None:
    """Open the input, mend its hot pixels and apply the marks that concern frames."""
    settings, folder = job.settings, job.source if job.source.is_dir() else job.source.parent
    # A table of times may lie with the frames or where its path leads from here.
    given = [settings.times.table and folder / settings.times.table, settings.times.table]
    files = [Path(name) for name in (*given, settings.camera.dark, settings.camera.flat) if name]
    job.fingerprint = fingerprint_of([job.source, *files])
    check_at(settings.clip.at)
    if marks is not None:
        job.marks = read_marks(marks)
    sequence = open_sequence(job.source, times=settings.times, camera=settings.camera)
    refuse_several(sequence)
    done = [job.marks.done_to_frames(sequence.names)]
    if marks is not None and (settings.times.from_ or settings.times.to_):
        whole = sessions(job.source, session_settings(settings, None))
        read, job.marks = job.marks, job.marks.of_session(sequence.times_utc, whole)
        done.append(read.passed_over(job.marks))
    said = "; ".join(filter(None, done))
    by_hand = [f"marks from {marks.name}" + (f": {said}" if said else "")] if marks is not None else []
    sequence = job.marks.kept(sequence)
    if not len(sequence):
        raise SettingsError("leaves no frame", where=str(marks), remedy="leave out fewer of them")
    sequence, hot = mend_hot_pixels(doubt_night(sequence, settings.site))
    job.sequence = best_of_bursts(turned_back(sequence), settings.times)
    mended = (f"{hot} hot or dead pixels were mended",) if hot else ()
    job.notes = (*mended, *_unused(settings), *by_hand)


def _unused(settings: Settings) -> Iterator[str]:
    """Settings that were given and have no effect without another one."""
    pairs = (("camera", "pixel_um", "focal_mm"), ("site", "latitude_deg", "longitude_deg"))
    for section, *names in pairs:
        values = getattr(settings, section)
        missing = [name for name in names if getattr(values, name) is None]
        given = [name for name in names if name not in missing]
        if missing and given:
            yield f"{section}.{given[0]} is not used without {section}.{missing[0]}"


def _do_clip_and_figures(job: Job) -> None:
    """Draw the figures in a thread while the clip is rendered, since drawing keeps one core half busy. Of
    their progress only the end is shown, and when the clip fails they stop at their next step."""
    stop, shown = threading.Event(), job.progress("figures")

    def advance(done: int, total: int) -> None:
        if stop.is_set():
            raise _Stopped
        if done >= total:
            shown(done, total)

    with ThreadPoolExecutor(1, thread_name_prefix="figures") as pool:
        try:
            figures = pool.submit(_do, job, "figures", advance)
            _do(job, "clip")
            figures.result()
        finally:
            stop.set()


class _Stopped(Exception):
    """Ends a stage in a thread whose work is no longer wanted."""


def _do(job: Job, stage: str, advance: Advance | None = None) -> None:
    """Do a stage, or bring back its products if they still hold."""
    stamp = job.stamp(stage)
    if job.folder.is_done(stage, stamp):
        try:
            load(job, stage)
            job.log.info("%s: kept from before", stage)
            return
        except InputError as error:
            job.log.warning("%s: done again, since %s", stage, error)
    refuse(job, stage)
    _record_settings(job)
    job.folder.mark_undone(stage)
    try:
        files = DOERS[stage](job, advance or job.progress(stage))
    except PromtrackError as error:
        raise error.at(str(job.source)) from None
    load(job, stage)
    job.files[stage] = files
    job.folder.mark_done(stage, stamp, files)
    job.log.info("%s: done", stage)


def _record_settings(job: Job) -> None:
    """Write settings.toml unless it stands there already; two stages may begin at once."""
    text, path = settings_as_toml(job.settings), job.folder["settings"]
    with _RECORDING:
        if not path.exists() or path.read_text(encoding="utf-8", errors="replace") != text:
            with atomic_write(path) as part:
                part.write_text(text, encoding="utf-8")
