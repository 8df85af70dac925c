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
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from promtrack import __version__
from promtrack.abreast import one_thread_each
from promtrack.errors import InputError, PromtrackError, SettingsError, command_line
from promtrack.ffmpeg import ffmpeg_program
from promtrack.limb import lock_limb
from promtrack.limb.geometry import place_of, to_frame, turn_at
from promtrack.limb.records import LimbLock
from promtrack.limb.second import second_limb_note
from promtrack.motion import measure_motion, named_sectors
from promtrack.motion.records import Motion
from promtrack.products import (
    ProductFolder,
    begin_strip,
    default_folder,
    finish_strip,
    read_lock,
    read_motion,
    read_strip,
    read_summary,
    write_lock,
    write_motion,
    write_summary,
)
from promtrack.products.folder import fingerprint_of, stamp_of
from promtrack.products.journal import Journal
from promtrack.products.strips import CUBE_DTYPE, Circumstances, check_space
from promtrack.sequence import Sequence, open_sequence
from promtrack.sequence.bursts import best_of_bursts
from promtrack.sequence.daylight import doubt_night
from promtrack.sequence.hot import mend_hot_pixels
from promtrack.settings import Settings, load_settings, settings_as_toml
from promtrack.show import Measured, draw_figures, render_clip, write_report
from promtrack.strip import strip_geometry, under_ceiling, unwrap
from promtrack.strip.records import Strip, StripGeometry
from promtrack.strip.slit import parse_path
from promtrack.sun import Orientation, Scale, SolarView, measure_scale, orient, solar_view
from promtrack.whole import whole_file

__all__ = ["STAGES", "Job", "not_up_to_date", "run", "run_stage"]

log = logging.getLogger("promtrack")
STAGES = ("lock", "strip", "motion", "clip", "figures", "report")
# Settings sections that each stage depends on, beyond those of the stages before it.
_SECTIONS = {
    "lock": ("times", "site", "camera", "limb"), "strip": ("strip",), "motion": ("motion",), "clip": ("clip",),
    "figures": ("figures",), "report": ("clip", "figures"),
}
_BEFORE = {"lock": (), "strip": ("lock",), "motion": ("lock", "strip"), "clip": ("lock", "strip", "motion"),
           "figures": ("lock", "strip", "motion"), "report": ("lock", "strip", "motion")}
# Needs nothing that the other makes: drawing keeps one core half busy, encoding the rest of both.
_BESIDE = {"clip": ("figures",)}
_RECORDING = threading.Lock()

Progress = Callable[[str], Callable[[int, int], None]]


def _silent(stage: str) -> Callable[[int, int], None]:
    return lambda done, total: None


@dataclass(slots=True)
class Job:
    """One run under way: where it reads and writes, and what the stages have found so far."""

    source: Path
    folder: ProductFolder
    settings: Settings
    progress: Progress = _silent
    fingerprint: str = field(init=False)     # of the input before it was opened: what changes later is seen by the next run
    sequence: Sequence = field(init=False)   # each is set by its stage, in this order
    lock: LimbLock = field(init=False)
    strip: Strip = field(init=False)
    motion: Motion = field(init=False)
    files: dict[str, list[Path]] = field(default_factory=dict)

    @property
    def geometry(self) -> tuple[SolarView, Scale, Orientation]:
        """The Sun on the date, the scale and the orientation: cheap, so worked out from the lock each time."""
        camera, header = self.settings.camera, self.sequence.header
        view = solar_view(self.sequence.times_utc[self.lock.reference], site=self.settings.site, header=header)
        scale = measure_scale(self.lock.radius_px, self.lock.radius_err_px, view, camera=camera, limb=self.settings.limb, header=header)
        # camera.north_deg holds for the first frame, angles for the reference frame.
        return view, scale, orient(view, camera=camera, header=header, turn_deg=turn_at(self.lock, 0))

    def measured(self) -> Measured:
        """Everything measured, for the show room."""
        view, scale, orientation = self.geometry
        return Measured(settings=self.settings, sequence=self.sequence, lock=self.lock, view=view, scale=scale,
                        orientation=orientation, strip=self.strip, motion=self.motion, version=__version__)

    def stamp(self, stage: str) -> str:
        """What the stage depends on: version, input files, and the settings of this stage and those before."""
        sections = [name for s in (*_BEFORE[stage], stage) for name in _SECTIONS[s]]
        return stamp_of(__version__, self.fingerprint, *(getattr(self.settings, s) for s in dict.fromkeys(sections)))


def run(source: Path, out: Path | None = None, settings: Settings | None = None, *, progress: Progress = _silent) -> Job:
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
    job = Job(source, ProductFolder(Path(out) if out else default_folder(source)), settings or Settings(), progress)
    hot = _open(job)
    ffmpeg_program()   # better missed now than after the measurement
    job.folder.create(source)
    with job.folder.alone(), Journal(job.folder), one_thread_each():
        job.folder.sweep()
        log.info("promtrack %s on %s: %d frames, %d hot or dead pixels mended", __version__, source, len(job.sequence), hot)
        for note in (*job.sequence.time_report.problems, *job.sequence.notes, *(f"{r.file}: {r.reason}" for r in job.sequence.unreadable)):
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


def run_stage(stage: str, out: Path, changes: Callable[[Settings], Settings] = lambda settings: settings, *,
              progress: Progress = _silent) -> Job:
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
        raise InputError(f"was made by promtrack {page['version']}, and this is {__version__}", where=str(folder.path),
                         remedy=f"make everything again with `{again}`")
    settings = changes(load_settings(folder["settings"]))
    job = Job(Path(page["input"]), folder, settings, progress)
    _open(job)
    with folder.alone(), Journal(folder), one_thread_each():
        folder.sweep()
        log.info("promtrack %s: %s again", __version__, stage)
        for before in _BEFORE[stage]:
            _require(job, before)
            _LOADERS[before](job)
        _refuse(job, stage)   # what cannot be done leaves the folder as it was
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

    They tell no progress but their end: a terminal has room for one bar. When the block fails, they stop at their next step.
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
            _LOADERS[stage](job)
            log.info("%s: kept from before", stage)
            return
        except InputError as error:
            log.warning("%s: done again, since %s", stage, error)
    _refuse(job, stage)
    _record_settings(job)
    job.folder.mark_undone(stage)
    try:
        files = _DOERS[stage](job, (progress or job.progress)(stage))
    except PromtrackError as error:
        raise error.at(str(job.source)) from None
    job.files[stage] = files
    job.folder.mark_done(stage, stamp, files)
    log.info("%s: done", stage)


def not_up_to_date(job: Job) -> list[str]:
    """Stages whose products show something else than the run's present numbers and settings."""
    return [stage for stage in STAGES if not job.folder.is_done(stage, job.stamp(stage))]


def _refuse(job: Job, stage: str) -> None:
    """Raises SettingsError, before anything is written, if the strips do not show what the settings ask for."""
    if stage == "motion":
        _asked_for(job, job.strip.geometry)


def _asked_for(job: Job, geometry: StripGeometry) -> None:
    named_sectors(job.settings.motion, geometry)
    for path in job.settings.motion.slits:
        try:
            parse_path(path, geometry)
        except SettingsError as error:
            raise error.at("motion.slits") from None


def _record_settings(job: Job) -> None:
    """Write settings.toml unless it stands there already; two stages may begin at once."""
    text, path = settings_as_toml(job.settings), job.folder["settings"]
    with _RECORDING:
        if path.exists() and path.read_text(encoding="utf-8", errors="replace") == text:
            return
        with whole_file(path) as part:
            part.write_text(text, encoding="utf-8")


def _require(job: Job, stage: str) -> None:
    """Raises InputError unless `stage` was done with the very input and settings that a later stage is to be done with."""
    stamp = job.folder.stamp(stage)
    if stamp != job.stamp(stage):
        what = "was made from other frames or with other settings" if stamp else "has not been finished"
        raise InputError(f"the stage '{stage}' {what}", where=str(job.folder.path),
                         remedy=f"do `{command_line('promtrack', stage, job.folder.path)}` first, with the same --set and --settings")


def _do_lock(job: Job, progress: Callable[[int, int], None]) -> list[Path]:
    s = job.settings
    lock = lock_limb(job.sequence, limb=s.limb, camera=s.camera, site=s.site, progress=progress)
    second = second_limb_note(job.sequence.frame(lock.reference), job.sequence.full_scale, place_of(lock, lock.reference))
    job.lock = replace(lock, notes=(*lock.notes, *second))
    rejected = int((~job.lock.used).sum())
    if rejected > s.limb.most_rejected * len(job.sequence) or job.lock.used.sum() < 2:
        reasons = ", ".join(sorted({reason for reason in job.lock.reason if reason}))
        raise InputError(f"{rejected} of {len(job.sequence)} frames cannot be trusted ({reasons})", where=str(job.source),
                         remedy="look at the frames, or allow more with --set limb.most_rejected=")
    for note in job.lock.notes:
        log.info(note)
    path = write_lock(job.folder, job.sequence, job.lock)
    write_summary(job.folder, __version__, job.sequence, job.lock, geometry=job.geometry)   # motion completes it
    return [path]


def _do_strip(job: Job, progress: Callable[[int, int], None]) -> list[Path]:
    view, scale, orientation = job.geometry
    log.info("scale: %.1f +- %.1f km a pixel (%s)%s", scale.km_per_px, scale.sigma_km_per_px, scale.source,
             f"; {scale.check}" if scale.check else "")
    log.info("orientation: %s", orientation.source)
    geometry = strip_geometry(job.lock, scale, orientation, strip=job.settings.strip, limb=job.settings.limb)
    if job.settings.strip.high_mm is None:
        geometry = under_ceiling(job.sequence, job.lock, orientation, geometry)
    log.info("strips: %d x %d px, %.0f to %.0f Mm above the limb", geometry.columns, geometry.rows, geometry.low_mm,
             geometry.height_mm(geometry.rows - 1))
    about = Circumstances(view, scale, orientation, job.settings.limb.height_mm, __version__)
    _asked_for(job, geometry)   # rather now than when the frames are unwrapped
    check_space(job.folder, geometry, int(job.lock.used.sum()))
    with whole_file(job.folder["strip"]) as part:
        offset = begin_strip(part, geometry, job.sequence.times_utc[job.lock.used], about)
        strip = unwrap(job.sequence, job.lock, orientation, geometry, path=part, offset=offset, dtype=CUBE_DTYPE, progress=progress)
        finish_strip(part, strip, job.sequence, job.lock, about)
    _load_strip(job)
    return [job.folder["strip"]]


def _do_motion(job: Job, progress: Callable[[int, int], None]) -> list[Path]:
    _, scale, orientation = job.geometry
    job.motion = measure_motion(job.strip, motion=job.settings.motion, scale_err=scale.sigma_km_per_px / scale.km_per_px,
                                clock_err=job.settings.times.rate_err, progress=lambda done, total: progress(done, total + 1))
    for note in job.motion.control.notes:
        log.info(note)

    def place(frame: int, angle_deg: float, height_mm: float) -> tuple[float, float]:
        rho_px = job.lock.radius_px + height_mm * 1e3 / scale.km_per_px
        x, y = to_frame(job.lock, frame, np.asarray(orientation.to_image(angle_deg)), np.asarray(rho_px))
        return float(x), float(y)

    files = write_motion(job.folder, job.strip, job.motion, place)
    progress(len(job.strip) + 1, len(job.strip) + 1)
    return [*files, write_summary(job.folder, __version__, job.sequence, job.lock, geometry=job.geometry, motion=job.motion)]


def _do_clip(job: Job, progress: Callable[[int, int], None]) -> list[Path]:
    return list(render_clip(job.measured(), job.folder.path, progress=progress))


def _do_figures(job: Job, progress: Callable[[int, int], None]) -> list[Path]:
    return list(draw_figures(job.measured(), job.folder["figures"], progress=progress))


def _do_report(job: Job, progress: Callable[[int, int], None]) -> list[Path]:
    figures = [file for file in job.folder.files_of("figures") if file.suffix == ".png" and file.exists()]
    return [write_report(job.measured(), job.folder["report"], clip=job.folder["clip"], poster=job.folder["poster"], figures=figures)]


def _load_lock(job: Job) -> None:
    job.lock = read_lock(job.folder)
    if job.lock.names != job.sequence.names:
        raise InputError("does not belong to the frames in the input", where=str(job.folder["frames"]),
                         remedy="make it again with `promtrack lock`")


def _load_strip(job: Job) -> None:
    job.strip = read_strip(job.folder)


def _load_motion(job: Job) -> None:
    job.motion = read_motion(job.folder, job.strip)


def _load_nothing(job: Job) -> None:
    """Files that no later stage reads back into records."""


_DOERS: dict[str, Callable[[Job, Any], list[Path]]] = {
    "lock": _do_lock, "strip": _do_strip, "motion": _do_motion, "clip": _do_clip, "figures": _do_figures, "report": _do_report}
_LOADERS: dict[str, Callable[[Job], None]] = {
    "lock": _load_lock, "strip": _load_strip, "motion": _load_motion, "clip": _load_nothing, "figures": _load_nothing,
    "report": _load_nothing}
